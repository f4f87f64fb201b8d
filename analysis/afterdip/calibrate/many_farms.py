"""Thousands of simulated farms compared at once, by the same reckoning as one farm is.

Only what a page does one farm at a time in plain numbers is written again for arrays: the words of the verdict.
`tests/test_comparison_calibration.py` holds them, and the limits, to those of single farms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..comparison import MINIMUM_SESSIONS, SUPERIOR_LEVEL, Margins
from ..comparison.cells import Arm
from ..comparison.difference import MINIMUM_EFFECTIVE, WORKING_CORRELATION, contrast_values
from ..comparison.likely import Worth, averaged_limits, chance_below
from ..comparison.verdict import shown
from .two_agents import Outcome

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Compared:
    """One outcome of many farms: which could say, and of those the contrast's fields and the true difference.

    `known`: shape (n_farms,); the rest shape (n_known,), the numbers in the order of `comparison.Contrast`.
    """

    known: NDArray[np.bool_]
    fields: tuple[Floats, ...]
    worths: tuple[Worth, ...]
    truth: Floats

    def limits(self, level: float) -> tuple[Floats, Floats]:
        """Return the limits at a level, shape (n_known,) each."""
        if not self.truth.size:
            return self.truth, self.truth
        return averaged_limits(*self.fields[:4], self.worths, level)


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
        return Compared(known, tuple(np.zeros((7, 0))), (), np.zeros(0))
    fields, worths, effective, mix = contrast_values((some[0], some[1]), working_correlation)
    enough = np.minimum(*effective) >= MINIMUM_EFFECTIVE
    known[known] = enough
    worths = tuple(worth.of(enough) for worth in worths)
    return Compared(known, tuple(field[enough] for field in fields), worths, (mix @ truth)[enough])


def words_of(kill: Compared, loss: Compared, margins: Margins) -> NDArray[np.str_]:
    """Return `comparison.verdict`'s word for every farm."""
    by_kill, by_loss = _findings(kill, margins.kill, more_is_better=True), _findings(loss, margins.loss)
    better, kept = ([by_kill[i] | by_loss[i] for i in (0, 1)], [by_kill[i] & by_loss[i] for i in (2, 3)])
    cases = (kept[0] & kept[1], better[0] & kept[0], better[1] & kept[1])
    return np.select(cases, ("equivalent", "first", "second"), "undecided")


def _findings(gain: Compared, margin: float, *, more_is_better: bool = False) -> tuple[NDArray[np.bool_], ...]:
    """Return first better, second better, first not worse, second not worse; all False where it cannot say."""
    found = np.zeros((4, gain.known.size), dtype=bool)
    if gain.known.any():
        deltas = (np.full_like(gain.truth, delta) for delta in (0.0, -margin, margin))
        chance = np.array([chance_below(*gain.fields[:4], gain.worths, delta) for delta in deltas])
        found[:, gain.known] = shown(chance, more_is_better, SUPERIOR_LEVEL)
    return tuple(found)
