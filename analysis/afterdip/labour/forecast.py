"""Hours of a coming month, with limits that hold for the month itself and not only for the mean of many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterdip.estimate import Estimate, cannot_say

from .drift import MIN_MONTHS_FOR_LEARNING, MonthSeries, Prediction, mixture_quantile, widened
from .months import MonthlyWork
from .rows import t_quantile

MIN_MONTHS = 3  # with labour written down; two months give no idea of how months differ
ODDS_OF_LEARNING = 0.1  # prior odds of a learning curve against none


@dataclass(frozen=True, slots=True)
class HoursForecast:
    """Person-hours of a coming month: prediction limits, wide enough for one month's own ups and downs.

    `hours`: all work, sessions without labour rows included; `recorded_hours`: what the log will show if labour is
    written down as it has been. `hours_per_thousand`: `hours` per 1,000 pieces. `sessions`: as given, or predicted from
    the pieces. `months`: with labour, behind the forecast. `learning_weight`: how far a learning curve is believed
    (0-1). `beyond`: how the asked-for month goes beyond any in the log, or empty.
    """

    hours: Estimate
    recorded_hours: Estimate
    hours_per_thousand: Estimate
    sessions: Estimate
    pieces: int
    months: int
    learning_weight: float
    beyond: str


def forecast_hours(
    work: MonthlyWork,
    *,
    pieces: int,
    sessions: int | None = None,
    months: float = 1.0,
    confidence_level: float = 0.95,
) -> HoursForecast:
    """Forecast the person-hours of a month in which `pieces` are dipped, in `sessions` or in as many as usual.

    `months`: length of the stretch, 1 for a month (a week: 7 / 30.44). Model: log of (minutes / expected minutes) of
    each month = level + passing noise + lasting change. The noise is what the month's sessions scatter by, plus what
    months differ by beyond that; the lasting change wanders like a random walk with LASTING times the noise variance,
    so that a new hire or a slow drift is not read as a flat line. A second model adds a learning curve (log of the
    sessions dipped so far). The two are mixed by how well each fits (Schwarz weights, prior odds ODDS_OF_LEARNING);
    limits are quantiles of that mixture of t distributions. All scale comes from the months themselves, on months - 1
    (or - 2) degrees of freedom, and the error of the fixed and per-piece parts is added. `hours` is the median: the
    month is as likely to take more as less.

    Without `sessions`, every month's expectation uses its pieces alone at the farm's mean session size, so the spread
    of session numbers is in the limits. Coverage is measured in the calibration table (`labour`). Fewer than
    MIN_MONTHS with labour: no forecast, with the reason. Raises ValueError for pieces or sessions below 1, or more
    sessions than pieces.
    """
    if pieces < 1 or (sessions is not None and not 1 <= sessions <= pieces) or not months > 0:
        raise ValueError("a forecast needs 1 piece or more, and between 1 session and one a piece")
    used = int(work.usable.sum())
    size = work.pieces.sum() / work.sessions.sum()
    counts = {"sessions": int(work.recorded_sessions.sum()), "pieces": int(work.pieces.sum())}
    given = _sessions(work, pieces, sessions, months, confidence_level)
    if used < MIN_MONTHS:
        why = f"{used} month{'' if used == 1 else 's'} with labour written down, a forecast needs {MIN_MONTHS}"
        none = cannot_say(why, confidence_level=confidence_level, **counts)
        return HoursForecast(none, none, none, given, pieces, used, 0.0, "")
    expected = work.expected if sessions is not None else _by_pieces(work, size)
    future = sessions if sessions is not None else max(pieces / size, 1.0)
    base = work.expect(sessions=pieces / size if sessions is None else sessions, pieces=pieces, months=months)
    whole, believed = _predict(work, work.minutes, expected, base, future, pieces)
    known, _ = _predict(work, work.recorded_minutes, expected, base, future, pieces)
    hours = _limits(whole, base / 60, confidence_level, counts)
    return HoursForecast(
        hours=hours,
        recorded_hours=_limits(known, base / 60, confidence_level, counts),
        hours_per_thousand=_scaled(hours, 1000 / pieces),
        sessions=given,
        pieces=pieces,
        months=used,
        learning_weight=believed,
        beyond=_beyond(work, pieces / months, None if sessions is None else sessions / months),
    )


def _predict(
    work: MonthlyWork, minutes: NDArray, expected: NDArray, base: float, sessions: float, pieces: float
) -> tuple[list[tuple[float, Prediction]], float]:
    """Return the weighted predictions of log(minutes / expected) and the weight of the learning curve."""
    rows = MonthSeries.of(work, minutes, expected)
    future = work.session_variance / sessions + rows.between
    level = rows.predict(None, 0.0, future)
    extra = _structure_variance(work, sessions, pieces, base)
    parts = [(1.0, widened(level, extra))]
    if len(rows.time) >= MIN_MONTHS_FOR_LEARNING:
        order = work.order[work.usable]
        coming = work.order[-1] + work.sessions[-1] / 2 + sessions / 2
        curve = rows.predict(np.log(order), float(np.log(coming)), future)
        odds = ODDS_OF_LEARNING * np.exp(np.clip((level.score - curve.score) / 2, -300, 300))
        parts = [(1 / (1 + odds), parts[0][1]), (odds / (1 + odds), widened(curve, extra))]
    return parts, float(parts[1][0]) if len(parts) > 1 else 0.0


def _structure_variance(work: MonthlyWork, sessions: float, pieces: float, base: float) -> float:
    """Return the variance of log(expected ahead / expected before) from the error of fixed and per-piece parts.

    Near zero for a month with sessions of the usual size; grows as their size leaves it.
    """
    total = work.expected[work.usable].sum()
    before = np.array([work.sessions[work.usable].sum(), work.pieces[work.usable].sum()]) / total
    gradient = np.array([sessions, pieces]) / base - before
    return max(float(gradient @ work.structure_covariance @ gradient), 0.0)


def _by_pieces(work: MonthlyWork, size: float) -> NDArray[np.float64]:
    month, fixed, per_piece = work.structure
    return month + (fixed / size + per_piece) * work.pieces


def _limits(
    parts: list[tuple[float, Prediction]], scale: float, confidence_level: float, counts: dict
) -> Estimate:
    tail = (1 - confidence_level) / 2
    low, middle, high = (scale * float(np.exp(mixture_quantile(parts, q))) for q in (tail, 0.5, 1 - tail))
    method = "prediction for one month; sessions' and months' scatter, t"
    return Estimate(
        estimate=middle, low=low, high=high, confidence_level=confidence_level, method=method, **counts
    )


def _scaled(value: Estimate, factor: float) -> Estimate:
    if value.estimate is None:
        return value
    return Estimate(
        estimate=value.estimate * factor,
        low=None if value.low is None else value.low * factor,
        high=None if value.high is None else value.high * factor,
        confidence_level=value.confidence_level,
        sessions=value.sessions,
        pieces=value.pieces,
        method=value.method,
    )


def _sessions(
    work: MonthlyWork, pieces: int, sessions: int | None, months: float, confidence_level: float
) -> Estimate:
    """Return the sessions as given (no limits), or predicted from the log of each month's pieces per session."""
    if sessions is not None:
        return Estimate(estimate=float(sessions), confidence_level=confidence_level, method="as asked")
    dipped = work.sessions > 0
    z, k = np.log(work.pieces[dipped] / work.sessions[dipped]), int(dipped.sum())
    if k < MIN_MONTHS:
        return cannot_say(f"{k} months with dips, needs {MIN_MONTHS}", confidence_level=confidence_level)
    reach = t_quantile(confidence_level, k - 1) * float(z.std(ddof=1)) * np.sqrt(1 + 1 / k)
    middle = pieces / float(np.exp(z.mean()))
    return Estimate(
        estimate=middle,
        low=float(middle * np.exp(-reach)),
        high=float(middle * np.exp(reach)),
        confidence_level=confidence_level,
        method="pieces per session of each month, t for one month",
        sessions=int(work.sessions.sum()),
    )


def _beyond(work: MonthlyWork, pieces: float, sessions: float | None) -> str:
    asked = [(pieces, work.pieces, "pieces")] + ([] if sessions is None else [(sessions, work.sessions, "sessions")])
    over = [f"more {name} than in any month of the log ({past.max():.0f})" for x, past, name in asked if x > past.max()]
    return "; ".join(over)
