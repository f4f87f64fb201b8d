"""Warnings of rows that must have been lost or written twice: what a table lacks, told by the others."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from .calendar_slips import DAY, ON_THE_DAY
from .model import Problem
from .notices import Tables
from .schema import TASKS

FEW, SOME = 10, 20  # sessions or trays that make a habit; that make a habit of which one lapse is told
LAPSES = 0.05  # of the habit, apart from the gap
CHANCE = 0.01  # that lapses as frequent as the others would lie in such a row
FRESH_DAYS = 3  # before the report's day: not all may be done and written yet


def gaps(log: Tables) -> Iterator[Problem]:
    """Return these warnings."""
    yield from bare_sessions(log)
    yield from missing_labour(log)
    yield from missing_pests(log)
    yield from repeated_sessions(log)


def bare_sessions(log: Tables) -> Iterator[Problem]:
    """Sessions without a tray (bare_session): a bath that nothing went through, or trays lost from their table."""
    held = np.bincount(log.rows_of("trays", "session", "sessions"), minlength=len(log.frames["sessions"]))
    for i in np.flatnonzero(held == 0):
        yield log.at_session(i, "session", "a tray that went through the session, got none in trays", "bare_session")


def missing_labour(log: Tables) -> Iterator[Problem]:
    """Sessions in a row without labour, or without one of its tasks, that all others have (table_gap)."""
    labour, sessions = log.frames["labour"], log.frames["sessions"]
    if not len(labour):
        return
    of, n = log.rows_of("labour", "session", "sessions"), len(sessions)
    has = {"rows": np.bincount(of[of >= 0], minlength=n) > 0}
    for task in TASKS:
        has[f"'{task}'"] = np.bincount(of[log.where("labour", "task", task) & (of >= 0)], minlength=n) > 0
    has["'rinse'"] |= (sessions["rinses"] == 0).fillna(False).to_numpy(dtype=bool)  # nothing was to be written
    yield from _gaps(log, "labour", "sessions", np.arange(n), has)


def missing_pests(log: Tables) -> Iterator[Problem]:
    """Trays in a row without pest counts, or without those of one moment, that all others have (table_gap)."""
    pests, n = log.frames["pests"], len(log.frames["trays"])
    if not len(pests):
        return
    of = log.rows_of("pests", "tray", "trays")
    has = {"rows": np.bincount(of, minlength=n) > 0}
    for moment in ("before", *ON_THE_DAY):
        has[f"'{moment}'"] = np.bincount(of[log.where("pests", "moment", moment)], minlength=n) > 0
    yield from _gaps(log, "pests", "trays", log.rows_of("trays", "session", "sessions"), has)


def _gaps(log: Tables, table: str, what: str, session: np.ndarray, has: dict[str, np.ndarray]) -> Iterator[Problem]:
    """Yield a gap of the table as a whole, and of its kinds among the sessions (or trays) that it has rows of.

    Rows are lost in the order of the file; a farm leaves them out in the order of days.
    """
    dates, names = (log.frames["sessions"][name].to_numpy() for name in ("date", "session"))
    old = dates[session] < log.as_of.to_datetime64() - FRESH_DAYS * DAY
    for kind in has:
        asked = np.flatnonzero(old & (has["rows"] | (kind == "rows")))
        by_day = asked[np.argsort(dates[session[asked]], kind="stable")]
        for place in (asked, by_day):
            found = gap(has[kind][place])
            if found is not None:
                lost = session[place[found[0] : found[1] + 1]]
                span = " to ".join(f"session '{names[i]}' ({str(dates[i])[:10]})" for i in dict.fromkeys(lost[[0, -1]]))
                message = f"{kind} in {table} for all {what}, got none for {len(lost)} in a row: {span}"
                yield log.note(table, None, None, message, "table_gap", names[lost[-1]])
                break


def gap(has: np.ndarray) -> tuple[int, int] | None:
    """Return the first and last place of the longest row of False that breaks a habit of True, None if none does.

    What comes before the first True is no habit yet. With `SOME` places and more, and no other lapse, a single one is
    told; else lapses must be few (`LAPSES`), and a row so long unlikely (`CHANCE`) were they strewn at random.
    """
    there = np.flatnonzero(has)
    if len(there) < FEW:
        return None
    lengths = np.diff(np.r_[there, len(has)]) - 1
    best = int(lengths.argmax())
    length, others = int(lengths[best]), int(lengths.sum() - lengths[best])
    strewn = (others + 1) / (len(there) + others + 2)
    alone = others == 0 and len(there) >= SOME
    if not length or not (alone or (others <= LAPSES * len(there) and len(has) * strewn**length < CHANCE)):
        return None
    return int(there[best]) + 1, int(there[best]) + length


def repeated_sessions(log: Tables) -> Iterator[Problem]:
    """Sessions alike in every cell but their name, as are their trays (repeated_session): rows pasted twice."""
    sessions, trays = log.frames["sessions"], log.frames["trays"]
    started = sessions["started"].to_numpy()
    again = pd.Series(started.view(np.int64)).duplicated(keep=False).to_numpy()
    again &= started != sessions["date"].to_numpy()  # of a date alone nothing follows
    for columns in (["started", "minutes", "bath_volume"], sessions.columns.drop("session")):  # few are left for all
        same = np.flatnonzero(again)
        again[same] = pd.DataFrame({name: sessions[name].array[same] for name in columns}).duplicated(keep=False)
    of = log.rows_of("trays", "session", "sessions")
    few = np.flatnonzero(again[of])
    if not len(few):
        return
    cells = trays.iloc[few].drop(columns=["tray", "session", "earlier_tray"])
    held = pd.util.hash_pandas_object(cells, index=False).groupby(of[few]).sum()
    keys = sessions.drop(columns="session").iloc[held.index].assign(held=held.to_numpy())
    for i in held.index[keys.duplicated()]:
        message = "each session once, got one alike in every cell and tray under another name"
        yield log.at_session(i, "session", message, "repeated_session")
