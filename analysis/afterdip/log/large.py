"""Parquet logs larger than memory: checks are read column by column in parts, pests by the dips of a stretch of days.

Agents, sessions, trays and labour are held. A part holds every check of some trays, so what is true of a tray (its
order of checks, its pieces adding up) can be told from one part; the sum over the parts is the whole. The file is read
once a part, five of its columns at a time. Pests belong to the dip of their tray, so a stretch of dips has all that its
figures need.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from ..errors import DataError
from .files import RawLog, read_table
from .memory import give_back
from .model import Log
from .parquet_file import read_parquet_where
from .read import as_of_day
from .schema import TABLES
from .settings import read_settings
from .validate import frames, in_order, validate

ROWS_AT_ONCE = 20_000_000  # of checks in a part: about a gigabyte while they are put in order
BATCH_ROWS = 1 << 18
COUNTS = ("alive", "dead", "detached", "removed")
SHOWN = 20  # problems worded of one kind
NEEDED = ("agents", "sessions", "trays")
HELD = (*NEEDED, "labour")


@dataclass(frozen=True, slots=True)
class CheckPart:
    """Checks of the trays `of` (their rows in the trays table), in order of tray and day.

    `tray` (row in the trays table), `day` (since 1970-01-01), `alive`, `dead`, `detached`, `removed`: shape (n_rows,).
    """

    of: np.ndarray
    tray: np.ndarray
    day: np.ndarray
    alive: np.ndarray
    dead: np.ndarray
    detached: np.ndarray
    removed: np.ndarray


@dataclass(frozen=True, slots=True)
class LargeLog:
    """A log whose checks and pests stay on disk. `log`: all the others; these two are empty in it."""

    log: Log
    folder: Path
    as_of: np.datetime64

    @property
    def checks(self) -> Path:
        """The file of the checks."""
        return self.folder / "checks.parquet"

    def with_pests(self, *, since: datetime.date | str, until: datetime.date | str) -> Log:
        """Return `log` with the pests of the dips from `since` on and before `until` (ISO text or dates).

        `tally_pests`, `tally_strengths` and what else counts the pests of such a stretch give the whole log's figures.
        Raises DataError with every problem of these rows, as `read_log` does, ValueError for what is no date.
        """
        first, end = as_of_day(since), as_of_day(until)
        dates = self.log.sessions.set_index("session")["date"]
        of_trays = self.log.trays["session"].map(dates)
        other = pd.Index(self.log.trays["tray"][~of_trays.between(first, end, inclusive="left")])
        raw = _held(self.folder)
        file = self.folder / "pests.parquet"
        if file.is_file():
            with file.open("rb") as opened:
                digest = hashlib.file_digest(opened, "sha256").hexdigest()
            raw.keep("pests", file.name, digest, lambda: read_parquet_where(TABLES["pests"], file, _not_of(other)))
        return _valid(raw, pd.Timestamp(self.as_of))

    def parts(self, *, rows_at_once: int = ROWS_AT_ONCE) -> Iterator[CheckPart]:
        """Read the checks in parts of about so many rows; raises DataError with the problems of the first bad part.

        Checked as in `read_log`: cells there and of their kind, trays known, days from the dip to `as_of`, once a day,
        and pieces conserved. Each problem names the tray.
        """
        from pyarrow import parquet

        rows = parquet.ParquetFile(self.checks).metadata.num_rows
        number = max(1, -(-rows // rows_at_once))
        for part in range(number):
            yield self._part(part, number)
            give_back()

    def _part(self, part: int, number: int) -> CheckPart:
        trays = self.log.trays
        columns = [np.concatenate(column) for column in zip(*self._kept(part, number), strict=True)]
        order = np.lexsort((columns[1], columns[0]))
        place, day, *counts = (columns.pop(0)[order] for _ in range(len(columns)))
        _conserved(self.checks.name, trays["tray"], trays["pieces"].to_numpy(np.int64), place, day, counts)
        return CheckPart(np.arange(part, len(trays), number), place, day, *counts)

    def _kept(self, part: int, number: int) -> Iterator[tuple[np.ndarray, ...]]:
        """Yield (tray, day, counts ...) of this part's rows, a batch at a time."""
        import pyarrow as pa
        import pyarrow.compute as pc
        from pyarrow import dataset

        trays, name = self.log.trays, self.checks.name
        keys = pa.array(trays["tray"].to_numpy(object), pa.string())
        dipped = _dip_days(self.log)
        source = dataset.dataset(self.checks, format=dataset.ParquetFileFormat(dictionary_columns={"tray"}))
        if missing := [column for column in ("tray", "checked", *COUNTS) if column not in source.schema.names]:
            raise DataError(f"{name}, column '{column}': a column of this name (required)" for column in missing)
        nothing = np.zeros(0, dtype=np.int64)
        yield (nothing,) * 6
        ahead = {"batch_size": BATCH_ROWS, "batch_readahead": 1, "fragment_readahead": 1, "use_threads": False}
        for batch in source.to_batches(columns=["tray", "checked", *COUNTS], **ahead):
            if any(batch.column(i).null_count for i in range(batch.num_columns)):
                raise DataError(f"{name}: every cell of tray, checked and the counts filled, got empty ones")
            tray = batch.column("tray")
            rows = pc.index_in(tray.dictionary.cast(pa.string()), value_set=keys).fill_null(-1).to_numpy()
            place = rows[tray.indices.to_numpy()].astype(np.int64)
            if (place < 0).any():
                lost = tray.take(pa.array(np.flatnonzero(place < 0)[:SHOWN])).to_pylist()
                raise DataError(f"{name}, column 'tray': a tray listed in trays, got '{key}'" for key in lost)
            use = place % number == part
            try:
                day = batch.column("checked").cast(pa.date32()).cast(pa.int32()).to_numpy()[use].astype(np.int64)
                counts = [batch.column(column).cast(pa.int64()).to_numpy()[use] for column in COUNTS]
            except pa.ArrowInvalid as error:
                raise DataError(f"{name}: days and whole numbers, got: {error}") from error
            place = place[use]
            wrong = (day < dipped[place]) | (day > self.as_of.astype("datetime64[D]").astype(np.int64))
            wrong |= np.any([column < 0 for column in counts], axis=0)
            _refuse(name, trays["tray"], place[wrong], "counts of 0 or more, and days from the dip to the report's day")
            yield place, day, *counts


