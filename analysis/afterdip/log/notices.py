"""Warnings of a valid log: what a farm should look at, and what the report must say about how far to trust it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .derive import limit_strengths
from .letters import alike, of_one
from .model import Problem, Settings
from .rules import in_time, lookup
from .typed import TypedTable

FIRST_CHECK_DUE_DAYS = 7  # common practice, no source: deaths from a dip show within days
CHECK_GAP_DUE_DAYS = 14  # longer and deaths can no longer be dated to the dip
STRENGTH_JUMP = 10.0  # a slip of a unit or of a decimal point
SPELT = (  # table, column, code
    ("trays", "coral", "coral_spelling"),
    ("trays", "coral_group", "coral_spelling"),
    ("pests", "pest", "pest_spelling"),
    ("trays", "source", "lot_spelling"),
    ("trays", "system", "lot_spelling"),
    ("sessions", "mix", "lot_spelling"),
    ("sessions", "lot", "lot_spelling"),
)


@dataclass(frozen=True, slots=True)
class Tables:
    """A valid log's frames and the typed tables they come from (file, rows, keys)."""

    frames: dict[str, pd.DataFrame]
    typed: dict[str, TypedTable]
    settings: Settings
    as_of: pd.Timestamp

    def note(self, table: str, i: int | None, column: str | None, message: str, code: str, session: str | None = None):
        """Return a warning at the i-th row of a table (None: the table as a whole)."""
        source = self.typed[table]
        row = None if i is None else int(source.rows[i])
        return Problem(source.file, row, column, message, kind="warning", code=code, session=session)

    def rows_of(self, table: str, column: str, target: str) -> np.ndarray:
        """Return for each row of `table` the row of `target` that its key names."""
        return lookup(self.typed[table], column, self.typed[target], column)

    def where(self, table: str, column: str, *words: str) -> np.ndarray:
        """Return where a column holds one of these words, shape (n_rows,)."""
        return self.typed[table].columns[column].where(words.__contains__)

    def session_of(self, table: str, i: int) -> str | None:
        """Return the session that the i-th row of a table names, None if none."""
        name = self.frames[table]["session"].iloc[i]
        return None if pd.isna(name) else name

    def at_session(self, i: int, column: str, message: str, code: str) -> Problem:
        """Return a warning at the i-th session."""
        return self.note("sessions", i, column, message, code, self.frames["sessions"]["session"].iloc[i])


def brief(number: float) -> str:
    """Return a number to four significant digits, without an exponent."""
    return f"{float(f'{number:.4g}'):.12g}"


