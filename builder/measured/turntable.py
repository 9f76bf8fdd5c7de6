"""The turn of the table from the pictures alone: the angle of each frame, the axis, the direction.

No markers are needed. What turns is followed from frame to frame; under one camera and one axis all
of it must agree, and a closed turn adds up to 360°. In order: corners of what turns (`turn_features`),
votes of neighbouring frames for camera and steps (`turn_start`), a few starts tried (`turn_search`), corners
followed over several frames at all depths (`turn_tracks`), one robust fit of everything (`turn_fit`), a second
look at each step with the points so placed (`turn_place`), and all steps weighed together (`turn_scale`, `turn_whole`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from builder.measured.abreast import abreast
from builder.measured.stack import Stack
from builder.measured.turn_camera import Camera, project
from builder.measured.turn_doubt import BY_HAND, SCALE
from builder.measured.turn_features import CORNERS, Shot, grey_pictures, make_shot, moving_area, still_plate
from builder.measured.turn_fit import Fit, NothingToFollow, Prior, fit, followed
from builder.measured.turn_marks import MarkedTurn
from builder.measured.turn_place import CLEAR, Link, Sameness, check_links, loose_frames, place_late
from builder.measured.turn_scale import Closing, measure_closing
from builder.measured.turn_search import first_guess, reach_px, surely_more, ways_by_marks
from builder.measured.turn_start import Start, match_neighbours, picture_changes
from builder.measured.turn_tracks import Guess, neighbours, sweep
from builder.measured.turn_whole import in_the_light_of_all, wanted_shifts
from builder.spin import IDENTITY, Affine, Turn

DIAGONAL35_MM = 43.27  # of 36 × 24 mm
USUAL_FOCAL35_MM, USUAL_FOCAL_SPREAD = 30.0, 0.4  # phones 24 to 28, longer lenses 50 to 80; spread in ln
KNOWN_FOCAL_SPREAD = 0.03  # Exif gives whole millimetres, and lenses breathe
LESS = 0.5  # of what one way of turning explains in all frames: one that explains less isn't the true one
NOTHING = "nothing on the object to follow"
EITHER_WAY = "it could as well have turned the other way round"
LEAST_FRAMES = 4  # a turn of three has no view that two others could check
ROUNDS = 8  # at most; where nothing wants to move, one or two are enough
FEW, MOST = 120, 160  # corners of a frame, followed for a first fit and for the last
# Frames, about, of twice as many or more that are settled first: of the others, neighbours show nearly the same
KEYS = 48
PLENTY, LEAST = 72, 40  # frames: of more, each gives fewer corners, for its neighbours show nearly the same; at least
# What the residuals don't show, set so that errors of the drawn turntables are as large as said (tests/bench/steps.py):
SPREAD = 2.0  # errors that points share beyond their slices
STEADY_PX = 0.05  # how far the camera's small movements are undone
DOUBTFUL = 0.05  # chance of another turn from which a step isn't sure
IN_DOUBT = -3.0  # log odds, about the same chance, of a step looked at by itself
# 0.02 of any step when what another adds must come from somewhere: an unknown lens can stretch them all alike
LEAST_DOUBT = 0.02
MOST_SURE = 2 / 3  # share of the steps that must hold for the turn to count as judged
MOST_ASTRAY = 1  # step that may be left unsettled; where two are, the fit has found no turn that holds
# Share of steps half or more off the usual one: hands don't turn so, a fit that took marks for others does
MOST_ODD = 1 / 4
CENTRE_SPREAD = 0.01  # of the diagonal: lenses and crops are off the middle by about so much
EDGE_PX = 30  # kept round what turns: half a far patch and the window that follows a corner


@dataclass(frozen=True)
class TurnFit:
    """What the pictures say about the turn. Angles in degrees, growing with the frame whatever the direction.

    steps_deg[i]: turn from the frame before; steps_deg[0]: from the last, over the seam (360° less the rest; negative
    when the turn goes past its start). sigma_deg: typical standard error of a step, root mean square over all of them,
    those in doubt with what else they could be; None when steps
    can't be judged, and then `reason` says why, and the angles are even steps or best guesses.
    axis_x, axis_y: where the axis meets the disc top, px of the pictures given, pixel centres at .0.
    axis_tilt_deg: lean of the axis in the picture, clockwise as seen is positive.
    """

    angles_deg: tuple[float, ...]
    steps_deg: tuple[float, ...]
    step_sigma_deg: tuple[float, ...]
    sigma_deg: float | None = None
    direction: Turn | None = None
    axis_x: float | None = None
    axis_y: float | None = None
    axis_tilt_deg: float = 0.0
    closing_gap_deg: float | None = None  # steps_deg[0] of a closed turn
    seam_seen: bool = False  # the last frame and the first were matched with one another
    # For each step: what else it could be, degrees, and the chance
    step_rivals: tuple[tuple[tuple[float, float], ...], ...] = ()
    reason: str = ""
    camera: Camera | None = None  # in the pictures' pixels; None where nothing was fitted
    by_marks: bool = False  # the disc's marks hold the steps


def measure_turn(
    pictures: Sequence[np.ndarray],
    *,
    to_reference: Sequence[Affine] | None = None,
    foreground: np.ndarray | None = None,
    closed: bool = True,
    focal_px: float | None = None,
    sharp: Sequence[bool] | None = None,
    repeats: Collection[int] = (),
    unseen_px: Sequence[float] | None = None,
    marked: Sequence[MarkedTurn] = (),
) -> TurnFit:
    """Angles of frames (h, w, 3) uint8 sRGB, upright, about 1000 px on the long side, in turning order.

    to_reference: 2 × 3 for each, from its pixels to the spin's reference; none: the camera stood still.
    foreground: bool (h, w), where the subject may be, added to what is seen moving. focal_px: in these
    pixels, if known. sharp: False marks frames to distrust. repeats: frames that are known to be the same as the one before.
    unseen_px: (n,) by how much each to_reference may be off against the one before (the first: the last); none: by nothing.
    marked: what the disc itself says of a closed turn, one for each way it may have turned; none: not looked at, or nothing.
    """
    cv2.setNumThreads(1)
    count = len(pictures)
    affines = np.array([IDENTITY] * count if to_reference is None else to_reference, float)
    if count < LEAST_FRAMES:
        return unjudged(count, closed, "fewer than four frames")
    shots, area = _shots(pictures, affines, foreground)
    changes = picture_changes(shots)
    height, width = pictures[0].shape[:2]
    focal = focal_px or USUAL_FOCAL35_MM / DIAGONAL35_MM * float(np.hypot(height, width))
    camera = Camera(0.0, 0.0, 0.0, focal, ((width - 1) / 2, (height - 1) / 2))
    stride = max(1, count // KEYS) if count >= 2 * KEYS else 1
    keys = shots[::stride]
    between = changes if stride == 1 else picture_changes(keys)
    pairs, still = match_neighbours(keys, between, closed)
    still = (still if stride == 1 else set()) | set(repeats)
    moving = [pair for pair in pairs if stride > 1 or pair.second not in still]
    unseen = np.zeros(count) if unseen_px is None else np.asarray(unseen_px, float)
    nominal = 2 * np.pi / max(count - len(still), 3)
    try:
        by_prior = _prior(camera, focal_px is not None, 0.5 * nominal)
        same, gone = Sameness.of(changes, still), []
        for turn, guess, prior in ways_by_marks(shots, marked, by_prior, area, nominal, still):
            start = Start(turn.camera, turn.sign, nominal, turn.likelihood)
            found, links, astray = _settled(shots, guess, prior, start, closed, same, marked=turn)
            answer = _turn_fit(found, links, astray, start.sign, closed, still, unseen)
            gone.append((followed(found, reach_px(guess, nominal)), answer))
        gone.sort(key=lambda one: -one[0])
        if len(gone) == 2 and surely_more(gone[0][0], gone[1][0], LESS):
            return gone[0][1]
        stand = [answer for _, answer in gone if answer.sigma_deg is not None]
        if len(stand) == 1:
            return stand[0]
        if sum(len(pair.xy) for pair in moving) < 4 * len(keys):
            return unjudged(count, closed, NOTHING)
        prior = _prior(camera, focal_px is not None, 0.5 * nominal * stride)
        guess, start = first_guess(
            keys, moving, camera, prior, area, nominal * stride, closed, still if stride == 1 else ()
        )
        if stride > 1:
            settled, _, _ = _settled(keys, guess, prior, start, closed, Sameness.of(between, ()))
            start = replace(start, nominal=start.nominal / stride)
            angles = _between(
                settled.angles, stride, count, start.sign * (2 * np.pi if closed else 0.0), start.sign * start.nominal
            )
            guess, prior = Guess(settled.camera, angles, guess.radius), replace(prior, step_sigma=0.5 * start.nominal)
        found, links, astray = _settled(shots, guess, prior, start, closed, Sameness.of(changes, still))
    except NothingToFollow:  # neighbours are alike enough to pair, and yet no spot of theirs lasts
        return unjudged(count, closed, NOTHING)
    turn = _turn_fit(found, links, astray, start.sign, closed, still, unseen)
    # Where both ways stand, whatever a fit without the marks says it says by less than they know.
    return replace(turn, sigma_deg=None, direction=None, reason=EITHER_WAY) if stand else turn


def _between(angles: np.ndarray, stride: int, count: int, whole: float, step: float) -> np.ndarray:
    """(count,) angles, those of every stride-th frame given, the others evenly between.

    whole: the turn, radians, to which the frames after the last one given go on; 0: they go on by the usual step.
    """
    last = (len(angles) - 1) * stride
    end = whole or angles[-1] + step * (count - last)
    return np.interp(np.arange(count), [*range(0, last + 1, stride), count], [*angles, end])


def _prior(camera: Camera, focal_known: bool, step_sigma: float) -> Prior:
    diagonal = 2 * float(np.hypot(*camera.centre))
    focal_spread = KNOWN_FOCAL_SPREAD if focal_known else USUAL_FOCAL_SPREAD
    mean = np.array([0.0, np.radians(20), 0.0, np.log(camera.focal_px), *camera.centre])
    sigma = np.array(
        [
            np.radians(15),
            np.radians(20),
            np.radians(2),
            focal_spread,
            CENTRE_SPREAD * diagonal,
            CENTRE_SPREAD * diagonal,
        ]
    )
    return Prior(mean, sigma, step_sigma)


def unjudged(count: int, closed: bool, reason: str) -> TurnFit:
    """Even steps, and the reason why they can't be judged."""
    step = 360.0 / max(count, 1) if closed else 0.0
    return TurnFit(tuple(step * k for k in range(count)), (step,) * count, (float("inf"),) * count, reason=reason)


