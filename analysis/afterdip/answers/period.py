"""The time a page speaks of: the month reported, the window of months behind each agent's figures, and days."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import pandas as pd

MONTHS_AT_MOST = 240


@dataclass(frozen=True, slots=True)
class Period:
    """The first day of the window, the first day of the month and the first day after it, as midnight timestamps."""

    start: pd.Timestamp
    month_start: pd.Timestamp
    end: pd.Timestamp

    def in_month(self, dates: pd.Series) -> pd.Series:
        """Whether each date lies in the month."""
        return (dates >= self.month_start) & (dates < self.end)

    def in_window(self, dates: pd.Series) -> pd.Series:
        """Whether each date lies in the window, which ends with the month."""
        return (dates >= self.start) & (dates < self.end)

    @property
    def months(self) -> tuple[str, ...]:
        """The months of the window, oldest first, as YYYY-MM."""
        last = self.end - pd.Timedelta(days=1)
        return tuple(str(p) for p in pd.period_range(self.start, last, freq="M"))


def month_before(month: str) -> str:
    """Return the month before one, both written YYYY-MM."""
    return str(pd.Period(month, freq="M") - 1)


def period_of(month: str, *, window_months: int = 12) -> Period:
    """Return the period of a month written YYYY-MM; the window is that many months, this one the last.

    Raises ValueError for a month that is none and a window outside 1 to 240 months.
    """
    if not 1 <= window_months <= MONTHS_AT_MOST:
        raise ValueError(f"window_months must lie between 1 and {MONTHS_AT_MOST}, got {window_months!r}")
    try:
        this = pd.Period(month, freq="M")
    except ValueError:
        this = None
    if this is None or str(this) != month:
        raise ValueError(f"month must be written YYYY-MM, got {month!r}")
    start = (this - (window_months - 1)).start_time
    return Period(start, this.start_time, (this + 1).start_time)


def date_of(day: int | None) -> str | None:
    """Return a day since 1970-01-01 as YYYY-MM-DD."""
    return None if day is None else (datetime.date(1970, 1, 1) + datetime.timedelta(days=day)).isoformat()


def day_of(date: str) -> int:
    """Return a date YYYY-MM-DD as days since 1970-01-01."""
    return (datetime.date.fromisoformat(date) - datetime.date(1970, 1, 1)).days
