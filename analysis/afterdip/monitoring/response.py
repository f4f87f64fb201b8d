"""How a share goes with one thing recorded of the dips, other things held equal, with limits from leaving out baths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, stdtrit

from ..errors import DataError
from ..estimate import Estimate, cannot_say

Floats = NDArray[np.float64]
MIN_EFFECTIVE = 8.0  # sessions that carry what is known of the factor; the calibration table says why
MIN_EVENTS = 10.0  # of the rarer outcome
_STEPS = 60
_LONGEST_STEP = 4.0  # on the logit scale: the first steps must not overshoot into a flat corner
_ALONE = 1e-9  # what is left of a row's information without its cluster: a cluster below this settles something alone
_LARGEST_CHANGE = 10.0  # on the logit scale, by one cluster left out: it alone decides


@dataclass(frozen=True, slots=True)
class ClusterFit:
    """A logistic fit: `coefficients` (p,), `covariance` (p, p) from one-step refits without each cluster.

    `effective`, shape (p,): how many equally weighty clusters each coefficient rests on. `reason` says why there is no
    fit; the arrays are NaN then.
    """

    coefficients: Floats
    covariance: Floats
    effective: Floats
    clusters: int
    reason: str = ""


def cluster_logistic(
    design: ArrayLike, events: ArrayLike, trials: ArrayLike, *, cluster: ArrayLike, spread: ArrayLike
) -> ClusterFit:
    """Fit events out of trials on the logit scale; `design` (n_rows, p), `spread` (p,) as for `expected_shares`.

    The covariance is the jackknife over clusters, each refit being one Newton step from the whole one: the sandwich
    with few or unequal clusters is too small (Bell & McCaffrey 2002, Surv Methodol 28:169). Clusters are sessions, or
    baths that served several. Raises DataError when events exceed trials.
    """
    X, y, n, spread = (np.asarray(a, float) for a in (design, events, trials, spread))
    if (y < 0).any() or (y > n * (1 + 1e-9)).any():
        raise DataError("each row needs 0 <= events <= trials")
    some = n > 0
    X, y, n = X[some], y[some], n[some]
    labels, place = np.unique(np.asarray(cluster)[some], return_inverse=True)
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
    return _jackknife(X[order], y[order], n[order], place[order], penalty, beta, G)


def _jackknife(X: Floats, y: Floats, n: Floats, place: NDArray, penalty: Floats, beta: Floats, G: int) -> ClusterFit:
    """Leave out each cluster; the rows are in order of `place`, and every cluster has some."""
    starts = np.searchsorted(place, np.arange(G + 1))
    mean = expit(X @ beta)
    weight = n * mean * (1 - mean)
    M = (X * weight[:, None]).T @ X + np.diag(penalty)
    score = np.add.reduceat(X * (y - n * mean)[:, None], starts[:-1])
    score = score - penalty * beta / G  # the penalty's pull is shared out, so that the scores sum to nought
    change = _changes_without(X * np.sqrt(weight)[:, None], starts, np.linalg.inv(M), score)
    if not np.abs(change).max() < _LARGEST_CHANGE:
        return _no_fit(beta.size, G, "all that is known of it comes from one session")
    change = change - change.mean(axis=0)
    covariance = (G - 1) / G * change.T @ change
    return ClusterFit(beta, covariance, _effective(X, weight, starts, M), G)


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


def _effective(X: Floats, weight: Floats, starts: NDArray, M: Floats) -> Floats:
    """Return for each column the effective number of clusters with information on it, others held equal."""
    inverse = np.linalg.inv(M)
    apart = X @ inverse / np.diag(inverse)  # each column less what the others foretell of it
    share = np.add.reduceat(weight[:, None] * apart**2, starts[:-1])
    squares = (share**2).sum(axis=0)
    return np.divide(share.sum(axis=0) ** 2, squares, out=np.zeros(X.shape[1]), where=squares > 0)


def _no_fit(p: int, G: int, reason: str) -> ClusterFit:
    return ClusterFit(np.full(p, np.nan), np.full((p, p), np.nan), np.full(p, np.nan), G, reason)


def share_effect(
    factor: ArrayLike, design: ArrayLike, events: ArrayLike, trials: ArrayLike, *, session: ArrayLike,
    spread: ArrayLike, step: float = 1.0, confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Change in the share when `factor` (n_rows,) is `step` greater, all else in `design` (n_rows, p) held equal.

    Averaged over the rows by their trials; for a 0/1 factor it is all with less all without. Limits: jackknife over
    sessions, t with the effective number of sessions that carry the factor less one degrees of freedom. An association
    in the log, not a trial. Cannot say under MIN_EFFECTIVE such sessions or MIN_EVENTS events or non-events.
    """
    x, n, y = (np.asarray(a, float) for a in (factor, trials, events))
    X = np.column_stack([np.asarray(design, float), x])
    labels = np.asarray(session)
    counts = {"sessions": int(np.unique(labels[n > 0]).size), "pieces": round(n.sum())}
    silent = {"confidence_level": confidence_level, **counts}
    if not n.sum():
        return cannot_say("nothing was recorded of it", **silent)
    if np.ptp(x[n > 0]) < 1e-12:
        return cannot_say("it never varied", **silent)
    if min(y.sum(), (n - y).sum()) < MIN_EVENTS:
        return cannot_say(f"too few events: needs {MIN_EVENTS:.0f}", **silent)
    fit = cluster_logistic(X, y, n, cluster=labels, spread=np.append(np.asarray(spread, float), np.inf))
    if fit.reason:
        return cannot_say(fit.reason, **silent)
    if fit.effective[-1] < MIN_EFFECTIVE:
        why = f"too few sessions to compare: worth {fit.effective[-1]:.1f}, needs {MIN_EFFECTIVE:.0f}"
        return cannot_say(why, **silent)
    value, slope = _average_change(fit.coefficients, X, n, x, step)
    error = float(np.sqrt(max(slope @ fit.covariance @ slope, 0.0)))
    reach = float(stdtrit(fit.effective[-1] - 1, 0.5 + 0.5 * confidence_level)) * error
    return Estimate(
        estimate=value, low=max(value - reach, -1.0), high=min(value + reach, 1.0), confidence_level=confidence_level,
        method="logistic regression averaged over all pieces, jackknife over sessions, t limits", **counts,
    )  # fmt: skip


def _average_change(beta: Floats, X: Floats, n: Floats, x: Floats, step: float) -> tuple[float, Floats]:
    """Return the mean change of the share and its gradient; a 0/1 factor is set to both values."""
    binary = np.isin(x, (0.0, 1.0)).all()
    values, slopes = [], []
    for sign in (-0.5, 0.5):
        at = X.copy()
        at[:, -1] = (sign > 0) if binary else x + sign * step
        mean = expit(at @ beta)
        values.append(n @ mean / n.sum())
        slopes.append((n * mean * (1 - mean)) @ at / n.sum())
    return float(values[1] - values[0]), slopes[1] - slopes[0]
