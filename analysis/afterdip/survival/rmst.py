"""Restricted mean survival time: days a piece lives on average within the first tau days after a dip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from ..estimate import Estimate, cannot_say
from .followup import followup_refusal
from .horizon import influence_correlation, survival_at
from .kaplan_meier import SurvivalCurve
from .rows import inverse


@dataclass(frozen=True, slots=True, eq=False)
class RestrictedMean:
    """Mean days lived up to `tau_days`: `rmst_days` with its standard errors, in days.

    `piece_error`: independent pieces; `standard_error`: plain session sandwich where sessions were given, otherwise the
    same. `sessions_with_deaths`: by tau. `influence`: of each session, shape (n_sessions,), None without sessions.
    `estimate`: the number to print.
    """

    tau_days: float
    rmst_days: float
    piece_error: float
    standard_error: float
    influence: NDArray[np.float64] | None
    sessions: tuple
    sessions_with_deaths: int
    estimate: Estimate


def rmst(curve: SurvivalCurve, tau_days: float) -> RestrictedMean:
    """Area under the curve from the dip to `tau_days`.

    Standard error of Klein & Moeschberger 2003, Survival Analysis, sec. 4.5: sum of A(u)^2 d / (n (n - d)), A(u) the
    area from u to tau; it is the error of the mean, not the spread of lives. With sessions the infinitesimal jackknife
    over sessions. Limits: normal; with m sessions t on m - 1 degrees of freedom and the factor m / (m - 1); kept within
    0 and tau. No death by tau is no information on the spread, so limits are those tau and the loss bound allow: see
    `survival_at`. The estimate cannot say beyond the follow-up or with too few sessions. Raises ValueError unless
    tau is above 0 and within the follow-up or nothing is left alive.
    """
    if not tau_days > 0 or (tau_days > curve.last_day and curve.survival[-1] > 0):
        raise ValueError(f"tau_days must lie above 0 and within the {curve.last_day:g} days followed, got {tau_days!r}")
    inside = curve.days < tau_days
    days, s = curve.days[inside], curve.survival[inside]
    n, d = curve.at_risk[inside], curve.deaths[inside]
    pieces = s * np.diff(np.append(days, tau_days))
    after = pieces[::-1].cumsum()[::-1]
    survivors = inverse(n - d)
    mean = float(after[0])
    piece_error = float(np.sqrt(np.sum(after**2 * d / n * survivors)))
    influence, error, k = None, piece_error, 0
    if curve.sessions:
        weight = after * survivors
        upto = len(days)
        own, at_risk = curve.counts.ends[0][:, :upto], curve.counts.at_risk[:, :upto]
        influence = -(own @ weight - at_risk @ (weight * d / n))
        error = float(np.sqrt(np.square(influence).sum()))
        k = int((own.sum(axis=1) > 0).sum())
    printed = _estimate(curve, tau_days, mean, _spread(piece_error, error, len(curve.sessions)), k, float(d.sum()))
    return RestrictedMean(float(tau_days), mean, piece_error, error, influence, curve.sessions, k, printed)


def _spread(piece_error: float, error: float, m: int) -> float:
    """Standard error for limits: with the small-sample factor, and never below that of independent pieces."""
    return max(error * float(np.sqrt(m / (m - 1))), piece_error) if m > 1 else piece_error


def rmst_difference(one: RestrictedMean, two: RestrictedMean, *, confidence_level: float = 0.95) -> Estimate:
    """Days gained by `one` over `two` within the same tau, with an error of its own.

    Independent arms add their variances; sessions found in both (pieces followed from one arm to the other) add
    their influences first. Limits: normal, or t on Welch-Satterthwaite degrees of freedom of the arms' own, as for
    `rmst`. Raises ValueError where tau or the presence of sessions differ.
    """
    if one.tau_days != two.tau_days or bool(one.sessions) != bool(two.sessions):
        raise ValueError("both means need the same tau_days, and both or neither sessions")
    gain = one.rmst_days - two.rmst_days
    counts = {name: getattr(one.estimate, name) + getattr(two.estimate, name) for name in ("pieces", "deaths")}
    counts["sessions"] = len({*one.sessions, *two.sessions}) or None
    for mean in (one, two):
        if mean.estimate.estimate is None:
            return cannot_say(mean.estimate.reason, confidence_level=confidence_level, **counts)
        if mean.estimate.deaths == 0:
            return cannot_say("no death in one arm: its mean has no error", confidence_level=confidence_level, **counts)
    upper = 0.5 + confidence_level / 2
    if not one.sessions:
        width = float(ndtri(upper) * np.hypot(one.piece_error, two.piece_error))
    else:
        variance, df = _welch(one, two)
        width = float(stdtrit(df, upper) * np.sqrt(variance))
    method = f"difference in mean days lived within {one.tau_days:g} days"
    low, high = max(gain - width, -one.tau_days), min(gain + width, one.tau_days)
    return Estimate(estimate=gain, low=low, high=high, confidence_level=confidence_level, method=method, **counts)


def _welch(one: RestrictedMean, two: RestrictedMean) -> tuple[float, float]:
    """Variance of the difference with small-sample factors, and its degrees of freedom."""
    parts = [(_spread(m.piece_error, m.standard_error, len(m.sessions)) ** 2, m.sessions_with_deaths - 1)
             for m in (one, two)]  # fmt: skip
    correlation = influence_correlation(one.sessions, one.influence, two.sessions, two.influence)
    total = sum(v for v, _ in parts)
    df = total**2 / sum(v**2 / max(df, 1) for v, df in parts)
    return max(total - 2 * correlation * float(np.sqrt(parts[0][0] * parts[1][0])), 0.0), df


def _estimate(curve: SurvivalCurve, tau: float, mean: float, spread: float, k: int, deaths: float) -> Estimate:
    """The printable mean with its limits, or why there is none."""
    level, m = curve.confidence_level, len(curve.sessions)
    counts = {"sessions": m or None, "pieces": round(curve.pieces), "deaths": round(deaths)}
    refusal = followup_refusal(curve.counts, tau, remaining=float(curve.survival[-1]))
    if not refusal and m and k == 1:
        refusal = "deaths in one session only: how sessions differ cannot be told"
    if refusal:
        return cannot_say(refusal, confidence_level=level, **counts)
    upper, method = 0.5 + level / 2, f"mean days lived within {tau:g} days"
    if deaths == 0:
        low, high, method = tau * survival_at(curve, tau).low, tau, method + "; no death seen: a bound"
    else:
        width = float(spread * (stdtrit(k - 1, upper) if m else ndtri(upper)))
        low, high = max(mean - width, 0.0), min(mean + width, tau)
    return Estimate(estimate=mean, low=low, high=high, confidence_level=level, method=method, **counts)
