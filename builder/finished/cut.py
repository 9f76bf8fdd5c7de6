"""Which pixels of a frame are the subject: a hard cut between subject and backdrop, by difference to the clean plate.

What differs beyond doubt and what doesn't differ are seeds, and the rest is divided where the difference changes most
steeply (a watershed, F. Meyer, Topographic distance and watershed lines, Signal Processing 38 (1994) 113-125, as OpenCV
has it).
"""

from __future__ import annotations

import cv2
import numpy as np

from builder.finished.look import Look, around, largest, look_at
from builder.finished.rims import with_rims
from builder.finished.seeds import HALF_CLEAR, THING_DEPTH, Patches, seeds, without_specks

_SQUARE = np.ones((3, 3), np.uint8)
_EVEN_LINE = 1.2  # px of the grid: σ; a line two pixels broad outlives it
_CLEAR_OF_HULL = np.ones((5, 5), np.uint8)
_INSIDE = np.ones((7, 7), np.uint8)  # 3 px of the grid: as much as a hull's outline is given clear of the edge, and one
_WELL_INSIDE = np.ones((13, 13), np.uint8)  # the same once more
_BESIDE = np.ones((21, 21), np.uint8)  # as far as that to both sides: an outline beside it may run there
# Linear: where a thing stands over a place, less than half of the directions that light comes from are left
_DEEP = 0.4
_GOES_OVER = 0.2  # share of the border with the subject that has no edge; about a sight past it next to none is so
_EDGE = 0.01  # of the grid's side: what seeds keep clear of an outline on both sides together
_SLOT = 0.017  # of the grid's side: wider slots aren't closed
# Of the relief, units for a step of light by a factor e: as many as sRGB codes in middle grey, one of which is 1.7 % there
_DEPTH = 60
_TINT = 120  # twice as many: shade's tint changes by a third of its depth at most, yet a photo's colour is noisier
_DARKEST = 0.03  # linear, of the plate: below, a step is noise
_BLACK = 90  # sRGB codes: a board that reflects less than a tenth of white
_BROAD = 0.014  # of the grid's side: a dark patch wider than this is no cord's own shade


def cut_subject(
    frame: np.ndarray, clean, hull: np.ndarray | None = None, agreed: np.ndarray | None = None
) -> np.ndarray:
    """Hard matte, bool (h, w).

    frame: sRGB codes, float32 (h, w, 3), registered and evened, on the grid of `clean` (a Plate or CleanSet).
    hull: bool (h, w), where the subject can be by what the other frames show; what may be shade outside is shade.
    agreed: bool (h, w), the part of it that is filled as far as frames agree.
    """
    look = look_at(frame, clean)
    inside = None if hull is None else cv2.erode(hull.astype(np.uint8), _INSIDE) > 0
    subject, backdrop = seeds(look, clean, inside)
    if hull is not None:
        # What is dark in some frames only the hull cuts too short.
        wide = cv2.dilate(hull.astype(np.uint8), _CLEAR_OF_HULL) > 0
        subject |= _dark_things(look, subject, backdrop, wide, clean)
        # A glint on the disc looks like no shade either, but hangs together with nothing in the hull, nor does light
        # where the plate has a shade, up to the edge of that shade in this frame.
        subject &= wide | (cv2.dilate(look.relit.astype(np.uint8), _CLEAR_OF_HULL) == 0)
        stray = subject & ~_touching(subject, wide)
        subject, backdrop = subject & ~stray, backdrop | stray
    if not subject.any():
        return subject
    found = _between(look, clean, subject, backdrop, hull)
    if agreed is None:
        return found
    lost = _lost(look, found, agreed)
    if lost.any():  # where the outline runs beside it the floods must say
        near = cv2.dilate(lost.astype(np.uint8), _BESIDE) > 0
        found = _between(look, clean, subject | lost, backdrop & ~(near & hull), hull)
    return found


def _lost(look: Look, found: np.ndarray, agreed: np.ndarray) -> np.ndarray:
    """Patches of the subject that this frame takes for shade, bool (h, w): others see their room filled, and they go over
    into the subject without an edge, while a sight past the subject ends at an outline all round; all but deep shade under
    a dark thing, which goes over into it as well."""
    sure = cv2.erode(agreed.astype(np.uint8), _WELL_INSIDE)
    patches = Patches(cv2.morphologyEx(sure & ~found, cv2.MORPH_OPEN, _INSIDE))
    edgeless = patches.share_around(found & look.flat)
    # What shows the plate itself is backdrop rather than what looks like its shade.
    least = _GOES_OVER * (1 + patches.mean(look.calm))
    lost = (edgeless > least * patches.share_around(found)) & (patches.mean(look.shade) > _DEEP)
    return (cv2.dilate(patches.where(lost).astype(np.uint8), _INSIDE) > 0) & (sure > 0) & ~found


