"""Hours of a coming month, with limits that hold for the month itself and not only for the mean of many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from afterdip.estimate import Estimate, cannot_say

from .drift import MIN_MONTHS_FOR_LEARNING, TURNING, MonthSeries, Prediction, mixture_quantile, moved
from .months import MonthlyWork, mean_log_number
from .rows import months_in_words, scaled, t_quantile

MIN_MONTHS = 3  # with labour written down; two months give no idea of how months differ
ODDS_OF_LEARNING = 0.1  # prior odds of a learning curve against none
ODDS_OF_DRIFT = 2.0  # of hours that rise or fall by a share that changes from month to month
ODDS_OF_STEP = 1.4  # and of one jump, all months it may have come in together
MONTHS_BESIDE_STEP = 2  # before and after it, at the least: fewer cannot be told from a month's own ups and downs

_Parts = list[tuple[float, Prediction]]


@dataclass(frozen=True, slots=True)
class HoursForecast:
    """Person-hours of a coming month: prediction limits, wide enough for one month's own ups and downs.

    `hours`: all work, sessions without labour rows included; `session_hours`: the part of it that is done in sessions,
    `recorded_hours`: what the log will show if labour is written down as it has been. `hours_per_thousand`: `hours`
    per 1,000 pieces. `sessions`: as given, or predicted from the pieces. `months`: with labour, behind the forecast.
    `learning_weight`: how far a learning curve is believed (0-1). `beyond`: how the asked-for month goes beyond any in
    the log, or empty.
    """

    hours: Estimate
    session_hours: Estimate
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
    so that a slow change is not read as a flat line. A second model adds a learning curve (log of the sessions dipped
    so far), for which the sessions inside each month speak too; from MIN_MONTHS_FOR_LEARNING months on others add a
    trend in time that may turn, or one jump for good, such as a new hire, in each month it may have come in. They are
    mixed by how well each fits (Schwarz weights, prior odds ODDS_OF_LEARNING, ODDS_OF_DRIFT, ODDS_OF_STEP); limits are
    quantiles of that mixture of t distributions. All scale comes from the months themselves, on months - 1 (or - 2)
    degrees of freedom, but for what fewer sessions than usual scatter more; the error of the parts per month, session
    and piece is added. `hours` is the median: the month is as likely to take more as less.

    Without `sessions`, every month's expectation uses its pieces alone at the farm's mean session size, so the spread
    of session numbers is in the limits; how well the models fit is told by months with their sessions. Coverage is
    measured in the calibration table (`labour`). Fewer than MIN_MONTHS with labour: no forecast, with the reason.
    Raises ValueError for pieces or sessions below 1, or more sessions than pieces.
    """
    none = _refused(work, pieces, sessions, months, confidence_level)
    given = _sessions(work, pieces, sessions, months, confidence_level)
    if none is not None:
        return HoursForecast(none, none, none, none, given, pieces, int(work.usable.sum()), 0.0, "")
    ask = _Question.of(work, pieces, sessions, months)
    whole, believed = ask.predict(work.minutes, work.expected, work.structure, work.structure_covariance)
    known, in_sessions = whole, whole  # where every session has labour, and all of it names its session
    if not np.array_equal(work.recorded_minutes, work.minutes):
        known, _ = ask.predict(work.recorded_minutes, work.expected, work.structure, work.structure_covariance)
    if not np.array_equal(work.session_minutes, work.minutes):
        behind = (work.session_structure, work.session_structure_covariance)
        in_sessions, _ = ask.predict(work.session_minutes, work.session_expected, *behind)
    counts = _counts(work)
    hours = _limits(whole, confidence_level, counts)
    dips, log = (hours if p is whole else _limits(p, confidence_level, counts) for p in (in_sessions, known))
    if not work.linked:
        dips = cannot_say("no labour row names its session", confidence_level=confidence_level, **counts)
    return HoursForecast(
        hours=hours,
        session_hours=dips,
        recorded_hours=log,
        hours_per_thousand=scaled(hours, 1000 / pieces),
        sessions=given,
        pieces=pieces,
        months=int(work.usable.sum()),
        learning_weight=believed,
        beyond=_beyond(work, pieces / months, None if sessions is None else sessions / months),
    )


def coming_hours(
    work: MonthlyWork,
    *,
    pieces: int,
    sessions: int | None = None,
    months: float = 1.0,
    confidence_level: float = 0.95,
) -> Estimate:
    """Return the `hours` of `forecast_hours` alone, to the same digit: a third of the work."""
    none = _refused(work, pieces, sessions, months, confidence_level)
    if none is not None:
        return none
    ask = _Question.of(work, pieces, sessions, months)
    whole, _ = ask.predict(work.minutes, work.expected, work.structure, work.structure_covariance)
    return _limits(whole, confidence_level, _counts(work))


def _refused(
    work: MonthlyWork, pieces: int, sessions: int | None, months: float, confidence_level: float
) -> Estimate | None:
    """Return why there is no forecast, None where there is one; ValueError for a month that is none."""
    if pieces < 1 or (sessions is not None and not 1 <= sessions <= pieces) or not months > 0:
        raise ValueError("a forecast needs 1 piece or more, and between 1 session and one a piece")
    used = int(work.usable.sum())
    if used >= MIN_MONTHS:
        return None
    why = f"{months_in_words(used)} with labour written down, a forecast needs {MIN_MONTHS}"
    return cannot_say(why, confidence_level=confidence_level, **_counts(work))


