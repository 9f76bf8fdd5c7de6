"""From one spin's numbers to findings: which limit each is held against, and where the limit comes from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from builder.findings import Wording
from builder.measured.exposure import flicker_and_drift
from builder.measured.nudges import unseen_moves
from builder.measured.obstruction import FEWEST_TO_COMPARE
from builder.measured.sharpness import HALF_WIDTH_PX
from builder.measured.steps import REPEAT_STEPS, SKIP_STEPS, Steps, judge_steps, look_alike
from builder.measured.survey import Survey
from builder.spin import Finding, Photo, Severity, Unreadable

FEWEST_FRAMES = 2  # one picture can't turn
FEW_FRAMES = 12  # steps of 30 degrees: below, views jump. Common practice: 24 to 48
SEEN_EV = 0.03  # 2 % of light, about the least step the eye sees between frames (Weber fraction)
STRONG_EV = 0.3  # evening it costs a fifth of the light: shadows get visibly noisier
SEEN_CHROMA = 3.0  # CIELAB; Delta E of 2 to 3 is a good match (common practice)
# A white sheet at 0.7 of full light, its red 2.2 times its blue (neutral.MOST_RED_TO_BLUE): no lamp makes more
STRONG_CHROMA = 25.0
UNEVEN_SHARE = 0.1  # of a step: speed that varies by a tenth still looks steady. Common practice, no source
BLOWN_SHARE, MUCH_BLOWN = 0.03, 0.15  # of the subject, highlights apart: a patch that shows; a side. Common practice
TOUCHING = 0.01  # of the picture's long side: a shorter contact with its edge is noise
OFF_MIDDLE = 0.05  # share of the width: a tenth of the half a subject may fill. Common practice, no source
ODD = 5.0  # times the usual scatter: one frame in a million by chance, were it normal


def notice_files(
    photos: Sequence[Photo], size: tuple[int, int] | None, widest: int, unreadable: Sequence[Unreadable], words: Wording
) -> list[Finding]:
    """Findings about the files as such. size: width and height most photos have."""
    found = [words.unreadable(bad.path.name, bad.why) for bad in unreadable]
    if len(photos) < FEWEST_FRAMES:
        found.append(words.too_few_frames(len(photos), FEWEST_FRAMES, "fail"))
    elif len(photos) < FEW_FRAMES:
        found.append(words.too_few_frames(len(photos), FEW_FRAMES, "warn"))
    if size is None:
        return found
    odd: dict[tuple[int, int], list[int]] = {}
    for index, photo in enumerate(photos):
        if (photo.width, photo.height) != size:
            odd.setdefault((photo.width, photo.height), []).append(index)
    found += [words.size_mismatch(indices, size, other) for other, indices in odd.items()]
    if size[0] < widest:
        found.append(words.small_frames(size[0], widest, subject=False))
    return found


def notice_spin(survey: Survey, widest: int, words: Wording) -> list[Finding]:
    """Findings about what the pictures show."""
    return [
        *_steps(survey, words),
        *_camera(survey, words),
        *_frames(survey, widest, words),
        *_light(survey, words),
        *_place(survey, widest, words),
    ]


def _steps(survey: Survey, words: Wording) -> list[Finding]:
    places, turn = survey.copies.places, survey.turn
    if survey.turning.box is None and survey.count > 1:
        first, *others = (hash(picture.tobytes()) for picture in survey.copies.pictures)
        identical = all(other == first for other in others)
        return [words.nothing_turns(identical=identical)] if identical or survey.count >= FEWEST_TO_COMPARE else []
    if turn.sigma_deg is None:
        return [words.duplicate(places[f], places[f - 1], 0.0, 0.0) for f in survey.repeats]
    steps = judge_steps(np.array(turn.steps_deg), np.array(turn.step_sigma_deg), survey.closed, turn.step_rivals)
    alike = look_alike(survey.backdrop.pictures, survey.turning.shares)  # a repeat shows in the pictures as well
    repeats = {f: (step, limit) for f, step, limit in steps.duplicates if alike[f]}
    for frame in survey.repeats:
        repeats.setdefault(frame, (turn.steps_deg[frame], REPEAT_STEPS * steps.usual))
    found = [words.duplicate(places[f], places[f - 1], *repeats[f]) for f in sorted(repeats)]
    found += [
        words.skipped_step(places[f - 1], places[f], step, steps.usual, limit, sure=sure)
        for skips, sure in ((steps.skips, "sure"), (steps.likely_skips, "likely"), (steps.possible_skips, "possible"))
        for f, step, limit in skips
    ]
    return found + _evenness(survey, steps, words) + _loop(survey, steps, words)


def _evenness(survey: Survey, steps: Steps, words: Wording) -> list[Finding]:
    """Steps differ by more than can pass for a turn of even speed, and by more than the measuring error."""
    error = float(survey.turn.sigma_deg or 0.0)
    limit = max(UNEVEN_SHARE * steps.usual, 3 * error)
    if steps.sigma <= limit:
        return []
    off = [f for f in steps.regular if abs(survey.turn.steps_deg[f] - steps.usual) > 2.5 * limit]
    severity: Severity = "warn" if steps.sigma > steps.usual / 3 else "note"
    return [words.uneven_steps([survey.copies.places[f] for f in off], steps.sigma, limit, steps.usual, severity)]


def _loop(survey: Survey, steps: Steps, words: Wording) -> list[Finding]:
    """The seam against the usual step, by the same limits as a skipped mark and a repeat."""
    if steps.seam is None or not survey.turn.seam_seen and abs(steps.seam - steps.usual) < 2 * steps.usual:
        return []
    sure = 4.0 * survey.turn.step_sigma_deg[0]
    if steps.seam > SKIP_STEPS * steps.usual + sure:
        return [words.open_loop(steps.seam, steps.usual, SKIP_STEPS * steps.usual, "fail")]
    if steps.seam < REPEAT_STEPS * steps.usual - sure:
        return [words.open_loop(steps.seam, steps.usual, REPEAT_STEPS * steps.usual, "warn")]
    return []


def _camera(survey: Survey, words: Wording) -> list[Finding]:
    course, copies = survey.course, survey.copies
    scale = copies.scale[0]
    if len(course.nudges) > max(3, survey.count // 6):
        frames = [copies.places[nudge.frame] for nudge in course.nudges]
        worst = max(nudge.size_px for nudge in course.nudges) * scale
        return [words.unsteady(frames, worst, course.limit_px * scale)]
    found = []
    unseen = unseen_moves(course, survey.camera.seen)
    soft = set(np.nonzero(survey.sharpness.blurred)[0].tolist()) | set(survey.obstruction.frames)
    for nudge in course.nudges:
        if not nudge.lasting and nudge.frame in soft:
            continue  # to be shot again anyhow, and a smear or a hand reads as movement
        # up to here lining up costs a sliver of the edge; beyond it the view itself has changed
        severity: Severity = "fail" if nudge.size_px > 0.05 * copies.pictures.shape[2] else "warn"
        moved = nudge.moved[0] * scale, nudge.moved[1] * copies.scale[1]
        found.append(
            words.bumped(
                copies.places[nudge.frame], moved, float(np.degrees(nudge.moved[2])), nudge.size_px * scale,
                course.limit_px * scale, lasting=nudge.lasting, severity=severity, about=bool(unseen[nudge.frame] > 0),
            )
        )  # fmt: skip
    return found


def _soft(survey: Survey, widest: int, words: Wording) -> list[Finding]:
    """The whole spin is softer than half the widest output's pixels could show; much softer: than a quarter."""
    spread, widest = survey.sharpness.usual_spread_px, min(widest, survey.copies.size[0])
    if not spread > HALF_WIDTH_PX:
        return []
    severity: Severity = "warn" if spread > 2 * HALF_WIDTH_PX else "note"
    return [words.soft(spread, HALF_WIDTH_PX, widest, severity)]