def _shots(
    pictures: Sequence[np.ndarray], affines: np.ndarray, foreground: np.ndarray | None
) -> tuple[list[Shot], np.ndarray]:
    """Shots cut to what turns, and where that is in the reference: bool (h, w)."""
    greys = Stack.of(grey_pictures(pictures))
    area = moving_area(greys, affines)
    if foreground is not None:
        area |= foreground
    if not area.any():
        area[:] = True
    rows, columns = np.flatnonzero(area.any(1)), np.flatnonzero(area.any(0))
    y0, y1 = max(rows[0] - EDGE_PX, 0), rows[-1] + EDGE_PX
    x0, x1 = max(columns[0] - EDGE_PX, 0), columns[-1] + EDGE_PX
    plate = still_plate(greys, affines)

    def made(frame: int) -> Shot:
        own_area, affine = area.astype(np.uint8), affines[frame]
        if not np.allclose(affine, np.eye(3)[:2]):
            own_area = cv2.warpAffine(
                own_area, affine, own_area.shape[::-1], flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
            )
        cut = np.ascontiguousarray(greys[frame][y0:y1, x0:x1])
        from_cut = np.c_[affine[:, :2], affine[:, 2] + affine[:, :2] @ [x0, y0]]
        return make_shot(cut, own_area[y0:y1, x0:x1] > 0, from_cut, plate, _of_each(CORNERS, len(greys)))

    return abreast(made, range(len(greys))), area


