"""What the steps of a turn want, weighed together: in a closed turn what one step has too much, others lack.

Each step by itself says how likely other turns are than the one it has (`turn_place`). Moved one at a time, two steps
that are wrong by a mark each, one up and one down, can hold each other where they are; so the likeliest combination
is looked for: the one with the most log odds in sum, less what it costs to leave the turn open. And what each step
could be is told in the light of all others: one alone can't be another, unless some other makes up for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from builder.measured.turn_doubt import CERTAIN
from builder.measured.turn_place import BETTER, Link
from builder.measured.turn_scale import Closing

UNIT = 0.1  # usual steps: how finely shifts are told apart
REACH = 8.0  # usual steps: by how much the shifts of some steps may add up before others take it back
LEAST = -9.0  # log odds of shifts that are thought of at all


def wanted_shifts(links: Sequence[Link], closing: Closing | None) -> np.ndarray:
    """(L,) usual steps to add to each link's step; zeros where all hold.

    closing: what they should add up to; None: a part turn, whose steps are free.
    """
    if closing is None:
        best = [int(link.odds.argmax()) if len(link.odds) else -1 for link in links]
        return np.array([link.shifts[k] if k >= 0 and link.odds[k] > BETTER else 0.0 for link, k in zip(links, best)])
    half = round(REACH / UNIT)
    score = np.full(2 * half + 1, -np.inf)
    score[half] = 0.0
    told = np.zeros((len(links), len(score)), int)  # the shift, in units, by which each sum is best come to
    for at, link in enumerate(links):
        before, score = score, score.copy()
        for units, odds in zip(np.rint(link.shifts / UNIT).astype(int), link.free):
            if odds > LEAST and 0 < abs(units) <= 2 * half:
                _improve(score, told[at], before, units, odds)
    score -= 0.5 * (((np.arange(len(score)) - half) * UNIT - closing.missing) / closing.sigma) ** 2
    end = int(score.argmax())
    shifts = np.zeros(len(links))
    if score[end] <= BETTER - 0.5 * (closing.missing / closing.sigma) ** 2:  # than to leave all as they are
        return shifts
    for at in range(len(links) - 1, -1, -1):
        units = told[at, end]
        shifts[at] = units * UNIT
        end -= units
    return shifts


def _improve(score: np.ndarray, told: np.ndarray, before: np.ndarray, units: int, odds: float) -> None:
    """Sums that one more shift makes likelier, in place."""
    to = slice(max(units, 0), len(score) + min(units, 0))
    source = slice(max(-units, 0), len(score) + min(-units, 0))
    better = before[source] + odds > score[to]
    score[to] = np.where(better, before[source] + odds, score[to])
    told[to] = np.where(better, units, told[to])


def in_the_light_of_all(links: Sequence[Link], closing: Closing | None) -> list[Link]:
    """The links with the odds that each has when all others are as likely to be what they could be, and all must add up.

    closing: as for `wanted_shifts`; None: a part turn, whose steps say nothing about one another. Sums over all
    combinations, forward and backward along the steps (the sum-product algorithm).
    """
    if closing is None:
        return list(links)
    half = round(REACH / UNIT)
    chances = [_chances(link, half) for link in links]
    ahead, behind = [_nothing(half)], [_nothing(half)]
    for before, after in zip(chances, reversed(chances)):
        ahead.append(_summed(ahead[-1], before))
        behind.append(_summed(behind[-1], after))
    fits = np.exp(-0.5 * ((np.arange(-2 * half, 2 * half + 1) * UNIT - closing.missing) / closing.sigma) ** 2)
    told = []
    for at, link in enumerate(links):
        others = _summed(ahead[at], behind[len(links) - 1 - at])  # chance of each sum of all other shifts
        units = np.clip(np.rint(np.r_[0.0, link.shifts] / UNIT).astype(int), -half, half)
        closes = np.array([(others * fits[half + k : 3 * half + 1 + k]).sum() for k in units])
        odds = link.free + np.log(np.maximum(closes[1:], 1e-12)) - np.log(np.maximum(closes[0], 1e-12))
        told.append(replace(link, odds=np.clip(odds, -CERTAIN, CERTAIN)))
    return told


def _nothing(half: int) -> np.ndarray:
    chance = np.zeros(2 * half + 1)
    chance[half] = 1.0
    return chance


def _chances(link: Link, half: int) -> np.ndarray:
    """(2 · half + 1,) relative chance of each shift in units; none at all: 1. Of neighbouring shifts, which say the same, the likeliest."""
    chance = _nothing(half)
    if len(link.free):
        beside = np.diff(link.shifts) < 1.5 * UNIT
        before = np.r_[-np.inf, np.where(beside, link.free[:-1], -np.inf)]
        after = np.r_[np.where(beside, link.free[1:], -np.inf), -np.inf]
        peaks = np.flatnonzero((link.free >= before) & (link.free > after) & (np.abs(link.shifts) <= REACH))
        np.maximum.at(chance, half + np.rint(link.shifts[peaks] / UNIT).astype(int), np.exp(link.free[peaks]))
    return chance


def _summed(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Chances of the sum of two shifts, kept within the reach; scaled to 1."""
    half = len(one) // 2
    both = np.convolve(one, other)[half : 3 * half + 1]
    return both / max(both.sum(), 1e-300)