def _frames(survey: Survey, widest: int, words: Wording) -> list[Finding]:
    """Findings about single frames: something in the way, blur, blown-out parts."""
    places, sharp = survey.copies.places, survey.sharpness
    covered = survey.obstruction.frames
    found = [words.obstructed(places[f], float(survey.obstruction.share[f]), survey.obstruction.limit) for f in covered]
    for frame in np.nonzero(sharp.blurred)[0]:
        if frame in covered:
            continue
        extra, limit = float(sharp.extra_px[frame]), float(sharp.limit_px[frame])
        severity: Severity = "fail" if extra > 1.5 * limit else "warn"
        way, still = sharp.way(frame), survey.still_parts_of(frame)
        found.append(words.blurred(places[frame], extra, limit, severity, way=way, still=still))
    found += _soft(survey, widest, words)
    blown = [int(f) for f in np.nonzero(survey.blown > BLOWN_SHARE)[0]]
    if blown:
        worst = float(survey.blown.max())
        severity = "fail" if worst > MUCH_BLOWN else "warn"
        found.append(words.clipped([places[f] for f in blown], worst, BLOWN_SHARE, severity))
    return found


def _flicker(survey: Survey, flicker: float, odd: np.ndarray, words: Wording, *, colour: bool) -> list[Finding]:
    """Unsteady light all along, or single frames that stand out."""
    worst = float(np.abs(odd).max(initial=0))
    if flicker <= SEEN_EV and worst <= max(2 * SEEN_EV, ODD * flicker):
        return []
    limit = max(SEEN_EV, 2.5 * flicker)
    frames = [survey.copies.places[i] for i in np.nonzero(np.abs(odd) > limit)[0]]
    severity: Severity = "warn" if worst > STRONG_EV else "note"
    return [words.flicker(frames, max(flicker, worst / 3), SEEN_EV, severity, colour=colour)]


