"""What each bath should have cost or killed by the farm's own history, and how far it was off, in one unit for all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

from ..errors import DataError
from ..proportion.columns import events_among, in_step, label_places

Floats = NDArray[np.float64]
_STEPS = 60
_MOST_CORRELATION = 0.95


@dataclass(frozen=True, slots=True)
class Scores:
    """Baths against expectation, shape (n_baths,), in order of first appearance.

    `events` seen, `expected` and `trials` per bath; `z` = (events - expected) / `deviation`, the standard one of
    pieces that share a bath: b (1 + (n - 1) `correlation`), b the binomial variance. The correlation is the one at
    which the mean square of z is 1 (moments; Williams 1982, Appl Stat 31:144), 0 where the baths scatter less.
    `told` = (events - expected) / (1 + (n - 1) correlation), what a bath tells of a change in log odds: large baths say
    more.
    """

    bath: NDArray
    events: Floats
    expected: Floats
    trials: Floats
    deviation: Floats
    z: Floats
    told: Floats
    correlation: float


def expected_shares(design: ArrayLike, events: ArrayLike, trials: ArrayLike, *, spread: ArrayLike) -> Floats:
    """Return each row's expected share from a logistic fit of all rows, shape (n_rows,).

    `design`: shape (n_rows, p), a column of ones included; `spread`: shape (p,), the standard deviation on the logit
    scale within which each coefficient is expected, inf for one that is free. The fit is the most likely one under
    these (a ridge; le Cessie & van Houwelingen 1992, Appl Stat 41:191): a group seen twice does not claim to be known.
    Rows without trials get a share too. Half an event and half a non-event are lent to the whole, so that nothing lost
    is not "never".
    """
    X, spread, (y, n) = np.asarray(design, float), np.asarray(spread, float), events_among(events, trials)
    if X.ndim != 2 or not X.shape[0] == y.size == n.size or spread.size != X.shape[1]:
        raise ValueError("design needs one row for each of events and trials, spread one value a column")
    if not n.sum():
        raise DataError("no trials: nothing to expect from")
    lent = n / n.sum()  # one trial in all, half of it an event
    y, n = y + 0.5 * lent, n + lent
    penalty = 1 / spread**2
    beta = np.zeros(X.shape[1])
    value = _objective(X, y, n, penalty, beta)
    for _ in range(_STEPS):
        mean = expit(X @ beta)
        score = X.T @ (y - n * mean) - penalty * beta
        information = (X * (n * mean * (1 - mean))[:, None]).T @ X + np.diag(penalty + 1e-9)
        step = np.linalg.solve(information, score)
        while (new := _objective(X, y, n, penalty, beta + step)) < value and np.abs(step).max() > 1e-10:
            step = step / 2
        beta, value = beta + step, new
        if np.abs(step).max() < 1e-9:
            break
    return expit(X @ beta)


def _objective(X: Floats, y: Floats, n: Floats, penalty: Floats, beta: Floats) -> float:
    line = X @ beta
    return float(y @ line - n @ np.logaddexp(0, line) - 0.5 * penalty @ beta**2)


def scores(
    bath: ArrayLike, events: ArrayLike, trials: ArrayLike, share: ArrayLike, *, correlation: float | None = None
) -> Scores:
    """Add rows up to baths and set each against what was expected of it; all four have shape (n_rows,).

    `correlation` between pieces of a bath, None to estimate it. Baths without trials are dropped. Raises DataError for
    shares outside 0 to 1, unless 0 <= events <= trials, and where a bath has no label.
    """
    (y, n), p, (labels, place) = events_among(events, trials), np.asarray(share, float), label_places(bath)
    in_step(y, p, place, what="bath, events, trials and shares")
    if not np.all((p > 0) & (p < 1)):
        raise DataError("expected shares must lie inside 0 and 1")
    order = np.argsort(np.unique(place, return_index=True)[1], kind="stable")
    rank = np.argsort(order, kind="stable")[place]
    total, seen, expected, alone = (np.bincount(rank, w, labels.size) for w in (n, y, n * p, n * p * (1 - p)))
    some = total > 0
    labels, total, seen, expected, alone = (a[some] for a in (labels[order], total, seen, expected, alone))
    rho = correlation
    if rho is None:
        rho = solve_correlation((seen - expected) ** 2 / alone, np.maximum(total - 1, 0)) if seen.size else 0.0
    miss, effect = seen - expected, 1 + np.maximum(total - 1, 0) * rho
    deviation = np.sqrt(alone * effect)
    return Scores(labels, seen, expected, total, deviation, miss / deviation, miss / effect, rho)


def solve_correlation(squares: Floats, others: Floats) -> float:
    """Return the rho at which mean(squares / (1 + others rho)) is 1, by bisection."""
    low, high = 0.0, _MOST_CORRELATION
    if np.mean(squares) <= 1:
        return 0.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if np.mean(squares / (1 + others * middle)) > 1 else (low, middle)
    return (low + high) / 2