def _of_each(corners: int, count: int) -> int:
    return max(round(corners * min(1.0, PLENTY / count)), LEAST)


def _settled(
    shots: list[Shot],
    guess: Guess,
    prior: Prior,
    start: Start,
    closed: bool,
    same: Sameness,
    late: Collection[int] | None = None,
    marked: MarkedTurn | None = None,
) -> tuple[Fit, list[Link], int]:
    """The fit of all frames, gone over again where the steps want to lie elsewhere; how many still do, after all rounds.

    late: frames shot after the turn, whose angles in the guess are their places; None: not known yet.
    marked: what the disc says of each step.
    """
    usual, before = start.sign * start.nominal, None
    for turn in range(ROUNDS):
        found, links, order = _fitted(
            shots,
            guess,
            prior,
            usual,
            closed,
            same,
            late or (),
            _of_each(FEW if turn == 0 else MOST, len(shots)),
            marked,
        )
        if late is None:
            again = _with_late(
                shots, Guess(found.camera, found.angles, guess.radius), prior, start, closed, same, loose_frames(links)
            )
            if again is not None and marked is None:
                return again
            if again is not None:  # late or not, what leaves less in doubt
                plain = _settled(shots, guess, prior, start, closed, same, (), marked)
                return min((plain, again), key=lambda one: sum(link.doubt for link in one[1]))
            late = ()
        closing = None
        if closed:
            closing = marked.closing(usual) if marked else _closing(found, links, order, prior, usual)
        shifts = wanted_shifts(links, closing) * usual
        if marked and marked.repeats and not shifts.any():
            shifts[0] = _other_seam(links[0]) * usual
        wanted = _wanted(links, order, shifts, closed)
        if turn and (not wanted.any() or np.array_equal(shifts, before)):
            break  # nothing wants to move, or what did came back
        before = shifts
        if marked and shifts.sum():
            marked = marked.with_more(start.sign * float(np.degrees(shifts.sum())))
        guess = Guess(found.camera, found.angles + wanted, guess.radius)
    return found, in_the_light_of_all(links, closing), int(np.count_nonzero(shifts))


