"""The months of the labour page: what was worked, what was to be expected, and what the coming weeks will take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.period import Period, date_of
from afterdip.errors import DataError
from afterdip.estimate import Estimate, cannot_say
from afterdip.labour import (
    HoursForecast,
    Learning,
    MonthlyWork,
    coming_hours,
    forecast_hours,
    hours_per_thousand,
    lasting_jump,
    learning,
    monthly_work,
    monthly_work_unlinked,
)
from afterdip.log.model import Log
from afterdip.tally.cost import tally_plan
from afterdip.tally.labour import LabourTally

WEEK = 7 / 30.4375  # of a month
FIRST_BACKTEST = 3  # months of history before the first month that is forecast in hindsight


@dataclass(frozen=True, slots=True)
class MonthRow:
    """Hours of one month: in the log, and with the sessions that have no labour rows taken to have cost the same.

    `forecast`: what the months before it would have led one to expect for its pieces and sessions.
    """

    month: str
    sessions: int
    sessions_without_labour: int
    pieces: int
    recorded_hours: float
    hours: float | None
    hours_per_thousand: Estimate
    forecast: Estimate


@dataclass(frozen=True, slots=True)
class WeekRow:
    """One week ahead: pieces to expect, and the crew-hours if they come."""

    week: str
    fresh: float
    redips: float
    hours: Estimate


@dataclass(frozen=True, slots=True)
class DatedJump:
    """What sessions have taken since a day (`ratio` of before), and the earliest and latest that day may have been.

    Days are YYYY-MM-DD; empty where no jump is clear, which `ratio` says.
    """

    ratio: Estimate
    day: str = ""
    earliest: str = ""
    latest: str = ""


def last_month(log: Log, *, as_of: str) -> str:
    """Return the last month with dips (YYYY-MM), or the one before where `as_of` cuts it more than five days short.

    Raises DataError without any dip.
    """
    if log.sessions.empty:
        raise DataError("sessions: no dip to learn from")
    last = log.sessions["date"].max().to_period("M")
    cut_short = pd.Timestamp(as_of) < last.end_time.normalize() - pd.Timedelta(days=5)
    earlier = (log.sessions["date"] < last.start_time).any()
    return str(last - 1 if cut_short and earlier else last)


def months_with_dips(log: Log, period: Period) -> tuple[str, ...]:
    """Return the window's months from the log's first dip on: months before a log began were not idle months."""
    first = str(log.sessions["date"].min().to_period("M")) if len(log.sessions) else period.months[-1]
    return tuple(m for m in period.months if m >= first) or period.months[-1:]


def months_of_work(tally: LabourTally, *, months: int | None = None) -> MonthlyWork | None:
    """Set up the months for forecasting, the first `months` of them; None without any dips with labour.

    Where labour rows name their sessions, sessions without any are unknown; where none does, months are all there is.
    """
    last = len(tally.months) if months is None else months
    part = tally.sessions[tally.sessions["month"] < last]
    if not part["minutes"].notna().any():
        return _unlinked(tally, last)
    settled = part["settled"] if months is None else None
    return monthly_work(
        part["month"],
        part["pieces"],
        part["minutes"],
        done_minutes=tally.done[:last],
        shared_minutes=tally.shared_minutes[:last],
        carry=tally.carry,
        earlier_sessions=tally.earlier_sessions,
        settled=settled,
        order=part["started"],
    )


def _unlinked(tally: LabourTally, months: int) -> MonthlyWork | None:
    month = tally.sessions["month"].to_numpy(np.int64)
    dips = [np.bincount(month, x, len(tally.months))[:months] for x in (None, tally.sessions["pieces"])]
    minutes = tally.shared_minutes[:months]
    if not ((dips[0] > 0) & (minutes > 0)).any():
        return None
    return monthly_work_unlinked(*dips, minutes, earlier_sessions=tally.earlier_sessions)


def read_learning(work: MonthlyWork | None, level: float) -> Learning:
    """Return learning and drift, or why they cannot be said."""
    if work is None:
        none = cannot_say("no labour written down", confidence_level=level)
        return Learning(none, none)
    return learning(work, confidence_level=level)


def read_jump(tally: LabourTally, level: float) -> DatedJump:
    """Return since when sessions have taken more or fewer minutes; those not finished yet are left out."""
    done = tally.sessions[tally.sessions["settled"]]
    days = done["date"].to_numpy("datetime64[D]").astype(np.int64)
    found = lasting_jump(done["minutes"], done["pieces"], done["agent"].astype(str), days, done["month"],
                         confidence_level=level)  # fmt: skip
    if found.day is None:
        return DatedJump(found.ratio)
    told = (found.day, found.first_day, found.last_day)
    return DatedJump(found.ratio, *map(date_of, told))


def month_rows(tally: LabourTally, work: MonthlyWork | None, level: float) -> tuple[MonthRow, ...]:
    """Return one row a month, with the forecast the months before it would have given."""
    rows = []
    recorded = (tally.done + tally.shared_minutes) / 60
    for i, month in enumerate(tally.months):
        part = tally.sessions[tally.sessions["month"] == i]
        usable = work is not None and bool(work.usable[i])
        rows.append(
            MonthRow(
                month=month,
                sessions=len(part),
                sessions_without_labour=int(part["minutes"].isna().sum()),
                pieces=int(part["pieces"].sum()),
                recorded_hours=float(recorded[i]),
                hours=float(work.minutes[i] / 60) if usable else None,
                hours_per_thousand=hours_per_thousand(part["minutes"], part["pieces"], confidence_level=level),
                forecast=_hindsight(tally, i, part, level),
            )
        )
    return tuple(rows)


def _hindsight(tally: LabourTally, place: int, part: pd.DataFrame, level: float) -> Estimate:
    """Forecast a month of the log from those before it, its pieces and sessions given."""
    work = months_of_work(tally, months=place) if place >= FIRST_BACKTEST and len(part) else None
    if work is None:
        return cannot_say(f"needs {FIRST_BACKTEST} months with labour before it", confidence_level=level)
    coming = {"pieces": int(part["pieces"].sum()), "sessions": len(part)}
    return coming_hours(work, **coming, confidence_level=level)


def read_forecast(work: MonthlyWork | None, pieces: int, sessions: int, level: float) -> HoursForecast:
    """Return the forecast of the month after the window."""
    if work is None:
        none = cannot_say("no labour written down", confidence_level=level)
        return HoursForecast(none, none, none, none, none, pieces, 0, 0.0, "")
    size, usual = work.pieces.sum() / work.sessions.sum(), np.median(work.pieces[work.pieces > 0])
    coming = pieces or (max(round(float(size * sessions)), sessions) if sessions else round(float(usual)))
    return forecast_hours(work, pieces=coming, sessions=sessions or None, confidence_level=level)


def week_rows(log: Log, work: MonthlyWork | None, as_of: str, level: float) -> tuple[WeekRow, ...]:
    """Return the weeks from `as_of` on, the day the log was read to, with the pieces to expect and their hours."""
    rows = []
    for row in tally_plan(log, start=pd.Timestamp(as_of)).itertuples():
        expected = row.fresh + row.redips
        if work is None or expected < 1:
            why = "no labour written down" if work is None else "no pieces to expect"
            hours = cannot_say(why, confidence_level=level)
        else:
            hours = coming_hours(work, pieces=round(expected), months=WEEK, confidence_level=level)
        rows.append(WeekRow(str(row.week.date()), float(row.fresh), float(row.redips), hours))
    return tuple(rows)
