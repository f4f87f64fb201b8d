"""Logistic fits whose pieces share baths: what each coefficient rests on, and its variance taken two ways."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

from ..proportion import ASSUMED_CORRELATION
from ..proportion.columns import as_labels, events_among, label_places
from .expected import solve_correlation

Floats = NDArray[np.float64]
MIN_EVENTS = 10.0  # of the rarer outcome
ENOUGH = 8.0  # effective clusters showing the rarer outcome from which the measured correlation is believed
_STEPS = 60
_LONGEST_STEP = 4.0  # on the logit scale: the first steps must not overshoot into a flat corner
_ALONE = 1e-9  # what is left of a row's information without its cluster: a cluster below this settles something alone
_LARGEST_CHANGE = 10.0  # on the logit scale, by one cluster left out: it alone decides


@dataclass(frozen=True, slots=True)
class ClusterFit:
    """A logistic fit: `coefficients` (p,), `covariance` (p, p) from one-step refits without each cluster.

    `modelled`, (p, p): the covariance if pieces of one cluster are correlated by `correlation`. `effective`, shape
    (p,): how many equally weighty clusters each coefficient rests on; `showing`: how many show the rarer outcome.
    `reason` says why there is no fit; the arrays are NaN then.
    """

    coefficients: Floats
    covariance: Floats
    modelled: Floats
    effective: Floats
    correlation: float
    showing: float
    clusters: int
    reason: str = ""

    def variance(self, contrast: Floats) -> Floats:
        """Return the variance of contrast (..., p) . coefficients, the wider of both covariances.

        The jackknife falls short where few clusters show the rarer outcome, the model where clusters with the factor
        scatter more than those without (calibrate/monitoring.py).
        """
        both = [np.einsum("...i,ij,...j->...", contrast, v, contrast) for v in (self.covariance, self.modelled)]
        return np.maximum(np.maximum(*both), 0.0)


def cluster_logistic(
    design: ArrayLike, events: ArrayLike, trials: ArrayLike, *, cluster: ArrayLike, spread: ArrayLike
) -> ClusterFit:
    """Fit events out of trials on the logit scale; `design` (n_rows, p), `spread` (p,) as for `expected_shares`.

    The covariance is the jackknife over clusters, each refit being one Newton step from the whole one: the sandwich
    with few or unequal clusters is too small (Bell & McCaffrey 2002, Surv Methodol 28:169). Clusters are sessions, or
    baths that served several. Raises DataError when events exceed trials.
    """
    X, spread, (y, n) = np.asarray(design, float), np.asarray(spread, float), events_among(events, trials)
    some = n > 0
    X, y, n = X[some], y[some], n[some]
    labels, place = label_places(as_labels(cluster)[some])
    p, G = X.shape[1], labels.size
    if min(y.sum(), (n - y).sum()) <= 0 or G < 2:
        return _no_fit(p, G, "all pieces shared one fate" if G > 1 else "fewer than two sessions")
    penalty, beta, settled = 1 / spread**2, np.zeros(p), False
    for _ in range(_STEPS):
        mean = expit(X @ beta)
        M = (X * (n * mean * (1 - mean))[:, None]).T @ X + np.diag(penalty)
        if np.linalg.cond(M) > 1e10:
            break
        step = np.linalg.solve(M, X.T @ (y - n * mean) - penalty * beta)
        beta = beta + step / max(1.0, np.abs(step).max() / _LONGEST_STEP)
        if np.abs(step).max() < 1e-10:
            settled = True
            break
    if not settled:
        return _no_fit(p, G, "one thing settles the outcome, or two cannot be told apart")
    order = np.argsort(place, kind="stable")
    return _with_spread(X[order], y[order], n[order], place[order], penalty, beta, G)


def _with_spread(X: Floats, y: Floats, n: Floats, place: NDArray, penalty: Floats, beta: Floats, G: int) -> ClusterFit:
    """Leave out each cluster and model it; the rows are in order of `place`, and every cluster has some."""
    starts = np.searchsorted(place, np.arange(G + 1))
    mean = expit(X @ beta)
    weight = n * mean * (1 - mean)
    M = (X * weight[:, None]).T @ X + np.diag(penalty)
    score = np.add.reduceat(X * (y - n * mean)[:, None], starts[:-1])
    score = score - penalty * beta / G  # the penalty's pull is shared out, so that the scores sum to nought
    inverse = np.linalg.inv(M)
    change = _changes_without(X * np.sqrt(weight)[:, None], starts, inverse, score)
    if not np.abs(change).max() < _LARGEST_CHANGE:
        return _no_fit(beta.size, G, "all that is known of it comes from one session")
    change = change - change.mean(axis=0)
    covariance = (G - 1) / G * change.T @ change
    counts = np.array([np.add.reduceat(a, starts[:-1]) for a in (y, n, n * mean, weight)])
    used = float(np.einsum("ij,ji->", inverse, (X * weight[:, None]).T @ X))
    rho, showing = _correlation(*counts, used)
    modelled = inverse @ clustered_information(X, n, mean, starts, rho) @ inverse
    return ClusterFit(beta, covariance, modelled, _effective(X, weight, starts, inverse), rho, showing, G)


def clustered_information(X: Floats, n: Floats, mean: Floats, starts: NDArray, correlation: float) -> Floats:
    """Return the covariance of the scores, (p, p), pieces of one cluster being correlated; rows as in `starts`."""
    spread = mean * (1 - mean)
    alone = (X * (n * spread)[:, None]).T @ X
    together = np.add.reduceat(X * (n * np.sqrt(spread))[:, None], starts[:-1])
    return (1 - correlation) * alone + correlation * together.T @ together


def _correlation(events: Floats, trials: Floats, expected: Floats, alone: Floats, used: float) -> tuple[float, float]:
    """Return the correlation within clusters, and how many equally weighty ones show the rarer outcome.

    By moments, as `scores` has it, less the degrees of freedom `used`. Where fewer than ENOUGH clusters show the rarer
    outcome, part of it is the larger of that and the assumed one: few cannot tell it.
    """
    free = max(events.size - used, 1.0)
    squares = (events - expected) ** 2 / np.maximum(alone, 1e-300) * events.size / free
    measured = solve_correlation(squares, np.maximum(trials - 1, 0))
    rarer = events if 2 * events.sum() <= trials.sum() else trials - events
    showing = float(rarer.sum() ** 2 / (rarer**2).sum())
    weight = min(showing / ENOUGH, 1.0)
    return weight * measured + (1 - weight) * max(measured, ASSUMED_CORRELATION), showing


def _changes_without(rooted: Floats, starts: NDArray, inverse: Floats, score: Floats) -> Floats:
    """Return one Newton step's change of the coefficients without each cluster, shape (n_clusters, p).

    `rooted`: rows times the root of their weight; `starts`: the first row of each cluster, and the number of rows. By
    Woodbury's identity only matrices as large as a cluster are solved; clusters of one size go together. Infinite
    where a cluster alone tells a coefficient.
    """
    whole, sizes = score @ inverse, np.diff(starts)
    change = np.full_like(whole, np.inf)
    for size in np.unique(sizes):
        of = np.flatnonzero(sizes == size)
        rows = rooted[starts[of][:, None] + np.arange(size)]
        reach = rows @ inverse
        rest = np.eye(size) - reach @ rows.transpose(0, 2, 1)
        told = np.linalg.eigvalsh(rest)[:, 0] > _ALONE
        pull = np.linalg.solve(rest[told], rows[told] @ whole[of[told], :, None])
        change[of[told]] = whole[of[told]] + (pull.transpose(0, 2, 1) @ reach[told])[:, 0]
    return change


def _effective(X: Floats, weight: Floats, starts: NDArray, inverse: Floats) -> Floats:
    """Return for each column the effective number of clusters with information on it, others held equal."""
    apart = X @ inverse / np.diag(inverse)  # each column less what the others foretell of it
    share = np.add.reduceat(weight[:, None] * apart**2, starts[:-1])
    squares = (share**2).sum(axis=0)
    return np.divide(share.sum(axis=0) ** 2, squares, out=np.zeros(X.shape[1]), where=squares > 0)


def _no_fit(p: int, G: int, reason: str) -> ClusterFit:
    square = np.full((p, p), np.nan)
    return ClusterFit(np.full(p, np.nan), square, square, np.full(p, np.nan), np.nan, np.nan, G, reason)
