"""Weibull survival when deaths lie between two checks, with covariates that stretch or shrink time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from ..proportion.columns import as_labels
from .limits import MIN_SESSIONS, MOST_REFITS
from .rows import label_codes
from .turnbull import tidy_intervals


@dataclass(frozen=True, slots=True, eq=False)
class WeibullFit:
    """log T = intercept + covariates * coefficients + scale * W, W the smallest-extreme-value law.

    `coefficients`: intercept first, shape (p + 1,); `piece_error`, `standard_error`: of the coefficients and of
    log(scale), shape (p + 2,); the latter is the plain session sandwich where sessions were given. All None where
    `reason` says why there is no fit. `time_ratios`: exp(coefficient) per covariate (above 1: lives longer);
    `hazard_ratios`: exp(-coefficient / scale), as the model is one of proportional hazards too.
    """

    names: tuple[str, ...]
    coefficients: NDArray[np.float64] | None
    scale: float | None
    piece_error: NDArray[np.float64] | None
    standard_error: NDArray[np.float64] | None
    log_likelihood: float | None
    time_ratios: tuple[Estimate, ...]
    hazard_ratios: tuple[Estimate, ...]
    reason: str


def weibull(
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    covariates: ArrayLike | None = None,
    names: Sequence[str] = (),
    weights: ArrayLike | None = None,
    session: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> WeibullFit:
    """Maximum likelihood fit to intervals (lower, upper], as for `turnbull`; all arrays of shape (n_rows,).

    `covariates`: shape (n_rows, p). Errors from the information; with sessions the sandwich over sessions, and limits
    from refits without each of them, by t on k - p - 2 degrees of freedom, k the sessions with deaths (see `cox`), none
    where k is below MIN_SESSIONS + p + 1. Without a finite maximum (no deaths; deaths all in one interval; a group
    without deaths) the fit holds the reason.
    The same model as R's survreg(Surv(..., type = "interval2")). Raises DataError as `turnbull` does, and for missing
    covariates.
    """
    low, high, w = tidy_intervals(lower, upper, weights)
    x = np.zeros((len(low), 0)) if covariates is None else np.asarray(covariates, float)
    names = tuple(names) or tuple(f"x{j + 1}" for j in range(x.shape[1] if x.ndim == 2 else 0))
    if x.ndim != 2 or x.shape != (len(low), len(names)):
        raise ValueError("covariates must have shape (n_rows, p), with one name per column")
    if not np.isfinite(x).all():
        raise DataError("covariates must be finite; some are missing")
    if (high == low).any() and (low[high == low] <= 0).any():
        raise DataError("a death on a known day needs a day above 0")
    if session is not None and np.shape(session) != low.shape:
        raise ValueError("session must have as many rows as lower")
    keep = w > 0
    low, high, w, x = low[keep], high[keep], w[keep], np.column_stack([np.ones(int(keep.sum())), x[keep]])
    labels, code = ((), None) if session is None else label_codes(as_labels(session)[keep])
    counts = {"sessions": len(labels) or None, "pieces": round(float(w.sum()))}
    counts["deaths"] = round(float(w[np.isfinite(high)].sum()))
    theta, value, scores, hessian, reason = _fit(low, high, w, x)
    if reason:
        unknown = (cannot_say(reason, confidence_level=confidence_level, **counts),) * len(names)
        return WeibullFit(names, None, None, None, None, None, unknown, unknown, reason)
    inverse = np.linalg.inv(-hessian)
    covariance = for_limits = inverse
    df, refusal = np.inf, ""
    if labels:
        by_session = np.stack([np.bincount(code, column * w, minlength=len(labels)) for column in scores.T], axis=1)
        covariance = (by_session @ inverse).T @ (by_session @ inverse)
        for_limits, df, refusal = _for_limits(theta, low, high, w, x, code, covariance)
    piece_error, error, scale = np.sqrt(np.diag(inverse)), np.sqrt(np.diag(covariance)), float(np.exp(theta[-1]))
    times, hazards = (
        _ratios(theta, for_limits, df, refusal, confidence_level, counts, hazards=kind) for kind in (False, True)
    )
    return WeibullFit(names, theta[:-1], scale, piece_error, error, value, times, hazards, "")


def weibull_survival(fit: WeibullFit, days: ArrayLike, *, covariates: Sequence[float] = ()) -> NDArray[np.float64]:
    """Fitted survival on `days` at one set of covariates. Raises ValueError where there is no fit."""
    if fit.coefficients is None:
        raise ValueError(f"no fit to read: {fit.reason}")
    location = float(fit.coefficients @ np.append(1.0, np.asarray(covariates, float)))
    days = np.asarray(days, float)
    log_days = np.log(np.where(days > 0, days, 1.0))
    return np.where(days > 0, np.exp(-np.exp((log_days - location) / fit.scale)), 1.0)


def _fit(
    low: NDArray, high: NDArray, w: NDArray, x: NDArray
) -> tuple[NDArray, float, NDArray, NDArray, str]:
    """Newton-Raphson with halved steps, from an exponential of the right mean."""
    dead = np.isfinite(high)
    nothing = (np.zeros(0), 0.0, np.zeros((0, 0)), np.zeros((0, 0)))
    if not dead.any():
        return (*nothing, "no deaths: how they spread over time cannot be told")
    if np.linalg.matrix_rank(x) < x.shape[1]:
        return (*nothing, "a covariate does not vary or repeats others")
    lived = float(w @ np.where(dead, (low + np.where(dead, high, 0)) / 2, low))
    theta = np.zeros(x.shape[1] + 1)
    theta[0] = np.log(lived / float(w[dead].sum()))
    value, scores, hessian = _terms(theta, low, high, w, x)
    for _ in range(100):
        gradient = scores.T @ w
        step = np.linalg.solve(_negative_definite(hessian), -gradient)
        step *= min(1.0, 2.0 / max(float(np.abs(step).max()), 1e-300))
        trial = _terms(theta + step, low, high, w, x)
        for _ in range(40):
            if np.isfinite(trial[0]) and trial[0] >= value - 1e-12 * abs(value):
                break
            step = step / 2
            trial = _terms(theta + step, low, high, w, x)
        theta, gain = theta + step, trial[0] - value
        value, scores, hessian = trial
        if np.abs(step).max() < 1e-9 and abs(gain) < 1e-9 * (abs(value) + 1):
            break
    if theta[-1] < -7 or np.abs(x @ theta[:-1] - theta[0]).max() > 15 or np.linalg.eigvalsh(-hessian)[0] <= 1e-9:
        return (*nothing, "no finite estimate: deaths lie in one interval only, or a group has none")
    return theta, value, scores, hessian, ""


def _negative_definite(hessian: NDArray) -> NDArray:
    """The Hessian, or a nearby negative definite matrix where the likelihood is not yet concave."""
    values, vectors = np.linalg.eigh(hessian)
    floor = -1e-6 * max(float(np.abs(values).max()), 1e-300)
    return (vectors * np.minimum(-np.abs(values), floor)) @ vectors.T


def _terms(
    theta: NDArray, low: NDArray, high: NDArray, w: NDArray, x: NDArray
) -> tuple[float, NDArray, NDArray]:
    """Log likelihood, each row's score (n_rows, p + 2) and the Hessian; the last parameter is log(scale).

    With z = (log t - location) / scale and S(z) = exp(-exp(z)): a row in (lower, upper] contributes
    log(S(z_lower) - S(z_upper)), a known day log(-S'(z)) - log(scale t).
    """
    scale = np.exp(theta[-1])
    location = x @ theta[:-1]
    known = low == high
    begin, end = low > 0, np.isfinite(high)
    z0 = np.where(begin, (np.log(np.where(begin, low, 1.0)) - location) / scale, 0.0)
    z1 = np.where(end, (np.log(np.where(end, high, 1.0)) - location) / scale, 0.0)
    with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
        e0, e1 = np.exp(np.minimum(z0, 700)), np.exp(np.minimum(z1, 700))
        s0, s1 = np.where(begin, np.exp(-e0), 1.0), np.where(end, np.exp(-e1), 0.0)
        g0, g1 = np.where(begin, -e0 * s0, 0.0), np.where(end, -e1 * s1, 0.0)
        h0, h1 = np.where(begin, s0 * e0 * (e0 - 1), 0.0), np.where(end, s1 * e1 * (e1 - 1), 0.0)
        p = np.where(known, 1.0, s0 - s1)
        if not (p > 0).all():
            return -np.inf, np.zeros((len(low), len(theta))), np.eye(len(theta))
        log_p = np.where(known, z0 - e0 - np.log(scale) - np.log(np.where(known, low, 1.0)), np.log(p))
        # derivatives of one row's term to (location, log scale): dz = (-1 / scale, -z), d2z = (0, 1 / scale, z)
        d0, d1 = (-1 / scale, -z0), (-1 / scale, -z1)
        first = [np.where(known, (1 - e0) * d0[a] - a, (g0 * d0[a] - g1 * d1[a]) / p) for a in (0, 1)]
        second = {}
        for a, b in ((0, 0), (0, 1), (1, 1)):
            dd0, dd1 = ((0.0, 0.0), (1 / scale, 1 / scale), (z0, z1))[a + b]
            interval = (h0 * d0[a] * d0[b] + g0 * dd0 - h1 * d1[a] * d1[b] - g1 * dd1) / p - first[a] * first[b]
            second[a, b] = np.where(known, -e0 * d0[a] * d0[b] + (1 - e0) * dd0, interval)
    scores = np.column_stack([x * first[0][:, None], first[1]])
    hessian = np.zeros((len(theta), len(theta)))
    hessian[:-1, :-1] = (x * (w * second[0, 0])[:, None]).T @ x
    hessian[:-1, -1] = hessian[-1, :-1] = x.T @ (w * second[0, 1])
    hessian[-1, -1] = float(w @ second[1, 1])
    return float(w @ log_p), scores, hessian


def _for_limits(
    theta: NDArray, low: NDArray, high: NDArray, w: NDArray, x: NDArray, code: NDArray, sandwich: NDArray
) -> tuple[NDArray, float, str]:
    """Covariance and degrees of freedom of the limits by delete-one-session refits, or why there are none."""
    m, p = int(code.max()) + 1, len(theta) - 2
    k = len(np.unique(code[np.isfinite(high)]))
    if k < MIN_SESSIONS + p + 1:
        needed = MIN_SESSIONS + p + 1
        return sandwich, np.inf, f"too few: {k} sessions with deaths, a Weibull model of {p} covariates needs {needed}"
    if m > MOST_REFITS:
        return sandwich * (m / (m - 1)), float(k - p - 2), ""
    moved = np.zeros((m, len(theta)))
    for g in range(m):
        rest = code != g
        refit, *_, reason = _fit(low[rest], high[rest], w[rest], x[rest])
        if reason:
            return sandwich, np.inf, "the estimate hangs on a single session: without it there is none"
        moved[g] = refit - theta
    return moved.T @ moved * ((m - 1) / m), float(k - p - 2), ""


def _ratios(
    theta: NDArray, covariance: NDArray, df: float, refusal: str, level: float, counts: dict, *, hazards: bool
) -> tuple[Estimate, ...]:
    """Time ratios exp(b), or hazard ratios exp(-b / scale) by the delta method, with limits on the log scale."""
    p, upper = len(theta) - 2, 0.5 + level / 2
    if refusal:
        return (cannot_say(refusal, confidence_level=level, **counts),) * p
    quantile = ndtri(upper) if np.isinf(df) else stdtrit(df, upper)
    kind = "hazard" if hazards else "time"
    method = f"Weibull {kind} ratio, {'pieces taken as independent' if np.isinf(df) else 'sessions as units'}"
    found, scale = [], float(np.exp(theta[-1]))
    for j in range(1, p + 1):
        slope = np.zeros(len(theta))
        slope[j] = -1 / scale if hazards else 1.0
        slope[-1] = theta[j] / scale if hazards else 0.0
        value, width = slope[j] * theta[j], quantile * float(np.sqrt(slope @ covariance @ slope))
        low, mid, high = (float(np.exp(v)) for v in (value - width, value, value + width))
        found.append(Estimate(estimate=mid, low=low, high=high, confidence_level=level, method=method, **counts))
    return tuple(found)
