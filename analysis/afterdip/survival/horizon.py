"""What the curve says on one day: survival, loss, loss over sham, and the day half were gone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..estimate import Estimate, cannot_say
from .followup import followed_to, followup_refusal
from .kaplan_meier import SurvivalCurve, curve_limits, survival_influence
from .limits import (
    INTRA_SESSION_CORRELATION,
    design_effect,
    zero_bound,
)


def survival_at(
    curve: SurvivalCurve,
    day: float,
    *,
    intra_session_correlation: float = INTRA_SESSION_CORRELATION,
    in_difference: bool = False,
) -> Estimate:
    """Proportion alive on `day` after the dip, with the limits of the curve's band.

    `intra_session_correlation` is the assumed one; `in_difference`: limits to be joined with another arm's (see
    `limits`), not to stand alone.

    No death yet is a bound: the lower limit is one minus the one-sided exact upper limit of loss among the pieces
    still followed, their number divided by 1 + (b - 1) `intra_session_correlation` (b the mean session size as a piece
    meets it). Cannot say: beyond the follow-up, and with fewer than MIN_SESSIONS sessions followed to that day.
    Without session labels pieces count as independent and no minimum applies. Raises ValueError for a negative day.
    """
    if not day >= 0:
        raise ValueError(f"day must be 0 or more, got {day!r}")
    j = int(np.searchsorted(curve.days, day, side="right")) - 1
    counts = {
        "sessions": len(curve.sessions) or None,
        "pieces": round(curve.pieces),
        "deaths": round(float(curve.deaths[: j + 1].sum())),
    }
    refusal = followup_refusal(curve.counts, day, remaining=float(curve.survival[-1]))
    if refusal:
        return cannot_say(refusal, confidence_level=curve.confidence_level, **counts)
    s = float(curve.survival[j])
    if s == 1:
        low, high, note = _no_death_bound(curve, day, intra_session_correlation), 1.0, "; no death seen: a bound"
    else:
        upto = slice(0, j + 1)
        band = curve_limits(
            curve.counts.until(j),
            curve.survival[upto],
            curve.piece_error[upto],
            curve.standard_error[upto],
            curve.effective[:, upto],
            confidence_level=curve.confidence_level,
            correlation=intra_session_correlation,
            in_difference=in_difference,
        )
        (low, high), note = (float(limit[-1]) for limit in band), ""
    return Estimate(
        estimate=s, low=low, high=high, confidence_level=curve.confidence_level, method=curve.method + note, **counts
    )


def loss_at(
    curve: SurvivalCurve,
    day: float,
    *,
    intra_session_correlation: float = INTRA_SESSION_CORRELATION,
    in_difference: bool = False,
) -> Estimate:
    """Proportion dead by `day`: one minus `survival_at`, limits swapped; 0 deaths give an upper bound."""
    alive = survival_at(curve, day, intra_session_correlation=intra_session_correlation, in_difference=in_difference)
    if alive.estimate is None:
        return alive
    return replace(alive, estimate=1 - alive.estimate, low=1 - alive.high, high=1 - alive.low)


def loss_over_sham(
    agent: SurvivalCurve,
    sham: SurvivalCurve,
    day: float,
    *,
    intra_session_correlation: float = INTRA_SESSION_CORRELATION,
) -> Estimate:
    """Loss by `day` after the agent minus loss after a sham dip; negative where the sham lost more, never clipped.

    Limits combine limits of the two losses (Zou & Donner 2008, Stat Med 27:1693, as Newcombe 1998 for proportions) made
    for that (`in_difference`), so that they hold with few sessions and with no deaths in one arm. Session labels found
    in both curves (pieces followed from a sham to an agent) make the arms correlate; the correlation is that of the
    sessions' influences.
    Cannot say where either loss cannot be said. Raises ValueError where the curves differ in confidence level.
    """
    if agent.confidence_level != sham.confidence_level:
        raise ValueError("the two curves must have the same confidence level")
    assumed = {"intra_session_correlation": intra_session_correlation, "in_difference": True}
    one, two = loss_at(agent, day, **assumed), loss_at(sham, day, **assumed)
    counts = {name: _both(getattr(one, name), getattr(two, name)) for name in ("pieces", "deaths")}
    counts["sessions"] = len({*agent.sessions, *sham.sessions}) or None
    level = agent.confidence_level
    for name, loss in (("agent", one), ("sham", two)):
        if loss.estimate is None:
            return cannot_say(f"{name}: {loss.reason}", confidence_level=level, **counts)
    low, high = difference_limits(one, two, correlation=_arm_correlation(agent, sham, day))
    return Estimate(
        estimate=one.estimate - two.estimate,
        low=low,
        high=high,
        confidence_level=level,
        method="difference in Kaplan-Meier loss; limits from the two losses' own (Zou & Donner 2008)",
        **counts,
    )


def difference_limits(one: Estimate, two: Estimate, *, correlation: float = 0.0) -> tuple[float, float]:
    """Limits of `one` minus `two` from the limits of each (method of variance estimates recovery)."""
    d = one.estimate - two.estimate
    below, above = one.estimate - one.low, one.high - one.estimate
    two_below, two_above = two.estimate - two.low, two.high - two.estimate
    down = below**2 + two_above**2 - 2 * correlation * below * two_above
    up = above**2 + two_below**2 - 2 * correlation * above * two_below
    return max(d - float(np.sqrt(down)), -1.0), min(d + float(np.sqrt(up)), 1.0)


def median_days(curve: SurvivalCurve) -> Estimate:
    """Day by which half of the pieces were dead; limits are the days on which the band's edges reach one half.

    Brookmeyer & Crowley 1982, Biometrics 38:29. Where the curve runs exactly at one half, the middle of that stretch,
    as R prints it. An upper limit beyond the follow-up is None. Cannot say where more than half are still alive.
    """
    counts = {
        "sessions": len(curve.sessions) or None,
        "pieces": round(curve.pieces),
        "deaths": round(float(curve.deaths.sum())),
    }
    below = np.flatnonzero(curve.survival <= 0.5 + 1e-12)
    if not len(below):
        reason = f"more than half were still alive on day {curve.last_day:g}, the last day seen"
        return cannot_say(reason, confidence_level=curve.confidence_level, **counts)
    first = below[0]
    refusal = followup_refusal(curve.counts, float(curve.days[first]), remaining=0.0)
    if refusal:
        return cannot_say(refusal, confidence_level=curve.confidence_level, **counts)
    median = float(curve.days[first])
    later = np.flatnonzero(curve.survival < 0.5 - 1e-12)
    if abs(curve.survival[first] - 0.5) <= 1e-12 and len(later):
        median = (median + float(curve.days[later[0]])) / 2
    edges = [np.flatnonzero(edge <= 0.5) for edge in (curve.low, curve.high)]
    low, high = (float(curve.days[edge[0]]) if len(edge) else None for edge in edges)
    return Estimate(
        estimate=median, low=low, high=high, confidence_level=curve.confidence_level, method=curve.method, **counts
    )


def _no_death_bound(curve: SurvivalCurve, day: float, correlation: float) -> float:
    """Lower limit of survival while nothing has died: what the pieces followed to `day` can exclude."""
    followed = followed_to(curve.counts, day)
    effect = design_effect(followed, correlation=correlation) if curve.sessions else 1.0
    return 1 - zero_bound(float(followed.sum()) / effect, confidence_level=curve.confidence_level)


def _arm_correlation(agent: SurvivalCurve, sham: SurvivalCurve, day: float) -> float:
    """Correlation of the two survival estimates through sessions that appear in both; 0 where none does."""
    if set(agent.sessions).isdisjoint(sham.sessions):
        return 0.0
    return influence_correlation(
        agent.sessions, survival_influence(agent, day), sham.sessions, survival_influence(sham, day)
    )


def influence_correlation(sessions: tuple, influence: NDArray, others: tuple, their_influence: NDArray) -> float:
    """Correlation of two estimates: the sum over shared sessions of the products of influences, standardised."""
    place = {name: i for i, name in enumerate(others)}
    covariance = sum(
        value * their_influence[place[name]] for name, value in zip(sessions, influence, strict=True) if name in place
    )
    scale = float(np.sqrt(np.square(influence).sum() * np.square(their_influence).sum()))
    return float(np.clip(covariance / scale, -1, 1)) if scale > 0 else 0.0


def _both(one: int | None, two: int | None) -> int | None:
    """Add counts where both are known."""
    return None if one is None or two is None else one + two
