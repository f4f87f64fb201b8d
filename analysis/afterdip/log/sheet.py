"""One sheet of a workbook: its rows as raw cells, in the order and the places the file gives them."""

from __future__ import annotations

import bisect
import io
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from .cells import Special, shown, tidy
from .model import Problem
from .raw import MOST_COLUMNS, RawTable, UnreadableError, assemble, encode, header_name, refuse
from .schema import Table
from .workbook import hidden_parts, raw_cell, struck_out

MOST_ROWS = 2**20  # what a sheet can hold
MOST_MERGED = 200_000  # cells in merged areas
# Cells and rows without content, which a sheet may hold by the million where its empty part was given a look.
BLANK_CELL = re.compile(rb'<c r="[A-Z]{1,3}\d+"(?: \w+="[^"<>]*")*\s*(?:/>|></c>)')
BLANK_ROW = re.compile(rb'<row r="\d+"(?: [\w:]+="[^"<>]*")*\s*(?:/>|>\s*</row>)')
PLACELESS = re.compile(rb'<(?:c|row)(?=[\s/>])(?! r=")')

Rows = list[tuple[int, list[object]]]


@dataclass(slots=True)
class Sheet:
    """Rows with any content, as (row number, raw cells) with trailing empty cells cut; what is hidden or struck."""

    rows: Rows
    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: set[int] = field(default_factory=set)
    struck_rows: list[int] = field(default_factory=list)


def read_sheet(table: Table, file: str, sheet) -> tuple[RawTable, list[Problem]]:
    """Return the raw table on an openpyxl sheet and its header's problems; raises UnreadableError."""
    read = filled_rows(sheet, file)
    if not read.rows or read.rows[0][0] != 1:
        raise refuse(file, 1, "a header row, got an empty row", "empty_file")
    width = max(len(cells) for _, cells in read.rows)
    header, *body = [cells + [None] * (width - len(cells)) for _, cells in read.rows]
    columns = [encode(cells) for cells in zip(*body, strict=True)] if body else [encode(()) for _ in header]
    numbers = np.array([number for number, _ in read.rows[1:]], dtype=np.int64)
    raw, problems = assemble(table, file, header, columns, numbers)
    names = [header_name(cell) for i, cell in enumerate(header, start=1) if i in read.hidden_columns]
    problems += struck_out(file, read.struck_rows)
    return raw, problems + hidden_parts(file, read.hidden_rows, [name for name in names if name])


def filled_rows(sheet, file: str) -> Sheet:
    """Return the rows of an openpyxl sheet that hold anything; raises UnreadableError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # dates outside the calendar arrive as error cells, and are refused as such
            return _read(sheet, file)
    except UnreadableError:
        raise
    except Exception as error:  # as for opening: whatever a damaged part makes the reader raise
        raise refuse(file, None, "a sheet that can be read, got a damaged one", "workbook") from error


def _read(sheet, file: str) -> Sheet:
    """Read by openpyxl's parser itself.

    Its streaming sheet leaves out rows and cells that stand in the wrong order, and merged areas, without a word, and
    pads each row to its last cell.
    """
    from openpyxl.worksheet._reader import WorkSheetParser

    book = sheet.parent
    with book._archive.open(sheet._worksheet_path) as part:
        source = io.BytesIO(without_blanks(part.read()))
    parser = WorkSheetParser(
        source, sheet._shared_strings, epoch=book.epoch, date_formats=book._date_formats,
        timedelta_formats=book._timedelta_formats,
    )  # fmt: skip
    struck: list[int] = []
    rows = list(_rows(parser, sheet, file, struck))
    areas = [area.ref for area in (parser.merged_cells.mergeCell if parser.merged_cells else ())]
    _mark_merged(rows, areas, file)
    looks = parser.row_dimensions
    return Sheet(
        rows,
        [number for number, _ in rows if _is_hidden(looks.get(str(number), {}))],
        {
            i
            for look in parser.column_dimensions.values() if _is_hidden(look)
            for i in range(int(look["min"]), min(int(look.get("max", look["min"])), MOST_COLUMNS) + 1)
        },
        list(dict.fromkeys(struck)),
    )  # fmt: skip


def _rows(parser, sheet, file: str, struck: list[int]) -> Iterator[tuple[int, list[object]]]:
    """Yield the rows; those with a cell whose text has a line through it go into `struck` too."""
    from openpyxl.cell.read_only import ReadOnlyCell

    book = sheet.parent
    lines = {i for i, look in enumerate(book._cell_styles) if book._fonts[look.fontId].strike}
    last = 0
    for number, found in parser.parse():
        if not last < number <= MOST_ROWS:
            message = f"rows in order, {MOST_ROWS} at most, got row {number} after row {last}"
            raise refuse(file, number, message, "workbook")
        last, cells, before = number, [], 0
        for place in found:
            column = place["column"]
            if column <= before:
                raise refuse(file, number, "cells in order of their columns, got a damaged row", "workbook")
            before, value = column, raw_cell(ReadOnlyCell(sheet, **place)) if place["value"] is not None else None
            if tidy(value) is None:
                continue
            if place["style_id"] in lines:
                struck.append(number)
            if column > MOST_COLUMNS:
                raise refuse(file, number, f"at most {MOST_COLUMNS} columns, got {column}", "workbook")
            cells += [None] * (column - 1 - len(cells)) + [value]
        if cells:
            yield number, cells


def without_blanks(part: bytes) -> bytes:
    """Return a sheet's XML without the cells and rows that hold nothing: they name their places, so none moves."""
    if b"<!--" in part or b"<![CDATA[" in part or PLACELESS.search(part):  # where such text may be content, or a place
        return part
    return BLANK_ROW.sub(b"", BLANK_CELL.sub(b"", part))


def _mark_merged(rows: Rows, areas: list[str], file: str) -> None:
    """Put a Special in place of each cell of a merged area, in the rows that hold anything."""
    from openpyxl.utils.cell import range_boundaries

    numbers = [number for number, _ in rows]
    marked = 0
    for left, top, right, bottom in map(range_boundaries, areas):
        within = range(bisect.bisect_left(numbers, top), bisect.bisect_right(numbers, bottom))
        right = min(right, MOST_COLUMNS)
        marked += len(within) * max(right - left + 1, 0)
        if marked > MOST_MERGED:
            raise refuse(file, None, f"at most {MOST_MERGED} cells in merged areas, got more", "workbook")
        for i in within:
            cells = rows[i][1]
            cells += [None] * (right - len(cells))
            for j in range(left - 1, right):
                cells[j] = Special("merged", shown(cells[j]) if tidy(cells[j]) is not None else "a merged cell")


def _is_hidden(look: dict) -> bool:
    return look.get("hidden") in ("1", "true")