def open_large(path: str | Path, *, as_of: datetime.date | str) -> LargeLog:
    """Return the Parquet log in a folder, checks and pests left on disk; what is held is validated as by `read_log`.

    Raises DataError with every problem of agents, sessions, trays, labour and settings, ValueError for an `as_of` that
    is no date. Checks and pests are validated when they are read; warnings are `afterdip check`'s, which reads a log
    whole.
    """
    path, day = Path(path), as_of_day(as_of)
    if absent := [name for name in (*NEEDED, "checks") if not (path / f"{name}.parquet").is_file()]:
        raise DataError(f"{path.name}: a file {name}.parquet, got none" for name in absent)
    return LargeLog(_valid(_held(path), day), path, np.datetime64(day, "D"))


def _held(path: Path) -> RawLog:
    raw = RawLog()
    for name in HELD:
        if (file := path / f"{name}.parquet").is_file():
            read_table(raw, name, file)
    if (path / "farm.toml").is_file():
        raw.farm_toml = ("farm.toml", (path / "farm.toml").read_bytes())
    return raw


def _valid(raw: RawLog, as_of: pd.Timestamp) -> Log:
    settings, about_settings, _ = read_settings(raw)
    tables, of_cells = validate(raw, as_of)
    found = [p for p in (*raw.problems, *about_settings, *of_cells) if p.kind == "error"]
    if found:
        raise DataError(str(p) for p in in_order(found, [table.file for table in tables.values()]))
    log = Log(**frames(tables), settings=settings, warnings=(), files=tuple(raw.files))
    give_back()
    return log


def _not_of(trays: pd.Index) -> Callable:
    """Return what chooses the rows of a batch that are of none of these trays; unknown trays are for the rules."""
    import pyarrow as pa
    import pyarrow.compute as pc

    keys = pa.array(trays.to_numpy(object), pa.string())

    def chosen(batch) -> np.ndarray:
        if "tray" not in batch.schema.names:
            return np.ones(batch.num_rows, dtype=bool)
        tray = batch.column("tray").dictionary_encode()
        known = pc.is_in(tray.dictionary.cast(pa.string()), value_set=keys).to_numpy(zero_copy_only=False)
        return ~np.append(known, False)[tray.indices.fill_null(len(known)).to_numpy()]

    return chosen


def _dip_days(log: Log) -> np.ndarray:
    dates = log.sessions.set_index("session")["date"]
    return log.trays["session"].map(dates).to_numpy("datetime64[D]").astype(np.int64)


def _conserved(
    name: str, keys, pieces: np.ndarray, place: np.ndarray, day: np.ndarray, counts: list[np.ndarray]
) -> None:
    """Raise DataError for trays looked at twice on a day, or whose pieces do not add up; rows in order."""
    same = np.zeros(len(place), dtype=bool)
    same[1:] = place[1:] == place[:-1]
    before = pieces[place]
    before[1:] = np.where(same[1:], counts[0][:-1], before[1:])
    _refuse(name, keys, place[1:][same[1:] & (day[1:] == day[:-1])], "a check of a tray on a day once")
    _refuse(name, keys, place[sum(counts) != before], "alive before = alive + dead + detached + removed")


def _refuse(name: str, keys, place: np.ndarray, expected: str) -> None:
    if len(place):
        wrong = np.unique(place)
        raise DataError(f"{name}, tray '{keys.iloc[i]}': {expected}, got otherwise" for i in wrong[:SHOWN])
