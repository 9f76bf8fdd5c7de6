"""Does each step hold? The frames after it are slid along the turn, and the points before it looked for.

Points already placed by the frames on one side of a step are drawn into the frames on the other side
for every turn that might lie between, and compared with what is seen there. The right turn makes all of
them fit: rim marks, print, handle. A turn that is off by the marks' spacing fits the marks alone; when
nothing but evenly spaced marks turns, both fit alike and the step can't be judged. What is seen is weighed
against what steps by hand are like; steps that stay open get a closer look (`turn_doubt`).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from builder.measured.abreast import abreast
from builder.measured.turn_camera import Camera
from builder.measured.turn_doubt import CERTAIN, SCALE, contest_z, evidence, log_odds, ring_z, rings_of
from builder.measured.turn_edges import widened
from builder.measured.turn_features import STATIC_PX, Shot
from builder.measured.turn_fit import Fit
from builder.measured.turn_marks import MarkedTurn
from builder.measured.turn_tracks import likeness, seen_at, small_patches

MOST_POINTS = 50  # of one home frame, slid along the turn
LEAST_SIGHTINGS = 3  # on the point's own side of the step, its home frame among them; 2 where steps are wide
WIDE_STEP = np.radians(14)  # two of them turn most of a small print out of sight or shape
PATCH_ARM = 0.005  # camera distances: over which a surface's slope is taken
LEAST_RADIUS = 0.03  # camera distances: nearer the axis a point hardly moves
LOOSE_Z = 1.5  # standard errors by which a frame must hold to its neighbours: about 6 points that speak for it alone
MOVE_Z = 1.0  # and by which a place for one of the last frames, which hold to none, must beat any other: five in six
CLEAR = -6.0  # log odds of every rival from which the first look is enough: 1 in 400
BETTER = 1.0  # log odds of a rival from which it takes a turn's place, and all is fitted and looked at again
RIVAL = 0.5  # usual steps from which another turn is a rival; nearer, the fit's own error speaks
# And px at the rim: a fit comes back by itself from where corners still are in the window that follows them
BASIN_PX = 6.0
GRID = np.arange(-40, 41) / 10  # shifts tried, in usual steps
HERE = int(np.flatnonzero(GRID == 0)[0])
# Usual steps: what a step may be, marks only ever going on; over the seam a turn may lack or repeat several
BACK, AHEAD = -0.25, 3.6
# 0.6 of what most frames differ by from the next: by amplitude, what a quarter of a step makes, and a tenth more
CHANGED = 0.6
APART = np.arange(-40, 41) / 10  # usual steps: how far round the turn a point's look-alikes are looked for
# Correlations from which a point is not seen, and seen: between, in part. How well beyond LIKE says little: a rim mark looks
# more like its neighbour come to the same place than like itself turned.
UNLIKE, LIKE = 0.3, 0.6


@dataclass(frozen=True)
class Link:
    """How a step before `frame` holds.

    shifts: usual steps (S,) that might be added to it. turns: radians (S,), signed, what it would then be, and odds: (S,), their
    log odds against the turn it has; free: (S,) the same without what all other steps leave to the one over the seam.
    frame_z: standard errors by which the frame itself holds to its neighbours. impossible: no hand turns as it has it.
    by_marks: the disc's marks hold the frame, before or after.
    """

    frame: int
    shifts: np.ndarray
    turns: np.ndarray
    odds: np.ndarray
    free: np.ndarray
    frame_z: float = 0.0
    impossible: bool = False
    by_marks: bool = False

    @property
    def doubt(self) -> float:
        """Chance that the step is another."""
        return float(1 / (1 + np.exp(-self.odds.max()))) if len(self.odds) else 0.0


@dataclass(frozen=True)
class Sameness:
    """still: frames that are the same as the one before; changed: bool (n,), whether a frame is surely another."""

    still: frozenset[int]
    changed: np.ndarray

    @classmethod
    def of(cls, changes: np.ndarray, still: Collection[int]) -> "Sameness":
        """changes (n - 1,): how much each frame differs from the next, in shares of what most do."""
        return cls(frozenset(still), np.r_[False, changes > CHANGED])

    def first(self, count: int) -> "Sameness":
        """That of the first frames only."""
        return Sameness(frozenset(frame for frame in self.still if frame < count), self.changed[:count])


NO_RIVALS = (np.zeros(0),) * 4


@dataclass(frozen=True)
class _Looks:
    """The points of one home frame that fit, and what else on their way round the turn looks like them."""

    index: np.ndarray  # (m,) into the tracks
    surface: "_Surface"
    alike: np.ndarray  # (m, len(APART)), 0 to 1


def check_links(
    shots: Sequence[Shot],
    found: Fit,
    order: Sequence[int],
    nominal: float,
    closed: bool,
    same: Sameness,
    radius: float,
    marked: MarkedTurn | None = None,
) -> list[Link]:
    """Each step looked at again, frames taken in `order`; nominal: the usual step, radians, signed; radius: of what turns.
    marked: what the disc says of each step: no other turns are thought of.

    A frame the same as the one before leaves nothing to doubt. A part turn has no link to its first frame.
    """
    looks = abreast(lambda home: _looks(shots, found, home, nominal), range(len(shots)))
    seeing = [np.unique(found.tracks.frames[mine.index]).tolist() for mine in looks]
    seen_by = [[home for home, frames in enumerate(seeing) if frame in frames] for frame in range(len(shots))]
    fits = found.weights > 0.25
    still, least = same.still, max(RIVAL, BASIN_PX / (radius * found.camera.focal_px * abs(nominal)))
    own = [
        np.inf if frame in still or frame + 1 in still else _frame_z(found, fits, looks, frame, seen_by[frame], least)
        for frame in range(len(shots))
    ]

    def checked(at: int) -> Link:
        frame = order[at]
        changed = bool(same.changed[frame]) and order[at - 1] == frame - 1
        link = (
            Link(frame, *NO_RIVALS)
            if frame in still
            else _check(
                shots,
                found,
                looks,
                _sides(order, at, closed),
                at > 0,
                nominal,
                radius,
                min(own[frame], own[order[at - 1]]),
                changed,
                least,
                marked,
            )
        )
        held = marked is not None and marked.held[[frame, (frame + 1) % len(shots)]].any()
        return replace(link, frame_z=own[frame], by_marks=bool(held))

    return abreast(checked, range(0 if closed else 1, len(shots)))


def loose_frames(links: Sequence[Link]) -> Sequence[int]:
    """The last frames where they hold to neither neighbour, as frames shot late, after the turn, do; no more than a third."""
    count = max(link.frame for link in links) + 1
    held = max((link.frame for link in links if link.frame_z >= LOOSE_Z), default=count)
    loose = range(held + 1, count)
    return loose if len(loose) <= count / 3 else ()


def place_late(shots: Sequence[Shot], found: Fit, loose: Sequence[int], nominal: float) -> dict[int, float]:
    """The angle (radians) at which the points of the fit, of all other frames, show in each of the loose ones.

    Every angle of the circle is tried with the points that nothing else on their way looks like; frames that fit
    nowhere clearly are left out.
    """
    others = shots[: len(found.angles)]
    homes = abreast(lambda home: _looks(others, found, home, nominal), range(len(others)))
    placed = {frame: _placed(shots[frame], found, homes, nominal) for frame in loose}
    return {frame: angle for frame, angle in placed.items() if angle is not None}


def _placed(shot: Shot, found: Fit, homes: Sequence[_Looks], nominal: float) -> float | None:
    bins = max(round(2 * np.pi / abs(nominal) * 10), 8)
    width = 2 * np.pi / bins
    score, square, tried = np.zeros(bins), np.zeros(bins), np.full(bins, 1e-9)
    for looks in homes:
        weight = 1.0 - looks.alike[:, np.abs(APART) >= RIVAL].max(1)
        best = np.argsort(-weight, kind="stable")[:25]
        if not len(best):
            continue
        home = found.tracks.frames[looks.index[0], 0]
        at = np.round(found.angles[home] / width).astype(int) + np.arange(-15, 16)
        seen = weight[best, None] * looks.surface.taken(best).seen(shot, at * width)
        score[at % bins] += seen.sum(0)
        square[at % bins] += (seen**2).sum(0)
        tried[at % bins] += weight[best].sum()
    # Of the points tried there; by itself it doesn't favour busy sides
    share = score / np.maximum(tried, tried.mean() / 2)
    k = int(share.argmax())
    apart = np.abs((np.arange(bins) - k + bins // 2) % bins - bins // 2) >= RIVAL * 10
    better = (share[k] - share[apart].max()) * tried[k]
    return k * width if better / np.sqrt(2 * (square[k] + 1.0)) > MOVE_Z else None


def _looks(shots: Sequence[Shot], found: Fit, home: int, nominal: float) -> _Looks:
    tracks, shot = found.tracks, shots[home]
    radius = np.hypot(tracks.points[:, 0], tracks.points[:, 1])
    index = np.flatnonzero(
        (tracks.frames[:, 0] == home) & ((found.weights > 0.25).sum(1) >= 2) & (radius > LEAST_RADIUS)
    )
    patches = small_patches(shot, shot.own(tracks.xy[index, 0]))
    surface = _faced(shots, found, tracks.points[index], patches, home)
    return _Looks(index, surface, surface.seen(shot, found.angles[home] + nominal * APART))


def _sides(order: Sequence[int], at: int, closed: bool) -> tuple[list[int], list[int]]:
    """The frames before a step and from it on, three each where there are as many, nearest first."""
    count = len(order)
    reach = min(3, count // 2)
    after = [order[(at + k) % count] for k in range(reach) if closed or at + k < count]
    before = [order[(at - 1 - k) % count] for k in range(reach) if closed or at - 1 - k >= 0]
    return before, after


def _check(
    shots: Sequence[Shot],
    found: Fit,
    looks: list[_Looks],
    sides: tuple[list[int], list[int]],
    within: bool,
    nominal: float,
    radius: float,
    own_z: float,
    changed: bool,
    least: float,
    marked: MarkedTurn | None,
) -> Link:
    """within: not over the seam. own_z: by which the frames beside the step hold at all: a first look proves no more.
    changed: the picture is another than before the step. least: usual steps by which a rival differs. marked: as above."""
    before, after = sides
    present = found.angles[after[0]] - found.angles[before[0]]
    if not within:
        present += np.sign(nominal) * 2 * np.pi
    turns = present / nominal + GRID
    could = (turns > BACK) & (turns < AHEAD) if within else np.ones(len(GRID), bool)
    if marked is not None:
        usual_deg = float(np.degrees(abs(nominal)))
        could &= (GRID == 0) | marked.fits(after[0], turns * usual_deg, 0.51 * (GRID[1] - GRID[0]) * usual_deg)
    rival = could & (np.abs(GRID) >= least)
    if not could.any():  # no hand turns like that: the fit went astray
        return Link(
            after[0],
            np.array([1 - present / nominal]),
            np.array([nominal]),
            np.array([CERTAIN]),
            np.array([CERTAIN]),
            impossible=True,
        )
    if not rival.any():
        return Link(after[0], *NO_RIVALS)
    room = None if within else max(SCALE * (2 * np.pi / abs(nominal) - present / nominal), 0.1)
    z = np.minimum(_first_look(shots, found, looks, before[:2], after[:2], nominal), own_z)
    odds = log_odds(z, turns, GRID, room, changed)
    if odds[rival].max() > CLEAR:
        z = evidence(shots, found, before, after, GRID, nominal, radius)
        odds = log_odds(z, turns, GRID, room, changed)
    free = odds if within else log_odds(z, turns, GRID, np.inf)
    impossible = within and not BACK < present / nominal < AHEAD
    return Link(after[0], GRID[rival], nominal * turns[rival], odds[rival], free[rival], impossible=impossible)


def _first_look(
    shots: Sequence[Shot], found: Fit, looks: list[_Looks], before: list[int], after: list[int], nominal: float
) -> np.ndarray:
    """(S,) standard errors by which the step as it is fits better than with each shift of GRID: points of the fit, slid."""
    ahead, ahead_alike, points = _slid(shots, found, looks[before[0]], after, nominal * GRID)
    back, back_alike, others = _slid(shots, found, looks[after[0]], before, -nominal * GRID)
    values, alike = np.concatenate([ahead, back]), np.concatenate([ahead_alike, back_alike[:, ::-1]])
    apart = np.clip(np.arange(len(GRID)) - HERE + 40, 0, len(APART) - 1)
    rings = rings_of(np.concatenate([points, others]))
    return ring_z(values, 1.0 - widened(alike)[:, apart], rings, HERE, share=2.0)


def _slid(
    shots: Sequence[Shot], found: Fit, looks: _Looks, others: list[int], shifts: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """How far a home frame's points are seen in the other side's frames slid by each shift: (m, S), 0 to 1; their
    look-alikes, (m, len(APART)), and where they are (m, 3). The most distinct points are taken."""
    own_side = (found.weights[looks.index] > 0.25) & ~np.isin(found.tracks.frames[looks.index], others)
    least = LEAST_SIGHTINGS - (abs(shifts[1] - shifts[0]) * 10 > WIDE_STEP)
    placed = np.flatnonzero(own_side.sum(1) >= least)
    far = looks.alike[placed][:, np.abs(APART) >= RIVAL].max(1)
    placed = placed[np.argsort(far, kind="stable")[:MOST_POINTS]]
    surface = looks.surface.taken(placed)
    values = sum(surface.seen(shots[other], found.angles[other] + shifts) for other in others) / len(others)
    return values, looks.alike[placed], surface.points


def _frame_z(
    found: Fit, fitting: np.ndarray, looks: Sequence[_Looks], frame: int, homes: Sequence[int], least: float
) -> float:
    """Standard errors by which the points seen in a frame, and placed without it, speak for its angle against any rival.

    fitting: bool (P, K), the sightings that fit; homes: the frames whose points it sees.
    """
    alike = [np.zeros((0, len(APART)))]
    for home in homes:
        mine = looks[home]
        frames, fits, xy = (part[mine.index] for part in (found.tracks.frames, fitting, found.tracks.xy))
        moved = np.hypot(*np.moveaxis(xy - xy[:, :1], -1, 0)) > 2 * STATIC_PX
        here = frames == frame
        if home == frame:
            alike.append(mine.alike[((fits & ~here).sum(1) >= 2) & (fits & moved).any(1)])
        else:
            alike.append(mine.alike[((fits & ~here).sum(1) >= 2) & (fits & here & moved).any(1)])
    return _distinct_z(np.concatenate(alike), least)


def _distinct_z(alike: np.ndarray, least: float) -> float:
    far = np.abs(APART) >= min(least, np.abs(APART).max())
    return float(contest_z(1.0 - widened(alike)[:, far], share=2.0).min())


@dataclass(frozen=True)
class _Surface:
    """Points (m, 3) at angle 0 with the bit of surface round each, and what they look like in their home frame."""

    camera: Camera
    points: np.ndarray
    patches: np.ndarray  # (m, 64)
    along: np.ndarray  # (m, 3) two small steps on the surface
    across: np.ndarray
    back: np.ndarray  # (m, 2, 2): from offsets in the home picture to such steps
    plain: np.ndarray  # bool (m,): seen edge on at home, so the patch stays as it is

    def drawn(self, shot: Shot, angles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Places (m, S, 2) at each angle, and (m, S, 2, 2) what the two steps become there."""
        corners = [
            seen_at(shot, self.camera, (self.points + arm)[:, None], angles) for arm in (0.0, self.along, self.across)
        ]
        return corners[0], np.stack([corners[1] - corners[0], corners[2] - corners[0]], -1)

    def seen(self, shot: Shot, angles: np.ndarray) -> np.ndarray:
        """(m, S) how far each point is seen where it should be at each angle, 0 to 1."""
        places, bend = self.drawn(shot, angles)
        warps = np.where(self.plain[:, None, None, None], np.eye(2), bend @ self.back[:, None])
        alike = likeness(shot, self.patches, places, warps)
        return np.clip((alike - UNLIKE) / (LIKE - UNLIKE), 0.0, 1.0)

    def taken(self, which: np.ndarray) -> "_Surface":
        names = ("points", "patches", "along", "across", "back", "plain")
        return replace(self, **{name: getattr(self, name)[which] for name in names})


