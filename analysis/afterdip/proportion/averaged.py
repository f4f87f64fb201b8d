"""Limits that do not know how alike the units of one session are, and let the sessions themselves weigh the answers.

For each strength of likeness (a correlation of outcomes, or a spread of rates) a candidate value has a chance of a
total as small as the one seen. The chances are averaged, each weighted by how probable its strength makes the sessions,
and a limit is the candidate where the average passes alpha/2: a p-value averaged over the posterior of what is not
known (Meng 1994, Ann Stat 22:1142), inverted.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import ndtri

from .ragged import Floats, Places

WEIGHED_AT = 0.9
"""Where the sessions are weighed: so far from the estimate (0) to the candidate (1), on a logarithmic scale.

At the estimate, limits of large baths with skewed risks held 88 % instead of 93 %; at the candidate itself they are a
tenth wider where few events were seen, and hold no more.
"""
_STEPS = 100  # a safeguard: five to ten are used
_CLOSE = 1e-10


def average_chance(log_weight: Floats, chance: Floats) -> Floats:
    """Average over the last axis, weighted by exp(`log_weight`); both of shape (n_cells, n_strengths)."""
    weight = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    return (weight * chance).sum(-1) / weight.sum(-1)


Chance = Callable[[Floats, Places], Floats]
"""Chances of the candidate values of some cells, and which cells these are; both of shape (n_some,)."""


def both_tails(
    chance: Chance, tail: float, lower: tuple[Floats, Floats], upper: tuple[Floats, Floats], more: Chance
) -> tuple[Floats, Floats]:
    """Values at which `chance` passes `more` x `tail` and 1 - `tail`, from guesses (low, high) for each, in one search.

    `more`: how many times the tail a value has as a lower limit, the less the larger it is.
    """
    cells = lower[0].size

    def passed(value: Floats, place: Places) -> Floats:
        cell = place % cells
        return chance(value, cell) / np.where(place < cells, more(value, cell), 1.0)

    low, high = (np.concatenate(pair) for pair in zip(lower, upper, strict=True))
    found = where_it_passes(passed, np.repeat([tail, 1 - tail], cells), low, high)
    return found[:cells], found[cells:]


def where_it_passes(chance: Chance, target: Floats | float, low: Floats, high: Floats) -> Floats:
    """Value at which a rising `chance` of it passes `target`; `low` < `high`, shape (n_cells,), are first guesses > 0.

    The guesses are moved out until the chance lies below the target at one and above it at the other. Then false
    position (Anderson & Bjorck 1973, BIT 13:253) on the normal quantile of the chance against the logarithm of the
    value, nearly a straight line.
    """
    aim = np.broadcast_to(ndtri(target), low.shape)

    def above(logs: Floats, cells: Places) -> Floats:
        return ndtri(np.clip(chance(np.exp(logs), cells), 1e-290, 1 - 1e-16)) - aim[cells]

    left, at_left = _move_out(above, np.log(low), -1.0)
    right, at_right = _move_out(above, np.log(high), 1.0)
    found, cells, was_up = left.copy(), np.arange(left.size), np.zeros(left.size)
    for _ in range(_STEPS):
        gap = at_right - at_left
        share = np.divide(-at_left, gap, out=np.full_like(gap, 0.5), where=gap > 0)
        middle = left + (right - left) * share
        value = above(middle, cells)
        found[cells] = middle
        up = np.where(value < 0, 1.0, -1.0)  # the value of an end that stays twice running shrinks, lest it stay
        moved = np.where(up > 0, at_left, at_right)
        less = 1 - np.divide(value, moved, out=np.zeros_like(value), where=moved != 0)
        less[less <= 0] = 0.5
        at_right = np.where(up < 0, value, np.where(was_up > 0, at_right * less, at_right))
        at_left = np.where(up > 0, value, np.where(was_up < 0, at_left * less, at_left))
        left, right = np.where(up > 0, middle, left), np.where(up > 0, right, middle)
        more = (np.abs(value) > _CLOSE) & (right - left > _CLOSE)
        if not more.any():
            break
        cells, left, right, at_left, at_right, was_up = (x[more] for x in (cells, left, right, at_left, at_right, up))
    return np.exp(found)


def _move_out(above: Chance, end: Floats, way: float) -> tuple[Floats, Floats]:
    """Move guesses in steps of one, to the left (-1) or right (1), until the target is on the other side of them."""
    end, cells = end.copy(), np.arange(end.size)
    value = above(end, cells)
    for _ in range(_STEPS):
        cells = np.flatnonzero(way * value < 0)
        if not cells.size:
            break
        end[cells] += way
        value[cells] = above(end[cells], cells)
    return end, way * np.maximum(way * value, 0.0)
