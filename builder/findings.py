"""What was noticed, in words: severities, messages, advice, order and verdict. No measuring.

Severities. fail: reshoot while the set stands, no computation brings it back. warn: usable, but look at it.
note: for information; finish and build deal with it. Frames are printed by number, from 1.

What `measured` and `limit` are, and where the limit comes from:

    duplicate        degrees turned; a quarter of the usual step (both 0 where the pictures alone tell)
    skipped-step     degrees turned; one and a half of the usual step, more where the steps scatter
    uneven-steps     scatter of the steps, degrees; a tenth of a step, or three times the measuring error
    open-loop        degrees from the last frame to the first; as for skipped-step and duplicate
    blurred          sigma of blur beyond the frames beside it, px of the widest output; what halves detail of 4 px,
                     or five times the scatter of the views. A whole spin (no frames named): sigma of its edges; what
                     leaves less than 10 % of the finest detail of half the width
    bumped           movement of the picture's corner, source px; 1 px of the widest output, or five times the
                     usual movement between two frames
    obstructed       share of the picture; a thumb's tip across a subject of half the picture's height
    flicker          EV from frame to frame; the least step in brightness that is seen, 2 %
    exposure-drift   EV from first to last; the same
    cast             chroma, CIELAB; a good match for print, or a colour no lamp makes
    clipped          share of the subject that is pure white in the worst frame, highlights left out
    cut-off          length of the contact with the picture's edge, source px; 1 % of the long side
    off-axis         distance of the axis from the middle, share of the width
    size-mismatch    long side, px; that of the other frames
    unreadable       files; none
    too-few-frames   frames; 2 to turn at all, 12 for views that don't jump
    small-frames     px across; the widest output
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Literal

from builder.spin import Finding, Severity, SpinMeasures, Verdict

_RANK = {"fail": 0, "warn": 1, "note": 2}


def verdict_of(findings: Sequence[Finding]) -> Verdict:
    """reshoot: something failed; notes: something to look at; ready: nothing, or notes that are dealt with."""
    worst = min((_RANK[finding.severity] for finding in findings), default=3)
    return ("reshoot", "notes", "ready", "ready")[worst]


def worst_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """By severity, then by first frame; findings of the whole spin come before those of a frame."""
    return tuple(sorted(findings, key=lambda f: (_RANK[f.severity], f.frames[:1] or (-1,), f.kind)))


def with_findings(measures: SpinMeasures, more: Sequence[Finding]) -> SpinMeasures:
    """The measures with further findings, sorted in, and the verdict they lead to."""
    found = worst_first([*measures.findings, *more])
    return dataclasses.replace(measures, findings=found, verdict=verdict_of(found))


def old_backdrop(doubt: str) -> Finding:
    """Finish couldn't tell the subject from the set safely, for the reason given, and leaves the set as it is.

    Its kind is not one of KINDS, which are those of a check: only a finish can say this.
    """
    message = f"The old backdrop stays: {doubt}."
    advice = (
        "Shoot before a plain, still backdrop that isn't the subject's colour, or add a photo of the empty set (plate)."
    )
    return Finding("old-backdrop", (), "warn", 1, 0, message, advice)


class Wording:
    """Makes findings for one spin. names: file names by frame index."""

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)

    # -- naming -------------------------------------------------------------------------------------------

    def frame(self, index: int) -> str:
        return f"frame {index + 1} ({self.names[index]})"

    def frames(self, indices: Sequence[int], most: int = 6) -> str:
        if len(indices) == 1:
            return self.frame(indices[0])
        if len(indices) == len(self.names) > 2:
            return "all frames"
        numbers = [str(index + 1) for index in indices[:most]]
        if len(indices) > most:
            return f"frames {', '.join(numbers)} and {len(indices) - most} more"
        return f"frames {_listed(numbers)}"

    def drop(self, indices: Sequence[int]) -> str:
        return "drop = [" + ", ".join(f'"{self.names[index]}"' for index in indices) + "]"

    # -- steps --------------------------------------------------------------------------------------------

    def duplicate(self, index: int, of: int, measured_deg: float, limit_deg: float) -> Finding:
        message = f"{_upper(self.frame(index))} repeats frame {of + 1}: the disc wasn't turned."
        advice = f"Shoot it again, or leave it out with {self.drop([index])}; build leaves it out by itself."
        return Finding("duplicate", (index,), "warn", measured_deg, limit_deg, message, advice)

    def nothing_turns(self, *, identical: bool) -> Finding:
        if identical:
            message = "All frames are the same picture."
            advice = "Shoot the turn: one picture a mark, the disc turned in between."
            return Finding("duplicate", (), "fail", 0.0, 0.0, message, advice)
        message = "All frames look alike: nothing in them is seen to turn."
        advice = "If the disc was turned, all is well, and a plain round object looks the same from every side."
        return Finding("duplicate", (), "warn", 0.0, 0.0, message, advice)

    def skipped_step(
        self, before: int, after: int, turn_deg: float, usual_deg: float, limit_deg: float,
        *, sure: Literal["sure", "likely", "possible"] = "sure",
    ) -> Finding:  # fmt: skip
        """sure: that it is no ordinary step; likely: likelier than that; possible: less likely, but worth a look."""
        missing = max(1, round(turn_deg / usual_deg) - 1)
        marks = "a mark was" if missing == 1 else f"{missing} marks were"
        turned = {"sure": "turned", "likely": "seems to have turned", "possible": "may have turned"}[sure]
        message = (
            f"From {self.frame(before)} to {self.frame(after)} the disc {turned} {turn_deg:.1f}°, "
            f"where {usual_deg:.1f}° is usual"
        )
        if sure == "sure":
            message += f": {marks} skipped."
            advice = 'Turn the disc back to between the two and shoot what is missing; order = "angle" sorts it in.'
        else:
            message += ", but too little can be followed there to be sure."
            advice = "Look at the two side by side. If a mark was skipped, turn back to between them and shoot what is missing."
        severity: Severity = "fail" if sure == "sure" else "warn"
        return Finding("skipped-step", (before, after), severity, turn_deg, limit_deg, message, advice)

    def uneven_steps(
        self, indices: Sequence[int], sigma_deg: float, limit_deg: float, usual_deg: float, severity: Severity
    ) -> Finding:
        message = f"The steps are uneven: {usual_deg:.1f}° give or take {sigma_deg:.1f}°."
        if indices:
            message += f" Furthest off: {self.frames(indices)}."
        advice = "The viewer plays by the measured angles, so the turn stays even. Next time, stop on the marks."
        return Finding("uneven-steps", tuple(indices), severity, sigma_deg, limit_deg, message, advice)

    def open_loop(self, gap_deg: float, usual_deg: float, limit_deg: float, severity: Severity) -> Finding:
        last, first = len(self.names) - 1, 0
        if gap_deg > usual_deg:
            message = (
                f"The turn doesn't close: from the last frame to the first it is {gap_deg:.1f}°, "
                f"where {usual_deg:.1f}° is usual."
            )
            advice = "Go on to the first mark, or say closed = false if a part turn is meant."
        else:
            message = (
                f"The turn goes past its start: from the last frame to the first it is {gap_deg:.1f}°, "
                f"where {usual_deg:.1f}° is usual."
            )
            advice = f"Leave out what repeats the start: {self.drop([last])}."
        return Finding("open-loop", (last, first), severity, gap_deg, limit_deg, message, advice)

    # -- single frames ------------------------------------------------------------------------------------

    def blurred(
        self, index: int, blur_px: float, limit_px: float, severity: Severity,
        *, way: str | None = None, still: Literal["sharp", "smeared"] | None = None,
    ) -> Finding:  # fmt: skip
        """way: "all" for defocus, or the way of a smear ("sideways"); still: how the parts that don't turn came out."""
        message = (
            f"{_upper(self.frame(index))} is blurred: edges are {blur_px:.1f} px softer than in the frames beside it"
        )
        advice = "Turn back to that mark, let the disc rest, lock the focus and shoot it again."
        if way == "all":
            message += ", in all directions: it is out of focus."
            advice = "Lock the focus on the subject, turn back to that mark and shoot it again."
        elif way and still == "sharp":
            message += f", {way} only, and what doesn't turn is sharp: the disc was still turning."
            advice = "Turn back to that mark, let the disc rest and shoot it again."
        elif way and still == "smeared":
            message += f", {way} only, and so is what doesn't turn: the camera shook."
            advice = "Turn back to that mark and shoot it again with the self-timer, hands off the stand."
        else:
            message += f", {way} only: something moved." if way else "."
        return Finding("blurred", (index,), severity, blur_px, limit_px, message, advice)

    def soft(self, spread_px: float, limit_px: float, widest: int, severity: Severity) -> Finding:
        """The whole spin. spread_px: sigma of its edges, px of the widest output, `widest` px wide."""
        holds = widest * limit_px / 2 / spread_px
        message = (
            f"All frames are soft: edges spread over {spread_px:.1f} px at the widest output of {widest} px, "
            f"so there is no more detail in them than {_two_digits(holds)} px can show."
        )
        advice = (
            "Zoom in on one frame: if its nearest edges are soft too, wipe the lens, lock the focus on the subject, "
            "keep the camera still, and shoot again. Or be content with smaller widths."
        )
        return Finding("blurred", (), severity, spread_px, limit_px, message, advice)

    def bumped(
        self, index: int, moved_px: tuple[float, float], roll_deg: float, size_px: float, limit_px: float,
        *, lasting: bool, severity: Severity, about: bool = False,
    ) -> Finding:  # fmt: skip
        """about: too little stands still to see all of the movement."""
        how = f"{_direction(*moved_px)}{f', rolled {roll_deg:+.2f}°' if abs(roll_deg) >= 0.05 else ''}"
        if lasting:
            message = f"The camera was bumped before {self.frame(index)} and stayed there: {how}."
            advice = "Finish lines the frames up again. Where near things shift against far ones, shoot the rest again."
        else:
            message = f"The camera shook at {self.frame(index)}: {how}, then back."
            advice = "Finish lines it up. If it is blurred as well, shoot it again."
        if about:
            message += " That is about it, for little in the picture stands still to see it by."
            advice += " Something with an upright edge at the side of the picture, outside the crop, gives it a hold next time."
        return Finding("bumped", (index,), severity, size_px, limit_px, message, advice)

    def unsteady(self, indices: Sequence[int], size_px: float, limit_px: float) -> Finding:
        message = (
            f"The camera moved all the time, by up to {size_px:.1f} px ({len(indices)} times): was it held by hand?"
        )
        advice = "Put it on a stand and use the self-timer. Finish lines up what it can."
        return Finding("bumped", tuple(indices), "warn", size_px, limit_px, message, advice)

    def obstructed(self, index: int, share: float, limit: float) -> Finding:
        message = f"Something is in the way in {self.frame(index)}: {share:.1%} of the picture is covered there only."
        advice = "Take hand, sleeve or tool out of the picture and shoot that mark again."
        return Finding("obstructed", (index,), "fail", share, limit, message, advice)

    # -- light and colour ---------------------------------------------------------------------------------

    def flicker(
        self, indices: Sequence[int], sigma_ev: float, limit_ev: float, severity: Severity, *, colour: bool
    ) -> Finding:
        what = "white balance" if colour else "exposure"
        message = f"The {what} flickers: {sigma_ev:.2f} EV from frame to frame ({2**sigma_ev - 1:.0%})."
        if indices:
            message += f" Furthest off: {self.frames(indices)}."
        advice = "Finish evens it. Next time, lock exposure and white balance."
        return Finding("flicker", tuple(indices), severity, sigma_ev, limit_ev, message, advice)

    def exposure_drift(self, drift_ev: float, limit_ev: float, severity: Severity) -> Finding:
        course = "darker" if drift_ev < 0 else "brighter"
        message = f"The light gets {course} over the turn, by {abs(drift_ev):.2f} EV ({abs(1 - 2**drift_ev):.0%})."
        advice = "Finish evens it. Next time, shoot faster or draw the curtain against passing clouds."
        return Finding("exposure-drift", (), severity, abs(drift_ev), limit_ev, message, advice)

    def cast(self, ab: tuple[float, float], limit: float, severity: Severity) -> Finding:
        chroma = (ab[0] ** 2 + ab[1] ** 2) ** 0.5
        message = f"The backdrop has a {_hue(*ab)} cast (a* {ab[0]:+.0f}, b* {ab[1]:+.0f})."
        if severity == "note":
            advice = "Finish balances it. A grey card in one more photo (grey_card) makes it exact."
        else:
            advice = "If the backdrop isn't meant to be coloured, shoot a grey card and name it as grey_card."
        return Finding("cast", (), severity, chroma, limit, message, advice)

    def clipped(self, indices: Sequence[int], share: float, limit: float, severity: Severity) -> Finding:
        message = f"The subject is blown out in {self.frames(indices)}: {share:.0%} of it is pure white."
        advice = (
            "Expose less (−0.7 EV is a start) or soften the light, and shoot again: blown-out detail can't be won back."
        )
        return Finding("clipped", tuple(indices), severity, share, limit, message, advice)

    # -- place --------------------------------------------------------------------------------------------

    def cut_off(self, indices: Sequence[int], sides: Sequence[str], length_px: float, limit_px: float) -> Finding:
        message = f"The subject is cut off at the {_listed(sides)} of the picture in {self.frames(indices)}."
        advice = "Step back or zoom out until it has room on all sides, over the whole turn."
        return Finding("cut-off", tuple(indices), "fail", length_px, limit_px, message, advice)

    def off_axis(self, offset: float, limit: float, severity: Severity) -> Finding:
        side = "right" if offset > 0 else "left"
        message = f"The turntable's axis is {abs(offset):.0%} of the picture's width to the {side} of its middle."
        if severity == "note":
            advice = "Finish centres it. Aiming the camera at the axis leaves more pixels for the subject."
        else:
            advice = "Aim the camera at the axis: centred, the subject's swing reaches over the picture's edge."
        return Finding("off-axis", (), severity, abs(offset), limit, message, advice)

    # -- files --------------------------------------------------------------------------------------------

    def size_mismatch(self, indices: Sequence[int], usual: tuple[int, int], odd: tuple[int, int]) -> Finding:
        verb = "is" if len(indices) == 1 else "are"
        message = f"{_upper(self.frames(indices))} {verb} {odd[0]} × {odd[1]} px, the others {usual[0]} × {usual[1]}."
        advice = f"Shoot again with the same camera held the same way, or leave out: {self.drop(indices)}."
        return Finding("size-mismatch", tuple(indices), "fail", max(odd), max(usual), message, advice)

    def unreadable(self, name: str, why: str) -> Finding:
        advice = f'Copy it from the camera again, shoot it again, or leave it out with drop = ["{name}"].'
        index = (self.names.index(name),) if name in self.names else ()  # a place only if its header could be read
        return Finding("unreadable", index, "fail", 1, 0, f"{name} can't be read: {why}.", advice)

    def too_few_frames(self, count: int, limit: int, severity: Severity) -> Finding:
        photos = "1 photo" if count == 1 else f"{count} photos"
        if severity == "fail":
            message = f"Too few frames: {photos}, and a turn needs at least {limit}."
        else:
            message = f"Few frames: {photos}; a turn of fewer than {limit} jumps from view to view."
        advice = "Usual are 24 to 48 frames a turn, 36 the round number."
        return Finding("too-few-frames", (), severity, count, limit, message, advice)

    def small_frames(self, width_px: float, limit_px: float, *, subject: bool) -> Finding:
        if subject:
            message = (
                f"The subject's swing is {width_px:.0f} px across, so the cropped frame is smaller than the widest "
                f"output of {limit_px:.0f} px."
            )
            advice = "Go nearer or zoom in until it fills most of the picture, or be content with smaller widths."
            return Finding("small-frames", (), "note", width_px, limit_px, message, advice)
        message = f"The photos are {width_px:.0f} px wide, the widest output {limit_px:.0f} px; nothing is enlarged."
        advice = "Set the camera to a larger picture, or be content with smaller widths."
        return Finding("small-frames", (), "warn", width_px, limit_px, message, advice)


def _two_digits(value: float) -> int:
    """Rounded to two digits."""
    return int(float(f"{value:.1e}"))


def _listed(parts: Sequence[str]) -> str:
    """'left, right and top'."""
    return " and ".join(filter(None, (", ".join(parts[:-1]), parts[-1])))


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _direction(x: float, y: float) -> str:
    """A movement of the picture in words."""
    parts = []
    if abs(x) >= 0.5:
        parts.append(f"{abs(x):.1f} px to the {'right' if x > 0 else 'left'}")
    if abs(y) >= 0.5:
        parts.append(f"{abs(y):.1f} px {'down' if y > 0 else 'up'}")
    return "the picture moved " + (" and ".join(parts) or "by less than a pixel")


def _hue(a: float, b: float) -> str:
    """Plain name of a direction in the a*, b* plane of CIELAB."""
    if abs(b) > 2 * abs(a):
        return "yellow" if b > 0 else "blue"
    if abs(a) > 2 * abs(b):
        return "red" if a > 0 else "green"
    return {(True, True): "warm orange", (True, False): "purple", (False, True): "yellow-green"}.get(
        (a > 0, b > 0), "blue-green"
    )
