"""How a share goes with one thing recorded of the dips, other things held equal, with score-type limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import expit, stdtrit

from ..estimate import Estimate, cannot_say
from .cluster import MIN_EVENTS, ClusterFit, cluster_logistic, clustered_information

Floats = NDArray[np.float64]
MIN_EFFECTIVE = 8.0  # sessions that carry what is known of the factor
MIN_SHOWING = 4.0  # effective sessions with the rarer outcome; the calibration table says why
KNOWN_BY_SHOWING = 2.5  # sessions, at most, for each of these: without it limits of rare losses held 92 %
_FARTHEST = 64.0  # standard errors from the estimate, where the search ends


def share_effect(
    factor: ArrayLike, design: ArrayLike, events: ArrayLike, trials: ArrayLike, *, session: ArrayLike,
    spread: ArrayLike, step: float = 1.0, confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Change in the share when `factor` (n_rows,) is `step` greater, all else in `design` (n_rows, p) held equal.

    Averaged over the rows by their trials; for a 0/1 factor it is all with less all without. Limits: the changes whose
    distance from the estimate is t standard errors, the error being taken at that change and not at the estimate, as in
    Miettinen & Nurminen 1985 (Stat Med 4:213); the wider of a jackknife over sessions and a model with correlated
    pieces; degrees of freedom are the effective number of sessions that carry the factor, or KNOWN_BY_SHOWING times
    those that show the rarer outcome where that is fewer, less one. An association in the log, not a trial. Cannot say
    under MIN_EFFECTIVE such sessions, MIN_EVENTS events or non-events, or MIN_SHOWING effective sessions that show the
    rarer of both.
    """
    x, n, y = (np.asarray(a, float) for a in (factor, trials, events))
    X, labels = np.column_stack([np.asarray(design, float), x]), np.asarray(session)
    counts = {"sessions": int(np.unique(labels[n > 0]).size), "pieces": round(n.sum())}
    silent = {"confidence_level": confidence_level, **counts}
    if not n.sum():
        return cannot_say("not recorded", **silent)
    if np.ptp(x[n > 0]) < 1e-12:
        return cannot_say("it never varied", **silent)
    if min(y.sum(), (n - y).sum()) < MIN_EVENTS:
        return cannot_say(f"too few events: needs {MIN_EVENTS:.0f}", **silent)
    prior = np.append(np.asarray(spread, float), np.inf)
    fit = cluster_logistic(X, y, n, cluster=labels, spread=prior)
    if why := fit.reason or _too_few(fit):
        return cannot_say(why, **silent)
    rows = _Rows.of(X, n, labels, 1 / prior**2, step, fit.correlation)
    freedom = min(fit.effective[-1], KNOWN_BY_SHOWING * fit.showing) - 1
    low, high = _limits(fit, rows, float(stdtrit(freedom, 0.5 + 0.5 * confidence_level)))
    return Estimate(
        estimate=rows.change(fit.coefficients)[0], low=low, high=high, confidence_level=confidence_level,
        method="logistic regression averaged over all pieces, score limits at session level", **counts,
    )  # fmt: skip


def _too_few(fit: ClusterFit) -> str:
    if fit.effective[-1] < MIN_EFFECTIVE:
        return f"too few sessions to compare: worth {fit.effective[-1]:.1f}, needs {MIN_EFFECTIVE:.0f}"
    if fit.showing < MIN_SHOWING:
        return f"too few sessions with an event: worth {fit.showing:.1f}, needs {MIN_SHOWING:.0f}"
    return ""


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Rows with trials in order of their cluster; `down` and `up`: the design with the factor lower and higher."""

    design: Floats
    down: Floats
    up: Floats
    trials: Floats
    starts: NDArray[np.int64]
    penalty: Floats
    correlation: float

    @classmethod
    def of(
        cls, design: Floats, trials: Floats, labels: NDArray, penalty: Floats, step: float, correlation: float
    ) -> _Rows:
        """Keep the rows with trials; the factor is the last column, and a 0/1 factor is set to both values."""
        some = np.flatnonzero(trials > 0)
        order = some[np.argsort(labels[some], kind="stable")]
        _, first = np.unique(labels[order], return_index=True)
        X = design[order]
        binary = np.isin(X[:, -1], (0.0, 1.0)).all()
        ends = [X.copy(), X.copy()]
        for sign, end in zip((-0.5, 0.5), ends, strict=True):
            end[:, -1] = (sign > 0) if binary else X[:, -1] + sign * step
        return cls(X, *ends, trials[order], np.append(first, order.size), penalty, correlation)

    def change(self, beta: Floats) -> tuple[float, Floats]:
        """Return the mean change of the share and its gradient."""
        n = self.trials / self.trials.sum()
        low, high = expit(self.down @ beta), expit(self.up @ beta)
        return float(n @ (high - low)), (n * high * (1 - high)) @ self.up - (n * low * (1 - low)) @ self.down

    def at(self, beta: Floats) -> tuple[float, float]:
        """Return the change and its variance were these the true coefficients, pieces of a cluster correlated."""
        value, slope = self.change(beta)
        mean = expit(self.design @ beta)
        weight = self.trials * mean * (1 - mean)
        M = (self.design * weight[:, None]).T @ self.design + np.diag(self.penalty + 1e-9)
        pull = (self.design @ np.linalg.solve(M, slope))[:, None]
        return value, float(clustered_information(pull, self.trials, mean, self.starts, self.correlation)[0, 0])


def _limits(fit: ClusterFit, rows: _Rows, t: float) -> tuple[float, float]:
    """Return the changes t standard errors away, walking from the estimate the way that costs the least likelihood."""
    value, slope = rows.change(fit.coefficients)
    modelled = float(slope @ fit.modelled @ slope)
    excess = float(fit.variance(slope)) / modelled
    way = fit.modelled @ slope / np.sqrt(modelled)

    def beyond(distance: float) -> float:
        there, variance = rows.at(fit.coefficients + distance * way)
        return abs(there - value) - t * np.sqrt(excess * variance)

    ends = []
    for sign in (-1.0, 1.0):
        near, far = 0.0, t
        while beyond(sign * far) < 0 and far < _FARTHEST:
            near, far = far, 1.5 * far
        if far >= _FARTHEST:
            ends.append(sign)
            continue
        found = brentq(lambda d, sign=sign: beyond(sign * d), near, far, xtol=1e-7)
        ends.append(rows.change(fit.coefficients + sign * found * way)[0])
    return ends[0], ends[1]
