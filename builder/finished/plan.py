"""Pass 1: what all frames of a turn share, worked out on reduced copies, decision by decision in the order here."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from builder import colour
from builder.catalog.css_colour import parse_colour
from builder.findings import old_backdrop
from builder.finished import place
from builder.finished.cut import cut_subject
from builder.finished.disc import Disc, find_disc, flatness_seen_by
from builder.finished.hull import Hull, carve
from builder.finished.lens import told_by_outlines
from builder.finished.light import across, exposure, neutral_of_card
from builder.finished.sample import NO_GAIN, affine, scaling
from builder.finished.seeds import may_be_subject
from builder.finished.survey import Survey, clean_set, coarse, survey_turn
from builder.finished.values import CleanSet, FinishPlan, Rgb
from builder.measured.abreast import abreast
from builder.spin import IDENTITY, Finding, Photo, SpinMeasures


def plan_finish(
    photos: Sequence[Photo],
    measures: SpinMeasures,
    settings,
    *,
    empty_set: Photo | None = None,
    grey_card: Photo | None = None,
    disc_mm: float | None = None,
    side_mm: float | None = None,
) -> FinishPlan:
    """Work out the finish of a spin: `photos` in turning order, `measures` of the same photos.

    settings: FinishSettings of the catalogue. empty_set: a photo of the set without the subject. grey_card: a photo
    with a grey card. disc_mm: diameter of the disc, for pixels a millimetre. side_mm: height of the frame for
    `scale = "same"`, one for a catalogue; None: the disc's diameter and a half, or what the subject needs.
    Raises PhotoError for a photo that can't be decoded, ValueError when measures and photos differ in number.
    """
    if not photos or len(photos) != len(measures.frames):
        raise ValueError("as many measured frames as photos are wanted, and at least one")
    notes: list[str] = []
    keep = settings.backdrop == "keep"
    to_reference = tuple(frame.to_reference if settings.align else IDENTITY for frame in measures.frames)
    even = settings.deflicker and not keep
    evening = tuple(tuple(frame.gain) if even else NO_GAIN for frame in measures.frames)

    found: tuple[Finding, ...] = ()
    survey = survey_turn(
        photos,
        to_reference,
        evening,
        measures.axis_x,
        empty_set,
        measures.tape,
        measures.axis_tilt_deg or 0.0,
        measures.camera,
    )
    if survey.doubts and not keep:
        found = tuple(old_backdrop(doubt) for doubt in survey.doubts)
        notes += [f"{finding.message} {finding.advice}" for finding in found]
    disc = _disc(survey, measures, settings)
    px_per_mm = 2 * disc.semi_x / survey.scale / disc_mm if disc and disc_mm else None
    if disc_mm and disc is None:
        notes.append("the disc's edge can't be made out, so there is no scale in pixels a millimetre")
    box = _placement(photos[0], measures, settings, survey, px_per_mm, disc_mm, side_mm, notes)
    clean, hull = None, None
    turned = _turned(measures)
    if not keep and not survey.doubts:
        size = box.width, box.height
        clean, copies = clean_set(photos, to_reference, evening, box.matrix, size, survey)
        if turned:
            angles, camera = [turned[k] for k in survey.picks], measures.camera
            if disc is not None and not any(photo.focal35_mm for photo in photos):
                to_survey = np.linalg.inv(survey.to_source())
                camera = told_by_outlines(camera, disc, survey.cuts, ~survey.plate.steady, angles, to_survey)
            hull = _hull(clean, copies, angles, camera, box)
    neutral = np.ones(3) if keep else _neutral(measures, settings, survey, grey_card, notes)
    return FinishPlan(
        photos=tuple(photos),
        width=box.width,
        height=box.height,
        placement=affine(box.matrix),
        to_reference=to_reference,
        evening=evening,
        balance=NO_GAIN if keep else _balance(neutral, survey, clean, settings),
        across=_across(clean, neutral, settings),
        axis_x=box.axis_x,
        px_per_mm=px_per_mm,
        keep=keep,
        backdrop=parse_colour(settings.backdrop) if clean and settings.backdrop != "transparent" else None,
        transparent=settings.backdrop == "transparent" and clean is not None,
        shadow=float(settings.shadow),
        contrast=float(settings.contrast),
        saturation=float(settings.saturation),
        clean_set=clean,
        hull=hull,
        turned=turned,
        notes=tuple(notes),
        findings=found,
    )


def _turned(measures: SpinMeasures) -> tuple[float, ...]:
    """How far the turn has come at each frame, radians, counter-clockwise seen from above; empty where unknown."""
    angles = [frame.angle_deg for frame in measures.frames]
    if measures.camera is None or measures.turn is None or any(angle is None for angle in angles):
        return ()
    sign = 1 if measures.turn == "counterclockwise" else -1
    return tuple(sign * math.radians(angle) for angle in angles)


def _hull(clean: CleanSet, copies: Sequence[np.ndarray], angles: Sequence[float], camera, box) -> Hull | None:
    """Where the subject can be, from all the survey's picks at HULL_SIDE: first from what each frame can't rule out,
    then from cuts within that."""
    coarse = clean.reduced()
    to_coarse = scaling(coarse.size[0] / box.width, coarse.size[1] / box.height) @ box.matrix
    possible = abreast(lambda frame: may_be_subject(frame.astype(np.float32), coarse), copies)
    hull = carve(possible, angles, camera, to_coarse)
    if hull is None:
        return None
    around = np.ones((3, 3), np.uint8)

    def wide(outline: np.ndarray) -> np.ndarray:
        return cv2.dilate(outline.astype(np.uint8), around) > 0

    def cut_within(pair: tuple[np.ndarray, float]) -> np.ndarray:
        frame, angle = pair
        within, agreed = wide(hull.outline(angle)), wide(hull.agreed_outline(angle))
        cut = cut_subject(frame.astype(np.float32), coarse, within, agreed)
        # It may be a pixel too small, as a dark foot in its own shade: the hull must not lose what few frames lose.
        return wide(cut)

    return carve(abreast(cut_within, zip(copies, angles, strict=True)), angles, camera, to_coarse, hull)


def _disc(survey: Survey, measures: SpinMeasures, settings) -> Disc | None:
    """The disc's ellipse in survey pixels."""
    if survey.plate is None or measures.axis_x is None:
        return None
    plate = survey.plate
    axis = (measures.axis_x + 0.5) * survey.scale - 0.5
    flatness = None
    if measures.camera is not None:
        flatness = flatness_seen_by(measures.camera, np.linalg.inv(survey.to_source()))
    return find_disc(plate.colour, plate.motion, ~plate.seen, axis, measures.axis_tilt_deg, flatness) or plate.disc


