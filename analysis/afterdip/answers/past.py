"""Whether rows that last month's report stood on have been changed since: what no single log can show, two months can.

Only rows up to the earlier report's day are compared. A row entered late is a new row while all the old ones are there
still; a changed row is one gone and one new.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from afterdip.answers.words import and_so_on, counted, so_many
from afterdip.log.model import Log
from afterdip.tally.fingerprint import (
    ALWAYS,
    MonthRows,
    RowHashes,
    missing_from,
    read_month_rows,
    rows_by_month,
    tally_row_hashes,
)

MARKED_MONTHS = 13  # kept row by row, the report's own day in the last: the window of a year and what is followed after
MONTHS_NAMED = 3
_MONTH = re.compile(rf"\d{{4}}-(0[1-9]|1[0-2])|{ALWAYS}", re.ASCII)
Rows = Mapping[str, Mapping[str, MonthRows]]  # table -> month -> its rows


@dataclass(frozen=True, slots=True)
class Earlier:
    """An earlier report: its month, its day, the farm's settings and the log's rows then; `reason`: why there is none.

    With a reason there is nothing to compare with, and `rows` and `settings` are empty.
    """

    month: str
    as_of: str
    rows: Rows
    settings: Mapping[str, object]
    reason: str = ""


_NONE = MonthRows(0, "", np.zeros(0, dtype=np.uint32))
NO_EARLIER = Earlier("", "", {}, {}, "none is named")


@dataclass(frozen=True, slots=True)
class Change:
    """A table's month of which not all is as it was: its rows then and now, how many are gone or changed and how many
    new; None where the month is too old to be kept row by row.
    """  # fmt: skip

    table: str
    month: str
    then: int
    now: int
    gone: int | None
    new: int | None

    @property
    def is_late(self) -> bool:
        """Whether rows were only added, as far as can be told."""
        return self.gone == 0 if self.gone is not None else self.now > self.then


@dataclass(frozen=True, slots=True)
class PastAnswer:
    """What became of the past since the report of `month` as of `as_of`; `reason`: why it cannot be said, else "".

    `rows`: this log's own, for next month's report; `compared`: rows of then; `settings`: names of those changed.
    """

    month: str
    as_of: str
    reason: str
    compared: int
    changes: tuple[Change, ...]
    settings: tuple[str, ...]
    rows: Rows

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to it."""
        plain = {name: getattr(self, name) for name in ("month", "as_of", "reason", "compared")}
        rows = {table: {month: part.to_json() for month, part in months.items()} for table, months in self.rows.items()}
        changes = [asdict(change) for change in self.changes]
        return plain | {"changes": changes, "settings": list(self.settings), "rows": rows}


def answer_past(log: Log, earlier: Earlier, *, as_of: str) -> PastAnswer:
    """Return what of the log was changed since the earlier report, and the log's rows as they are on `as_of`."""
    hashes = tally_row_hashes(log)
    rows = {name: rows_by_month(table, until=as_of, marks_since=marked_since(as_of)) for name, table in hashes.items()}
    reason = earlier.reason
    if not reason and earlier.as_of > as_of:
        reason = f"the one of {month_words([earlier.month])} was made for a later day, {earlier.as_of}"
    changes, kept = ((), 0) if reason else _changes(hashes, earlier)
    compared = sum(part.rows for name in hashes for part in earlier.rows.get(name, {}).values())
    if not reason and compared and not kept:
        reason = f"the one of {month_words([earlier.month])} shares no row with this log"
    if reason:
        return PastAnswer("", "", reason, 0, (), (), rows)
    settings = asdict(log.settings)
    altered = tuple(name for name, value in settings.items() if earlier.settings.get(name) != value)
    return PastAnswer(earlier.month, earlier.as_of, "", compared, changes, altered, rows)


def read_rows(value: object) -> Rows:
    """Return the `rows` that an earlier report wrote; raises ValueError for anything else."""
    if not isinstance(value, dict) or not all(isinstance(months, dict) for months in value.values()):
        raise ValueError("rows by table and month are missing")
    if wrong := [m for months in value.values() for m in months if not _MONTH.fullmatch(m)]:
        raise ValueError(f"no month: {wrong[0]!r}")
    return {table: {m: read_month_rows(part) for m, part in months.items()} for table, months in value.items()}


def marked_since(as_of: str) -> str:
    """Return the first month, YYYY-MM, whose rows are kept one by one."""
    return str(pd.Period(as_of, freq="M") - (MARKED_MONTHS - 1))


def past_trust(answer: PastAnswer) -> list[str]:
    """Return what the first page says: nothing unless rows of the past or settings were changed."""
    found = [_in_words(answer, table) for table in answer.rows]
    if answer.settings:
        found.append(f"settings ({and_so_on([name.replace('_', ' ') for name in answer.settings])})")
    if not any(found):
        return []
    return [f"Changed since the report of {month_words([answer.month])}: {and_so_on([f for f in found if f])}."]


def _in_words(answer: PastAnswer, table: str) -> str:
    """Return "5 of 1 203 rows of checks (July and August 2026)", "" where no row was changed."""
    changed = [change for change in answer.changes if change.table == table and not change.is_late]
    if not changed:
        return ""
    then, gone = sum(change.then for change in changed), [change.gone for change in changed]
    rows = f"some of {counted(then, 'row')} of" if None in gone else so_many(sum(gone), then, "row", ("of", "of"))
    months = [change.month for change in changed if change.month != ALWAYS]
    return f"{rows} {table}{f' ({month_words(months)})' if months else ''}"


def month_words(months: list[str]) -> str:
    """Return "July and August 2026", or "14 months from July 2025 to August 2026" for more than MONTHS_NAMED."""
    names = [(calendar.month_name[int(month[5:])], month[:4]) for month in sorted(months)]
    if len(names) > MONTHS_NAMED:
        return f"{len(names)} months from {' '.join(names[0])} to {' '.join(names[-1])}"
    years = [year for _, year in names[1:]] + [""]
    pairs = zip(names, years, strict=True)
    return and_so_on([name if year == after else f"{name} {year}" for (name, year), after in pairs])


def _changes(hashes: Mapping[str, RowHashes], earlier: Earlier) -> tuple[tuple[Change, ...], int]:
    """Return the months that differ, and how many rows are known to be there still."""
    out, kept = [], 0
    for table, hashed in hashes.items():
        then = earlier.rows.get(table, {})
        now = rows_by_month(hashed, until=earlier.as_of, marks_since=marked_since(earlier.as_of))
        for month in sorted(then.keys() | now.keys()):
            change = _change(table, month, then.get(month, _NONE), now.get(month, _NONE))
            if change is None:
                kept += then[month].rows
            else:
                kept += change.then - change.gone if change.gone is not None else 0
                out.append(change)
    return tuple(out), kept


def _change(table: str, month: str, then: MonthRows, now: MonthRows) -> Change | None:
    if then.digest == now.digest:
        return None
    if then.marks is None or now.marks is None:
        return Change(table, month, then.rows, now.rows, None, None)
    gone, new = missing_from(then.marks, now.marks), missing_from(now.marks, then.marks)
    return Change(table, month, then.rows, now.rows, gone, new)
