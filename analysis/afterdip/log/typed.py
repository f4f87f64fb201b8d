"""Raw tables -> typed columns: each distinct cell is parsed once, and a refused cell spoils only itself."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from .cells import YEARS, RefusedError, Special, all_names, parser, shown, tidy
from .model import MOST_TOLD, Problem
from .raw import RawColumn, RawTable
from .schema import Column, Table

PLAIN_MOMENTS = re.compile(r"(?:(?:\d{4}-\d\d-\d\d(?:T\d\d:\d\d)?)?\0)*", re.ASCII)


@dataclass(slots=True)
class TypedColumn:
    """One column: `values` (object, number or datetime64[ns]), `missing` and `bad` (refused) cells; shape (n_rows,).

    Missing and bad cells hold None, NaN or NaT; numbers are int64 where all are counts, else float64. `codes` point
    into `levels`, one value for each of `cells`, the distinct raw cells, which messages quote. `distinct`: no two
    usable levels are the same.
    """

    values: np.ndarray
    missing: np.ndarray
    bad: np.ndarray
    codes: np.ndarray
    levels: np.ndarray
    cells: list[object]
    distinct: bool

    def quote(self, i: int) -> str:
        """Return the cell of row `i` as a message quotes it."""
        return "an empty cell" if self.missing[i] else f"'{self.shown(i)}'"

    def ids(self) -> np.ndarray:
        """Return integers, the same where the values are the same and in order of dates; shape (n_rows,)."""
        is_date = self.levels.dtype.kind == "M"
        if self.distinct and not is_date:
            return self.codes
        return pd.factorize(self.levels, sort=is_date)[0][self.codes]

    def where(self, holds: Callable[[str], bool]) -> np.ndarray:
        """Return where there is a text and a condition on it holds, asked once for each level; shape (n_rows,)."""
        return np.array([level is not None and holds(level) for level in self.levels], dtype=bool)[self.codes]

    def first_rows(self) -> dict[object, int]:
        """Return the values of a text column, in order of the rows they first stand in, and those rows."""
        rows = np.full(len(self.levels), -1)
        rows[self.codes[::-1]] = np.arange(len(self.codes))[::-1]  # of one value the first row is written last
        first: dict[object, int] = {}
        for code in np.argsort(rows):
            if rows[code] >= 0 and self.levels[code] is not None:
                first.setdefault(self.levels[code], int(rows[code]))
        return first

    def shown(self, i: int) -> str:
        """Return the cell of row `i` without quotes."""
        return shown(tidy(self.cells[self.codes[i]]))


@dataclass(slots=True)
class TypedTable:
    """One table with every column of the schema, plus the problems of its cells."""

    schema: Table
    file: str
    rows: np.ndarray
    columns: dict[str, TypedColumn] = field(default_factory=dict)
    extra: dict[str, np.ndarray] = field(default_factory=dict)
    absent: set[str] = field(default_factory=set)  # required columns that the file lacks
    found: dict[tuple[str, str, str], np.ndarray] = field(default_factory=dict)  # what rules.lookup, in_time found

    def __len__(self) -> int:
        return len(self.rows)

    def __getitem__(self, name: str) -> np.ndarray:
        return self.columns[name].values

    def known(self, *names: str) -> np.ndarray:
        """Return where all these cells hold a usable value, shape (n_rows,)."""
        out = np.ones(len(self.rows), dtype=bool)
        for name in names:
            out &= ~(self.columns[name].missing | self.columns[name].bad)
        return out

    def empty(self, *names: str) -> np.ndarray:
        """Return where all these cells are empty, in columns that the file has or need not have, shape (n_rows,)."""
        out = np.ones(len(self.rows), dtype=bool)
        for name in names:
            out &= self.columns[name].missing & (name not in self.absent)
        return out

    def refuse(self, name: str, mask: np.ndarray) -> None:
        """Count these dates as refused from now on, so that no later rule builds on them."""
        if mask.any():
            column = self.columns[name]
            column.bad |= mask
            column.values[mask] = np.datetime64("NaT")

    def problem(self, i: int, name: str | None, message: str, code: str, **more: str | None) -> Problem:
        """Return a Problem at the i-th row of data."""
        return Problem(self.file, int(self.rows[i]), name, message, code=code, **more)


def type_table(schema: Table, raw: RawTable) -> tuple[TypedTable, list[Problem]]:
    """Return the typed table and one problem per refused or missing cell."""
    table = TypedTable(schema, raw.file, raw.rows)
    problems: list[Problem] = []
    for column in schema.columns:
        source = raw.columns.get(column.name)
        if source is None:
            source = RawColumn(np.zeros(len(raw.rows), dtype=np.int64), [None])
            if column.need != "no":
                table.absent.add(column.name)
        typed, refused = type_column(column, source)
        table.columns[column.name] = typed
        problems += [
            table.problem(
                i, column.name, f"{refused[typed.codes[i]]}, got {quoted(source.cells[typed.codes[i]])}", "type"
            )
            for i in np.flatnonzero(typed.bad)[:MOST_TOLD]
        ]
        if column.need == "yes" and column.name not in table.absent and typed.missing.any():
            message = f"{expected(column)}, got an empty cell"
            problems += [table.problem(i, column.name, message, "missing")
                         for i in np.flatnonzero(typed.missing)[:MOST_TOLD]]  # fmt: skip
    for name, source in raw.extra.items():
        words = np.array([None if tidy(cell) is None else shown(cell) for cell in source.cells], dtype=object)
        table.extra[name] = words[source.codes] if len(words) else np.empty(0, dtype=object)
    return table, problems


def quoted(cell: object) -> str:
    """Return a raw cell in quotes, saying where it is not text."""
    if isinstance(cell, Special) and cell.what == "formula":
        return f"the formula '{shown(cell)}'"
    return f"'{shown(cell)}'"


def expected(column: Column) -> str:
    """Return what a required column expects, by asking its parser to refuse."""
    if column.kind in ("key", "text", "group"):
        return "a value"
    try:
        parser(column)(Special("error", ""))
    except RefusedError as refusal:
        return str(refusal)
    raise AssertionError(f"the parser of {column.name} accepts an error cell")


def type_column(column: Column, source: RawColumn) -> tuple[TypedColumn, dict[int, str]]:
    """Return the typed column, and for each refused distinct cell (by code) what was expected."""
    if column.kind in ("key", "text") and all_names(source.cells, column):
        return _column(column, source, _texts([cell or None for cell in source.cells]), {}, distinct=True), {}
    if column.kind in ("date", "time") and (moments := _plain_moments(source.cells)) is not None:
        days = moments.astype("datetime64[D]") if column.kind == "date" else moments
        return _column(column, source, days.astype("datetime64[ns]"), {}), {}
    parse = parser(column)
    levels: list[object] = []
    refused: dict[int, str] = {}
    for code, cell in enumerate(source.cells):
        try:
            levels.append(parse(cell))
        except RefusedError as refusal:
            levels.append(None)
            refused[code] = str(refusal)
    if column.kind in ("key", "text"):
        refused |= mixed_padding(source.cells, levels)
    return _column(column, source, _levels(column.kind, levels), refused), refused


def _plain_moments(cells: list[object]) -> np.ndarray | None:
    """Return the moments in these cells all at once (NaT where empty); None if any needs a look of its own."""
    try:
        text = "\0".join([*cells, ""])
    except TypeError:  # not all text
        return None
    try:
        moments = np.array(cells, dtype="datetime64[us]") if PLAIN_MOMENTS.fullmatch(text) else None
    except ValueError:  # 2026-02-30
        return None
    if moments is None or not moments.size:
        return None
    years = moments[~np.isnat(moments)].astype("datetime64[Y]").astype(np.int64) + 1970
    return moments if ((years >= YEARS[0]) & (years <= YEARS[1])).all() else None


def _column(
    column: Column, source: RawColumn, levels: np.ndarray, refused: dict[int, str], *, distinct: bool = False
) -> TypedColumn:
    empty = pd.isna(levels)
    bad = np.zeros(len(levels), dtype=bool)
    bad[list(refused)] = True
    codes = source.codes
    counts = column.kind == "count" and not empty.any()  # whole numbers, none missing: held as the frame will hold them
    values = levels.astype(np.int64) if counts else levels
    return TypedColumn(
        values[codes] if len(values) else values,
        missing=_spread(empty & ~bad, codes),
        bad=_spread(bad, codes),
        codes=codes,
        levels=levels,
        cells=source.cells,
        distinct=distinct,
    )


def _spread(of_levels: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Return what holds of each row's cell; zeros, which take no memory until written to, where it holds of none."""
    return of_levels[codes] if of_levels.any() else np.zeros(len(codes), dtype=bool)


