"""Kaplan-Meier survival after a dip, with errors and limits that hold when pieces share a bath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..estimate import check_level
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
class SurvivalCurve:
    """Proportion of pieces alive after each day; arrays of shape (n_days,), the first day always 0.

    `at_risk`: pieces followed to at least that day; `deaths`, `left`: pieces that died, or were last seen alive, on it.
    `survival` holds from that day to the next. `piece_error` is Greenwood's standard error. `standard_error` is the
    plain session sandwich (no small-sample factor) where sessions were given, otherwise Greenwood's. `low`, `high`:
    limits at `confidence_level`. `effective`: shape (2, n_days), effective sessions with deaths, and behind the error;
    none without sessions. `counts`: the same numbers by session, from which influences are computed.
    """

    days: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    deaths: NDArray[np.float64]
    left: NDArray[np.float64]
    survival: NDArray[np.float64]
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
    def pieces(self) -> float:
        """All pieces followed."""
        return self.counts.pieces

    @property
    def last_day(self) -> float:
        """The last day on which any piece was seen."""
        return float(self.days[-1])


def kaplan_meier(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    *,
    session: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> SurvivalCurve:
    """Proportion of pieces alive on each day after a dip.

    `days`, `deaths`, `left`: shape (n_rows,), weighted counts: on that day so many died and so many were last seen
    alive; `session`: labels, shape (n_rows,), makes standard errors and limits robust to pieces sharing a bath.

    Deaths precede censorings on a day (Kaplan & Meier 1958, JASA 53:457). Standard errors: Greenwood (1926); with
    sessions the grouped infinitesimal jackknife, the root of the sum over sessions of squared influences, which is
    what R's survfit(cluster=) prints. Limits: normal on the log-log scale; with sessions, exact binomial at an
    effective number of pieces (see `limits`). [1, 1] before the first death, where `survival_at` gives the bound.
    After the last death of all the lower limit is 0 and the upper the smaller of the day before's and the exact one.
    Raises DataError for impossible counts and where nothing was followed, ValueError for a level outside 0 to 1.
    """
    check_level(confidence_level)
    counts = session_counts(days, [deaths], left, session=session)
    by_session, n, d = counts.ends[0], counts.at_risk.sum(axis=0), counts.ends[0].sum(axis=0)
    survival = np.cumprod(1 - d / n)
    survival[n == d] = 0.0  # exactly, whatever the rounding of d / n
    survivors = inverse(n - d)
    piece_error, effective = survival * np.sqrt(np.cumsum(d / n * survivors)), np.zeros((2, len(n)))
    if counts.sessions:
        squares = np.square(((by_session - counts.at_risk * (d / n)) * survivors).cumsum(axis=1))
        error = survival * np.sqrt(squares.sum(axis=0))
        effective = np.stack([effective_sessions(by_session.cumsum(axis=1)), effective_sessions(squares)])
        method = "Kaplan-Meier; exact binomial limits at the effective number of pieces, sessions as units"
    else:
        error, method = piece_error, "Kaplan-Meier; log-log limits, pieces taken as independent"
    low, high = curve_limits(counts, survival, piece_error, error, effective, confidence_level=confidence_level)
    left_by_day = n - d - np.append(n[1:], 0)
    return SurvivalCurve(
        counts.days, n, d, left_by_day, survival, piece_error, error, low, high, effective, confidence_level, counts,
        method,
    )  # fmt: skip


def curve_limits(
    counts: SessionCounts,
    survival: NDArray,
    piece_error: NDArray,
    error: NDArray,
    effective: NDArray,
    *,
    confidence_level: float,
    correlation: float = INTRA_SESSION_CORRELATION,
    in_difference: bool = False,
) -> tuple[NDArray, NDArray]:
    """Return the lower and upper limits of survival on each day, as `kaplan_meier` describes them."""
    m, assumed = len(counts.sessions), 1.0
    if m:
        assumed = design_effect(counts.at_risk[:, 0], correlation=correlation)
        low, high = session_limits(
            1 - survival,
            piece_error,
            error,
            sessions=m,
            events=counts.ends[0].sum(axis=0).cumsum(),
            event_sessions=effective[0],
            error_sessions=effective[1],
            assumed_design_effect=assumed,
            confidence_level=confidence_level,
            in_difference=in_difference,
        )
        low, high = 1 - high, 1 - low
    else:
        low, high = loglog_limits(survival, piece_error, confidence_level=confidence_level)
    gone = np.flatnonzero(survival == 0)
    if len(gone):
        first = gone[0]
        all_died = float(counts.at_risk[:, first].sum()) / assumed
        before = high[first - 1] if first else 1.0
        high[gone] = min(before, zero_bound(all_died, confidence_level=confidence_level))
    return low, high


def survival_on(curve: SurvivalCurve, days: ArrayLike) -> NDArray[np.float64]:
    """Read the curve on any days, shape (n,); NaN beyond the follow-up unless nothing was left alive."""
    days = np.asarray(days, float)
    values = curve.survival[np.searchsorted(curve.days, days, side="right") - 1]
    return np.where((days > curve.last_day) & (values > 0), np.nan, values)


def at_risk_on(curve: SurvivalCurve, days: ArrayLike) -> NDArray[np.float64]:
    """Return the pieces followed to at least each of these days, shape (n,): the numbers under a plot."""
    position = np.searchsorted(curve.days, np.asarray(days, float), side="left")
    return np.append(curve.at_risk, 0.0)[position]


def survival_influence(curve: SurvivalCurve, day: float) -> NDArray[np.float64]:
    """Influence of each session on survival at `day`, shape (n_sessions,); they sum to zero.

    The derivative of the estimate to a session's weight (infinitesimal jackknife):
    -S(t) sum over u <= t of (deaths_g(u) - at_risk_g(u) d(u) / n(u)) / (n(u) - d(u)).
    """
    upto = int(np.searchsorted(curve.days, day, side="right"))
    n, d = curve.at_risk[:upto], curve.deaths[:upto]
    survivors = inverse(n - d)
    scores = curve.counts.ends[0][:, :upto] @ survivors - curve.counts.at_risk[:, :upto] @ (survivors * d / n)
    return -curve.survival[upto - 1] * scores

