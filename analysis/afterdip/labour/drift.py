"""Log ratios of months as a level that wanders: regression and prediction with months as units."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .months import MonthlyWork

MIN_MONTHS_FOR_LEARNING = 6
LASTING = 3.0
"""Variance of a month's lasting change over that of what is gone the month after.

At 0.5 forecasts held 90-92 % on large farms whose pace wanders or swings with the year. From 2 to 4 more is held there
by less than half a point, and where nothing changes limits are up to 2 % wider.
"""
TURNING = 8.0
"""Variance of a month's change of the trend itself over that of what is gone the month after.

A trend that never turns was too sure of itself halfway through a yearly swing, by half a point of what limits hold.
"""


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """A t distribution for the coming month's log ratio, and the last coefficient of the regression behind it.

    `score`: minus twice the log-likelihood plus the penalty for parameters (Schwarz 1978); smaller fits better.
    """

    mean: float
    error: float
    freedom: int
    score: float
    slope: float
    slope_error: float


@dataclass(frozen=True, slots=True, eq=False)
class MonthSeries:
    """The usable months as a regression: `log_ratio`, `time` (months, oldest 0), variances.

    `noise`: of what is gone the month after, shape (n,), `between` the part of it that is not sessions' scatter;
    `lasting`: of one month's lasting change. `coming`: the time forecast for, the month after the log's last.
    `order_slope`, `order_variance`: the slope on the log of sessions' numbers inside the months, as MonthlyWork has it.
    """

    log_ratio: NDArray[np.float64]
    time: NDArray[np.float64]
    noise: NDArray[np.float64]
    between: float
    lasting: float
    coming: float
    order_slope: float = 0.0
    order_variance: float = np.inf

    @classmethod
    def of(cls, work: MonthlyWork, minutes: NDArray, expected: NDArray) -> MonthSeries:
        """Take the months with labour; `minutes`, `expected`: shape (n_months,)."""
        use = work.usable
        time = np.flatnonzero(use).astype(np.float64)
        z = np.log(minutes[use] / expected[use])
        within = work.session_variance / work.recorded_sessions[use]
        between = _between_months(z, time, within)
        noise = within + between
        lasting = LASTING * float(noise.mean())
        return cls(z, time, noise, between, lasting, float(len(use)), work.order_slope, work.order_variance)

    @property
    def order_known(self) -> bool:
        """Whether sessions inside the months say anything of learning."""
        return bool(np.isfinite(self.order_variance))

    def predict(self, regressor: NDArray | None, ahead: float, future_noise: float, **how) -> Prediction:
        """Return `predict_each` of one regressor beside the constant, shape (n,), or of the constant alone."""
        rows = np.empty((1, 0, len(self.time))) if regressor is None else np.asarray(regressor)[None, None, :]
        return self.predict_each(rows, np.full(rows.shape[:2], ahead), future_noise, **how)[0]

    def predict_each(
        self,
        regressors: NDArray,
        ahead: NDArray,
        future_noise: float,
        *,
        beyond: float = 0.0,
        turning: float = 0.0,
        by_order: bool = False,
    ) -> list[Prediction]:
        """Generalised least squares and the best linear prediction of the coming month, for each of m regressions.

        `regressors`: shape (m, p, n), p of 0 or 1 beside the constant; `ahead`: their values in the coming month,
        shape (m, p). `beyond`: the part of `future_noise` that is known to exceed a usual month's. Months that wander
        less than LASTING has it scale all variances down, but not this one; it counts (freedom - 2) / freedom, since
        the variance of a t is freedom / (freedom - 2) times its scale's. `turning`: variance of a month's change of
        the trend. `by_order`: the last coefficient is a slope on the log of sessions' numbers, so that the slope
        inside the months is one more row; other models say that there is none, which their score pays for.
        """
        m, _, n = regressors.shape
        by_order = by_order and self.order_known
        X = np.concatenate([np.ones((m, 1, n)), regressors], axis=1)
        target, z = np.concatenate([np.ones((m, 1)), ahead], axis=1), self.log_ratio
        V, shared, own = self._wandering(turning)
        score = float(np.linalg.slogdet(V)[1]) + (0.0 if by_order else self.order_slope**2 / self.order_variance)
        if by_order:
            row = np.zeros((m, X.shape[1], 1))
            row[:, -1] = 1.0
            X, z, shared = np.concatenate([X, row], axis=2), np.append(z, self.order_slope), np.append(shared, 0.0)
            V = np.pad(V, (0, 1))
            V[n, n] = self.order_variance
        W = np.linalg.inv(V)
        XW = X @ W
        bread = np.linalg.inv(XW @ np.swapaxes(X, 1, 2))
        beta = (bread @ (XW @ z)[:, :, None])[:, :, 0]
        residual = z - (beta[:, None, :] @ X)[:, 0]
        weighted = residual @ W
        freedom = len(z) - X.shape[1]
        scale = np.maximum((weighted * residual).sum(axis=1), 1e-12) / freedom
        gap = target - XW @ shared
        apart = future_noise + own - shared @ W @ shared + (gap * (bread @ gap[:, :, None])[:, :, 0]).sum(axis=1)
        error = np.sqrt(scale * apart + beyond * np.maximum(1 - scale, 0.0) * max(freedom - 2, 0) / freedom)
        mean = (target * beta).sum(axis=1) + weighted @ shared
        scores = score + (n - 1) * np.log(scale) + X.shape[1] * np.log(n)
        slope_error = np.sqrt(scale * bread[:, -1, -1])
        columns = (mean, error, np.full(m, freedom), scores, beta[:, -1], slope_error)
        return [Prediction(*row) for row in zip(*(c.tolist() for c in columns), strict=True)]

    def _wandering(self, turning: float) -> tuple[NDArray, NDArray, float]:
        """Return the covariance of the months, shape (n, n), theirs with the coming one, (n,), and its own variance."""
        times = np.append(self.time, self.coming)
        a, b = times[:, None], times[None, :]
        first = np.minimum(a, b)
        bent = first * a * b - (a + b) * first * (first - 1) / 2 + (first - 1) * first * (2 * first - 1) / 6
        whole = self.lasting * (first + 1) + turning * bent
        return whole[:-1, :-1] + np.diag(self.noise), whole[:-1, -1], float(whole[-1, -1])


def _between_months(z: NDArray, time: NDArray, within: NDArray) -> float:
    """Return the variance between months beyond their sessions' scatter (Paule & Mandel 1982), about a straight line.

    Zero where the sessions explain it all. With fewer than four months about the mean instead.
    """
    straight = len(z) > 3
    freedom = len(z) - 1 - straight

    def excess(variance: float) -> float:
        w = 1 / (within + variance)
        y = z - w @ z / w.sum()
        if straight:
            t = time - w @ time / w.sum()
            y = y - t * ((w * t) @ y / ((w * t) @ t))
        return float((w * y) @ y) - freedom

    if excess(0.0) <= 0:
        return 0.0
    high = float(z.var()) + 1e-12
    while excess(high) > 0:
        high *= 2
    from scipy.optimize import brentq

    return float(brentq(excess, 0.0, high, xtol=1e-14))


def moved(part: Prediction, by: float, *, variance: float) -> Prediction:
    """Return the prediction moved by a constant and widened by an independent variance; never quite without error."""
    error = max(float(np.sqrt(part.error**2 + variance)), 1e-9)
    return replace(part, mean=part.mean + by, error=error)


def mixture_quantile(parts: list[tuple[float, Prediction]], q: float) -> float:
    """Return the quantile at `q` of a mixture of t distributions, given as (weight, prediction)."""
    from scipy.optimize import brentq
    from scipy.special import stdtr, stdtrit

    weight, mean, error, freedom = np.array([(w, p.mean, p.error, p.freedom) for w, p in parts]).T
    ends = mean + error * stdtrit(freedom, np.array([[q / 4], [1 - (1 - q) / 4]]))

    def above(x: float) -> float:
        return float(weight @ stdtr(freedom, (x - mean) / error)) - q

    return float(brentq(above, ends.min(), ends.max(), xtol=1e-12))
