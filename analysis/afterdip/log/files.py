"""Which files make up a log: a folder of CSV or Parquet files, or one workbook; and their raw tables."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from .csv_file import read_csv
from .model import FileRecord, Problem
from .parquet_file import read_parquet
from .raw import RawTable, UnreadableError, refuse
from .schema import TABLES
from .sheet import filled_rows, read_sheet
from .workbook import hidden_parts, open_workbook

READERS: dict[str, Callable] = {".csv": read_csv, ".parquet": read_parquet}
REFUSED = {".xlsm": "macros", ".xlsb": "a binary format", ".xls": "an old binary format", ".ods": "another format"}
SETTINGS_SHEET = "farm"
MOST_BYTES = 2**30  # of one file


@dataclass(slots=True)
class RawLog:
    """All that the files of a log hold, before any cell is typed. `broken`: tables whose file cannot be read."""

    tables: dict[str, RawTable] = field(default_factory=dict)
    broken: set[str] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)
    files: list[FileRecord] = field(default_factory=list)
    farm_toml: tuple[str, bytes] | None = None
    farm_sheet: tuple[str, list[tuple[int, list[object]]]] | None = None

    def keep(self, name: str, file: str, digest: str, read: Callable[[], tuple[RawTable, list[Problem]]]) -> None:
        """Read one table; what makes it unreadable becomes problems, so that the other files are still looked at."""
        try:
            raw, problems = read()
        except UnreadableError as error:
            self.fail({name}, error)
            return
        self.tables[name] = raw
        self.problems += problems
        left_out = {"empty row": raw.empty_rows} if raw.empty_rows else {}
        self.files.append(FileRecord(file, digest, len(raw.rows), left_out))

    def fail(self, names: set[str], error: UnreadableError) -> None:
        """Note why these tables cannot be read."""
        self.broken |= names
        self.problems += error.args[0]


def log_files(path: Path) -> list[Path]:
    """Return the files that a log at `path` would be read from, in order of name; [] if there is nothing there.

    A folder's hidden and lock files (`.x`, `~$x`) and other kinds of file (notes, pictures) are not part of the log.
    A workbook's settings may stand in a farm.toml beside it.
    """
    if path.is_dir():
        kinds = {*READERS, *REFUSED, ".xlsx", ".toml"}
        found = [file for file in path.iterdir() if file.suffix.casefold() in kinds and file.is_file()]
        found = [file for file in found if not file.name.startswith((".", "~"))]
        return sorted(
            file for file in found if file.suffix.casefold() != ".toml" or file.name.casefold() == "farm.toml"
        )
    beside = path.parent / "farm.toml"
    return [file for file in (path, beside) if file.is_file()]


def read_files(path: Path) -> RawLog:
    """Return the raw log at `path`, with the problems of its files and headers."""
    log = RawLog()
    path = path.absolute()  # so that "." has a name to quote
    files = log_files(path)
    books = [file for file in files if file.suffix.casefold() not in (*READERS, ".toml")]
    tables = [file for file in files if file.suffix.casefold() in READERS]
    log.problems += odd_entries(path, files)
    if not path.exists():
        message = "a folder or workbook, got nothing there"
        log.problems.append(Problem(plain_name(path), None, None, message, code="no_log"))
    elif not (path.is_dir() or path.is_file()):
        message = "a folder or workbook, got a pipe or a device"
        log.problems.append(Problem(plain_name(path), None, None, message, code="no_log"))
        return log
    elif path.is_file() and path.suffix.casefold() in READERS:
        message = f"a folder with a file per table, or one .xlsx workbook, got one {path.suffix} file"
        log.problems.append(Problem(plain_name(path), None, None, message, code="no_log"))
        return log
    if books and (len(books) > 1 or tables):
        others = ", ".join(file.name for file in (*books, *tables))
        log.problems.append(
            Problem(plain_name(path), None, None, f"one workbook or a file per table, got {others}", code="two_files")
        )
        return log
    for file in files:
        if file.suffix.casefold() == ".toml":
            _read_toml(log, file)
    for file in books:
        _read_book(log, file)
    _read_tables(log, tables)
    if path.exists():
        _misnamed(log, path)
        _missing_tables(log, plain_name(path))
    return log


def odd_entries(path: Path, files: list[Path]) -> list[Problem]:
    """Return what is named like a file of the log and cannot be read as one: folders, pipes, links to nowhere.

    Left alone they would pass for a table that the log does not have. A file's name must be text, for the report
    names it.
    """
    problems = []
    for entry in sorted(path.iterdir()) if path.is_dir() else ():
        kinds = {*READERS, *REFUSED, ".xlsx"}
        odd = entry.suffix.casefold() in kinds or entry.name.casefold() == "farm.toml"
        if odd and not entry.is_file() and not entry.name.startswith((".", "~")):
            got = "a folder" if entry.is_dir() else "a link to nothing" if not entry.exists() else "a pipe or a device"
            problems.append(Problem(plain_name(entry), None, None, f"a file, got {got}", code="unreadable"))
    for file in files:
        if plain_name(file) != file.name:
            message = "a file's name in letters that can be printed, got others"
            problems.append(Problem(plain_name(file), None, None, message, code="unreadable"))
    return problems


def plain_name(file: Path) -> str:
    """Return a file's name with ? for what cannot be printed or is no text at all."""
    return "".join(c if c.isprintable() else "?" for c in file.name)


