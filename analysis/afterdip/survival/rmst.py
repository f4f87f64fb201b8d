"""Restricted mean survival time: days a piece lives on average within the first tau days after a dip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..estimate import Estimate, cannot_say
from .followup import followup_refusal
from .horizon import difference_limits, influence_correlation, loss_at
from .kaplan_meier import SurvivalCurve
from .limits import (
    INTRA_SESSION_CORRELATION,
    design_effect,
    effective_sessions,
    session_limits,
    zero_bound,
)
from .rows import inverse


@dataclass(frozen=True, slots=True, eq=False)
class RestrictedMean:
    """Mean days lived up to `tau_days`: `rmst_days` with its standard errors, in days.

    `piece_error`: independent pieces; `standard_error`: plain session sandwich where sessions were given, otherwise the
    same. `influence`: of each session, shape (n_sessions,), None without sessions. `lost`, `lost_in_difference`: share
    of the tau days not lived, with its limits alone and as one side of a difference. `estimate`: the number to print.
    """

    tau_days: float
    rmst_days: float
    piece_error: float
    standard_error: float
    influence: NDArray[np.float64] | None
    sessions: tuple
    lost: Estimate
    lost_in_difference: Estimate
    estimate: Estimate


def rmst(curve: SurvivalCurve, tau_days: float) -> RestrictedMean:
    """Area under the curve from the dip to `tau_days`.

    Standard error of Klein & Moeschberger 2003, Survival Analysis, sec. 4.5: sum of A(u)^2 d / (n (n - d)), A(u) the
    area from u to tau; it is the error of the mean, not the spread of lives. With sessions the infinitesimal jackknife
    over sessions. Limits: normal, kept within 0 and tau; with sessions those of the share of days lost, a proportion
    like the loss itself (see `limits`). No death by tau is no information on the spread, so limits are those tau and
    the loss bound allow: see `survival_at`; nor is the death of all at one look: as many as could have escaped notice
    may have lived shorter or to tau. The estimate cannot say beyond the follow-up or with too few sessions.
    Raises ValueError unless tau is above 0 and within the follow-up or nothing is left alive.
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
    influence, error, own = None, piece_error, np.zeros((0, 0))
    if curve.sessions:
        weight = after * survivors
        upto = len(days)
        own, at_risk = curve.counts.ends[0][:, :upto], curve.counts.at_risk[:, :upto]
        influence = -(own @ weight - at_risk @ (weight * d / n))
        error = float(np.sqrt(np.square(influence).sum()))
    found = (mean / tau_days, piece_error / tau_days, error / tau_days, float(d.sum()))
    lost, beside = (
        _lost(curve, tau_days, found, influence, own.sum(axis=1), in_difference=joined) for joined in (False, True)
    )
    printed = _lived(lost, tau_days)
    return RestrictedMean(float(tau_days), mean, piece_error, error, influence, curve.sessions, lost, beside, printed)


def rmst_difference(one: RestrictedMean, two: RestrictedMean, *, confidence_level: float = 0.95) -> Estimate:
    """Days gained by `one` over `two` within the same tau, with an error of its own.

    Limits of independent pieces: normal, variances added. With sessions those of the two shares of days lost combined
    as in `loss_over_sham`, so that an arm without deaths still has its bound; sessions found in both arms (pieces
    followed from one to the other) enter by the correlation of their influences. Raises ValueError where tau, the
    presence of sessions, or the level of the curves and `confidence_level` differ.
    """
    if one.tau_days != two.tau_days or bool(one.sessions) != bool(two.sessions):
        raise ValueError("both means need the same tau_days, and both or neither sessions")
    if {one.estimate.confidence_level, two.estimate.confidence_level} != {confidence_level}:
        raise ValueError("both means must have been read at the confidence_level asked for")
    gain, tau = one.rmst_days - two.rmst_days, one.tau_days
    counts = {name: getattr(one.estimate, name) + getattr(two.estimate, name) for name in ("pieces", "deaths")}
    counts["sessions"] = len({*one.sessions, *two.sessions}) or None
    for mean in (one, two):
        if mean.estimate.estimate is None:
            return cannot_say(mean.estimate.reason, confidence_level=confidence_level, **counts)
        if mean.estimate.deaths == 0 and not one.sessions:
            return cannot_say("no death in one arm: its mean has no error", confidence_level=confidence_level, **counts)
    if one.sessions:
        shared = influence_correlation(one.sessions, one.influence, two.sessions, two.influence)
        low, high = difference_limits(two.lost_in_difference, one.lost_in_difference, correlation=shared)
        low, high = low * tau, high * tau
    else:
        width = float(ndtri(0.5 + confidence_level / 2) * np.hypot(one.piece_error, two.piece_error))
        low, high = max(gain - width, -tau), min(gain + width, tau)
    method = f"difference in mean days lived within {tau:g} days"
    low, high = min(low, gain), max(high, gain)
    return Estimate(estimate=gain, low=low, high=high, confidence_level=confidence_level, method=method, **counts)


def _lost(
    curve: SurvivalCurve,
    tau: float,
    found: tuple[float, float, float, float],
    influence: NDArray | None,
    own_deaths: NDArray,
    *,
    in_difference: bool,
) -> Estimate:
    """Share of the tau days not lived, or why it cannot be said; `found`: share lived, its two errors, the deaths."""
    lived, piece_error, error, deaths = found
    level, m = curve.confidence_level, len(curve.sessions)
    counts = {"sessions": m or None, "pieces": round(curve.pieces), "deaths": round(deaths)}
    refusal = followup_refusal(curve.counts, tau, remaining=float(curve.survival[-1]))
    if refusal:
        return cannot_say(refusal, confidence_level=level, **counts)
    method, assumed = "share of days lost", 1.0
    if m:
        assumed = design_effect(curve.counts.at_risk[:, 0], correlation=INTRA_SESSION_CORRELATION)
    if deaths == 0:
        low, high, method = 0.0, loss_at(curve, tau).high, method + "; no death seen: a bound"
    elif piece_error == 0:  # all died at one look: nothing varied, and others may have lived shorter or throughout
        others = zero_bound(curve.pieces / assumed, confidence_level=level)
        low, high = (1 - others) * (1 - lived), (1 - others) * (1 - lived) + others
        method += "; all died at one look: a bound"
    elif m:
        limits = session_limits(
            1 - lived,
            piece_error,
            error,
            sessions=m,
            events=deaths,
            event_sessions=effective_sessions(own_deaths[:, None])[0],
            error_sessions=effective_sessions(np.square(influence)[:, None])[0],
            assumed_design_effect=assumed,
            confidence_level=level,
            in_difference=in_difference,
        )
        low, high = (float(limit) for limit in limits)
    else:
        width = float(ndtri(0.5 + level / 2) * piece_error)
        low, high = max(1 - lived - width, 0.0), min(1 - lived + width, 1.0)
    return Estimate(estimate=1 - lived, low=low, high=high, confidence_level=level, method=method, **counts)


def _lived(lost: Estimate, tau: float) -> Estimate:
    """The printable mean: what is left of the tau days."""
    if lost.estimate is None:
        return lost
    method = lost.method.replace("share of days lost", f"mean days lived within {tau:g} days")
    alive, low, high = (tau * (1 - share) for share in (lost.estimate, lost.high, lost.low))
    return replace(lost, estimate=alive, low=low, high=high, method=method)
