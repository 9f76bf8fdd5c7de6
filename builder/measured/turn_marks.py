"""The steps by the disc itself: marks, grain and dirt near its edge, all that are in view sliding at once.

A plain object on a marked disc gives a fit nothing to hold it by, and a mark by itself is like the next. Unrolled about
the axis (`disc_view`), what the disc shows near the camera is slid along itself from frame to frame: the turns at which
it agrees are known to a tenth of a degree or so, one of them where it shows something of its own, or as many as the marks'
even spacing allows. Which of those a hand most likely made, and what closes the turn, is only a place to start from:
the fit (`turntable`) weighs them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import median_filter
from scipy.optimize import minimize

from builder.measured.disc import Disc
from builder.measured.disc_view import DiscView, circle
from builder.measured.light import mad_sigma, quantiles
from builder.measured.turn_camera import Camera
from builder.measured.turn_doubt import SELDOM, log_prior
from builder.measured.turn_scale import Closing

RING = np.linspace(0.8, 1.0, 10)  # of the disc's radius: where marks are, and what stands on the disc rarely reaches
CELL_DEG = 0.5  # a pixel or two of the near rim in a measured copy
# Degrees either side of the nearest place: beyond, the ring is seen edge on
ARC = np.arange(-80.0, 80.0 + CELL_DEG, CELL_DEG)
LENGTH = 1024  # of the transforms: more than twice the arc, so that its ends don't meet
SMOOTH = 31  # cells, 15°: light and shadow change slower than that, marks and grain faster
NARROW = 15  # cells, 7°: marks are narrower
STANDS = 3.0  # times as strong as it comes and goes, frame by frame: what stands still
SOFT = 3  # cells, twice: 2° across, for marks lean a little where the ring isn't seen quite as it is drawn
LARGEST = 60.0  # levels from the smooth: one speck counts no more
VOICE_DEG = 10.0  # of the arc that agrees or doesn't by itself: about as far as marks are apart
ALIKE = 0.3  # correlation from which two pictures of the disc agree
CLEAR = 0.6  # correlation from which no smaller ring is looked for…
SURE = 0.8  # …and none about another column: the axis may be off by a cast shadow
AS_ALIKE = 0.5  # of a step's best agreement, from which another turn agrees too
MOST_APART_DEG = 45.0  # marks
NEXT_DEG = 3.0  # a mark isn't taken for the same mark seen again nearer than this
RIVAL = 0.5  # usual steps: of turns nearer one another, what a hand does can't say which it was
LEAST_RADIUS_PX = 57.3  # of the disc: a degree of its near rim is a pixel
NEAR_RIM = (0.7, 1.3)  # of the disc's radius: within, what turns is looked for before the ring is
SHARED_DEG = 100.0  # of turn, beyond which two pictures share too little of the ring: fewer than 14 frames
LEAST_HELD = 2 / 3  # of the steps that must agree, or the disc shows too little
# By which the left and right half of the ring may differ from step to step; more is no disc that turns
MISFIT_DEG = 0.4
# Usual steps: turns by which frames are compared, one, two and three apart, while the ring is looked for. Wide enough for
# a mark to come to the next one's place, and far enough on for a ring drawn wrong to show
APART = ((0.5, 1.7), (1.3, 2.7), (2.2, 3.8))
LONGEST = 3.6  # and at most by which they may have turned
GROUPS = 5  # of so many frames and one more, at most, by which it is looked for
# Of the ring looked for against the ellipse found: ln of its size, ln of its roundness; its near edge, of its height; ln of the
# focal length, in standard errors
TRIED = np.array([0.05, 0.1, 0.03, 1.0])
FARTHEST = np.array([0.25, 0.8, 0.2, 3.0])
# Correlation by which pictures must agree better for a focal length a standard error off, and by its square
UNLIKELY = 0.003
SIZES = 3  # of rounds tried, the largest
LARGER = 0.12  # the second try's ln of size: a disc as light as its table is seen by a shadow within its edge
# ln by which unrolled degrees are off, before the turn is closed: by the ring itself, and of the focal length's own error
# the share that perspective hands on, where the disc's radius is a quarter of its distance
SCALE, BY_FOCAL = 0.02, 0.25
PLAIN = 4.0  # marks are a whole number of quarter degrees apart, as people draw them; log odds for it:
DRAWN = 3.0
MORE = range(-2, 4)  # spacings by which the likeliest turns may add up to more than a turn, or less
MOST_BROKEN = 0.25  # of a spacing, from a whole number of them: more, and they aren't even
BOTH = 6.0  # log odds up to which the other direction is tried as well


@dataclass(frozen=True)
class MarkedTurn:
    """What the disc says if it turned one way.

    sign: 1 counter-clockwise, else -1. steps_deg: (n,) from the frame before, the first over the seam, growing; what no
    likely turns add up to lies in the first. held: bool (n,), whether the disc shows that step. turns_deg: for each step all turns
    that fit. sigma_deg: of one step. likelihood: log, against the other way. camera: that sees the ring so. foot: (x, y) px, where
    the axis meets the disc. repeats: whether what the ring shows comes again and again.
    """

    sign: int
    steps_deg: np.ndarray
    held: np.ndarray
    turns_deg: tuple[np.ndarray, ...]
    sigma_deg: float
    likelihood: float
    camera: Camera
    foot: tuple[float, float]
    repeats: bool

    @property
    def angles(self) -> np.ndarray:
        """Radians (n,), counter-clockwise positive, 0 at the first frame."""
        return self.sign * np.radians(np.cumsum(np.r_[0.0, self.steps_deg[1:]]))

    def fits(self, frame: int, turns_deg: np.ndarray, within_deg: float) -> np.ndarray:
        """bool: which turns (degrees, growing) from the frame before may be one that the disc shows, within so much."""
        if not self.held[frame]:
            return np.ones(len(turns_deg), bool)
        return np.abs(turns_deg[:, None] - self.turns_deg[frame]).min(axis=1) <= within_deg

    def closing(self, usual: float) -> Closing:
        """Nothing is missing, for a whole turn was counted; usual: the usual step, radians."""
        return Closing(0.0, np.radians(self.sigma_deg) * len(self.held) ** 0.5 / abs(usual))

    def with_more(self, turn_deg: float) -> "MarkedTurn":
        """The same if steps are in all longer by so much than 360°: the ring's scale is then another, and they close again."""
        scale = 360.0 / (360.0 + turn_deg)
        turns = tuple(places * scale for places in self.turns_deg)
        return replace(self, steps_deg=self.steps_deg * scale, turns_deg=turns)