def _other_seam(seam: Link) -> float:
    """Usual steps by which the turn over the seam is surely another, whatever the marks add up to: of those that repeat,
    some fewer or more in a turn come to the same places, and a turn may have gone past its start."""
    if not len(seam.free):
        return 0.0
    best = int(seam.free.argmax())
    return float(seam.shifts[best]) if seam.free[best] > -CLEAR else 0.0


def _with_late(
    shots: list[Shot], guess: Guess, prior: Prior, start: Start, closed: bool, same: Sameness, loose: Sequence[int]
) -> tuple[Fit, list[Link], int] | None:
    """As `_settled`, where last frames that hold to neither neighbour were shot late; None where they weren't.

    The others are settled by themselves first: a frame out of its place bends the turn that it is taken to close.
    """
    kept = len(shots) - len(loose)
    if not loose or kept < LEAST_FRAMES:
        return None
    prior = replace(prior, step_sigma=0.5 * start.nominal, seam_sigma=np.inf)  # the disc's steps were read as shot
    try:
        rest, _, astray = _settled(
            shots[:kept],
            Guess(guess.camera, guess.angles[:kept], guess.radius),
            prior,
            start,
            closed,
            same.first(kept),
            (),
        )
    except NothingToFollow:
        return None
    if astray > MOST_ASTRAY:  # without them nothing holds either
        return None
    places = place_late(shots, rest, loose, start.sign * start.nominal)
    if not places:
        return None
    angles = np.r_[rest.angles, guess.angles[kept:]]
    for frame, angle in places.items():
        angles[frame] = start.sign * (start.sign * angle % (2 * np.pi))
    whole = _settled(shots, Guess(rest.camera, angles, guess.radius), prior, start, closed, same, tuple(places))
    return whole if whole[2] <= MOST_ASTRAY else None


def _closing(found: Fit, links: list[Link], order: list[int], prior: Prior, usual: float) -> Closing:
    doubtful = {link.frame for link in links if len(link.free) and link.free.max() > IN_DOUBT}
    return measure_closing(found, order, doubtful, prior, usual)


