"""What is certainly subject and what is certainly backdrop in a frame: seeds for the cut.

What joins the backdrop outside by a soft way is backdrop; what no light or shade on the plate looks like is subject.
Patches cut off from the backdrop are judged one by one: a hole, shade shut in, a mark, a dark thing.
"""

from __future__ import annotations

import cv2
import numpy as np

from builder.finished.look import DEEPEST_SHADE, UNDER, Look, look_at

_SQUARE = np.ones((3, 3), np.uint8)
_GAP = np.ones((7, 7), np.uint8)  # in an outline: the flood doesn't pass…
_TO_OUTLINE = np.ones((13, 13), np.uint8)  # …and stops this far before one, with the pixels that an outline blurs
SPECK = 12  # px: fewer that stray from the shade's colours are noise
EDGELESS = 0.15  # share of a hole's surroundings that it may go over into without an edge
HALF_CLEAR = 0.3  # share of the frames: a place in the subject's reach that shows the backdrop about as often as not
THING_DEPTH = 0.3  # linear: a dark thing takes more than this off the backdrop
_NEVER = 0.01  # share of the frames that could show the backdrop at a place: below, what looks like it is a mark
_OFTEN = 0.6  # share of the frames: a place this often clear has nothing standing over it
_MARK_DEPTH = 0.4  # linear: shade shallower than this needs no other frame's word
_NECK = 0.1  # share of a patch's border: a gap in an outline is narrower
_RARE = 0.12  # share of the frames: what looks like the backdrop more often, and never joins it, is a body like it
_MOSTLY = 0.8  # share of a patch
_CALM = 0.5  # share of a patch: a sight of the set shows the plate in most of it
_SHADE_AT_ALL = 0.92  # linear: lighter shade than this has hardly a tint


