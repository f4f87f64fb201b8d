"""Limits of a mean when the counts of a session are negative binomial about it, by how much not being known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, gammaln, xlogy

from .averaged import WEIGHED_AT, Floats, average_chance, both_tails

Spreads = Callable[[Floats, NDArray[np.intp]], Floats]
"""Means of some cells and which cells these are -> squared coefficients of variation of the sessions' rates.

These have the shape (n_some, n_strengths, n_sessions); the first and the last axis may be 1. No spread is `NO_SPREAD`.
"""
NO_SPREAD = 1e-4


def count_limits(
    counts: Floats, exposure: Floats, spreads: Spreads, weights: Floats, tail: float, *,
    scales: Sequence[float] = (1.0,),
) -> tuple[Floats, Floats]:
    """Limits of sum(counts)/sum(exposure), arrays of shape (n_cells, n_sessions), something counted in every cell.

    `weights`, shape (n_strengths,): how the spreads weigh before looking; `scales`: variances over the mean where
    sessions do not differ, each tried with each spread. The total has the chance of a negative binomial of the same
    mean and variance, halfway between that of fewer and that of no more (mid-P).
    """
    total, found = exposure.sum(-1), counts.sum(-1)
    log_weights = np.log(np.tile(weights, len(scales)))
    scale = np.repeat(scales, len(weights))
    seen = found[:, None] / scale + 0.5

    def shapes(mean: Floats, cells: NDArray[np.intp]) -> Floats:
        squares = (spreads(mean, cells) * exposure[cells, None, :] ** 2).sum(-1)
        return np.tile(total[cells, None] ** 2 / squares, len(scales))

    def chance(mean: Floats, cells: NDArray[np.intp]) -> Floats:
        between = (found / total)[cells] ** (1 - WEIGHED_AT) * mean**WEIGHED_AT
        sessions, spread, shape = (counts[cells], exposure[cells]), spreads(between, cells), shapes(mean, cells)
        known = np.concatenate([log_likelihood(*sessions, between, spread, at) for at in scales], axis=-1)
        expected = (mean * total[cells])[:, None] / scale
        return average_chance(known + log_weights, betainc(seen[cells], shape, expected / (expected + shape)))

    guess = shapes(found / total, np.arange(total.size))
    low, high = (betaincinv(seen, guess, at) for at in (tail, 1 - tail))
    low, high = (limit / np.maximum(1 - limit, 1e-3) * guess * scale / total[:, None] for limit in (low, high))
    middle = found / total
    return both_tails(chance, tail, (low.min(-1), middle), (middle, high.max(-1)))


def log_likelihood(counts: Floats, exposure: Floats, mean: Floats, spread: Floats, scale: float) -> Floats:
    """Log likelihood of negative binomial sessions, shape (n_cells, n_strengths); those without exposure are left out.

    `scale` other than 1 stretches the distribution as quasi-likelihoods do: it is the variance over the mean at no
    spread.
    """
    used = np.count_nonzero(exposure, axis=-1)[:, None]
    counts, exposure = (part[:, None, :] / scale for part in (np.where(exposure > 0, counts, 0.0), exposure))
    odds = mean[:, None, None] * exposure * spread
    drawn = gammaln(counts + 1 / spread) - gammaln(1 / spread) - gammaln(counts + 1)
    return (drawn + xlogy(counts, odds) - (counts + 1 / spread) * np.log1p(odds)).sum(-1) - used * np.log(scale)
