"""Thousands of simulated farms compared at once, by the same reckoning as one farm is.

Only what a page does one farm at a time in plain numbers is written again for arrays: the score limits and the words of
the verdict. `tests/test_comparison_calibration.py` holds both to the originals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from ..comparison import MARGIN_LEVEL, MINIMUM_SESSIONS, SUPERIOR_LEVEL, Margins
from ..comparison.cells import Arm
from ..comparison.difference import MINIMUM_EFFECTIVE, WORKING_CORRELATION, contrast_values
from .two_agents import Outcome

Floats = NDArray[np.float64]
_HALVINGS = 40  # of an interval no wider than 2: limits to 1e-12


@dataclass(frozen=True, slots=True)
class Compared:
    """One outcome of many farms: which could say, and of those the contrast's fields and the true difference.

    `known`: shape (n_farms,); the rest shape (n_known,), fields in the order of `comparison.Contrast`.
    """

    known: NDArray[np.bool_]
    fields: tuple[Floats, ...]
    truth: Floats

    def limits(self, level: float) -> tuple[Floats, Floats]:
        """Return the score limits at a level, shape (n_known,) each."""
        first, second, n_first, n_second, freedom, *_ = self.fields
        quantile = stdtrit(freedom, 0.5 + 0.5 * level)
        found = []
        for end in (-1.0, 1.0):
            inside, outside = first - second, np.full_like(first, end)
            for _ in range(_HALVINGS):
                middle = 0.5 * (inside + outside)
                within = np.abs(score_statistics(first, second, n_first, n_second, middle)) <= quantile
                inside, outside = np.where(within, middle, inside), np.where(within, outside, middle)
            found.append(0.5 * (inside + outside))
        return found[0], found[1]


def score_statistics(first: Floats, second: Floats, n_first: Floats, n_second: Floats, delta: Floats) -> Floats:
    """Return `comparison.score.score_statistic` of arrays."""
    n, x = n_first + n_second, first * n_first + second * n_second
    l2 = (n_first + 2.0 * n_second) * delta - n - x
    l1 = (n_second * delta - n - 2.0 * second * n_second) * delta + x
    l0 = second * n_second * delta * (1.0 - delta)
    q = l2**3 / (3.0 * n) ** 3 - l1 * l2 / (6.0 * n * n) + l0 / (2.0 * n)
    p = np.copysign(np.sqrt(np.maximum(l2 * l2 / (3.0 * n) ** 2 - l1 / (3.0 * n), 0.0)), q)
    cosine = np.divide(q, p**3, out=np.zeros_like(q), where=p**3 != 0.0)
    turn = np.where(p**3 != 0.0, (np.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3.0, 0.0)
    low, high = np.maximum(0.0, -delta), np.minimum(1.0, 1.0 - delta)
    other = np.clip(2.0 * p * np.cos(turn) - l2 / (3.0 * n), low, high)
    own = np.clip(other + delta, 0.0, 1.0)
    variance = own * (1.0 - own) / n_first + other * (1.0 - other) / n_second
    return (first - second - delta) / np.sqrt(np.maximum(variance, 1e-14))


def arms_of(outcome: Outcome, sessions: tuple[int, int], farms: int) -> tuple[Arm, Arm]:
    """Cut one huge farm with `farms` times `sessions` into as many: arms of shape (n_farms, n_sessions, n_strata).

    Sessions are alike and independent but for their agent, so which of them make a farm does not matter.
    """
    strata = outcome.p.shape[1]
    flat, size = outcome.session * strata + outcome.stratum, farms * sum(sessions) * strata
    total, events = (np.bincount(flat, counts, size).reshape(-1, strata) for counts in (outcome.total, outcome.events))
    cut, shapes = farms * sessions[0], [(farms, n, strata) for n in sessions]
    return (
        Arm(total[:cut].reshape(shapes[0]), events[:cut].reshape(shapes[0])),
        Arm(total[cut:].reshape(shapes[1]), events[cut:].reshape(shapes[1])),
    )


def compare_crude(sides: tuple[Arm, Arm], truth: float) -> Compared:
    """Compare all pieces together."""
    merged = [Arm(s.total.sum(axis=-1, keepdims=True), s.events.sum(axis=-1, keepdims=True)) for s in sides]
    return _compared((merged[0], merged[1]), np.array([truth]), 0.0)


def compare_adjusted(sides: tuple[Arm, Arm], truth: Floats) -> Compared:
    """Compare within the strata that both agents of a farm had; `truth`: each stratum's difference."""
    shared = (sides[0].total.sum(axis=-2) > 0) & (sides[1].total.sum(axis=-2) > 0)
    kept = [Arm(s.total * shared[:, None, :], s.events * shared[:, None, :]) for s in sides]
    return _compared((kept[0], kept[1]), truth, WORKING_CORRELATION)


def _compared(sides: tuple[Arm, Arm], truth: Floats, working_correlation: float) -> Compared:
    known = np.minimum(sides[0].sessions, sides[1].sessions) >= MINIMUM_SESSIONS
    some = [Arm(s.total[known], s.events[known]) for s in sides]
    if not known.any():
        return Compared(known, tuple(np.zeros((7, 0))), np.zeros(0))
    fields, effective, mix = contrast_values((some[0], some[1]), working_correlation)
    enough = np.minimum(*effective) >= MINIMUM_EFFECTIVE
    known[known] = enough
    return Compared(known, tuple(field[enough] for field in fields), (mix @ truth)[enough])


def words_of(kill: Compared, loss: Compared, margins: Margins) -> NDArray[np.str_]:
    """Return `comparison.verdict`'s word for every farm."""
    by_kill, by_loss = _findings(kill, margins.kill, 1.0), _findings(loss, margins.loss, -1.0)
    better, kept = ([by_kill[i] | by_loss[i] for i in (0, 1)], [by_kill[i] & by_loss[i] for i in (2, 3)])
    cases = (kept[0] & kept[1], better[0] & kept[0], better[1] & kept[1])
    return np.select(cases, ("equivalent", "first", "second"), "undecided")


def _findings(gain: Compared, margin: float, sign: float) -> tuple[NDArray[np.bool_], ...]:
    """Return first better, second better, first not worse, second not worse; all False where it cannot say."""
    (low, high), (near, far) = gain.limits(SUPERIOR_LEVEL), gain.limits(MARGIN_LEVEL)
    if sign < 0.0:
        low, high, near, far = -high, -low, -far, -near
    found = []
    for shown in (low > 0.0, high < 0.0, near > -margin, far < margin):
        whole = np.zeros(gain.known.size, dtype=bool)
        whole[gain.known] = shown
        found.append(whole)
    return tuple(found)