def _faced(shots: Sequence[Shot], found: Fit, points: np.ndarray, patches: np.ndarray, home: int) -> _Surface:
    """Each point's surface level (the disc) or upright and facing outward: whichever shows better in the frames beside."""
    out = points[:, :2] / np.maximum(np.hypot(points[:, 0], points[:, 1]), 1e-9)[:, None]
    zero = np.zeros(len(points))
    along = np.stack([-out[:, 1], out[:, 0], zero], -1) * PATCH_ARM
    level, upright = (
        _backed(shots[home], found, points, patches, along, across * PATCH_ARM, home)
        for across in (np.stack([out[:, 0], out[:, 1], zero], -1), np.stack([zero, zero, zero + 1], -1))
    )
    beside = [frame for frame in (home - 1, home + 1) if 0 <= frame < len(shots)]
    shown, stood = (
        np.max([face.seen(shots[k], found.angles[k : k + 1])[:, 0] for k in beside], 0) for face in (level, upright)
    )
    stands = stood > shown
    return replace(
        level,
        across=np.where(stands[:, None], upright.across, level.across),
        back=np.where(stands[:, None, None], upright.back, level.back),
        plain=np.where(stands, upright.plain, level.plain),
    )


def _backed(
    shot: Shot, found: Fit, points: np.ndarray, patches: np.ndarray, along: np.ndarray, across: np.ndarray, home: int
) -> _Surface:
    none = np.zeros(len(points), bool)
    surface = _Surface(found.camera, points, patches, along, across, np.zeros((len(points), 2, 2)), none)
    bend = surface.drawn(shot, found.angles[home : home + 1])[1][:, 0]
    plain = np.abs(np.linalg.det(bend)) < 0.05 * (PATCH_ARM * found.camera.focal_px) ** 2
    bend[plain] = np.eye(2)
    return replace(surface, back=np.linalg.inv(bend), plain=plain)