def may_have_marks(disc: Disc, turns: np.ndarray) -> bool:
    """Whether something turns all along the near rim, as marks do, and is large enough to be seen. turns: bool (h, w)."""
    if disc.a < LEAST_RADIUS_PX:
        return False
    rows, columns = np.nonzero(turns)
    across, down = (columns - disc.x) / disc.a, (rows - disc.y) / disc.b
    out, around = np.hypot(across, down), np.degrees(np.arctan2(across, down))
    near = around[(out > NEAR_RIM[0]) & (out < NEAR_RIM[1])]
    bins = np.arange(ARC[0], ARC[-1] + VOICE_DEG / 2, VOICE_DEG)
    return bool((np.histogram(near, bins)[0] > 0).mean() > LEAST_HELD)


def marked_turns(
    greys: Sequence[np.ndarray],
    discs: Sequence[Disc],
    focal_px: float,
    focal_spread: float,
    still: Collection[int] = (),
    aside: Callable[[], Sequence[Disc]] = list,
) -> list[MarkedTurn]:
    """Of a closed turn, the likelier way of turning first; empty where the disc shows too little.

    greys: uint8 (h, w), evened, as the spin's reference camera saw them. discs: that may be it, px, the likeliest first.
    focal_px: known to so much, ln. still: frames the same as the one before. aside: finds discs about columns beside the
    axis, for where those about it show too little.
    """
    count = len(greys)
    usual = 360.0 / max(count - len(still), 1)
    if usual * APART[-1][1] > SHARED_DEG:
        return []
    plate = quantiles(np.stack(greys), (0.5,))[0]
    view = _ring(greys, plate, discs, aside, (focal_px, focal_spread), usual, still)
    if view is None:
        return []
    seen = _unrolled(greys, view, RING)
    strips = _fine(seen, _standing(seen))
    ring = _repeats(strips)
    if ring.apart_deg is not None and ring.apart_deg < RIVAL * usual:  # too near for a hand to tell
        return []
    spread = math.hypot(SCALE, BY_FOCAL * focal_spread)
    found = [_turned(strips, ring, sign, usual, set(still), view, spread) for sign in (1, -1)]
    found = sorted((one for one in found if one is not None), key=lambda one: -one.likelihood)
    return [one for one in found if one.likelihood > found[0].likelihood - BOTH]