def sha256(data: bytes) -> str:
    """Return the SHA-256 of these bytes in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def _read_tables(log: RawLog, files: list[Path]) -> None:
    for file in files:
        name = file.stem.casefold()
        if name not in TABLES:
            log.problems.append(_unknown_table(file.name, name))
        elif name in log.tables or name in log.broken:
            others = ", ".join(other.name for other in files if other.stem.casefold() == name)
            log.problems.append(Problem(file.name, None, None, f"one file for {name}, got {others}", code="two_files"))
        else:
            read_table(log, name, file)


def read_table(log: RawLog, name: str, file: Path) -> None:
    """Read one table's file into the raw log; what makes it unreadable becomes problems."""
    try:
        data = _bytes(file)
    except UnreadableError as error:
        log.fail({name}, error)
        return
    log.keep(name, file.name, sha256(data), lambda: READERS[file.suffix.casefold()](TABLES[name], file.name, data))


def _read_toml(log: RawLog, file: Path) -> None:
    if log.farm_toml:
        message = f"one farm.toml, got {log.farm_toml[0]} too"
        log.problems.append(Problem(file.name, None, None, message, code="two_files"))
        return
    try:
        log.farm_toml = (file.name, _bytes(file))
    except UnreadableError as error:
        log.fail(set(), error)
        return
    log.files.append(FileRecord(file.name, sha256(log.farm_toml[1]), 0))


def _bytes(file: Path) -> bytes:
    try:
        if (size := file.stat().st_size) > MOST_BYTES:
            message = f"a file of at most {MOST_BYTES >> 20} MB, got {size >> 20} MB"
            raise refuse(file.name, None, message, "unreadable")
        return file.read_bytes()
    except OSError as error:
        raise refuse(file.name, None, f"a file that can be read, got: {error.strerror}", "unreadable") from error


def _read_book(log: RawLog, file: Path) -> None:
    kind = REFUSED.get(file.suffix.casefold(), "another kind of file" if file.suffix.casefold() != ".xlsx" else "")
    if kind:
        log.broken = set(TABLES)
        log.problems.append(Problem(file.name, None, None, f"a log as .xlsx, got {kind}", code="workbook"))
        return
    try:
        data = _bytes(file)
        book = open_workbook(file.name, data)
    except UnreadableError as error:
        log.fail(set(TABLES), error)
        return
    try:
        for sheet in book.worksheets:
            _read_one_sheet(log, file.name, sha256(data), sheet)
    finally:
        book.close()


def _read_one_sheet(log: RawLog, book: str, digest: str, sheet) -> None:
    name = sheet.title.strip().casefold()
    file = f"{book}, sheet '{sheet.title}'"
    known = name in TABLES or name == SETTINGS_SHEET
    if known and sheet.sheet_state != "visible":
        log.broken.add(name)
        log.problems.append(
            Problem(file, None, None, "a sheet that can be seen, got a hidden one", code="hidden_sheet")
        )
    elif name in log.tables or name in log.broken:
        log.problems.append(Problem(file, None, None, f"one sheet for {name}, got another", code="two_files"))
    elif name in TABLES:
        log.keep(name, file, digest, lambda: read_sheet(TABLES[name], file, sheet))
    elif known or sheet.sheet_state == "visible":
        _read_other_sheet(log, file, name, sheet)


def _read_other_sheet(log: RawLog, file: str, name: str, sheet) -> None:
    try:
        read = filled_rows(sheet, file)
    except UnreadableError as error:
        log.fail(set(), error)
        return
    if name == SETTINGS_SHEET:
        log.farm_sheet = (file, read.rows)
        log.problems += hidden_parts(file, read.hidden_rows, [])
    elif read.rows:
        log.problems.append(_unknown_table(file, name))


def _unknown_table(file: str, name: str) -> Problem:
    near = difflib.get_close_matches(name, TABLES, n=1, cutoff=0.7)
    hint = f" (did you mean '{near[0]}'?)" if near else ""
    return Problem(
        file, None, None, f"a table of the log ({', '.join(TABLES)}), got '{name}'{hint}", code="unknown_table"
    )


def _misnamed(log: RawLog, path: Path) -> None:
    """Report what is a table or the settings by name but of a kind not read (a folder too), where there is no other."""
    others = [] if not path.is_dir() else sorted(entry for entry in path.iterdir() if entry.exists())
    for entry in others:
        name, *endings = entry.name.casefold().split(".")
        if name in TABLES and name not in log.tables and name not in log.broken:
            log.broken.add(name)
            got = "a folder" if entry.is_dir() else "another kind of file"
            message = f"the table {name} as .csv or .parquet, got {got}"
            log.problems.append(Problem(plain_name(entry), None, None, message, code="unknown_table"))
        is_text = {"toml", "tml", "txt", "ini", "json", "yaml", "yml"} & set(endings)
        if name == "farm" and is_text and entry.is_file() and not log.farm_toml and not log.farm_sheet:
            message = "settings in a file named farm.toml, got another name"
            log.problems.append(Problem(plain_name(entry), None, None, message, code="settings"))


def _missing_tables(log: RawLog, where: str) -> None:
    for table in TABLES.values():
        if table.required and table.name not in log.tables and table.name not in log.broken:
            log.problems.append(Problem(where, None, None, f"a table '{table.name}', got none", code="missing_table"))
