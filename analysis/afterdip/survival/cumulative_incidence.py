"""Cumulative incidence of each way to lose a piece (dead, detached), by Aalen & Johansen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..estimate import Estimate, cannot_say, check_level
from .followup import followup_refusal, known_on
from .limits import (
    INTRA_SESSION_CORRELATION,
    design_effect,
    effective_sessions,
    loglog_limits,
    session_limits,
    zero_bound,
)
from .rows import SessionCounts, inverse, session_counts


@dataclass(frozen=True, slots=True, eq=False)
class CumulativeIncidence:
    """Proportion lost to each cause by each day, the others being lost to the other causes or still there.

    `incidence`, `piece_error`, `standard_error`, `low`, `high`: shape (n_causes, n_days), in the order of `causes`;
    `events`: the same shape. `remaining`: shape (n_days,), neither dead nor detached; it and the incidences sum to 1.
    `standard_error` is the plain session sandwich where sessions were given, otherwise `piece_error`. `effective`:
    shape (2, n_causes, n_days), effective sessions with such ends, and behind the error; none without sessions.
    """

    causes: tuple[str, ...]
    days: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    events: NDArray[np.float64]
    incidence: NDArray[np.float64]
    remaining: NDArray[np.float64]
    piece_error: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    effective: NDArray[np.float64]
    confidence_level: float
    counts: SessionCounts
    method: str

    @property
    def sessions(self) -> tuple:
        """Session labels; empty where none were given."""
        return self.counts.sessions

    @property
    def last_day(self) -> float:
        """The last day on which any piece was seen."""
        return float(self.days[-1])


def cumulative_incidence(
    days: ArrayLike,
    ends: ArrayLike,
    left: ArrayLike,
    *,
    causes: tuple[str, ...] = ("dead", "detached"),
    session: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> CumulativeIncidence:
    """Proportion of pieces lost to each cause by each day after a dip, without treating other losses as survival.

    `days`, `left`: shape (n_rows,); `ends`: shape (n_rows, n_causes), pieces that met each cause on that day, in the
    order of `causes`; `left`: pieces last seen in place on it (removed ones too); `session`: labels, shape (n_rows,).

    Estimates: Aalen & Johansen 1978, Scand J Stat 5:141. `piece_error`: the delta-method variance of Dinse & Larson
    1986, Biometrika 73:379 (Marubini & Valsecchi 1995), which is also the infinitesimal jackknife over pieces. With
    sessions the grouped infinitesimal jackknife. Limits as for `kaplan_meier`: normal on the scale of log(-log(1 - F))
    for independent pieces, exact binomial at the effective number of pieces with sessions; [0, 0] before the first
    event, where `incidence_at` gives the bound. Raises DataError as `kaplan_meier` does, ValueError where `ends` does
    not have one column per cause.
    """
    check_level(confidence_level)
    ends = np.asarray(ends, float)
    if ends.ndim != 2 or ends.shape[1] != len(causes):
        raise ValueError(f"ends must have shape (n_rows, {len(causes)}), one column per cause")
    counts = session_counts(days, list(ends.T), left, session=session)
    n, d = counts.at_risk.sum(axis=0), counts.ends.sum(axis=1)
    remaining = np.cumprod(1 - d.sum(axis=0) / n)
    remaining[n == d.sum(axis=0)] = 0.0
    before = np.append(1.0, remaining[:-1])
    incidence = np.cumsum(before * d / n, axis=1)
    incidence[incidence > 1 - 1e-12] = 1.0  # all lost to one cause: exactly, whatever the rounding
    piece_error = np.stack([_piece_error(n, d.sum(axis=0), dk, f, before) for dk, f in zip(d, incidence, strict=True)])
    error, effective = piece_error, np.zeros((2, *piece_error.shape))
    method = "Aalen-Johansen; log-log limits, pieces taken as independent"
    if counts.sessions:
        squares = np.stack([_squared_influence(counts, k, incidence[k], before) for k in range(len(causes))])
        error = np.sqrt(squares.sum(axis=1))
        effective = np.stack([effective_sessions(counts.ends.cumsum(axis=2)), effective_sessions(squares)])
        method = "Aalen-Johansen; exact binomial limits at the effective number of pieces, sessions as units"
    low, high = _limits(counts, incidence, piece_error, error, effective, confidence_level)
    return CumulativeIncidence(
        tuple(causes), counts.days, n, d, incidence, remaining, piece_error, error, low, high, effective,
        confidence_level, counts, method,
    )  # fmt: skip


def incidence_at(
    result: CumulativeIncidence,
    cause: str,
    day: float,
    *,
    intra_session_correlation: float = INTRA_SESSION_CORRELATION,
    in_difference: bool = False,
) -> Estimate:
    """Proportion lost to `cause` by `day`; none seen is an upper bound, as in `loss_at`, and so are the refusals.

    `in_difference`: limits to be joined with those of other figures (see `session_limits`).

    Raises ValueError for an unknown cause or a negative day.
    """
    if cause not in result.causes or not day >= 0:
        raise ValueError(f"no incidence of {cause!r} on day {day!r}: causes are {', '.join(result.causes)}")
    k, j = result.causes.index(cause), int(np.searchsorted(result.days, day, side="right")) - 1
    seen = round(float(result.events[k, : j + 1].sum()))
    counts = {
        "sessions": len(result.sessions) or None,
        "pieces": round(result.counts.pieces),
        "deaths": seen if cause == "dead" else None,
    }
    level = result.confidence_level
    refusal = followup_refusal(result.counts, day, remaining=float(result.remaining[-1]))
    if refusal:
        return cannot_say(refusal, confidence_level=level, **counts)
    f, note = float(result.incidence[k, j]), f"; {seen} {cause}"
    low, high = _limits(
        result.counts, result.incidence, result.piece_error, result.standard_error, result.effective, level,
        correlation=intra_session_correlation, in_difference=in_difference,
    )  # fmt: skip
    low, high = float(low[k, j]), float(high[k, j])
    if f == 0:
        known = known_on(result.counts, day)  # a piece that died can no longer come off: its fate counts
        effect = design_effect(known, correlation=intra_session_correlation) if result.sessions else 1.0
        high = zero_bound(float(known.sum()) / effect, confidence_level=level)
        note = "; none seen: a bound"
    return Estimate(estimate=f, low=low, high=high, confidence_level=level, method=result.method + note, **counts)


def _piece_error(n: NDArray, d: NDArray, dk: NDArray, f: NDArray, before: NDArray) -> NDArray:
    """Dinse & Larson 1986: sums over u <= t of (F(t) - F(u)) and its square, expanded so that each is one cumsum."""
    hazard, own, cross = d / n * inverse(n - d), before**2 * dk * (n - dk) / n**3, before * dk / n**2
    spread = f**2 * hazard.cumsum() - 2 * f * (f * hazard).cumsum() + (f**2 * hazard).cumsum()
    variance = spread + own.cumsum() - 2 * (f * cross.cumsum() - (f * cross).cumsum())
    return np.sqrt(np.maximum(variance, 0))  # rounding can leave a zero slightly negative


def _squared_influence(counts: SessionCounts, k: int, f: NDArray, before: NDArray) -> NDArray:
    """Squared influence of each session on F_k(t), shape (n_sessions, n_days): own hazard's score, less what earlier
    losses took away."""
    n, d = counts.at_risk.sum(axis=0), counts.ends.sum(axis=(0, 1))
    own = (counts.ends[k] - counts.at_risk * (counts.ends[k].sum(axis=0) / n)) * (before / n)
    earlier = (counts.ends.sum(axis=0) - counts.at_risk * (d / n)) * inverse(n - d)
    influence = own.cumsum(axis=1) - f * earlier.cumsum(axis=1) + (earlier * f).cumsum(axis=1)
    return np.square(influence)


def _limits(
    counts: SessionCounts,
    incidence: NDArray,
    piece_error: NDArray,
    error: NDArray,
    effective: NDArray,
    level: float,
    *,
    correlation: float = INTRA_SESSION_CORRELATION,
    in_difference: bool = False,
) -> tuple[NDArray, NDArray]:
    """Limits of each incidence on each day, shape (n_causes, n_days); all lost to one cause is a bound."""
    assumed = 1.0
    if counts.sessions:
        assumed = design_effect(counts.at_risk[:, 0], correlation=correlation)
        low, high = session_limits(
            incidence,
            piece_error,
            error,
            sessions=len(counts.sessions),
            events=counts.ends.sum(axis=1).cumsum(axis=1),
            event_sessions=effective[0],
            error_sessions=effective[1],
            assumed_design_effect=assumed,
            confidence_level=level,
            in_difference=in_difference,
        )
    else:
        above, below = loglog_limits(1 - incidence, piece_error, confidence_level=level)
        low, high = 1 - below, 1 - above
    return np.where(incidence == 1, 1 - zero_bound(counts.pieces / assumed, confidence_level=level), low), high
