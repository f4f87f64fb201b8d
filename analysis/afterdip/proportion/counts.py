"""Limits of a mean when the counts of a session are negative binomial about it, by how much not being known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy.special import betainc, betaincinv, gammaln, xlogy

from .averaged import WEIGHED_AT, average_chance, both_tails
from .ragged import Floats, Places, Ragged

Spreads = Callable[[Floats, Places, Floats], Floats]
"""Means, cells and exposures of some sessions, shape (n_rows,) -> squared coefficients of variation of their rates.

These have the shape (n_strengths, n_rows), where n_rows may be 1. No spread is `NO_SPREAD`.
"""
NO_SPREAD = 1e-4
TAKEN_OVER, FALL = 0.8, 5
"""What the tail of a lower limit grows by below the bound of none, and the power of bound over mean that it falls with.

No upper limit lies below that bound, so that a smaller mean is missed by lower limits alone: these take over most of
what the others leave, as exact limits may (Blaker 2000, Can J Stat 28:783). All of it (1) held 92.5 % where sessions
have a hundred pests; with a slower fall sixty strongly alike sessions a side come near 93 %.
"""


def count_limits(
    counts: Floats, exposure: Floats, spreads: Spreads, weights: Floats, tail: float, *,
    scales: Sequence[float] = (1.0,), weighed_at: float = WEIGHED_AT, seen_as: Spreads | None = None,
    none: Floats | float = 0.0,
) -> tuple[Floats, Floats]:
    """Limits of sum(counts)/sum(exposure), arrays of shape (n_cells, n_sessions), something counted in every cell.

    `weights`, shape (n_strengths,) or (n_cells, n_strengths): how the spreads weigh before looking; `scales`: variances
    over the mean where sessions do not differ, each tried with each spread; `weighed_at`: see `averaged.WEIGHED_AT`.
    The total has the chance of a negative binomial of the same mean and variance, halfway between that of fewer and
    that of no more (mid-P). `seen_as`: what sessions of each spread look like to a negative binomial, where they are
    not one. `none`: the bound had nothing been counted, a number or one for each cell (`TAKEN_OVER`); 0 for even tails.
    """
    total, found = exposure.sum(-1), counts.sum(-1)
    weights = np.broadcast_to(weights, (total.size, np.shape(weights)[-1]))
    log_weights = np.log(np.tile(weights, len(scales)))
    scale = np.repeat(scales, weights.shape[-1])
    seen = found[:, None] / scale + 0.5
    sessions = Ragged.of(counts, exposure, used=exposure > 0)

    def shapes(mean: Floats, cells: Places) -> Floats:
        some, place = sessions.part(cells)
        spread = spreads(mean[place], cells[place], some.columns[1])
        return np.tile((total[cells] ** 2 / some.sums(spread * some.columns[1] ** 2)).T, len(scales))

    def chance(mean: Floats, cells: Places) -> Floats:
        between = (found / total)[cells] ** (1 - weighed_at) * mean**weighed_at
        some, place = sessions.part(cells)
        spread = (seen_as or spreads)(between[place], cells[place], some.columns[1])
        known = [some.sums(log_likelihood(*some.columns, between[place], spread, at)) for at in scales]
        expected, shape = (mean * total[cells])[:, None] / scale, shapes(mean, cells)
        return average_chance(
            np.concatenate(known).T + log_weights[cells], betainc(seen[cells], shape, expected / (expected + shape))
        )

    guess = shapes(found / total, np.arange(total.size))
    low, high = (betaincinv(seen, guess, at) for at in (tail, 1 - tail))
    low, high = (limit / np.maximum(1 - limit, 1e-3) * guess * scale / total[:, None] for limit in (low, high))
    middle = found / total
    none = np.broadcast_to(none, total.shape)
    return both_tails(
        chance, tail, (low.min(-1), middle), (middle, high.max(-1)),
        lambda mean, cells: 1 + TAKEN_OVER * np.minimum(none[cells] / mean, 1.0) ** FALL,
    )


def log_likelihood(counts: Floats, exposure: Floats, mean: Floats, spread: Floats, scale: float) -> Floats:
    """Log likelihood of negative binomial sessions with some exposure, shape (n_strengths, n_rows).

    `counts`, `exposure`, `mean`: shape (n_rows,); `spread`: as `Spreads` gives it. `scale` other than 1 stretches the
    distribution as quasi-likelihoods do: it is the variance over the mean at no spread.
    """
    counts, odds = counts / scale, mean * exposure / scale * spread
    drawn = gammaln(counts + 1 / spread) - gammaln(1 / spread) - gammaln(counts + 1)
    return drawn + xlogy(counts, odds) - (counts + 1 / spread) * np.log1p(odds) - np.log(scale)
