"""Workbooks: one .xlsx with a sheet per table. Only what was typed in counts; what was calculated is refused."""

from __future__ import annotations

import datetime
import io
import lzma
import re
import struct
import warnings
import zipfile
import zlib
from pathlib import PurePosixPath

from .cells import Special
from .looks import as_shown
from .model import Problem
from .raw import refuse

MOST_BYTES = 256 * 2**20  # uncompressed; a larger log belongs in CSV or Parquet
MOST_TAGS = 12_000_000  # of all parts together: 300,000 rows of a log, a minute's reading
MOST_PARTS = 2000
BROKEN = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, OSError, ValueError, RuntimeError)
OLE = b"\xd0\xcf\x11\xe0"  # how an encrypted workbook begins, and an .xls of old
CONTROL = re.compile(r"_x00([01][0-9A-Fa-f])_")  # how a workbook writes the signs that XML cannot hold
SHEETS = re.compile(rb"<(?:\w+:)?sheet\s")


def open_workbook(file: str, data: bytes):
    """Return the openpyxl workbook in these bytes; raises UnreadableError unless it is a plain .xlsx of bearable size.

    The size is checked before any part is unpacked (zipfile never unpacks more than the directory declares), and every
    part against its check sum. Macros are refused by their content, whatever the file is called.
    """
    problem = _archive_problem(data)
    if problem is not None:
        raise refuse(file, None, problem, "workbook")
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl warns of styles and validations that it leaves out
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    except Exception as error:  # openpyxl raises whatever its XML parsing meets: KeyError, TypeError, ValueError ...
        raise refuse(file, None, "an .xlsx workbook that opens, got a damaged one", "workbook") from error
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        if "xl/workbook.xml" in parts.namelist():
            listed = len(SHEETS.findall(parts.read("xl/workbook.xml")))
            there = len(book.worksheets) + len(book.chartsheets)
            if listed > there:  # openpyxl passes over a sheet whose part is not there
                message = f"a workbook with all its {listed} sheets, got a damaged one with {there}"
                raise refuse(file, None, message, "workbook")
    return book


def _archive_problem(data: bytes) -> str | None:
    """Return what keeps these bytes from being a plain, whole workbook of bearable size, or None."""
    if data.startswith(OLE):
        return "an .xlsx workbook, got one with a password or of the old .xls kind (save as .xlsx, without a password)"
    try:
        parts = zipfile.ZipFile(io.BytesIO(data))
    except BROKEN:
        return "an .xlsx workbook, got a file that is not one"
    with parts:
        try:
            return _parts_problem(parts.infolist()) or _content_problem(parts)
        except BROKEN:
            return "an .xlsx workbook that opens, got a damaged one"


def _parts_problem(infos: list[zipfile.ZipInfo]) -> str | None:
    """Return what the archive's directory alone tells against it."""
    if len(infos) > MOST_PARTS or sum(info.file_size for info in infos) > MOST_BYTES:
        return f"a workbook of at most {MOST_BYTES >> 20} MB unpacked, got more (use CSV or Parquet files)"
    paths = [PurePosixPath(info.filename.casefold()) for info in infos]
    if any(info.flag_bits & 1 for info in infos):
        return "a workbook without a password, got one with it"
    if any(path.is_absolute() or ".." in path.parts or "\\" in str(path) or ":" in str(path) for path in paths):
        return "a workbook whose parts lie within it, got a path that leads out of it"
    if len(set(paths)) < len(paths):
        return "a workbook with each part once, got a part twice"
    if any(path.name == "vbaproject.bin" or "macrosheets" in path.parts for path in paths):
        return "a workbook without macros (save as .xlsx), got one with macros"
    if any("externallinks" in path.parts for path in paths):
        return "a workbook without links to other files (break the links, keeping their values), got one with links"
    return None


def _content_problem(parts: zipfile.ZipFile) -> str | None:
    """Read every part, so that none is damaged, and weigh what a parser would make of it."""
    tags = 0
    for info in parts.infolist():
        content = parts.read(info)  # checks the check sum and the name
        tags += content.count(b"<") if info.filename.endswith((".xml", ".rels")) else 0
        kinds = content.lower() if info.filename == "[Content_Types].xml" else b""
        if b"macroenabled" in kinds or b"vbaproject" in kinds or b"macrosheet" in kinds:
            return "a workbook without macros (save as .xlsx), got one with macros"
    if tags > MOST_TAGS:
        return f"a workbook of at most {MOST_TAGS} marks in all, got {tags} (use CSV or Parquet files)"
    return None


def hidden_parts(file: str, rows: list[int], columns: list[str]) -> list[Problem]:
    """Return warnings of rows and columns that nobody sees in the spreadsheet, and that are read all the same."""
    problems = []
    if rows:
        message = f"rows that can be seen, got {len(rows)} hidden by hand or by a filter: read like the others"
        problems.append(Problem(file, rows[0], None, message, kind="warning", code="hidden_rows"))
    for name in columns:
        message = "a column that can be seen, got a hidden one: read like the others"
        problems.append(Problem(file, 1, name, message, kind="warning", code="hidden_columns"))
    return problems


def struck_out(file: str, rows: list[int]) -> list[Problem]:
    """Return a warning of rows with a line through a cell: people strike out what does not count, and it is read."""
    if not rows:
        return []
    message = f"rows without a line through them, got {len(rows)} with one: read like the others"
    return [Problem(file, rows[0], None, message, kind="warning", code="struck_rows")]


def raw_cell(cell) -> object:
    """Return an openpyxl cell as a raw cell: its value, or a Special where the value is not what was typed or shown."""
    value = cell.value
    if value is None or isinstance(value, str):
        if cell.data_type == "f":
            return Special("formula", value)
        if cell.data_type == "e":
            return Special("error", value)
        return CONTROL.sub(lambda found: chr(int(found[1], 16)), value) if value and "_x00" in value else value
    if isinstance(value, (bool, datetime.date)):
        return value
    if isinstance(value, (datetime.time, datetime.timedelta)):
        return Special("error", str(value))
    if not isinstance(value, (int, float)):  # array formulas and data tables
        return Special("formula", str(getattr(value, "text", None) or getattr(value, "ref", "")))
    return as_shown(value, cell.number_format or "General")