def _placement(photo, measures, settings, survey: Survey, px_per_mm, disc_mm, side_mm, notes) -> place.Placement:
    """The box of the turn."""
    whole = place.fixed_box(0, 0, photo.width, photo.height, measures.axis_x)
    if settings.crop == "none":
        return whole
    if not isinstance(settings.crop, str):
        return place.fixed_box(*settings.crop, measures.axis_x)
    if survey.cuts is None or not survey.cuts.any():
        notes.append("no subject found to crop to: the whole picture stays")
        return whole
    rows, columns = np.nonzero(survey.cuts.any(axis=0))
    x, y, _ = survey.to_source() @ np.stack([columns, rows, np.ones(len(rows))])
    axis = measures.axis_x
    if axis is None or not settings.align:
        axis = float((x.min() + x.max()) / 2)
    turned = place.upright(axis, float(y.max()), measures.axis_tilt_deg if settings.align else 0.0)
    x, y = (turned @ np.stack([x, y, np.ones(len(x))]))[:2]
    spare = 0.75 / survey.scale  # half a survey pixel, and the soft edge
    extent = place.Extent(float(np.abs(x).max()) + spare, float(-y.min()) + spare, float(y.max()) + spare)
    least = 0.0
    if settings.scale == "same":
        if px_per_mm is None:
            wanted = "disc_mm and a disc that can be seen"
            notes.append(f'scale = "same" needs {wanted}: the subject fills the frame instead')
        else:
            least = (side_mm or 1.5 * disc_mm) * px_per_mm
    box = place.box_around(extent, settings.aspect, settings.margin, least)
    if least and box[1] > least * 1.001:
        needed = f"{box[1] / px_per_mm:.0f} mm"
        notes.append(f"the subject needs a frame {needed} high, more than the catalogue's common one")
    if keep_tape_out(settings, measures):
        box = _above_tape(box, turned, measures.tape, extent, notes)
    return place.placed(turned, box)


def keep_tape_out(settings, measures) -> bool:
    """A kept backdrop would show the tape; a new one covers it."""
    return settings.backdrop == "keep" and bool(measures.tape)


def _above_tape(box, turned: np.ndarray, tape, extent: place.Extent, notes: list[str]) -> tuple[float, float, float]:
    points = turned @ np.vstack([np.array(tape).T, np.ones(len(tape))])
    raised = place.raised_above(box, points[0], points[1], extent)
    if raised is None:
        notes.append("the coded tape stays in the picture: the crop can't stop above it without cutting the subject")
    return raised or box


def _neutral(measures, settings, survey: Survey, grey_card: Photo | None, notes: list[str]) -> np.ndarray:
    """White-balance gains (3,), g = 1."""
    if grey_card is not None:
        height, width = survey.stack.shape[1:3]
        grid = scaling(width / grey_card.width, height / grey_card.height)
        card = coarse(grey_card, grid, (width, height), NO_GAIN).astype(np.float32)
        plate = survey.plate.colour if survey.plate else survey.stack.mean(axis=0)
        gains = neutral_of_card(card, plate)
        if gains is not None:
            return np.array(gains)
        missing = "no even patch stands out as a grey card"
        notes.append(f"{grey_card.path.name}: {missing}; the backdrop is taken as neutral")
    if settings.white_balance == "none":
        return np.ones(3)
    if settings.white_balance == "auto":
        return np.array(measures.neutral_gain, float)
    gains = np.array(settings.white_balance, float)
    return gains / gains[1]


def _lit_light(clean: CleanSet) -> np.ndarray:
    return colour.to_light(np.rint(clean.lit.astype(np.float32)).astype(np.uint8))


def _balance(neutral: np.ndarray, survey: Survey, clean: CleanSet | None, settings) -> Rgb:
    """White balance and exposure as one gain a channel."""
    if survey.plate is None or survey.cuts is None:
        return tuple(float(gain) for gain in neutral / neutral.min())
    plate = survey.plate
    level = np.median(colour.decode(plate.lit[plate.way & plate.seen] / 255.0), axis=0) if plate.seen.any() else 0.0
    board = float(colour.luminance(level * neutral)) if np.ndim(level) else 0.0
    gain = exposure(board, survey.subject_colours(), neutral)
    return tuple(float(value) for value in neutral * gain)


def _across(clean: CleanSet | None, neutral: np.ndarray, settings) -> np.ndarray | None:
    """What evens the light's colour across the columns."""
    if clean is None or not settings.light:
        return None
    table = ~clean.steady & clean.seen
    return across(_lit_light(clean), table, neutral)
