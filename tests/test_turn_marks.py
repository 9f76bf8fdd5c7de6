"""Steps by the disc's own marks: a plain body that nothing can be followed on, on a marked disc drawn with known turns."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from builder.measured import turn_search, turntable
from builder.measured.disc import find_rounds
from builder.measured.place import Axis
from builder.measured.turn_fit import Prior
from builder.measured.turn_marks import MarkedTurn, _Repeats, _scale_of_marks, marked_turns
from builder.measured.turn_tracks import Guess
from builder.measured.turntable import KNOWN_FOCAL_SPREAD, USUAL_FOCAL_SPREAD, measure_turn
from tests.turntable import Scene, Turntable, uneven_angles

SIZE = {"width": 480, "height": 360}


def photographed(table: Turntable, angles: np.ndarray, sign: int) -> list[np.ndarray]:
    return [table.photo(sign * angle, noise_seed=k, noise=0.004) for k, angle in enumerate(angles)]


def by_marks(table: Turntable, pictures: list[np.ndarray], spread: float = KNOWN_FOCAL_SPREAD) -> list[MarkedTurn]:
    greys = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in pictures]
    plate = np.median(np.stack(pictures), axis=0).astype(np.uint8)
    rounds = find_rounds(plate, Axis(table.axis_x + 1, 0.0, table.axis_y), table.axis_y + 4, 90, 15)
    focal = table.focal_px if spread == KNOWN_FOCAL_SPREAD else table.focal_px * 0.7
    return marked_turns(greys, rounds, focal, spread)


def jar(marks: int = 30, **more) -> Turntable:
    return Turntable(Scene(shape="jar", texture="plain", gloss=0.1, marks=marks, **more), **SIZE)


def off(found: MarkedTurn, angles: np.ndarray) -> np.ndarray:
    return found.steps_deg - np.diff(angles, prepend=angles[-1] - 360.0)


def ways(explained: dict[int, float], marked: list[MarkedTurn]) -> list[int]:
    """The ways of turning that are left, the likelier first, when a few frames' corners explain so much of each."""

    def tried(guess: Guess, *_: object) -> tuple[float, Guess]:
        return explained[int(np.sign(guess.angles[-1]))], guess

    prior = Prior(np.zeros(6), np.ones(6), 0.1)
    area = np.ones((SIZE["height"], SIZE["width"]), bool)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(turn_search, "_tried", tried)
        found = turn_search.ways_by_marks([None] * len(marked[0].held), marked, prior, area, 0.2, ())
    return [turn.sign for turn, *_ in found]


@pytest.mark.parametrize("sign, spread", [(1, KNOWN_FOCAL_SPREAD), (-1, USUAL_FOCAL_SPREAD)])
def test_a_plain_jars_steps_are_told_by_the_marks(sign, spread):
    """24 stops on a disc of 30 marks; a pixel of the near rim is a third of a degree."""
    angles = uneven_angles(24, seed=2, sigma_deg=1.5)
    found = by_marks(jar(), photographed(jar(), angles, sign), spread)
    assert found[0].sign == sign  # the other way takes a scale that only an unknown lens makes likely at all
    assert len(found) == 1 or spread == USUAL_FOCAL_SPREAD
    assert np.abs(off(found[0], angles)).mean() < 0.15 and np.abs(off(found[0], angles)).max() < 0.5
    assert found[0].held.all()
    # by turns that differ by the marks' 12°, nothing else
    others = np.concatenate([turns - step for turns, step in zip(found[0].turns_deg[1:], found[0].steps_deg[1:])])
    assert np.abs(others / 12.0 - np.round(others / 12.0)).max() < 0.1


def test_a_skip_is_left_to_the_seam():
    """By marks alone, a mark skipped may be skipped anywhere; that there was one shows where the turn closes."""
    angles = uneven_angles(24, seed=5, sigma_deg=1.0, skipped=(9,))
    wrong = off(by_marks(jar(), photographed(jar(), angles, 1))[0], angles)
    assert wrong[0] == pytest.approx(12.0, abs=0.6) and wrong[9] == pytest.approx(-12.0, abs=0.6)
    assert np.abs(np.delete(wrong, [0, 9])).max() < 0.5