def mixed_padding(cells: list[object], levels: list[object]) -> dict[int, str]:
    """Refuse numbers in a text column that also holds text such as 007: a 7 there may be a 007 cut short."""
    padded = any(isinstance(c, str) and str(v).startswith("0") and str(v).isdigit() and str(v) != "0"
                 for c, v in zip(cells, levels, strict=True))  # fmt: skip
    refused = {}
    for code, cell in enumerate(cells):
        if padded and isinstance(cell, (int, float)) and levels[code] is not None:
            refused[code] = "text like the column's other cells, which keep leading zeros (format the cell as text)"
            levels[code] = None
    return refused


def _levels(kind: str, levels: list[object]) -> np.ndarray:
    """Return the values of distinct cells as an array of the column's kind; None is NaN or NaT there."""
    if kind in ("number", "count"):
        return np.array([np.nan if level is None else level for level in levels], dtype=float)
    if kind in ("date", "time"):
        return np.array(levels, dtype="datetime64[us]").astype("datetime64[ns]")
    return _texts(levels)


def _texts(levels: list[object]) -> np.ndarray:
    out = np.empty(len(levels), dtype=object)
    out[:] = levels
    return out


def column_for_frame(column: Column, typed: TypedColumn) -> pd.Series | np.ndarray:
    """Return the column as DEVELOPERS.md lists it: counts int64 (optional Int64), yes_no bool (optional boolean)."""
    nullable = column.need == "no"
    if column.kind == "count":
        if not nullable:
            return typed.values.astype(np.int64, copy=False)
        whole = typed.values.dtype == np.int64
        values = typed.values if whole else np.where(typed.missing, 0, typed.values).astype(np.int64)
        return pd.arrays.IntegerArray(values, typed.missing.copy())
    if column.kind == "yes_no":
        values = np.where(typed.missing, False, typed.values).astype(bool)
        return pd.arrays.BooleanArray(values, typed.missing.copy()) if nullable else values
    return typed.values