def _fitted(
    shots: list[Shot],
    guess: Guess,
    prior: Prior,
    usual: float,
    closed: bool,
    same: Sameness,
    late: Collection[int],
    most: int,
    marked: MarkedTurn | None,
) -> tuple[Fit, list[Link], list[int]]:
    """The fit from a guess, how each step of it holds, and the frames in order of angle."""
    tracks = sweep(shots, guess, neighbours(guess.angles, closed), range(len(shots)), most=most)
    found = fit(guess.camera, guess.angles, tracks, prior, valley=not closed)
    order = turning_order(found.angles / usual, late)
    return found, check_links(shots, found, order, usual, closed, same, guess.radius, marked), order


def turning_order(turned: np.ndarray, late: Collection[int]) -> list[int]:
    """Frames as shot, those shot late in their places; turned (n,): angles in usual steps.

    Others keep their order whatever their angles: it is likelier that one of them is wrong than that they changed places.
    """
    order = [frame for frame in range(len(turned)) if frame not in late]
    for frame in sorted(late):
        at = int(np.searchsorted(np.maximum.accumulate(turned[order]), turned[frame]))
        order.insert(max(at, 1), frame)
    return order


def _wanted(links: list[Link], order: list[int], shifts: np.ndarray, closed: bool) -> np.ndarray:
    """(n,) what to add to each frame's angle, from what the steps want added, (L,) radians; zeros where all hold."""
    more, give = np.zeros(len(order)), np.ones(len(order))
    for link, shift in zip(links, shifts):
        more[order.index(link.frame)] = shift
        give[order.index(link.frame)] = max(link.doubt, LEAST_DOUBT)
    # What is added must be taken away, from the steps that want nothing, the doubtful above all
    if closed and more.any():
        give[more != 0] = 0.0
        more -= more.sum() * give / max(give.sum(), LEAST_DOUBT)
    wanted = np.zeros(len(order))
    wanted[order] = np.cumsum(np.r_[0.0, more[1:]])
    return wanted - wanted[0]


def _turn_fit(
    found: Fit, links: list[Link], astray: int, sign: int, closed: bool, still: set[int], unseen_px: np.ndarray
) -> TurnFit:
    count = len(found.angles)
    angles = np.degrees(found.angles) * sign
    steps = np.diff(angles, prepend=angles[-1] - 360.0 if closed else 0.0)
    sigma, unsure = (
        _step_sigma(found, links, steps, closed, unseen_px),
        [link.frame for link in links if link.doubt > DOUBTFUL],
    )
    sure = np.setdiff1d([link.frame for link in links], unsure)
    level = disc_level(found)
    foot, top = project(found.camera, np.array([[0.0, 0.0, level], [0.0, 0.0, level + 0.1]]))
    tilt = float(np.degrees(np.arctan2(top[0] - foot[0], foot[1] - top[1])))
    rivals = {link.frame: _rivals(link) for link in links}
    judged = (
        len(sure) >= MOST_SURE * len(links) and astray <= MOST_ASTRAY and not any(link.impossible for link in links)
    )
    judged &= _odd_share(np.delete(steps[1:], [frame - 1 for frame in still])) <= MOST_ODD
    return TurnFit(
        angles_deg=tuple(map(float, angles)),
        steps_deg=tuple(map(float, steps)),
        step_sigma_deg=tuple(map(float, sigma)),
        sigma_deg=float(np.sqrt(np.mean(sigma[0 if closed else 1 :] ** 2))) if judged else None,
        direction=("counterclockwise" if sign > 0 else "clockwise") if judged else None,
        axis_x=float(foot[0]),
        axis_y=float(foot[1]),
        axis_tilt_deg=tilt,
        closing_gap_deg=float(steps[0]) if closed else None,
        seam_seen=closed and 0 not in unsure,
        step_rivals=tuple(tuple(rivals.get(frame, ())) for frame in range(count)),
        reason="" if judged else "too many steps could as well be others",
        camera=found.camera,
        by_marks=any(link.by_marks for link in links),
    )


def _odd_share(steps: np.ndarray) -> float:
    return float((np.abs(steps / np.median(steps) - 1.0) > 0.5).mean()) if len(steps) and np.median(steps) > 0 else 1.0