def counted(n: int, noun: str) -> str:
    """Return "1 day", "2 days"."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def notices(log: Tables) -> list[Problem]:
    """Return every warning of a valid log, in order of table and row."""
    return [
        *agent_notices(log), *strength_notices(log), *handling_notices(log), *one_agent_per_mix(log), *no_sham(log),
        *not_for(log), *spelling(log), *check_notices(log), *repeated_labour(log),
    ]  # fmt: skip


def agent_notices(log: Tables) -> Iterator[Problem]:
    """Agents in use off label (code off_label), once per agent."""
    agents, used = log.frames["agents"], log.frames["sessions"]["agent"].value_counts()
    for i in np.flatnonzero((agents["basis"] == "off label") & agents["agent"].isin(used.index)):
        name = agents["agent"].iloc[i]
        times = counted(used[name], "session")
        message = f"use by label or by a veterinarian's order, got '{name}' used off label in {times}"
        yield log.note("agents", i, "basis", message, "off_label")


def strength_notices(log: Tables) -> Iterator[Problem]:
    """Strengths far off the agent's history (strength_jump); over its limits (over_max_strength, over_max_minutes).

    The history of a session is the median strength of the same agent's other sessions on the same axis.
    """
    agents, sessions = log.frames["agents"], log.frames["sessions"]
    of = log.rows_of("sessions", "agent", "agents")
    strength, unit = sessions["strength"].to_numpy(), sessions["strength_unit"].to_numpy()
    ratio, median = times_others(sessions, "strength", ["agent", "strength_unit"])
    for i in np.flatnonzero(~sessions["is_control"] & (ratio > STRENGTH_JUMP * (1 + 1e-9))):
        usual = f"within {STRENGTH_JUMP:g} times that agent's other sessions (median {brief(median[i])} {unit[i]})"
        yield log.at_session(i, "amount", f"a strength {usual}, got {brief(strength[i])} {unit[i]}", "strength_jump")
    limit, axis = limit_strengths(agents)
    over = ~sessions["is_control"] & (axis[of] == unit) & (strength > limit[of] * (1 + 1e-9))
    for i in np.flatnonzero(over):
        message = f"{brief(limit[of[i]])} {unit[i]} or less (the farm's limit), got {brief(strength[i])} {unit[i]}"
        yield log.at_session(i, "amount", message, "over_max_strength")
    most = agents["max_minutes"].to_numpy()[of]
    for i in np.flatnonzero(sessions["minutes"].to_numpy() > most):
        message = f"{most[i]:g} minutes or less (the farm's limit), got {sessions['minutes'].iloc[i]:g}"
        yield log.at_session(i, "minutes", message, "over_max_minutes")


def times_others(sessions: pd.DataFrame, column: str, alike: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return how many times `median_of_others` a column is, or it the column, 1 or more, and those medians."""
    figures, median = sessions[column].to_numpy(), median_of_others(sessions, column, alike)
    with np.errstate(invalid="ignore", divide="ignore"):  # NaN for the only one of its kind
        return np.maximum(figures / median, median / figures), median


def median_of_others(sessions: pd.DataFrame, column: str, alike: list[str]) -> np.ndarray:
    """Return the median of a column in the other sessions alike in these columns, NaN without any; (n_sessions,)."""
    out = np.full(len(sessions), np.nan)
    for rows in sessions.groupby(alike, sort=False).indices.values():
        n = len(rows)
        if n < 2:
            continue
        order = rows[np.argsort(sessions[column].to_numpy()[rows], kind="stable")]
        s = sessions[column].to_numpy()[order]
        rank, k = np.arange(n), n - 1  # without one value, the k left keep their order
        low, high = (k - 1) // 2, k // 2
        out[order] = (s[low + (rank <= low)] + s[high + (rank <= high)]) / 2
    return out


def handling_notices(log: Tables) -> Iterator[Problem]:
    """Baths not kept moving (no_agitation), too few rinses (too_few_rinses), no protection with danger (no_ppe).

    Rinses and protection count only as recorded. Agitation of an agent that separates counts as none unless recorded:
    without it there is no ground to believe the strength of the bath.
    """
    agents, sessions = log.frames["agents"], log.frames["sessions"]
    of = log.rows_of("sessions", "agent", "agents")
    separates = agents["separates"].fillna(False).to_numpy(dtype=bool)[of]
    still = sessions["agitation"].isna() | (sessions["agitation"] == "none")
    for i in np.flatnonzero(separates & still):
        got = "an empty cell" if pd.isna(sessions["agitation"].iloc[i]) else "'none'"
        message = f"manual, pump or air for an agent that separates, got {got}"
        yield log.at_session(i, "agitation", message, "no_agitation")
    needed = agents["rinses_needed"].fillna(0).to_numpy(dtype=float)[of]
    done = sessions["rinses"].to_numpy(dtype=float, na_value=np.nan)
    for i in np.flatnonzero(done < needed):
        message = f"{needed[i]:g} rinses or more for this agent, got '{done[i]:g}'"
        yield log.at_session(i, "rinses", message, "too_few_rinses")
    danger = (agents["signal_word"] == "danger").to_numpy()[of]
    for i in np.flatnonzero(danger & (sessions["ppe"] == "no")):
        message = "the protection that the label and safety data sheet of a danger product ask for, got 'no'"
        yield log.at_session(i, "ppe", message, "no_ppe")


