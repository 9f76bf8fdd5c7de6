"""Which pixels of a frame are the subject: a hard cut between subject and backdrop, by difference to the clean plate.

Light and shade on the backdrop change softly and scale its colour; an object has an outline. So what differs beyond
doubt and what doesn't differ are seeds, and the rest is divided where the difference changes most steeply (a watershed,
F. Meyer, Topographic distance and watershed lines, Signal Processing 38 (1994) 113-125, as OpenCV has it).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from builder import colour
from builder.finished.tints import WEIGHTS, ShadeTints

_SQUARE = np.ones((3, 3), np.uint8)
_EVEN_LINE = 1.2  # px of the grid: σ; a line two pixels broad outlives it
_SPECK = 12  # px: fewer that stray from the shade's colours are noise
_EDGE = 0.01  # of the grid's side: what seeds keep clear of an outline on both sides together
_SLOT = 0.017  # of the grid's side: wider slots aren't closed
_BROAD = 0.014  # of the grid's side: a dark patch wider than this is no cord's own shade
_NOISE_CODES = 1.0  # least noise of a small neighbourhood's mean, sRGB codes: JPEG at a phone's quality, reduced
_RINGING = 0.03  # 1 σ over the step of an outline nearby: what JPEG spreads over the blocks that the outline runs through
_BLOCK = np.ones((9, 9), np.uint8)
_DEEPEST_SHADE = 0.28  # linear; diffuse light in a room fills a shadow on a board at least this much…
_SOFT_EDGE = 0.012  # of the backdrop's level in sRGB codes, over two pixels of the grid
_NEVER = 0.01  # share of the frames that could show the backdrop at a place: below, a patch that looks like it is a mark
_OFTEN = 0.6  # share of the frames: a place this often clear has nothing standing over it
_HALF_CLEAR = 0.3  # share of the frames: a place within the subject's reach that shows the backdrop as often as not
_THING_DEPTH = 0.3  # linear: a dark thing takes more than this off the backdrop
_MARK_DEPTH = 0.4  # linear: shade shallower than this needs no other frame's word
_NO_LIGHT = 0.08  # …but for the crevice under a thing; darker than this is a dark thing
# Two lights of two colours: where one is shaded the channels keep different shares of their light. The shares differ
# by no more than the lights do (a share of the depth while it is shallow, of what is left when it is deep).
_SHADE_AT_ALL = 0.92  # linear: lighter shade than this has hardly a tint
_TINT = 0.05
_BOUNCE = 0.03  # linear, of the plate: the part across the two lights' line of what a coloured thing throws on the board beside it
_TINT_BY_DEPTH = 0.35
_TINT_BY_LIGHT = 0.25


def cut_subject(frame: np.ndarray, clean, hull: np.ndarray | None = None) -> np.ndarray:
    """Hard matte, bool (h, w).

    frame: sRGB codes, float32 (h, w, 3), registered and evened, on the grid of `clean` (a Plate or CleanSet).
    hull: bool (h, w), where the subject can be by what the other frames show; what may be shade outside is shade.
    """
    soft = cv2.GaussianBlur(frame - clean.colour, (0, 0), 0.8)
    look = _look(frame, soft, clean)
    subject, backdrop = seeds(look, clean)
    if hull is not None:
        subject |= _dark_things(look, subject, backdrop, hull, clean)
    if not subject.any():
        return subject
    found = _divided(soft, subject, backdrop)
    if hull is not None:
        # The hull takes off what reaches out of it; well inside nothing is lost to a line that now runs elsewhere, nor
        # what is darker than shade: a dark foot in its own shade has no seeds and no edge of its own to hold the flood.
        inside = cv2.erode(hull.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
        dark = cv2.morphologyEx((look.shade < _DEEPEST_SHADE).astype(np.uint8), cv2.MORPH_OPEN, _SQUARE) > 0
        found = _divided(soft, subject, backdrop | (~hull & ~subject)) | inside & (found | dark & ~backdrop & ~clean.steady)
    found = _smoothed(found, subject, backdrop)
    return _without_specks(found | _gaps(found, backdrop | look.calm | (clean.clear > _HALF_CLEAR)))


def _dark_things(look: _Look, subject, backdrop, hull, clean) -> np.ndarray:
    """Dark all the same in a place that other frames show to be clear, and in the hull: no shade, which stays behind.

    Without the other frames a black plug on a black disc is a patch of shade.
    """
    free = hull & ~backdrop & ~clean.steady & clean.way
    dark = free & ~subject & (look.shade < 1 - _THING_DEPTH) & (clean.clear > _HALF_CLEAR)
    broad = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, _disc(_BROAD, dark))
    # Its lit side may be as bright as the disc. Nearer to the backdrop than this the outline may run.
    near = cv2.dilate(broad, _disc(_BROAD, dark), iterations=2) > 0
    return near & (cv2.erode(free.astype(np.uint8), _disc(_EDGE, dark)) > 0)


def _disc(share: float, picture: np.ndarray) -> np.ndarray:
    """A round element whose diameter is a share of the picture's longer side."""
    size = 2 * max(1, round(share * max(picture.shape) / 2)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def _smoothed(found: np.ndarray, subject: np.ndarray, backdrop: np.ndarray) -> np.ndarray:
    """The cut with its outline drawn evenly: the floods meet along a line that noise throws to and fro by a pixel or two.

    Thin parts that are beyond doubt stay, and so do thin slots.
    """
    smooth = cv2.GaussianBlur(found.astype(np.float32), (0, 0), _EVEN_LINE) > 0.5
    return np.where(smooth, ~backdrop | found, subject & found)


def _gaps(found: np.ndarray, backdrop: np.ndarray) -> np.ndarray:
    """Slots in the subject, narrow and yet no mere corners, that nothing says are backdrop: a stripe of its own, whose
    end at the outline let the backdrop's flood in."""
    closed = cv2.morphologyEx(found.astype(np.uint8), cv2.MORPH_CLOSE, _disc(_SLOT, found)) > 0
    slots = (closed & ~found & (cv2.dilate(backdrop.astype(np.uint8), _SQUARE) == 0)).astype(np.uint8)
    broad = cv2.erode(slots, _SQUARE)
    return cv2.dilate(broad, np.ones((5, 5), np.uint8)) & slots > 0


def _divided(soft: np.ndarray, subject: np.ndarray, backdrop: np.ndarray) -> np.ndarray:
    """Subject, bool (h, w), where the seeds' two floods meet. soft: the smoothed difference to the plate, codes."""
    markers = np.zeros(subject.shape, np.int32)
    markers[backdrop] = 1
    markers[subject] = 2
    relief = np.clip(128 + soft, 0, 255).astype(np.uint8)
    labels = cv2.watershed(relief, markers)
    found = labels == 2
    size = largest(np.abs(soft))  # the watershed's own line goes to the side it looks like
    half = 0.5 * cv2.dilate(np.where(found, size, 0), np.ones((5, 5), np.uint8))
    return found | (labels == -1) & (half > 0) & (size > half) & ~backdrop


def seeds(look: _Look, clean) -> tuple[np.ndarray, np.ndarray]:
    """Certainly subject and certainly backdrop, bool (h, w)."""
    steady, size = clean.steady, look.size
    subject = np.where(steady, size > 4.5 * look.noise, look.no_shade & (size > np.maximum(5 * look.noise, 10)))
    # A pixel the outline runs through is a mixture: only what comes near its neighbours' full difference is sure.
    subject &= size > 0.5 * cv2.dilate(size, _SQUARE)
    # What is never clear is subject; but under an open stand the shade may never leave a place.
    never_clear = cv2.erode((~clean.seen & (steady | clean.stands)).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    # Off the axis it may still be seen past: there what looks like the plate is no sure thing.
    subject = _without_specks((subject | never_clear & (clean.stands | ~look.calm)) & clean.way, _SPECK)

    backdrop = _reached(look.calm | look.shaded | ~clean.way, ~clean.way)
    # A patch cut off from the backdrop outside is a hole where the turn often shows the backdrop, else a mark.
    backdrop |= _holes(look, look.calm & ~backdrop, clean)
    left = ~steady & look.flat & ~look.no_shade & ~subject & ~backdrop
    shade_patch, dark_thing = _shut_in(left, look, backdrop, subject, clean)
    backdrop |= shade_patch
    subject |= dark_thing & clean.way
    return subject, (backdrop & ~subject) | ~clean.way


def may_be_subject(frame: np.ndarray, clean) -> np.ndarray:
    """All that isn't certainly backdrop, bool (h, w)."""
    return ~seeds(_look(frame, cv2.GaussianBlur(frame - clean.colour, (0, 0), 0.8), clean), clean)[1]


def could_be_backdrop(frame: np.ndarray, clean) -> np.ndarray:
    """Where a frame shows what the plate, or light and shade on it, could look like: bool (h, w)."""
    look = _look(frame, cv2.GaussianBlur(frame - clean.colour, (0, 0), 0.8), clean)
    return look.calm | look.shaded


def shade_tints(frame: np.ndarray, clean, cut: np.ndarray) -> np.ndarray:
    """Tints (n, 3) of what is shade beyond doubt in a frame: joined to the backdrop outside, clear of the cut."""
    look = _look(frame, cv2.GaussianBlur(frame - clean.colour, (0, 0), 0.8), clean)
    sure = _reached(look.calm | look.shaded | ~clean.way, ~clean.way) & clean.way & clean.seen & ~clean.steady
    sure &= (cv2.dilate(cut.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0) & (look.shade < _SHADE_AT_ALL)
    return look.ratio[sure] / look.shade[sure][:, None] - 1


@dataclass(frozen=True, eq=False, slots=True)
class _Look:
    """How a frame differs from the plate, (h, w) each."""

    size: np.ndarray  # codes, the largest of the channels
    noise: np.ndarray  # codes, 1 σ of `size`
    ratio: np.ndarray  # (h, w, 3): linear light over the lit plate's
    shade: np.ndarray  # the same in one number
    no_shade: np.ndarray  # bool: no light or shade on the plate looks like that
    flat: np.ndarray  # bool: no outline runs here
    calm: np.ndarray  # bool: within noise of the plate
    shaded: np.ndarray  # bool: within noise of a soft shade on it


def _look(frame: np.ndarray, soft: np.ndarray, clean) -> _Look:
    size, steady = largest(np.abs(soft)), clean.steady
    usual = float(np.median(clean.spread[steady])) / 1.6 if steady.any() else _NOISE_CODES  # 90 % to 1 σ: 1.6
    usual = max(_NOISE_CODES, usual)
    noise = np.where(steady, np.maximum(usual, clean.spread / 1.6), usual)
    noise = np.where(steady, np.maximum(noise, _RINGING * cv2.dilate(size, _BLOCK)), noise)
    ratio, shade, no_shade = _shade(frame, clean.lit, usual, clean.tints)
    # Shade's edges are soft: a few hundredths of the backdrop's level from pixel to pixel, and noise, of which nine
    # values span 3 σ on average.
    range_ = largest(cv2.dilate(soft, _SQUARE) - cv2.erode(soft, _SQUARE))
    flat = range_ < 3 * usual + _SOFT_EDGE * largest(clean.lit)
    shaded = ~steady & flat & ~no_shade & (shade >= _DEEPEST_SHADE) & (shade < 1.03)
    return _Look(size, noise, ratio, shade, no_shade, flat, size < 2.2 * noise, shaded)


def _shade(
    frame: np.ndarray, plate: np.ndarray, noise: float, tints: ShadeTints | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio of light (3 channels), light left on the backdrop (linear, 1 = the plate's), and where no shade makes that.

    noise: codes. Near a code c the sRGB curve turns one code into a change of light of about 2.4 / (c + 14).
    """
    dark, light = (colour.to_light(np.rint(part).astype(np.uint8)) + 0.004 for part in (plate, frame))
    ratio = cv2.blur(light / dark, (3, 3))
    shade = cv2.transform(ratio, WEIGHTS[None])
    tint = largest(np.abs(ratio - cv2.merge([shade, shade, shade])))
    unsure = 2 * noise * 2.4 / (largest(plate) + 14)
    odd = tint > _TINT + unsure + np.minimum(_TINT_BY_DEPTH * np.clip(1 - shade, 0, 1), _TINT_BY_LIGHT * shade)
    if tints is not None:  # `off` of a ratio's tint; of the mean itself it would be its three parts' sum
        away = cv2.transform(ratio, np.float32(tints.off)[None]) - shade * np.float32(sum(tints.off))
        odd |= np.abs(away) > (tints.limit + unsure) * shade + _BOUNCE
    return ratio, shade, odd | (shade < _NO_LIGHT) | (shade > 1.12 + unsure)


def _reached(allowed: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Allowed pixels that hang together with the start, less a pixel's breadth at their edge."""
    whole = cv2.erode(allowed.astype(np.uint8), _SQUARE)
    labels = cv2.connectedComponents(whole, connectivity=4)[1]
    ours = np.unique(labels[start & (whole > 0)])
    good = np.zeros(labels.max() + 1, bool)
    good[ours[ours > 0]] = True
    return good[labels]


def _holes(look: _Look, calm: np.ndarray, clean) -> np.ndarray:
    """Calm patches cut off from the backdrop outside that show the plate as evenly as the backdrop at large does.

    A hole ends at an edge all round; a patch of the subject that happens to look like the plate goes over into it. Where
    the turn often shows the backdrop even a small one is a hole.
    """
    inner = cv2.erode(calm.astype(np.uint8), _SQUARE)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(inner, connectivity=4)
    usual = np.median(look.size[calm]) if calm.any() else 0.0
    even = _mean(labels, count, look.size) < 1.5 * usual
    edgeless = _edgeless(labels, count, look.flat & ~calm)
    often = _mean(labels, count, np.where(clean.steady & clean.seen, clean.clear, 0)) > _HALF_CLEAR
    good = even & (edgeless < 0.15) & (stats[:, 4] >= np.where(often, 4, 12))
    good[0] = False
    return good[labels]


def _mean(labels: np.ndarray, count: int, values: np.ndarray) -> np.ndarray:
    """Mean of the values over each patch, (count,)."""
    total = np.bincount(labels.ravel(), weights=values.ravel(), minlength=count)
    return total / np.maximum(np.bincount(labels.ravel(), minlength=count), 1)


def _edgeless(labels: np.ndarray, count: int, flat: np.ndarray) -> np.ndarray:
    """Of each patch, the share of its surroundings (2 to 3 px off) into which it goes over without an edge."""
    ring = cv2.dilate(labels.astype(np.float32), np.ones((7, 7), np.uint8)).astype(np.int32)
    ring[labels > 0] = 0
    around = np.bincount(ring.ravel(), minlength=count)
    return np.bincount(ring[flat], minlength=count) / np.maximum(around, 1)


def _shut_in(shaded, look: _Look, backdrop, subject, clean) -> tuple[np.ndarray, np.ndarray]:
    """Even patches that no soft way joins to the backdrop: which are its shade, and which a dark thing. Bool (h, w) each.

    Shade may end sharply only at what hides it: shut in by the subject (under a hull, between feet), with the tint of
    the near backdrop's shade. What ends sharply at the backdrop itself is a thing with an outline.

    Tint is the ratio's balance between channels; a patch joins the side whose tint nearby is nearer its own. What goes
    over into the subject without an edge is subject.
    """
    whole = cv2.erode(shaded.astype(np.uint8), _SQUARE)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(whole, connectivity=4)
    if count < 2:
        return whole > 0, whole > 0
    ratio, shade = look.ratio, look.shade
    tint = ratio / (shade[..., None] + 0.02)
    small = (shaded.shape[1] // 4 + 1, shaded.shape[0] // 4 + 1)
    sigma = 0.06 * small[0]
    row, column = np.nonzero(labels)
    patch = labels[row, column]
    near = (row // 4, column // 4)

    def apart(side: np.ndarray, else_tint: float) -> np.ndarray:
        weight = (side & (shade < 0.95)).astype(np.float32)
        total = [cv2.resize(part, small, interpolation=cv2.INTER_AREA) for part in (tint * weight[..., None], weight)]
        mean, count_near = (cv2.GaussianBlur(part, (0, 0), sigma)[near] for part in total)
        usual = np.where(count_near[:, None] < 1e-3, else_tint, mean / np.maximum(count_near, 1e-4)[:, None])
        away = np.abs(tint[row, column] - usual).max(axis=1)
        return np.bincount(patch, weights=away, minlength=count) / np.maximum(stats[:, 4], 1)

    edgeless = _edgeless(labels, count, subject & look.flat)
    outlined = _edgeless(labels, count, backdrop)
    depth = _mean(labels, count, 1 - look.shade)
    large = stats[:, 4] >= 12
    # Deep shade at a place that no frame shows in a plausible light is a mark on the subject.
    clear = _mean(labels, count, np.where(clean.stands, 0, clean.clear))
    mark = (clear < _NEVER) & (depth > _MARK_DEPTH)
    alike = apart(backdrop, 1.0) < 0.7 * apart(subject, 9.0)  # shade of one light has no tint; a subject must be near
    good = large & alike & (edgeless < 0.1) & (outlined < 0.3) & (depth < 1 - _DEEPEST_SHADE) & ~mark
    # Shade that deep falls only under a thing that stands over the place, which is then seldom clear.
    black = (depth > 1 - _DEEPEST_SHADE) & (clear > _OFTEN)
    thing = large & ((outlined > 0.5) & (depth > _THING_DEPTH) | black)
    good[0] = thing[0] = False
    return good[labels], thing[labels]


def largest(values: np.ndarray) -> np.ndarray:
    """The largest of three channels, (h, w)."""
    one, two, three = cv2.split(values)
    return cv2.max(cv2.max(one, two), three)


def _without_specks(found: np.ndarray, least: int = 0) -> np.ndarray:
    """The patches of at least `least` px; 0: the large ones, of which a patch under a hundredth of the largest is a mark on
    the disc or noise."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found.astype(np.uint8), connectivity=8)
    if count < 2:
        return found
    areas = stats[:, 4].copy()
    areas[0] = 0
    return (areas >= (least or 0.01 * areas.max()))[labels]
