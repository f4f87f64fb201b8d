"""Warnings of dates and times that do not fit the log's others: day for month, a wrong year, evening for morning."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .model import Problem
from .notices import Tables
from .rules import in_time

FAR_DAYS = 7  # a bath is counted, and its work done, within days; further off, a date is a slip of month for day
BEFORE_DAYS = 30  # pieces are counted before their dip on the day, or when they arrived
STOCK_DAYS = 60  # pieces as old as this are none that came or were cut for their dip
STRAY_DAYS = 180  # between the log's first dates: a year written wrong
NIGHT = (22, 5)  # hours: dips begun mostly then are told in another zone, or evening for morning
HOURS = 4  # between the day's dips: morning written for evening
LOOKED_DAYS = 100  # after a dip
FEW, RARE, SHARE = 20, 0.02, 0.95  # rows that make a habit; the share of slips at most; the share that keep to it
MOST_SAMPLED = 10_000  # checks, to tell a habit of looking
AT_THE_DIP = ("mix", "dip", "watch", "rinse")  # tasks
ON_THE_DAY = ("bath", "rinse", "on piece")  # moments of pest counts
DAY = np.timedelta64(1, "D")


def calendar_slips(log: Tables) -> Iterator[Problem]:
    """Return these warnings: far_date for what lies far from its dip, odd_date for the others."""
    yield from far_dates(log)
    yield from out_of_order(log)
    yield from swapped_checks(log)
    yield from old_arrivals(log)
    yield from odd_hours(log)


def far_dates(log: Tables) -> Iterator[Problem]:
    """Counts, mixing and work at a dip dated days from it (far_date), and later counts dated on its day (odd_date)."""
    sessions, pests, labour = (log.frames[name] for name in ("sessions", "pests", "labour"))
    dates = sessions["date"].to_numpy()
    yield from _far(log, "sessions", "mixed", np.ones(len(sessions), dtype=bool), dates)
    if len(pests):
        dipped = dates[log.rows_of("trays", "session", "sessions")[log.rows_of("pests", "tray", "trays")]]
        yield from _far(log, "pests", "counted", log.where("pests", "moment", *ON_THE_DAY), dipped)
        yield from _far(log, "pests", "counted", log.where("pests", "moment", "before"), dipped, BEFORE_DAYS)
        for i in np.flatnonzero(log.where("pests", "moment", "later") & (pests["counted"].to_numpy() == dipped)):
            message = f"a date after the dip ({str(dipped[i])[:10]}) of a later count, got that day"
            yield log.note("pests", i, "counted", message, "odd_date")
    if len(labour):
        session = log.rows_of("labour", "session", "sessions")
        yield from _far(log, "labour", "done", labour_at_dips(log), dates[session])


def labour_at_dips(log: Tables) -> np.ndarray:
    """Return which rows of labour are work at a session's dip, shape (n_rows,)."""
    return log.where("labour", "task", *AT_THE_DIP) & ~log.typed["labour"].columns["session"].missing


def _far(log: Tables, table: str, column: str, bound: np.ndarray, dipped: np.ndarray, most: int = FAR_DAYS):
    day = log.frames[table][column].to_numpy()
    for i in np.flatnonzero(bound & (np.abs(day - dipped) > most * DAY)):
        message = f"a date within {most} days of the dip ({str(dipped[i])[:10]}), got '{str(day[i])[:10]}'"
        yield log.note(table, i, column, message, "far_date")


def out_of_order(log: Tables) -> Iterator[Problem]:
    """Sessions and work between rows of other dates, which would fit with day and month or the year set right; and
    the first few rows of all, a long time before the others (odd_date).
    """
    for table, column, name in (("sessions", "date", "started"), ("labour", "done", "done")):
        day = log.frames[table][column].to_numpy().astype("datetime64[D]")
        meant = np.full(len(day), np.datetime64("NaT", "D"))
        if len(day) > 2:
            before, after, here = day[:-2], day[2:], day[1:-1]
            odd = (before <= after) & ((here < before - FAR_DAYS) | (here > after + FAR_DAYS))
            few = np.flatnonzero(odd)
            for other in (swapped(here[few]), moved(here[few], 12), moved(here[few], -12)):
                fits = (other >= before[few]) & (other <= after[few])
                meant[1:-1][few[fits]] = other[fits]
        if table == "labour" and len(day):  # told already where it is bound to its dip
            meant[labour_at_dips(log)] = np.datetime64("NaT", "D")
        for i in np.flatnonzero(~np.isnat(meant)):
            message = f"a date between those of the rows around it, such as {meant[i]}, got '{day[i]}'"
            yield log.note(table, i, name, message, "odd_date", log.session_of(table, i))
        for i in np.flatnonzero(stray(day) & np.isnat(meant)):
            message = f"a date within {STRAY_DAYS} days of the next, got '{day[i]}'"
            yield log.note(table, i, name, message, "odd_date", log.session_of(table, i))


