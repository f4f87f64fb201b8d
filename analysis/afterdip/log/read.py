"""read_log(): files -> a validated Log, or every reason why not. The log itself is never written to."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from ..errors import DataError
from .calendar_slips import calendar_slips
from .cells import YEARS
from .changed_places import changed_places
from .contradictions import contradictions
from .files import log_files, read_files
from .gaps import gaps
from .habits import habits
from .memory import give_back
from .model import FileRecord, Log, Problem
from .notices import Tables, notices
from .settings import read_settings
from .validate import frames, in_order, validate

CACHE_SIZE = 4
_cache: dict[tuple, tuple[Log | None, CheckReport]] = {}


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What `afterdip check` prints: errors, warnings and files. Only a log without errors has all its warnings."""

    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    files: tuple[FileRecord, ...]


def read_log(path: str | Path, *, as_of: datetime.date | str) -> Log:
    """Return the validated log at `path`: a folder of CSV or Parquet files, or one .xlsx workbook.

    `as_of`: the day of the report (ISO text or date); nothing in the log may be dated later. Tables and columns are
    those of DEVELOPERS.md, in file order; unknown columns stand last, as text. Raises DataError with every problem
    found, ValueError for an `as_of` that is no date. The same files read again with the same `as_of` give the same
    Log: do not change its frames.
    """
    log, report = _read(Path(path), as_of)
    if log is None:
        raise DataError(str(problem) for problem in report.problems)
    return log


def check_log(path: str | Path, *, as_of: datetime.date | str) -> CheckReport:
    """Return every error and warning of the log at `path`, without raising DataError. `as_of` as in read_log."""
    return _read(Path(path), as_of)[1]


def _read(path: Path, as_of: datetime.date | str) -> tuple[Log | None, CheckReport]:
    day = as_of_day(as_of)
    state = tuple((str(f.absolute()), *_stamp(f)) for f in log_files(path))
    key = (str(path.absolute()), state, day)
    if key not in _cache:
        result = _fresh(path, day)
        give_back()
        while len(_cache) >= CACHE_SIZE:
            _cache.pop(next(iter(_cache)))
        _cache[key] = result
    return _cache[key]


def _stamp(file: Path) -> tuple[int, ...]:
    """Return what changes when a file is written to or replaced, even by one of the same size and date."""
    found = file.stat()
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def _fresh(path: Path, as_of: pd.Timestamp) -> tuple[Log | None, CheckReport]:
    raw = read_files(path)
    give_back()
    settings, about_settings, setting = read_settings(raw)
    tables, of_cells = validate(raw, as_of)
    give_back()
    found = [*raw.problems, *about_settings, *of_cells]
    order = [table.file for table in tables.values()]
    problems = in_order((p for p in found if p.kind == "error"), order)
    warnings = [p for p in found if p.kind == "warning"]
    log = None
    if not problems:
        data = frames(tables)
        all_tables = Tables(data, tables, settings, as_of)
        warnings += [*notices(all_tables), *contradictions(all_tables, setting), *changed_places(all_tables)]
        warnings += [*calendar_slips(all_tables), *habits(all_tables), *gaps(all_tables)]
        warnings = in_order(warnings, order)
        log = Log(**data, settings=settings, warnings=tuple(warnings), files=tuple(raw.files))
    return log, CheckReport(tuple(problems), tuple(warnings), tuple(raw.files))


def as_of_day(as_of: datetime.date | str) -> pd.Timestamp:
    """Return the day of the report as midnight; raises ValueError for what is no date, or of no year a log may hold."""
    try:
        day = datetime.date.fromisoformat(as_of) if isinstance(as_of, str) else as_of
        moment = pd.Timestamp(day.year, day.month, day.day)
    except (ValueError, AttributeError) as error:
        raise ValueError(f"as_of must be a date or ISO text such as 2026-11-20, got {as_of!r}") from error
    if not YEARS[0] <= moment.year <= YEARS[1]:
        raise ValueError(f"as_of must be a day from {YEARS[0]} to {YEARS[1]}, got {as_of!r}")
    return moment