def _counts(work: MonthlyWork) -> dict[str, int]:
    return {"sessions": int(work.recorded_sessions.sum()), "pieces": int(work.pieces.sum())}


@dataclass(frozen=True, slots=True, eq=False)
class _Question:
    """The month asked for: `sessions` as given, or at the farm's mean size where the pieces alone are (`by_pieces`)."""

    work: MonthlyWork
    pieces: float
    sessions: float
    months: float
    by_pieces: bool

    @classmethod
    def of(cls, work: MonthlyWork, pieces: int, sessions: int | None, months: float) -> _Question:
        """Ask for `pieces`, in `sessions` or, None, in as many as the mean session needs."""
        size = work.pieces.sum() / work.sessions.sum()
        return cls(work, pieces, sessions or max(pieces / size, 1.0), months, by_pieces=sessions is None)

    @property
    def usual_size(self) -> float:
        """Pieces of the farm's mean session."""
        return float(self.work.pieces.sum() / self.work.sessions.sum())

    def predict(
        self, minutes: NDArray, expected: NDArray, structure: NDArray, covariance: NDArray
    ) -> tuple[_Parts, float]:
        """Return weighted predictions of the log of the hours asked for, and the weight of the learning curve.

        `minutes`, `expected`: shape (n_months,); `structure`, `covariance`: of the parts (month, fixed, per piece)
        behind what is expected.
        """
        work, (month, fixed, each) = self.work, structure
        ahead = float(month * self.months + fixed * self.sessions + each * self.pieces)
        before = month + (fixed / self.usual_size + each) * work.pieces if self.by_pieces else expected
        rows = MonthSeries.of(work, minutes, before)
        fits = self._fits(rows)
        told = self._fits(MonthSeries.of(work, minutes, expected)) if self.by_pieces else fits
        score = np.array([fit.score for _, fit in told])
        weights = np.array([odds for odds, _ in fits]) * np.exp(-np.minimum((score - score.min()) / 2, 300))
        weights = weights / weights.sum()
        extra, to_hours = self._structure_variance(covariance, ahead, before), float(np.log(ahead / 60))
        parts = [moved(fit, to_hours, variance=extra) for _, fit in fits]
        return list(zip(weights.tolist(), parts, strict=True)), float(weights[1]) if len(weights) > 1 else 0.0

    def _fits(self, rows: MonthSeries) -> _Parts:
        """Return (prior odds, prediction) of a level, a learning curve, a trend, and a jump in each month it may be."""
        work, n = self.work, len(rows.time)
        noise = work.session_variance / self.sessions + rows.between
        beyond = max(noise - float(rows.noise.mean()), 0.0) if work.scatter_known else 0.0
        coming = float(mean_log_number(work.dipped_before[-1] + work.sessions[-1], self.sessions))
        fits = [(1.0, rows.predict(None, 0.0, noise, beyond=beyond))]
        if rows.order_known or n >= MIN_MONTHS_FOR_LEARNING:
            curve = rows.predict(work.log_order, coming, noise, beyond=beyond, by_order=True)
            fits.append((ODDS_OF_LEARNING, curve))
        if n < MIN_MONTHS_FOR_LEARNING:
            return fits
        turning = TURNING * float(rows.noise.mean())
        trend = rows.predict(rows.time, rows.coming, noise, beyond=beyond, turning=turning)
        places = np.arange(MONTHS_BESIDE_STEP, n - MONTHS_BESIDE_STEP + 1)
        steps = (np.arange(n) >= places[:, None])[:, None, :].astype(np.float64)
        jumps = rows.predict_each(steps, np.ones((len(places), 1)), noise, beyond=beyond)
        return [*fits, (ODDS_OF_DRIFT, trend), *((ODDS_OF_STEP / len(places), jump) for jump in jumps)]

    def _structure_variance(self, covariance: NDArray, ahead: float, before: NDArray) -> float:
        """Return the variance of log(expected ahead / expected before) from the error of the parts in `covariance`.

        Near zero for a usual month; grows as its sessions, or their size, leave the usual.
        """
        work, use = self.work, self.work.usable
        past = np.array([use.sum(), work.sessions[use].sum(), work.pieces[use].sum()]) / before[use].sum()
        gradient = np.array([self.months, self.sessions, self.pieces]) / ahead - past
        return max(float(gradient @ covariance @ gradient), 0.0)


def _limits(parts: _Parts, confidence_level: float, counts: dict) -> Estimate:
    tail = (1 - confidence_level) / 2
    low, middle, high = (float(np.exp(mixture_quantile(parts, q))) for q in (tail, 0.5, 1 - tail))
    method = "prediction for one month; sessions' and months' scatter, t"
    return Estimate(
        estimate=middle, low=low, high=high, confidence_level=confidence_level, method=method, **counts
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
        return cannot_say(f"{months_in_words(k)} with dips, needs {MIN_MONTHS}", confidence_level=confidence_level)
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
