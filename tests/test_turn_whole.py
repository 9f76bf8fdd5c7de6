"""Steps of a closed turn weighed together: what one has too much, others lack."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from builder.measured.turn_place import Link
from builder.measured.turn_scale import Closing
from builder.measured.turn_whole import in_the_light_of_all, wanted_shifts

TIGHT = Closing(0.0, 0.1)


def link(frame: int, **could: float) -> Link:
    """could: log odds of shifts, named up (one step more), down, or none at all."""
    named = [(shift, could[name]) for name, shift in (("down", -1.0), ("up", 1.0)) if name in could]
    shifts, odds = np.array(named, float).reshape(-1, 2).T
    return Link(frame, shifts, (1 + shifts) * 0.2, odds, odds)


def test_two_wrong_steps_are_moved_together_or_not_at_all():
    sure = [link(frame, up=-9.0, down=-9.0) for frame in range(6)]
    assert not wanted_shifts([*sure, link(6, up=4.0)], TIGHT).any()  # nothing makes up for it
    moved = wanted_shifts([*sure, link(6, up=4.0), link(7, down=-1.0)], TIGHT)
    assert moved.tolist() == pytest.approx([0] * 6 + [1, -1])
    assert wanted_shifts([*sure, link(6, up=4.0)], None).tolist() == pytest.approx([0] * 6 + [1])  # a part turn is free


def test_a_ring_that_lacks_a_step_gives_it_to_the_likeliest():
    links = [link(0, up=-4.0, down=-4.0), link(1, up=-1.0), link(2, up=-6.0)]
    assert wanted_shifts(links, Closing(1.0, 0.3)).tolist() == pytest.approx([0, 1, 0])


def test_odds_in_the_light_of_all_are_those_of_every_combination():
    """Against the sum over all combinations, one by one."""
    links = [link(0, up=-1.0, down=-2.0), link(1, up=-0.5), link(2, down=0.3), link(3)]
    closing = Closing(0.4, 0.6)
    chances = np.zeros((4, 3))  # of each link: as it is, up, down
    for choice in product((0, 1, 2), repeat=4):
        weight, total = 1.0, 0.0
        for one, taken in zip(links, choice):
            shift = (0.0, 1.0, -1.0)[taken]
            options = dict(zip(one.shifts.tolist(), one.free.tolist())) | {0.0: 0.0}
            weight *= np.exp(options[shift]) if shift in options else 0.0
            total += shift
        weight *= np.exp(-0.5 * ((total - closing.missing) / closing.sigma) ** 2)
        for at, taken in enumerate(choice):
            chances[at, taken] += weight
    told = in_the_light_of_all(links, closing)
    for one, chance in zip(told, chances):
        for shift, odds in zip(one.shifts, one.odds):
            assert odds == pytest.approx(np.log(chance[1 if shift > 0 else 2] / chance[0]), abs=0.01)