def _light(survey: Survey, words: Wording) -> list[Finding]:
    found: list[Finding] = []
    if survey.exposure.known:
        exposure = survey.exposure
        flicker, drift, odd = flicker_and_drift(exposure.exposure_ev)
        found += _flicker(survey, flicker, odd, words, colour=False)
        if abs(drift) > max(SEEN_EV, 3 * flicker / np.sqrt(max(1, survey.count) / 12)):
            found.append(words.exposure_drift(drift, SEEN_EV, "warn" if abs(drift) > STRONG_EV else "note"))
        splits = [flicker_and_drift(exposure.ev[:, channel] - exposure.ev[:, 1]) for channel in (0, 2)]
        widest = max(splits, key=lambda split: split[0])
        found += _flicker(survey, widest[0], widest[2], words, colour=True)
    ab = survey.neutral.ab
    # of fewer frames, what turns and what stands behind can't be told apart
    if ab is not None and survey.count >= FEWEST_TO_COMPARE and np.hypot(*ab) > SEEN_CHROMA:
        strong = not survey.neutral.known or np.hypot(*ab) > STRONG_CHROMA
        found.append(words.cast(ab, STRONG_CHROMA if strong else SEEN_CHROMA, "warn" if strong else "note"))
    return found


def _place(survey: Survey, widest: int, words: Wording) -> list[Finding]:
    axis, box = survey.axis, survey.turning.box
    if axis is None or box is None:
        return []
    width = survey.copies.pictures.shape[2]
    column = axis.column
    found = _cut_off(survey, words)
    offset = (column - (width - 1) / 2) / width
    swing = max(box[2] - column, column - box[0])
    if abs(offset) > OFF_MIDDLE:
        beyond = column - swing < 0 or column + swing > width
        found.append(words.off_axis(offset, OFF_MIDDLE, "warn" if beyond else "note"))
    cropped = 2 * swing * 1.15 * survey.copies.scale[0]
    if cropped < widest <= survey.copies.size[0]:
        found.append(words.small_frames(2 * swing * survey.copies.scale[0], widest, subject=True))
    return found


def _cut_off(survey: Survey, words: Wording) -> list[Finding]:
    """What belongs to the body touches the picture's edge in two frames or more."""
    scale = survey.foreground.scale * survey.copies.scale[0]
    limit = TOUCHING * max(survey.copies.size) / scale
    frames: set[int] = set()
    sides, longest = [], 0.0
    for side, lengths in survey.foreground.edges().items():
        over = [int(f) for f in np.nonzero(lengths > limit)[0] if f not in survey.obstruction.frames]
        if len(over) >= 2:
            sides.append(side)
            frames.update(over)
            longest = max(longest, float(lengths[over].max()))
    if not frames:
        return []
    places = [survey.copies.places[f] for f in sorted(frames)]
    return [words.cut_off(places, sides, longest * scale, limit * scale)]