def disc_level(found: Fit) -> float:
    """Height of the disc top, camera distances: the lowest slice that holds one in thirty of the well placed points."""
    held = (found.weights > 0.25).sum(1) >= 3
    heights = np.sort(found.tracks.points[held if held.any() else slice(None), 2])
    if not len(heights):
        return 0.0
    slices = np.floor(heights / 0.01).astype(int)  # 6 mm at 60 cm
    values, counts = np.unique(slices, return_counts=True)
    lowest = values[counts >= max(len(heights) / 30, 1)]
    first = lowest[0] if len(lowest) else slices[0]
    return float(np.median(heights[(slices == first) | (slices == first + 1)]))


def _step_sigma(found: Fit, links: list[Link], steps: np.ndarray, closed: bool, unseen_px: np.ndarray) -> np.ndarray:
    """Degrees (n,). What a step in doubt could be instead counts by its chance; for the others `step_rivals` says it."""
    before = np.roll(np.arange(len(found.angles)), 1)
    squares = [np.diag(c) + np.diag(c)[before] - 2 * c[np.arange(len(c)), before] for c in found.covariance]
    sigma = SPREAD * np.degrees(np.sqrt(np.maximum(np.max(squares, axis=0), 0.0)))
    sigma = np.hypot(sigma, _unheld(links, len(steps)) * np.abs(np.median(steps)))
    common = np.degrees(np.hypot(STEADY_PX, unseen_px) / (found.camera.focal_px * max(typical_radius(found), 0.02)))
    sigma = np.hypot(sigma, common)
    # A closed turn's sum is known; of a scale that errs slowly, from side to side, about half is left
    sigma = np.hypot(sigma, (SCALE / 2 if closed else SCALE) * np.abs(steps))
    other = np.zeros(len(steps))
    for link in links[1 if closed else 0 :]:
        if link.doubt > DOUBTFUL:
            other[link.frame] = sum(chance * (turn - steps[link.frame]) ** 2 for turn, chance in _rivals(link))
    # What one step has too much, all others have too little; a seam that isn't seen has the error of their sum
    if closed:
        seam = links[0]
        share = sum(chance * (turn - steps[seam.frame]) ** 2 for turn, chance in _rivals(seam))
        other = np.maximum(other, (other.sum() + share) / len(steps) ** 2)
        if seam.doubt > DOUBTFUL:
            other[seam.frame] = other.sum() + max(share, (SCALE * (360.0 - steps[seam.frame])) ** 2)
    return np.sqrt(sigma**2 + other)


def _unheld(links: Sequence[Link], count: int) -> np.ndarray:
    """(n,) usual steps: by how much each is off on average for want of anything distinct to hold it by.

    Gloss that stays and faint grain hold a frame as well, and not where it belongs: as likely as it is that nothing else
    does, the frame is where a hand may have stopped instead. (The mean, not the root of the mean square: most are right.)
    """
    chance = np.zeros(count)
    for link in links:
        if not link.by_marks:
            chance[link.frame] = 0.5 * math.erfc(link.frame_z / math.sqrt(2))
    return BY_HAND * np.hypot(chance, np.roll(chance, 1))


def _rivals(link: Link) -> list[tuple[float, float]]:
    """Turns in degrees, growing, that a step could be instead, with the chance of each; of neighbouring ones the likeliest."""
    if not len(link.odds):
        return []
    edge = np.pad(link.odds, 1, constant_values=-np.inf)
    peaks = np.flatnonzero((link.odds >= edge[:-2]) & (link.odds > edge[2:]))
    chance = np.exp(link.odds[peaks])
    return [
        (float(np.degrees(abs(turn) * np.sign(turn * link.turns[-1]))), float(c))
        for turn, c in zip(link.turns[peaks], chance / (1.0 + chance.sum()))
    ]


def typical_radius(found: Fit) -> float:
    """Median distance from the axis of the points that fit, camera distances."""
    held = (found.weights > 0.25).sum(1) >= 3
    points = found.tracks.points[held]
    return float(np.median(np.hypot(points[:, 0], points[:, 1]))) if len(points) else 0.0