def test_a_turn_past_its_start_with_a_known_lens_is_told_by_the_marks():
    """24 stops, the last 20 degrees past the first; marks 12° apart come to nearly the same places where it stops short."""
    angles = uneven_angles(24, seed=2, sigma_deg=1.0, sweep_deg=380)
    found = by_marks(jar(), photographed(jar(), angles, 1))
    assert [one.sign for one in found] == [1]
    assert np.abs(off(found[0], angles)).max() < 0.6
    assert found[0].fits(0, np.array([found[0].steps_deg[0]]), 0.5).all()


def test_a_turn_past_its_start_with_an_unknown_lens_is_told_by_the_thing():
    """A speckled pot on marks: whether the ring is a mark nearer or the turn a mark longer, only the pot shows."""
    angles = uneven_angles(36, sigma_deg=0.5, seed=6, sweep_deg=380)
    pot = Turntable(Scene(seed=6), **SIZE)
    pictures = photographed(pot, angles, -1)
    turn = measure_turn(pictures, marked=by_marks(pot, pictures, USUAL_FOCAL_SPREAD))
    assert turn.by_marks and turn.direction == "clockwise"
    assert np.abs(np.array(turn.steps_deg) - np.diff(angles, prepend=angles[-1] - 360.0)).max() < 0.5


def test_chance_decides_no_direction():
    """As many stops as marks, and a plain jar: what else is followed is too little to tell one way from the other."""
    angles = uneven_angles(36, sigma_deg=0.5, seed=13, skipped=(9,), repeated=(25,))
    table = jar(marks=36, seed=13)
    marked = by_marks(table, photographed(table, angles, 1), USUAL_FOCAL_SPREAD)
    assert {one.sign for one in marked} == {1, -1}
    for explained in (1.8, 1.5), (49.0, 40.0):  # corners: 15 % more, of hardly any; of some, and yet within chance
        assert ways(dict(zip((1, -1), explained)), marked) == [1, -1]
    assert ways({1: 140.0, -1: 60.0}, marked) == [1]
    assert ways({1: 60.0, -1: 140.0}, marked) == [-1]


@pytest.fixture(scope="module")
def as_many_stops():
    """Angles, pictures, and what the marks say of them, both ways: a plain jar, stopped 24 times on 24 marks."""
    angles = uneven_angles(24, seed=1, sigma_deg=1.2)
    pictures = photographed(jar(marks=24), angles, 1)
    marked = by_marks(jar(marks=24), pictures)
    assert {one.sign for one in marked} == {1, -1}
    return angles, pictures, marked


@pytest.mark.parametrize("standing", [{1}, {1, -1}, set()])
def test_of_two_ways_the_one_that_stands_is_the_way(standing, as_many_stops, monkeypatch):
    """As many stops as marks, and a few frames' corners tell neither way: both are gone through, and what is found of the
    one that all frames bear out is taken; where both are, or none, the direction isn't told."""
    whole = turntable._turn_fit

    def fit(found, links, astray, sign, *more):
        answer = whole(found, links, astray, sign, *more)
        return replace(answer, sigma_deg=0.1 if sign in standing else None)

    monkeypatch.setattr(turn_search, "SURE", 1e9)
    monkeypatch.setattr(turntable, "_turn_fit", fit)
    angles, pictures, marked = as_many_stops
    turn = measure_turn(pictures, marked=marked, focal_px=jar().focal_px)
    assert turn.by_marks == (len(standing) == 1)
    assert (turn.direction is None) == (len(standing) != 1)
    if 1 in standing and turn.by_marks:
        assert np.abs(np.array(turn.steps_deg) - np.diff(angles, prepend=angles[-1] - 360.0)).max() < 0.6


@pytest.mark.parametrize("standing", [{-1}, {1, -1}])
def test_of_two_ways_the_one_that_explains_surely_more_of_all_frames_is_the_way(standing, as_many_stops, monkeypatch):
    """A way that explains less than half of what the other does isn't the true one, though it alone may stand."""
    whole = turntable._turn_fit

    def fit(found, links, astray, sign, *more):
        answer = whole(found, links, astray, sign, *more)
        return replace(
            answer, sigma_deg=0.1 if sign in standing else None, direction=sign if sign in standing else None
        )

    monkeypatch.setattr(turn_search, "surely_more", lambda *_: False)
    monkeypatch.setattr(turntable, "followed", lambda found, _: 140.0 if found.angles[-1] > 0 else 60.0)
    monkeypatch.setattr(turntable, "_turn_fit", fit)
    _, pictures, marked = as_many_stops
    turn = measure_turn(pictures, marked=marked, focal_px=jar().focal_px)
    assert turn.direction == (1 if 1 in standing else None)