def stray(day: np.ndarray) -> np.ndarray:
    """Return which of these dates are the few first, `STRAY_DAYS` or more before all others; shape (n,)."""
    if len(day) < FEW:
        return np.zeros(len(day), dtype=bool)
    few = max(1, int(RARE * len(day)))
    first = np.sort(np.partition(day.view(np.int64), few)[: few + 1]).view(day.dtype)
    gap = np.flatnonzero(np.diff(first) > STRAY_DAYS * DAY)
    return day <= first[gap[-1]] if len(gap) else np.zeros(len(day), dtype=bool)


def swapped(day: np.ndarray) -> np.ndarray:
    """Return dates with day and month in each other's place, NaT where there is no such month or nothing changes."""
    day = day.astype("datetime64[D]")
    month = day.astype("datetime64[M]")
    year, m = day.astype("datetime64[Y]"), (month - day.astype("datetime64[Y]")).astype(int)
    d = (day - month).astype(int)
    out = (year.astype("datetime64[M]") + d).astype("datetime64[D]") + m
    return np.where((d < 12) & (d != m), out, np.datetime64("NaT", "D"))


def moved(day: np.ndarray, months: int) -> np.ndarray:
    """Return the same day of the month so many months later; the 29th of February is the 1st of March elsewhere."""
    month = day.astype("datetime64[M]")
    return (month + months).astype("datetime64[D]") + (day - month)