def one_agent_per_mix(log: Tables) -> Iterator[Problem]:
    """Mixed baths named in sessions of several agents (mix_of_agents), once per bath and further agent."""
    sessions = log.frames["sessions"]
    named = sessions.loc[sessions["mix"].notna(), ["mix", "agent"]].drop_duplicates()
    first = dict(zip(named["mix"][::-1], named.index[::-1], strict=True))
    for i in named.index[named.index != named["mix"].map(first)]:
        mix, agent = named.loc[i]
        of = f"'{sessions['agent'].iloc[first[mix]]}' (first in row {log.typed['sessions'].rows[first[mix]]})"
        yield log.at_session(
            i, "mix", f"one agent in bath '{mix}', got '{agent}' and {of}: counted as two baths", "mix_of_agents"
        )


def no_sham(log: Tables) -> Iterator[Problem]:
    """Months with dips but no sham dip (no_sham)."""
    sessions = log.frames["sessions"]
    has_sham = sessions["is_control"].groupby(sessions["date"].dt.to_period("M")).any()
    for month in has_sham.index[~has_sham]:
        yield log.note("sessions", None, None, f"a sham dip in each month with dips, got none in {month}", "no_sham")


def not_for(log: Tables) -> Iterator[Problem]:
    """Trays of a coral or coral group that the agent is never to be used on (not_for), by its letters, one or many."""
    agents, trays = log.frames["agents"], log.frames["trays"]
    agent = log.rows_of("sessions", "agent", "agents")[log.rows_of("trays", "session", "sessions")]
    session = trays["session"].to_numpy()
    for a, (name, words) in enumerate(zip(agents["agent"], agents["not_for"], strict=True)):
        barred = {of_one(word) for word in words.split(";")} - {""} if isinstance(words, str) else ()
        told = np.zeros(len(trays), dtype=bool)
        for column in ("coral_group", "coral") if barred else ():
            coral = log.typed["trays"].columns[column]
            hit = coral.where(lambda name, barred=barred: of_one(name) in barred)
            for i in np.flatnonzero((agent == a) & hit & ~told):
                told[i] = True
                message = f"a coral that agent '{name}' may be used on, got '{coral.levels[coral.codes[i]]}'"
                yield log.note("trays", i, column, message, "not_for", session[i])


def spelling(log: Tables) -> Iterator[Problem]:
    """Names that differ only in case, spaces, hyphens or one letter of a longer name.

    Codes: coral_spelling, pest_spelling and lot_spelling; the last for lots, bottles, baths and waters, whose names may
    well differ by a letter, so that there only case, spaces and hyphens are looked at. Two spellings count as two
    everywhere, so a pest counted before the dip under one and after it under the other would look like a success.
    """
    for table, column, code in SPELT:
        first = log.typed[table].columns[column].first_rows() if table in log.typed else {}
        for name, other in alike(list(first), by_letters=code != "lot_spelling"):
            place = f"first in row {log.typed[table].rows[first[other]]}"
            message = f"one spelling of each {column.replace('_', ' ')}, got '{name}' and '{other}' ({place})"
            yield log.note(table, first[name], column, message, code)