@pytest.mark.parametrize("marks", [0, 72])
def test_without_marks_or_with_too_many_nothing_is_said(marks):
    """Of 72 marks two lie between the stops of a hand; which one it was, they don't say."""
    angles = uneven_angles(24, seed=3, sigma_deg=1.5)
    assert by_marks(jar(marks), photographed(jar(marks), angles, 1)) == []


def test_with_as_many_stops_as_marks_both_ways_are_left_open():
    angles = uneven_angles(30, seed=4, sigma_deg=1.0)
    found = by_marks(jar(), photographed(jar(), angles, 1))
    assert {one.sign for one in found} == {1, -1}
    right = next(one for one in found if one.sign == 1)
    assert np.abs(off(right, angles)).max() < 0.5


def test_a_plain_mug_is_judged_by_its_marks():
    """White before white, a handle and nothing else: corners alone leave too many steps open."""
    white = {"disc_rgb": (0.86, 0.86, 0.85), "backdrop_rgb": (0.86, 0.85, 0.83), "body_rgb": (0.78, 0.78, 0.75)}
    table = Turntable(Scene(shape="mug", texture="plain", marks=30, seed=3, **white), **SIZE)
    angles = uneven_angles(24, seed=6, sigma_deg=1.5)
    pictures = photographed(table, angles, -1)
    fit = measure_turn(pictures, focal_px=table.focal_px, marked=by_marks(table, pictures))
    assert fit.by_marks and fit.sigma_deg is not None and fit.direction == "clockwise"
    assert np.abs(np.array(fit.steps_deg) - np.diff(angles, prepend=angles[-1] - 360.0)).max() < 0.7


@pytest.mark.parametrize(
    "spacing, turned, count, marks",
    [
        (12.0, 360.0, 24, 30),
        (12.6, 378.0, 24, 30),  # drawn 5 % too large
        (12.0, 348.0, 24, 30),  # one short of a turn: 29 marks nobody draws, a skipped one is likelier
        (10.5, 336.0, 30, 32),  # 11¼° apart
        (10.3, 370.8, 36, 36),
    ],
)
def test_marks_are_as_many_as_people_draw(spacing, turned, count, marks):
    scale, _ = _scale_of_marks(_Repeats(0.8, spacing), turned, count, 0.1)
    assert spacing / scale == pytest.approx(360.0 / marks, rel=1e-6)


def test_what_doesnt_repeat_makes_a_turn():
    scale, _ = _scale_of_marks(_Repeats(0.1, None), 343.0, 24, 0.1)
    assert scale == pytest.approx(343.0 / 360.0)


def test_of_few_frames_nothing_is_said():
    """Thirty degrees and more apart, three steps on hardly any of the ring is the same."""
    angles = uneven_angles(12, seed=3, sigma_deg=1.5)
    assert by_marks(jar(), photographed(jar(), angles, 1)) == []


def test_a_ring_beside_the_axis_as_it_was_guessed_is_found_all_the_same():
    """A shadow cast to one side leads the mirror line off: frames agree better on the ring where it is."""
    angles = uneven_angles(24, seed=2, sigma_deg=1.0)
    table = jar()
    pictures = photographed(table, angles, 1)
    greys = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in pictures]
    plate = np.median(np.stack(pictures), axis=0).astype(np.uint8)

    def rounds(aside: bool = False):
        return find_rounds(plate, Axis(table.axis_x - 9, 0.0, table.axis_y), table.axis_y + 4, 90, 15, aside=aside)

    assert marked_turns(greys, rounds(), table.focal_px, KNOWN_FOCAL_SPREAD) == []
    found = marked_turns(greys, rounds(), table.focal_px, KNOWN_FOCAL_SPREAD, aside=lambda: rounds(aside=True))
    assert found[0].foot[0] == pytest.approx(table.axis_x, abs=0.7)
    assert np.abs(off(found[0], angles)).max() < 0.5
