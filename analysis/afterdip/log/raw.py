"""A table as its file holds it: untyped cells, columns coded by their distinct cells, rows as a spreadsheet counts."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from .cells import all_tidy, shown, tidy
from .letters import of_one
from .model import Problem
from .schema import DERIVED, Table

MOST_COLUMNS = 200
MISSPELT = 0.85  # of the letters in both: randomized and conditon, not mixer (for mixed) or checked_by (for checker)
BRACKETS = re.compile(r"[(\[][^)\]]*[)\]]?")
MOST_CELLS = 2**14  # in a row, empty ones included: as many as a sheet can have


class UnreadableError(Exception):
    """A file that cannot be read as a table; the argument is its problems."""


def refuse(file: str, row: int | None, message: str, code: str) -> UnreadableError:
    """Return the UnreadableError for one problem."""
    return UnreadableError([Problem(file, row, None, message, code=code)])


@dataclass(slots=True)
class RawColumn:
    """Cells of one column: `codes`, shape (n_rows,), point into `cells`, the distinct raw values."""

    codes: np.ndarray
    cells: list[object]


@dataclass(slots=True)
class RawTable:
    """One table as read: `rows`, shape (n_rows,), are spreadsheet row numbers (the header is row 1)."""

    name: str
    file: str
    rows: np.ndarray
    columns: dict[str, RawColumn] = field(default_factory=dict)
    extra: dict[str, RawColumn] = field(default_factory=dict)
    empty_rows: int = 0


def encode(values: Iterable[object]) -> RawColumn:
    """Return a column from its cells in order. 1, 1.0 and True stay apart."""
    seen: dict[object, int] = {}
    cells: list[object] = []
    codes = []
    for value in values:
        key = value if type(value) is str else (type(value), value)
        code = seen.setdefault(key, len(cells))
        if code == len(cells):
            cells.append(value)
        codes.append(code)
    return RawColumn(np.array(codes, dtype=np.int64), cells)


def header_name(cell: object) -> str:
    """Return a header as a column name: case and outer spaces do not matter, inner spaces are underscores."""
    cell = tidy(cell)
    return "" if cell is None else shown(cell).casefold().replace(" ", "_")


def column_names(table: Table, file: str, header: Sequence[object]) -> list[str]:
    """Return the names in a header row, before anything below it is read.

    Raises UnreadableError for more columns than any log has, and for a row that names no column of the table: a title
    or a line for a program, below which nothing stands where it should.
    """
    if len(header) > MOST_CELLS:
        raise refuse(file, 1, f"at most {MOST_COLUMNS} columns, got {len(header)}", "columns")
    names = [header_name(cell) for cell in header]
    if sum(map(bool, names)) > MOST_COLUMNS:
        raise refuse(file, 1, f"at most {MOST_COLUMNS} columns, got {sum(map(bool, names))}", "columns")
    if any(names) and not {column.name for column in table.columns} & set(names):
        first = next(shown(tidy(cell)) for cell, name in zip(header, names, strict=True) if name)
        columns = ", ".join(column.name for column in table.columns if column.need != "no")
        raise refuse(file, 1, f"a header row with the columns {columns}, got '{first}'", "header")
    return names


def assemble(
    table: Table, file: str, header: Sequence[object], columns: Sequence[RawColumn], rows: np.ndarray
) -> tuple[RawTable, list[Problem]]:
    """Name the columns by their header, drop rows and columns without content, and report what the header has wrong.

    A column of the table that is missing, doubled or plainly misspelt is an error; any other is kept and a warning.
    Raises UnreadableError as column_names.
    """
    raw = RawTable(table.name, file, rows)
    problems: list[Problem] = []
    names = column_names(table, file, header)
    for position, (name, column) in enumerate(zip(names, columns, strict=True), start=1):
        if not name:
            problems += _unnamed(file, position, column)
        elif names.index(name) == position - 1:
            (raw.columns if name in {c.name for c in table.columns} else raw.extra)[name] = column
    for name in dict.fromkeys(n for n in names if n and names.count(n) > 1):
        places = " and ".join(str(i) for i, n in enumerate(names, start=1) if n == name)
        problems.append(
            Problem(file, 1, name, f"each column once, got it as columns {places}", code="duplicate_column")
        )
        raw.columns.pop(name, None)
    problems += _missing(table, raw, names) + _unknown(table, raw)
    drop_empty_rows(raw)
    return raw, problems


def _unnamed(file: str, position: int, column: RawColumn) -> list[Problem]:
    filled = [cell for cell in column.cells if tidy(cell) is not None]
    if not filled:
        return []
    message = f"a name in column {position} of the header, got none above '{shown(filled[0])}'"
    return [Problem(file, 1, None, message, code="unnamed_column")]


def _missing(table: Table, raw: RawTable, names: list[str]) -> list[Problem]:
    problems = []
    for column in table.columns:
        if column.need != "no" and column.name not in names:
            near = difflib.get_close_matches(column.name, raw.extra, n=1, cutoff=0.75)
            got = f"got '{near[0]}'" if near else "got none"
            raw.extra.pop(near[0] if near else "", None)
            problems.append(
                Problem(raw.file, 1, column.name, f"a column of this name (required), {got}", code="missing_column")
            )
    return problems


def _unknown(table: Table, raw: RawTable) -> list[Problem]:
    problems = []
    absent = [column.name for column in table.columns if column.name not in raw.columns]
    for name in raw.extra:
        if meant := _meant(name, absent):
            message = f"a column of the {table.name} table by its name (is it '{meant}'?), got '{shown(name)}'"
            problems.append(Problem(raw.file, 1, shown(name), message, code="misspelt_column"))
            continue
        near = difflib.get_close_matches(name, absent, n=1, cutoff=0.75)
        hint = f" (did you mean '{near[0]}'?)" if near else ""
        taken = name in DERIVED[table.name]
        what = "left out, since the report has a figure of that name" if taken else "kept and ignored"
        problems.append(Problem(
            raw.file, 1, shown(name), f"a column of the {table.name} table, got an unknown one: {what}{hint}",
            kind="warning", code="unknown_column",
        ))  # fmt: skip
    for name in DERIVED[table.name]:
        raw.extra.pop(name, None)
    return problems


def _meant(name: str, absent: list[str]) -> str | None:
    """Return the absent column that a header can only mean: its figures would be lost for a letter or a sign.

    The same letters, whatever stands in brackets behind them, in other widths or alphabets that look alike, with or
    without accents; two neighbours changed about; or a letter wrong in a longer name.
    """
    same = [column for column in absent if _letters(name) in _changed_about(_letters(column))]
    return next(iter(same or difflib.get_close_matches(name, absent, n=1, cutoff=MISSPELT)), None)


def _letters(name: str) -> str:
    bare = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    return of_one(BRACKETS.sub("", bare))


def _changed_about(name: str) -> set[str]:
    """Return the name and each with two neighbouring letters changed about."""
    return {name} | {name[:i] + name[i + 1] + name[i] + name[i + 2 :] for i in range(len(name) - 1)}


def drop_empty_rows(raw: RawTable) -> None:
    """Drop the rows in which every cell is empty, counting them."""
    full = np.zeros(len(raw.rows), dtype=bool)
    columns = (*raw.columns.values(), *raw.extra.values())
    for column in sorted(columns, key=lambda column: len(column.cells)):  # columns of few cells are soon looked through
        if full.all():
            return
        if all_tidy(column.cells) and "" not in column.cells:
            return
        full |= np.array([tidy(cell) is not None for cell in column.cells], dtype=bool)[column.codes]
    if full.all():
        return
    raw.empty_rows = int((~full).sum())
    raw.rows = raw.rows[full]
    for column in columns:
        column.codes = column.codes[full]