def _between(look: Look, clean, subject: np.ndarray, backdrop: np.ndarray, hull: np.ndarray | None) -> np.ndarray:
    """The cut between the seeds of both sides, all bool (h, w)."""
    # Beyond what isn't certainly backdrop nothing can change any more.
    box = around(~backdrop, 2 * _size(_SLOT, subject))
    size, seeded, never = look.size[box], subject[box], backdrop[box]
    relief = _relief(look.ratio[box])
    found = _divided(relief, size, seeded, never)
    if hull is not None:
        # The hull takes off what reaches out of it; well inside nothing is lost to a line that now runs elsewhere.
        well_inside = cv2.erode(hull[box].astype(np.uint8), _WELL_INSIDE) > 0
        found = _divided(relief, size, seeded, never | (~hull[box] & ~seeded)) | well_inside & found
    whole = np.zeros_like(subject)
    whole[box] = found
    found = _smoothed(with_rims(whole, look, clean)[box], seeded, never)
    blocked = never | look.calm[box] | (clean.clear[box] > HALF_CLEAR)
    whole[box] = without_specks(found | _gaps(found, blocked, _disc(_SLOT, subject)))
    return whole if hull is None else _touching(whole, hull)


def _relief(ratio: np.ndarray) -> np.ndarray:
    """What the floods climb, uint8 (h, w, 3): depth and tint of the light that is left of the plate's (`Look.ratio`).

    A shade is as steep as an outline in depth, but its tint hardly changes, while most things differ in both. And it
    tells a dark thing from deep shade, which differ alike from the plate.
    """
    red, green, blue = cv2.split(cv2.log(ratio + np.float32(_DARKEST)))
    steps = cv2.merge([_DEPTH * (red + green + blue) / 3, _TINT * (red - green), _TINT * (blue - green)])
    return np.clip(np.rint(steps + 128), 0, 255).astype(np.uint8)


def _touching(found: np.ndarray, hull: np.ndarray) -> np.ndarray:
    """The pieces of a cut that the hull has a part of: what stands wholly outside it is shade that moves with the turn."""
    labels = cv2.connectedComponents(found.astype(np.uint8), connectivity=8)[1]
    ours = np.zeros(labels.max() + 1, bool)
    ours[labels[hull & found]] = True
    return ours[labels]


def _dark_things(look: Look, subject, backdrop, hull, clean) -> np.ndarray:
    """On a black board, what is dark all the same in a place that other frames show to be clear, and in the hull.

    By itself a black plug on a black disc is a patch of shade. On a lighter board shade is told by its depth and tint.
    """
    free = hull & ~backdrop & ~clean.steady & clean.way & (largest(clean.lit) < _BLACK)
    dark = free & ~subject & (look.shade < 1 - THING_DEPTH) & (clean.clear > HALF_CLEAR)
    broad = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, _disc(_BROAD, dark))
    # Its lit side may be as bright as the disc. Nearer to the backdrop than this the outline may run.
    near = cv2.dilate(broad, _disc(_BROAD, dark), iterations=2) > 0
    return near & (cv2.erode(free.astype(np.uint8), _disc(_EDGE, dark)) > 0)


def _smoothed(found: np.ndarray, subject: np.ndarray, backdrop: np.ndarray) -> np.ndarray:
    """The cut with its outline drawn evenly: the floods meet along a line that noise throws to and fro by a pixel.

    Thin parts that are beyond doubt stay, and so do thin slots.
    """
    smooth = cv2.GaussianBlur(found.astype(np.float32), (0, 0), _EVEN_LINE) > 0.5
    return np.where(smooth, ~backdrop | found, subject & found)


def _gaps(found: np.ndarray, backdrop: np.ndarray, slot: np.ndarray) -> np.ndarray:
    """Slots in the subject, narrow and yet no mere corners, that nothing says are backdrop: a stripe of its own, whose
    end at the outline let the backdrop's flood in. slot: what is broader isn't closed."""
    closed = cv2.morphologyEx(found.astype(np.uint8), cv2.MORPH_CLOSE, slot) > 0
    slots = (closed & ~found & (cv2.dilate(backdrop.astype(np.uint8), _SQUARE) == 0)).astype(np.uint8)
    broad = cv2.erode(slots, _SQUARE)
    return cv2.dilate(broad, np.ones((5, 5), np.uint8)) & slots > 0


def _divided(relief: np.ndarray, size: np.ndarray, subject: np.ndarray, backdrop: np.ndarray) -> np.ndarray:
    """Subject, bool (h, w), where the seeds' two floods meet.

    relief: uint8 (h, w, 3), as of `_relief`; size: codes (h, w), the largest of it.
    """
    markers = np.zeros(subject.shape, np.int32)
    markers[backdrop] = 1
    markers[subject] = 2
    labels = cv2.watershed(relief, markers)
    found = labels == 2  # the watershed's own line goes to the side it looks like
    half = 0.5 * cv2.dilate(np.where(found, size, 0), np.ones((5, 5), np.uint8))
    return found | (labels == -1) & (half > 0) & (size > half) & ~backdrop


def _disc(share: float, picture: np.ndarray) -> np.ndarray:
    """A round element whose diameter is a share of the picture's longer side."""
    size = _size(share, picture)
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def _size(share: float, picture: np.ndarray) -> int:
    return 2 * max(1, round(share * max(picture.shape) / 2)) + 1