def seeds(look: Look, clean, inside: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Certainly subject and certainly backdrop, bool (h, w). inside: bool (h, w), well inside the hull."""
    steady, size = clean.steady, look.size
    subject = np.where(steady, size > 4.5 * look.noise, look.no_shade & (size > np.maximum(5 * look.noise, 10)))
    # A pixel the outline runs through is a mixture: only what comes near its neighbours' full difference is sure.
    subject &= size > 0.5 * cv2.dilate(size, _SQUARE)
    # What is never clear is subject, unless this frame shows what is guessed there and no outline before it.
    plain = look.calm & clean.seen & (clean.clear > HALF_CLEAR)
    plain = ~clean.way | (cv2.erode(plain.astype(np.uint8), _GAP) > 0)
    rare = clean.seen | (clean.clear < _RARE)
    open_ = reached((look.calm | look.guessed) & look.flat & rare | look.shaded | ~clean.way, plain, _GAP)
    backdrop = reached(look.calm | look.shaded | ~clean.way, ~clean.way)
    if look.relit.any():
        relit = reached(look.calm | look.shaded | look.relit | ~clean.way, ~clean.way, _GAP) & look.relit
        if inside is not None:
            relit &= ~inside
        backdrop |= relit
        subject &= ~relit
    sights = open_ & ~clean.seen
    backdrop |= sights if inside is None else sights & ~inside
    never_clear = cv2.erode((~clean.seen).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    never_clear &= cv2.dilate(open_.astype(np.uint8), _TO_OUTLINE) == 0
    # Off the axis a place may still be seen past: what looks like the plate there is no sure thing outside the hull.
    if inside is not None:
        never_clear &= clean.stands | inside | ~look.calm
    # Under an open stand the shade may never leave a place.
    never_clear &= steady | clean.stands
    subject = without_specks((subject | never_clear) & clean.way, SPECK)

    if inside is not None:
        leaked = _leaked(look, backdrop, clean, inside)
        subject, backdrop = subject | leaked, backdrop & ~leaked
    # A patch cut off from the backdrop outside is a hole where the turn often shows the backdrop, else a mark.
    backdrop |= _holes(look, look.calm & ~backdrop, clean, inside)
    left = ~steady & look.flat & ~look.no_shade & ~subject & ~backdrop
    shade_patch, thing = _shut_in(left, look, backdrop, subject, clean, inside)
    backdrop |= shade_patch
    subject |= thing & clean.way
    return subject, (backdrop & ~subject) | ~clean.way


def _leaked(look: Look, backdrop: np.ndarray, clean, inside: np.ndarray) -> np.ndarray:
    """Patches well inside the hull that the backdrop's flood came into through a gap in a faint outline, bool (h, w).

    Backdrop seen past the subject ends at the subject's outline and hangs together broadly with the backdrop outside; a
    leak goes over into the subject without an edge, and has come through a narrow place.
    """
    patches = Patches((backdrop & inside & ~clean.steady).astype(np.uint8))
    edgeless = patches.share_around(~backdrop & inside & look.flat)
    leaked = (patches.share_around(backdrop) < _NECK) & (edgeless > EDGELESS) & (patches.mean(look.calm) < _CALM)
    return patches.where((patches.areas >= SPECK) & leaked & (patches.mean(look.shade) > UNDER))


def may_be_subject(frame: np.ndarray, clean) -> np.ndarray:
    """All that isn't certainly backdrop, bool (h, w)."""
    return ~seeds(look_at(frame, clean), clean)[1]


def could_be_backdrop(frame: np.ndarray, clean) -> np.ndarray:
    """Where a frame shows what the plate, or light and shade on it, could look like: bool (h, w)."""
    look = look_at(frame, clean)
    return look.calm | look.shaded | look.guessed


def shade_tints(frame: np.ndarray, clean, cut: np.ndarray) -> np.ndarray:
    """Tints (n, 3) of what is shade beyond doubt in a frame: joined to the backdrop outside, clear of the cut."""
    look = look_at(frame, clean)
    sure = reached(look.calm | look.shaded | ~clean.way, ~clean.way) & clean.way & clean.seen & ~clean.steady
    sure &= (cv2.dilate(cut.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0) & (look.shade < _SHADE_AT_ALL)
    return look.ratio[sure] / look.shade[sure][:, None] - 1


def reached(allowed: np.ndarray, start: np.ndarray, gap: np.ndarray = _SQUARE) -> np.ndarray:
    """Allowed pixels that hang together with the start, less a pixel's breadth at their edge."""
    whole = cv2.erode(allowed.astype(np.uint8), gap)
    labels = cv2.connectedComponents(whole, connectivity=4)[1]
    ours = np.unique(labels[start & (whole > 0)])
    good = np.zeros(labels.max() + 1, bool)
    good[ours[ours > 0]] = True
    return good[labels]


def _holes(look: Look, calm: np.ndarray, clean, inside: np.ndarray | None) -> np.ndarray:
    """Calm patches cut off from the backdrop outside that show the plate about as evenly as most of them do.

    A hole ends at an edge all round; a patch of the subject that happens to look like the plate goes over into it.
    Where the turn often shows the backdrop even a small one is a hole, and one whose plate is a little off, but for one
    well inside the hull: the other frames see no set there.
    """
    patches = Patches(cv2.erode(calm.astype(np.uint8), _SQUARE))
    usual = np.median(look.size[calm]) if calm.any() else 0.0
    even = patches.mean(look.size) < 1.5 * usual
    edgeless = patches.share_around(look.flat & ~calm)
    often = patches.mean(np.where(clean.steady & clean.seen, clean.clear, 0)) > HALF_CLEAR
    if inside is not None:
        often &= patches.mean(inside) < _MOSTLY
    return patches.where((even | often) & (edgeless < EDGELESS) & (patches.areas >= np.where(often, 4, 12)))


def shut_in_patches(alike: np.ndarray, flat: np.ndarray) -> np.ndarray:
    """Patches like the backdrop that end at an outline all round: seen through the subject, bool (h, w).

    A patch of the subject that happens to look like the backdrop goes over into it without one.
    """
    patches = Patches(cv2.erode(alike.astype(np.uint8), _SQUARE))
    edgeless = patches.share_around(flat & ~alike)
    return patches.where((patches.areas >= SPECK) & (edgeless < EDGELESS))


class Patches:
    """The connected patches of a mask, numbered from 1; what is told of number 0, the rest, means nothing."""

    def __init__(self, mask: np.ndarray) -> None:
        self.count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
        self.labels, self.areas = labels, stats[:, 4]
        self.place = np.flatnonzero(labels)
        self.of = labels.ravel()[self.place]  # the patch at each place
        self._ring: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None

    def mean(self, values: np.ndarray) -> np.ndarray:
        """Mean of the values (h, w) over each patch, (count,)."""
        total = np.bincount(self.of, weights=values.ravel()[self.place], minlength=self.count)
        return total / np.maximum(self.areas, 1)

    def share_around(self, mask: np.ndarray) -> np.ndarray:
        """Of each patch, the share of its surroundings (2 to 3 px off) that lies in the mask, (count,): where it goes
        over into what is there without an edge."""
        if self._ring is None:
            ring = cv2.dilate(self.labels.astype(np.float32), np.ones((7, 7), np.uint8)).astype(np.int32).ravel()
            ring[self.place] = 0
            place = np.flatnonzero(ring)
            self._ring = place, ring[place], np.bincount(ring[place], minlength=self.count)
        place, of, around = self._ring
        return np.bincount(of[mask.ravel()[place]], minlength=self.count) / np.maximum(around, 1)

    def where(self, good: np.ndarray) -> np.ndarray:
        """The patches that are good, bool (count,), as a mask, bool (h, w)."""
        found = np.zeros(self.labels.size, bool)
        found[self.place] = good[self.of]
        return found.reshape(self.labels.shape)


def _shut_in(shaded, look: Look, backdrop, subject, clean, inside) -> tuple[np.ndarray, np.ndarray]:
    """Even patches that no soft way joins to the backdrop: which are its shade, which a thing, bool (h, w) each.

    Shade may end sharply only at what hides it: shut in by the subject (under a hull, between feet), with the tint of
    the near backdrop's shade. What ends sharply at the backdrop itself is a thing with an outline.

    Tint is the ratio's balance between channels; a patch joins the side whose tint nearby is nearer its own. What goes
    over into the subject without an edge is subject, and so is what lies well inside the hull and isn't such shade.
    """
    whole = cv2.erode(shaded.astype(np.uint8), _SQUARE)
    patches = Patches(whole)
    if patches.count < 2:
        return whole > 0, whole > 0
    edgeless = patches.share_around(subject & look.flat)
    outlined = patches.share_around(backdrop)
    depth = patches.mean(1 - look.shade)
    large = patches.areas >= 12
    # Deep shade at a place that no frame shows in a plausible light is a mark on the subject.
    clear = patches.mean(np.where(clean.stands, 0, clean.clear))
    never = patches.mean(np.where(clean.stands, 0, clean.clear) < _NEVER) > 0.5
    mark = never & (depth > _MARK_DEPTH)
    good = large & (edgeless < 0.1) & (outlined < 0.3) & (depth < 1 - DEEPEST_SHADE) & ~mark
    within = np.zeros(patches.count, bool) if inside is None else patches.mean(inside) > _MOSTLY
    # A place that shade under a thing falls on is rarely clear, and where the plate is known a sight shows it: what does
    # neither inside the hull is a body, or glass.
    dark = (depth > 1 - _SHADE_AT_ALL) & (clear > _RARE)
    pale = (patches.mean(look.calm) < _CALM) & (clear > HALF_CLEAR)
    good &= ~(within & (dark | pale))
    # shade of one light has no tint; a subject must be near
    good &= _tint_apart(patches, good, look, backdrop, 1.0) < 0.7 * _tint_apart(patches, good, look, subject, 9.0)
    # Shade that deep falls only under a thing that stands over the place, which is then seldom clear.
    black = (depth > 1 - DEEPEST_SHADE) & (clear > _OFTEN)
    thing = large & ((outlined > 0.5) & (depth > THING_DEPTH) | black)
    thing |= large & ~good & within
    return patches.where(good), patches.where(thing)


def _tint_apart(patches: Patches, asked: np.ndarray, look: Look, side: np.ndarray, else_tint: float) -> np.ndarray:
    """By how much the tints of the patches that are asked for differ from a side's tint near them, (count,)."""
    place = patches.place[asked[patches.of]]
    if not len(place):
        return np.zeros(patches.count)
    of = patches.labels.ravel()[place]
    height, width = side.shape
    small = (width // 4 + 1, height // 4 + 1)
    light = look.shade + np.float32(0.02)
    weight = (side & (look.shade < 0.95)).astype(np.float32)
    tinted = cv2.merge([*(part * (weight / light) for part in cv2.split(look.ratio)), weight])
    total = cv2.resize(tinted, small, interpolation=cv2.INTER_AREA)
    mean = cv2.GaussianBlur(total, (0, 0), 0.06 * small[0]).reshape(-1, 4)
    usual = np.where(mean[:, 3:] < 1e-3, else_tint, mean[:, :3] / np.maximum(mean[:, 3:], 1e-4))
    row, column = np.divmod(place, width)
    own = look.ratio.reshape(-1, 3)[place] / light.ravel()[place][:, None]
    away = np.abs(own - usual[row // 4 * small[0] + column // 4]).max(axis=1)
    return np.bincount(of, weights=away, minlength=patches.count) / np.maximum(patches.areas, 1)


def without_specks(found: np.ndarray, least: int = 0) -> np.ndarray:
    """The patches of at least `least` px; 0: the large ones. What is under a hundredth of the largest is a mark on the
    disc or noise."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(found.astype(np.uint8), connectivity=8)
    if count < 2:
        return found
    areas = stats[:, 4].copy()
    areas[0] = 0
    return (areas >= (least or 0.01 * areas.max()))[labels]