def _unrolled(pictures: Sequence[np.ndarray], view: DiscView, ring: np.ndarray) -> np.ndarray:
    """float32 (n, len(ring), len(ARC)), levels."""
    x, y = np.moveaxis(view.at(view.radius * ring[:, None], np.radians(ARC)[None]).astype(np.float32), -1, 0)
    return np.stack(
        [cv2.remap(one, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for one in pictures]
    ).astype(np.float32)


def _fine(seen: np.ndarray, still: np.ndarray) -> np.ndarray:
    """Unrolled rings less what stands still and less what changes slowly along them."""
    strips = (seen - still).reshape(-1, len(ARC))
    fine = np.clip(strips - cv2.blur(strips, (SMOOTH, 1)), -LARGEST, LARGEST)
    return cv2.blur(cv2.blur(fine, (SOFT, 1)), (SOFT, 1)).reshape(seen.shape)


def _standing(seen: np.ndarray) -> np.ndarray:
    """(len(ring), len(ARC)): what stands still. Marks that come to nearly the same places in most frames aren't part of it:
    they are narrow, and there comes and goes as much as there is of them."""
    middle = np.median(seen, axis=0)
    broad = median_filter(middle, (1, NARROW), mode="nearest")
    comes_and_goes = np.median(np.abs(seen - middle), axis=0)
    narrow = middle - broad
    return broad + np.where(np.abs(narrow) > STANDS * comes_and_goes, narrow, 0.0)


def _agreement(before: np.ndarray, after: np.ndarray, where: np.ndarray) -> np.ndarray:
    """(m, LENGTH) correlation of strips with those after them, slid on by each whole cell; where: float (len(ARC),), what counts."""
    parts = [part * where for part in (before, after)]
    waves = [np.fft.rfft(part, LENGTH) for part in parts]
    power = [np.fft.rfft((part**2).sum(axis=1), LENGTH) for part in parts]
    whole = np.fft.rfft(where, LENGTH)
    both = np.fft.irfft((np.conj(waves[0]) * waves[1]).sum(axis=1), LENGTH)
    shared = np.fft.irfft(np.conj(power[0]) * whole, LENGTH) * np.fft.irfft(np.conj(whole) * power[1], LENGTH)
    return both / np.sqrt(np.maximum(shared, 1e-3 * max(float(shared.max(initial=0.0)), 1.0)))


def _cells(sign: int, low_deg: float, high_deg: float) -> np.ndarray:
    """Columns of `_agreement`, in growing order of the turn."""
    return sign * np.arange(round(low_deg / CELL_DEG), round(high_deg / CELL_DEG) + 1) % LENGTH


def _ring(
    greys: Sequence[np.ndarray],
    plate: np.ndarray,
    discs: Sequence[Disc],
    aside: Callable[[], Sequence[Disc]],
    focal: tuple[float, float],
    usual: float,
    still: Collection[int],
) -> DiscView | None:
    """The circle about the axis near one of the ellipses, and the focal length, with which frames agree best.

    focal: px, and how well it is known, ln.
    """
    count, reach = len(greys), len(APART)
    firsts = [k for k in range(count - reach) if not set(range(k + 1, k + reach + 1)) & set(still)]
    firsts = firsts or list(range(max(count - reach, 1)))
    firsts = [firsts[round(k)] for k in np.linspace(0, len(firsts) - 1, min(GROUPS, len(firsts)))]
    some = [greys[(k + more) % count] for k in firsts for more in range(reach + 1)]
    cells = [np.r_[_cells(1, *limits), _cells(-1, *limits)] for limits in usual * np.array(APART)]
    everywhere = np.ones(len(ARC))

    def view(disc: Disc, change: np.ndarray) -> DiscView | None:
        if (np.abs(change) > FARTHEST).any():
            return None
        a = disc.a * np.exp(change[0])
        b = min(disc.b * np.exp(change[0] + change[1]), 0.99 * a)
        front = disc.y + disc.b * (1 + change[2])
        return circle(replace(disc, y=front - b, a=a, b=b), focal[0] * np.exp(focal[1] * change[3]), plate.shape)

    def loss(change: np.ndarray, disc: Disc) -> float:
        seen = view(disc, change)
        if seen is None:
            return 0.0
        rings = _unrolled([plate, *some], seen, RING[::2])
        strips = _fine(rings[1:], rings[0])
        agree = [
            _agreement(strips[:: reach + 1], strips[more :: reach + 1], everywhere)[:, which].max(axis=1)
            for more, which in enumerate(cells, 1)
        ]
        return UNLIKELY * change[3] ** 2 - float(np.mean(agree))

    def best(disc: Disc, start: np.ndarray, size: float, most: int) -> tuple[float, np.ndarray, Disc]:
        found = minimize(
            loss, start, (disc,), method="Nelder-Mead",
            options={
                "initial_simplex": np.vstack([start, start + size * np.diag(TRIED)]),
                "maxfev": most, "xatol": 1e-4, "fatol": 1e-5,
            },
        )  # fmt: skip
        return found.fun, found.x, disc

    def likeliest(discs: Sequence[Disc]) -> tuple[float, np.ndarray, Disc | None]:
        found = 0.0, np.zeros(4), None
        for one, larger in [(one, more) for one in _of_each_size(discs) for more in (0.0, LARGER)]:
            if -found[0] < CLEAR:
                tried = best(one, np.array([larger, larger, 0.0, 0.0]), 1.0, 40)
                found = min(found, tried, key=lambda one: one[0])
        return found

    tries = [likeliest(discs)]
    if -tries[0][0] < SURE:
        tries.append(likeliest(aside()))
    tries = [best(disc, change, 0.5, 100) for misfit, change, disc in tries if -misfit >= ALIKE]
    if not tries:
        return None
    _, change, disc = min(tries, key=lambda one: one[0])
    return view(disc, change)


def _of_each_size(discs: Sequence[Disc]) -> list[Disc]:
    """The clearest of each size, the largest first."""
    taken: list[Disc] = []
    for disc in sorted(discs, key=lambda disc: -disc.step):
        if all(abs(np.log(disc.a / other.a)) > LARGER for other in taken):
            taken.append(disc)
    return sorted(taken, key=lambda disc: -disc.a)[:SIZES]


@dataclass(frozen=True)
class _Repeats:
    """How far the ring looks like itself when slid on (correlation), and by how many unrolled degrees first; None: nowhere."""

    alike: float
    apart_deg: float | None


def _repeats(strips: np.ndarray) -> _Repeats:
    own = _agreement(strips, strips, np.ones(len(ARC)))[:, _cells(1, 0.0, MOST_APART_DEG)].mean(axis=0)
    places, values = _peaks(own, 0.0)
    places, values = places[places > NEXT_DEG], values[places > NEXT_DEG]
    if not len(places):
        return _Repeats(0.0, None)
    highest = float(values.max())
    return _Repeats(highest, float(places[values > AS_ALIKE * highest][0]) if highest > AS_ALIKE else None)


def _turned(
    strips: np.ndarray, ring: _Repeats, sign: int, usual: float, still: set[int], view: DiscView, spread: float
) -> MarkedTurn | None:
    count = len(strips)
    before = np.roll(strips, 1, axis=0)
    cells = _cells(sign, 0.0, LONGEST * usual)
    agree = _agreement(before, strips, np.ones(len(ARC)))[:, cells]
    best = agree.max(axis=1)
    turns = [_peaks(row, AS_ALIKE * row.max()) for row in agree]
    held = (best >= ALIKE) & np.array([len(places) > 0 for places, _ in turns])
    moved = np.array([frame not in still for frame in range(count)])
    if held[moved].mean() < LEAST_HELD or not held[0]:
        return None
    held &= moved
    scale, chosen = 1.0, np.zeros(count, int)
    for _ in range(6):
        odds = [
            _odds(places, values, scale * usual, 0.0 if ring.apart_deg else 1 - ring.alike) if held[k] else np.zeros(1)
            for k, (places, values) in enumerate(turns)
        ]
        now = np.array([int(np.argmax(each)) for each in odds])
        steps = np.array(
            [turns[k][0][now[k]] if held[k] else (scale * usual if moved[k] else 0.0) for k in range(count)]
        )
        scale_now = float(np.clip(steps.sum() / 360.0, np.exp(-3 * spread), np.exp(3 * spread)))
        if (now == chosen).all() and abs(scale_now - scale) < 1e-6:
            break
        scale, chosen = scale_now, now
    scale, drawn = _scale_of_marks(ring, steps.sum(), count, spread)
    likelihood = float(sum(each.max() for each in odds)) + drawn
    off = _halves_apart(before, strips, cells, steps)[held]
    sigma = max(mad_sigma(off) / 2, CELL_DEG / 12**0.5 / 2)
    if mad_sigma(off) > MISFIT_DEG:
        return None
    steps = steps / scale
    steps[0] = 360.0 - steps[1:].sum()
    every = tuple(places / scale for places, _ in turns[1:])
    # It may have gone past its start.
    far = CELL_DEG * round(LONGEST * usual / CELL_DEG)
    over_seam = _agreement(before[:1], strips[:1], np.ones(len(ARC)))[0, _cells(sign, -far, far)]
    every = ((_peaks(over_seam, AS_ALIKE * best[0])[0] - far) / scale, *every)
    foot = tuple(map(float, view.at(np.zeros(()), np.zeros(()))))
    return MarkedTurn(sign, steps, held, every, sigma, likelihood, view.camera, foot, ring.apart_deg is not None)


def _odds(places: np.ndarray, values: np.ndarray, usual: float, own: float) -> np.ndarray:
    """Log likelihood of turns by how well the ring agrees, each VOICE_DEG of it by itself, and by what hands do.

    own: share of what the ring shows that it doesn't show again elsewhere: of even marks, one turn fits like the next.
    """
    voices = own * (ARC[-1] - ARC[0]) / VOICE_DEG
    return -0.5 * voices * np.log(1 - np.minimum(values, 0.99) ** 2) + log_prior(places / usual)


def _peaks(row: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Turns in degrees at which a row of agreement (cells from 0 on) has peaks of `least` or more, between cells; and how high."""
    k = np.flatnonzero((row[1:-1] >= row[:-2]) & (row[1:-1] > row[2:]) & (row[1:-1] >= max(least, 1e-9))) + 1
    return (k + _part(row[k - 1], row[k], row[k + 1])) * CELL_DEG, row[k]


def _part(before: np.ndarray, here: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Cells from the middle one to the top of the parabola through three."""
    bend = before - 2 * here + after
    return np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)


def _halves_apart(before: np.ndarray, after: np.ndarray, cells: np.ndarray, steps: np.ndarray) -> np.ndarray:
    """(n,) degrees by which the ring's left half and its right say another turn, near the turn that all of it says."""
    answers = []
    for half in (ARC < 0, ARC > 0):
        agree = _agreement(before, after, half.astype(float))[:, cells]
        turns = np.arange(agree.shape[1]) * CELL_DEG
        near = np.abs(turns - steps[:, None]) <= NEXT_DEG
        at = np.where(near, agree, -np.inf).argmax(axis=1).clip(1, agree.shape[1] - 2)
        rows = np.arange(len(agree))
        answers.append((at + _part(agree[rows, at - 1], agree[rows, at], agree[rows, at + 1])) * CELL_DEG)
    return answers[0] - answers[1]


def _scale_of_marks(ring: _Repeats, turned: float, count: int, spread: float) -> tuple[float, float]:
    """Unrolled degrees a true degree, of steps that add up to `turned`, and the log likelihood of that.

    Where nothing on the ring repeats, they make 360°. Of even marks, they may be some spacings short of it or over, where
    marks were skipped: each number of marks is as likely as its scale, the skips it takes, and whether people draw it.
    """
    by_sum = turned / 360.0, _likely_scale(turned / 360.0, spread)
    if ring.apart_deg is None:
        return by_sum
    marks = turned / ring.apart_deg
    if abs(marks - round(marks)) > MOST_BROKEN:
        return by_sum
    tried = []
    for more in MORE:
        if round(marks) + more > 0:
            scale = (turned + more * ring.apart_deg) / 360.0
            drawn = DRAWN * ((360.0 * PLAIN) % (round(marks) + more) == 0)
            # as the law of small numbers has it
            skips = abs(more) * np.log(SELDOM * count) - math.lgamma(1 + abs(more))
            tried.append((drawn + skips + _likely_scale(scale, spread), scale))
    likelihood, scale = max(tried)
    return scale, float(likelihood)


def _likely_scale(scale: float, spread: float) -> float:
    return -0.5 * (np.log(max(scale, 1e-3)) / spread) ** 2