def check_notices(log: Tables) -> Iterator[Problem]:
    """Trays never checked though a check is overdue (never_checked), or later than due (late_check), once per tray.

    Due: a first check within `FIRST_CHECK_DUE_DAYS` of the dip, then one every `CHECK_GAP_DUE_DAYS`, up to the
    horizon of the settings, the day of the report, the day no piece is left or the day the pieces are dipped again,
    whichever comes first. A tray that nobody has looked at is warned of once its first check is overdue: until then
    it is not late, though its pieces are as unknown as any.
    """
    trays = log.frames["trays"]
    dipped, end = due_span(log)
    of = log.rows_of("checks", "tray", "trays")
    seen = np.bincount(of, minlength=len(trays)) > 0
    days = (log.as_of.to_datetime64() - dipped).astype("timedelta64[D]").astype(int)
    for i in np.flatnonzero(~seen & (days > FIRST_CHECK_DUE_DAYS)):
        message = f"a check of tray '{trays['tray'].iloc[i]}' after its dip, got none in {counted(days[i], 'day')}"
        yield log.note("trays", i, "tray", message, "never_checked", trays["session"].iloc[i])
    for i, gap, due, start in _late(log, of, dipped, end):
        message = (
            f"a check of tray '{trays['tray'].iloc[i]}' within {due} days of {str(start)[:10]}, got none for {gap} days"
        )
        yield log.note("trays", i, "tray", message, "late_check", trays["session"].iloc[i])


def due_span(log: Tables) -> tuple[np.ndarray, np.ndarray]:
    """Return (day of dip, day up to which checks are due), datetime64[ns], shape (n_trays,)."""
    sessions = log.frames["sessions"]
    dipped = sessions["date"].to_numpy()[log.rows_of("trays", "session", "sessions")]
    horizon = np.timedelta64(log.settings.horizon_days, "D")
    end = np.minimum(dipped + horizon, log.as_of.to_datetime64())
    earlier = lookup(log.typed["trays"], "earlier_tray", log.typed["trays"], "tray")
    again = np.flatnonzero(earlier >= 0)
    np.minimum.at(end, earlier[again], dipped[again])
    return dipped, end


def _late(log: Tables, of: np.ndarray, dipped: np.ndarray, end: np.ndarray):
    """Yield (tray, days without a check, days due, since when) for the first overdue gap of each checked tray."""
    checks = log.frames["checks"]
    order = in_time(log.typed["checks"], of)
    tray, day, alive = of[order], checks["checked"].to_numpy()[order], checks["alive"].to_numpy()[order]
    first = np.ones(len(tray), dtype=bool)
    first[1:] = tray[1:] != tray[:-1]
    starts, again, last = np.flatnonzero(first), np.flatnonzero(~first), np.flatnonzero(np.roll(first, -1))
    one = np.timedelta64(1, "D").astype("timedelta64[ns]")
    again = again[day[again] - day[again - 1] > CHECK_GAP_DUE_DAYS * one]  # few: before asking what ends sooner
    open_ = last[alive[last] > 0]  # from the last check on, while pieces are there
    gaps = (  # tray, since when, until when, days due
        (tray[starts], dipped[tray[starts]], np.minimum(day[starts], end[tray[starts]]), FIRST_CHECK_DUE_DAYS),
        (tray[again], day[again - 1], np.minimum(day[again], end[tray[again]]), CHECK_GAP_DUE_DAYS),
        (tray[open_], day[open_], end[tray[open_]], CHECK_GAP_DUE_DAYS),
    )
    overdue = [np.flatnonzero(stop - since > most * one) for _, since, stop, most in gaps]
    late = [(which[i], since[i], stop[i], np.full(len(i), most))
            for (which, since, stop, most), i in zip(gaps, overdue, strict=True)]  # fmt: skip
    trays, starts, stops, dues = (np.concatenate(part) for part in zip(*late, strict=True))
    order = np.lexsort((starts, trays))
    keep = np.r_[True, np.diff(trays[order]) != 0] if len(order) else np.zeros(0, dtype=bool)
    for j in order[keep]:
        yield trays[j], int((stops[j] - starts[j]) / one), int(dues[j]), starts[j]


def repeated_labour(log: Tables) -> Iterator[Problem]:
    """Labour rows alike in everything (repeated_labour): two people's work, or rows pasted twice. Both are counted."""
    again = np.flatnonzero(log.frames["labour"].duplicated())
    if len(again):
        message = f"each piece of work once, got {counted(len(again), 'row')} like one above: all are counted"
        yield log.note("labour", again[0], None, message, "repeated_labour")
