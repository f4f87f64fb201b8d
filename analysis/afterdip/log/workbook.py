"""Workbooks: one .xlsx with a sheet per table. Only what was typed in counts; what was calculated is refused."""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from pathlib import PurePosixPath

import numpy as np

from .cells import Special, shown, tidy
from .model import Problem
from .raw import RawTable, UnreadableError, assemble, encode, refuse
from .schema import Table

MOST_BYTES = 256 * 2**20  # uncompressed; a larger log belongs in CSV or Parquet
MOST_PARTS = 2000
MOST_COLUMNS = 200
MOST_ROWS = 2**20  # what a sheet can hold
ZERO_PADDED = re.compile(r"0{2,}")
MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]*?ref=[\"']([A-Z]{1,3}\d+(?::[A-Z]{1,3}\d+)?)[\"']")

Area = tuple[int, int, int, int]  # top, bottom, left, right, counted from 1


def open_workbook(file: str, data: bytes):
    """Return the openpyxl workbook in these bytes; raises UnreadableError unless it is a plain .xlsx of bearable size.

    The size is checked before any part is unpacked (zipfile never unpacks more than the directory declares). Macros
    are refused by their content, whatever the file is called.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            infos = parts.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise refuse(file, None, "an .xlsx workbook, got a file that is not one", "workbook") from error
    if len(infos) > MOST_PARTS or sum(info.file_size for info in infos) > MOST_BYTES:
        message = f"a workbook of at most {MOST_BYTES >> 20} MB unpacked, got more (use CSV or Parquet files)"
        raise refuse(file, None, message, "workbook")
    if any(PurePosixPath(info.filename).name.casefold() == "vbaproject.bin" for info in infos):
        raise refuse(file, None, "a workbook without macros (save as .xlsx), got one with macros", "workbook")
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl warns of styles and validations that it leaves out
            return openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    except Exception as error:  # openpyxl raises whatever its XML parsing meets: KeyError, TypeError, ValueError ...
        raise refuse(file, None, "an .xlsx workbook that opens, got a damaged one", "workbook") from error


def read_sheet(table: Table, file: str, sheet, data: bytes) -> tuple[RawTable, list[Problem]]:
    """Return the raw table on a sheet of the workbook in `data`, and its header's problems; raises UnreadableError."""
    records = filled_rows(sheet, file, data)
    if not records or records[0][0] != 1:
        raise refuse(file, 1, "a header row, got an empty row", "empty_file")
    width = max(len(cells) for _, cells in records)
    header, *body = [cells + [None] * (width - len(cells)) for _, cells in records]
    columns = [encode(cells) for cells in zip(*body, strict=True)] if body else [encode(()) for _ in header]
    return assemble(table, file, header, columns, np.array([number for number, _ in records[1:]], dtype=np.int64))


def filled_rows(sheet, file: str, data: bytes) -> list[tuple[int, list[object]]]:
    """Return (row number, raw cells) for each row with any content; raises UnreadableError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # dates outside the calendar arrive as error cells, and are refused as such
            # openpyxl keeps the sheet's part only under this name; the tests of merged cells guard it
            return list(sheet_rows(sheet, file, merged_areas(data, sheet._worksheet_path)))
    except UnreadableError:
        raise
    except Exception as error:  # as for opening: whatever a damaged part makes the reader raise
        raise refuse(file, None, "a sheet that can be read, got a damaged one", "workbook") from error


def sheet_rows(sheet, file: str, merged: list[Area]) -> Iterator[tuple[int, list[object]]]:
    """Yield (row number, raw cells) for each row with any content, trailing empty cells cut."""
    sheet.reset_dimensions()
    for number, row in enumerate(sheet.iter_rows(), start=1):
        if number > MOST_ROWS:
            raise refuse(file, number, f"at most {MOST_ROWS} rows, got more", "workbook")
        cells = [raw_cell(cell) for cell in row]
        for top, bottom, left, right in merged:
            if top <= number <= bottom:
                cells += [None] * (min(right, MOST_COLUMNS) - len(cells))
                for i in range(left - 1, min(right, len(cells))):
                    cells[i] = Special("merged", shown(cells[i]) if tidy(cells[i]) is not None else "a merged cell")
        while cells and tidy(cells[-1]) is None:
            cells.pop()
        if len(cells) > MOST_COLUMNS:
            raise refuse(file, number, f"at most {MOST_COLUMNS} columns, got {len(cells)}", "workbook")
        if cells:
            yield number, cells


def raw_cell(cell) -> object:
    """Return an openpyxl cell as a raw cell: its value, or a Special where the value is not what was typed or shown."""
    value = cell.value
    if value is None or isinstance(value, str):
        if cell.data_type == "f":
            return Special("formula", value)
        return Special("error", value) if cell.data_type == "e" else value
    if isinstance(value, (bool, datetime.date)):
        return value
    if isinstance(value, (datetime.time, datetime.timedelta)):
        return Special("error", str(value))
    if not isinstance(value, (int, float)):  # array formulas and data tables
        return Special("formula", str(getattr(value, "text", None) or getattr(value, "ref", "")))
    look = cell.number_format or "General"
    if "%" in look:
        return Special("percent", f"{value * 100:g}%", float(value))
    if ZERO_PADDED.fullmatch(look) and value >= 0 and value == int(value):
        return Special("padded", str(int(value)).zfill(len(look)), float(value))
    return value


def merged_areas(data: bytes, sheet_path: str) -> list[Area]:
    """Return each merged area of a sheet: openpyxl's streaming reader leaves them out."""
    from openpyxl.utils.cell import range_boundaries

    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        text = parts.read(sheet_path.lstrip("/"))
    areas = [range_boundaries(found.decode()) for found in MERGED.findall(text)]
    return [(top, bottom, left, right) for left, top, right, bottom in areas]