def swapped_checks(log: Tables) -> Iterator[Problem]:
    """Checks that, day and month changed, fall on a look at the next tray of the session, where theirs is lacking.

    Code odd_date. Only where such trays are looked at on the same days as a rule (`SHARE`).
    """
    if not len(log.frames["checks"]):
        return
    looks = _Looks(log)
    rows = np.arange(0, len(looks.tray), 1 + len(looks.tray) // MOST_SAMPLED)
    rows = rows[looks.sibling[looks.tray[rows]] >= 0]
    few = looks.may_be_swapped()
    if not len(few) or np.mean(looks.had(looks.sibling[looks.tray[rows]], looks.place[rows])) < SHARE:
        return
    tray, place, meant = looks.tray[few], looks.place[few], looks.swap[looks.place[few]]
    sibling = looks.sibling[tray]
    odd = looks.had(sibling, meant) & ~looks.had(sibling, place) & ~looks.had(tray, meant)
    if odd.any():  # of the two trays the one whose look is on the rarer day after its dip
        usual = np.bincount(looks.since(looks.tray, looks.place))
        odd &= usual[looks.since(tray, place)] < usual[np.minimum(looks.since(tray, meant), len(usual) - 1)]
    for row, t, got, date in zip(few[odd], tray[odd], looks.days[place[odd]], looks.days[meant[odd]], strict=True):
        message = f"a day on which the session's next tray was looked at, such as {date}, got '{got}'"
        name = log.frames["trays"]["session"].iloc[t]
        yield log.note("checks", looks.order[row], "checked", message, "odd_date", name)


class _Looks:
    """The checks in order of tray and day: `tray`, `place` (of the day among `days`), `order` (their rows)."""

    def __init__(self, log: Tables) -> None:
        of, column = log.rows_of("checks", "tray", "trays"), log.typed["checks"].columns["checked"]
        self.order = in_time(log.typed["checks"], of)
        self.tray, self.place = of[self.order], column.ids()[self.order]
        self.days = np.unique(column.levels[~np.isnat(column.levels)]).astype("datetime64[D]")
        other = swapped(self.days)
        to = np.minimum(np.searchsorted(self.days, other), len(self.days) - 1)
        self.swap = np.where(self.days[to] == other, to, -1)  # place of the day with its month changed, -1 if none
        session = log.rows_of("trays", "session", "sessions")
        self.dipped = log.frames["sessions"]["date"].to_numpy().astype("datetime64[D]")[session]
        tray, same = np.arange(len(session)), session[1:] == session[:-1]
        self.sibling = np.where(np.r_[same, False], tray + 1, np.where(np.r_[False, same], tray - 1, -1))
        self.key = self.tray * (len(self.days) + 1) + self.place

    def had(self, tray: np.ndarray, place: np.ndarray) -> np.ndarray:
        """Return whether these trays were looked at on these days."""
        asked = tray * (len(self.days) + 1) + place
        found = np.minimum(np.searchsorted(self.key, asked), len(self.key) - 1)
        return self.key[found] == asked

    def since(self, tray: np.ndarray, place: np.ndarray) -> np.ndarray:
        """Return the days from the dip of these trays to these days."""
        return (self.days[place] - self.dipped[tray]).astype(np.int64)

    def may_be_swapped(self) -> np.ndarray:
        """Return the checks of trays with a sibling whose day, changed, lies within `LOOKED_DAYS` of the dip."""
        few = np.flatnonzero((self.swap >= 0)[self.place])
        since = self.since(self.tray[few], self.swap[self.place[few]])
        return few[(since >= 0) & (since <= LOOKED_DAYS) & (self.sibling[self.tray[few]] >= 0)]


def old_arrivals(log: Tables) -> Iterator[Problem]:
    """Pieces that arrived or were cut `STOCK_DAYS` before their dip, where nearly all go in within days, and which with
    day and month, or the year, set right would be in as soon as the others (odd_date). Other old pieces are stock.
    """
    trays, sessions = log.frames["trays"], log.frames["sessions"]
    dipped = sessions["date"].to_numpy()[log.rows_of("trays", "session", "sessions")].astype("datetime64[D]")
    for column, origin in (("arrived", "arrival"), ("cut", "own cut")):
        day = trays[column].to_numpy().astype("datetime64[D]")
        place = np.flatnonzero(log.where("trays", "origin", origin) & ~np.isnat(day))
        age = dipped[place] - day[place]
        odd = place[age > STOCK_DAYS]
        if len(place) < FEW or len(odd) > max(1, RARE * len(place)):
            continue
        usual = age[age <= STOCK_DAYS].max()
        for other in (swapped(day[odd]), moved(day[odd], 12)):
            for i, meant in zip(odd, other, strict=True):
                if meant <= dipped[i] <= meant + usual:
                    message = f"a date within {STOCK_DAYS} days of the dip ({dipped[i]}), such as {meant}, as of all "
                    message += f"but {len(odd)} of {len(place)} trays of '{origin}', got '{day[i]}'"
                    yield log.note("trays", i, column, message, "odd_date", trays["session"].iloc[i])


def odd_hours(log: Tables) -> Iterator[Problem]:
    """Sessions `HOURS` or more from the hours of all others: evening for morning, or no time at all (odd_date)."""
    started = log.frames["sessions"]["started"].to_numpy()
    minute = (started - started.astype("datetime64[D]")).astype("timedelta64[m]").astype(int)
    few = max(1, int(RARE * len(minute)))
    if len(minute) < FEW:
        return
    night = ((minute >= NIGHT[0] * 60) | (minute < NIGHT[1] * 60)) & (minute > 0)
    if night.sum() > len(minute) / 2:
        message = (
            f"farm local time, got {night.sum()} of {len(minute)} dips begun from {NIGHT[0]} to {NIGHT[1]} h at night"
        )
        yield log.note("sessions", None, "started", message, "odd_date")
    order = np.argsort(minute, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(minute[order]) >= 60 * HOURS) + 1)
    usual = max(parts, key=len)
    first, last = (str(started[i].astype("datetime64[m]"))[11:] for i in (usual[0], usual[-1]))
    if len(minute) - len(usual) > few or not minute[usual[-1]]:  # dates alone mean midnight
        return
    for i in np.sort(np.concatenate([part for part in parts if part is not usual] or [usual[:0]])):
        message = f"a time near those of all other sessions ({first} to {last}), got '{str(started[i])[11:16]}'"
        yield log.at_session(i, "started", message, "odd_date")
