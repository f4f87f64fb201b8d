"""A log's rows as numbers that tell whether, and roughly which, rows were changed between two readings of it.

Of each row the columns of the schema count, as read: not its place, its file's type, columns of the farm's own. A row
belongs to the month of its own day (a tray to that of its session), so that checks of old trays change no past month.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.log.schema import TABLES

ALWAYS = "all"  # in a month's place: rows that belong to no day
DAYS = {"sessions": "started", "checks": "checked", "pests": "counted", "labour": "done"}
DIGEST = 12  # hexadecimal digits of SHA-256 kept
MARK_BITS = 24  # of a row's 64: another row stands in for one that is gone once in 17 million
MOST_ROWS = 1 << 40  # of a month, in a report that may say anything
_STEP, _FIRST, _SECOND = (np.uint64(n) for n in (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB))
_NEVER = np.datetime64("NaT", "D")


@dataclass(frozen=True, slots=True)
class RowHashes:
    """A table's rows: `hashes`, uint64 (n,), the same for the same row; `days`, datetime64[D] (n,), or NaT."""

    hashes: np.ndarray
    days: np.ndarray


@dataclass(frozen=True, slots=True)
class MonthRows:
    """A table's rows of one month: how many, a digest of them all, and their marks, sorted uint32 (rows,), or None."""

    rows: int
    digest: str
    marks: np.ndarray | None

    def to_json(self) -> dict[str, int | str]:
        """Return them by name; marks as base64 of three bytes each, the highest first, which is four letters a row."""
        plain = {"rows": self.rows, "digest": self.digest}
        if self.marks is None:
            return plain
        three = self.marks.astype(">u4").view(np.uint8).reshape(-1, 4)[:, 1:]
        return plain | {"marks": base64.b64encode(three.tobytes()).decode("ascii")}


def tally_row_hashes(log: Log) -> dict[str, RowHashes]:
    """Return the hashes and days of the rows of every table, in file order."""
    dates = pd.Series(log.sessions["date"].to_numpy(), index=log.sessions["session"])
    out = {}
    for name, schema in TABLES.items():
        frame = getattr(log, name)
        hashes = np.zeros(len(frame), dtype=np.uint64)
        for column in schema.columns:
            hashes = _mixed((hashes ^ _as_bits(frame[column.name])) + _STEP)
        if name == "trays":
            days = frame["session"].map(dates).to_numpy("datetime64[D]")
        else:
            days = frame[DAYS[name]].to_numpy("datetime64[D]") if name in DAYS else np.full(len(frame), _NEVER)
        out[name] = RowHashes(hashes, days)
    return out


def rows_by_month(table: RowHashes, *, until: str, marks_since: str) -> dict[str, MonthRows]:
    """Return the rows of each month up to the day `until`, with marks from the month `marks_since` (YYYY-MM) on.

    Rows of no day are under ALWAYS, with marks. A month without rows is left out.
    """
    keep = ~(table.days > np.datetime64(until, "D"))  # NaT is never later
    hashes, months = table.hashes[keep], table.days[keep].astype("datetime64[M]").astype(np.int64)
    order = np.lexsort((hashes, months))
    hashes, months = hashes[order], months[order]
    numbers, starts = np.unique(months, return_index=True)
    out = {}
    for number, own in zip(numbers, np.split(hashes, starts[1:]), strict=False):  # of no rows split makes one part
        day = np.datetime64(int(number), "M")
        month = ALWAYS if np.isnat(day) else str(day)
        marks = (own >> np.uint64(64 - MARK_BITS)).astype(np.uint32) if month >= marks_since else None
        out[month] = MonthRows(len(own), hashlib.sha256(own.astype("<u8").tobytes()).hexdigest()[:DIGEST], marks)
    return out


def read_month_rows(value: object) -> MonthRows:
    """Return what `MonthRows.to_json` wrote; raises ValueError for anything else."""
    if not isinstance(value, dict) or type(rows := value.get("rows")) is not int or not 0 <= rows < MOST_ROWS:
        raise ValueError("a number of rows is missing")
    digest, text = value.get("digest"), value.get("marks")
    if not isinstance(digest, str) or not re.fullmatch(f"[0-9a-f]{{{DIGEST}}}", digest):
        raise ValueError("a digest is missing")
    if text is None:
        return MonthRows(rows, digest, None)
    data = base64.b64decode(text, validate=True) if isinstance(text, str) else b""
    if len(data) != 3 * rows:
        raise ValueError("marks do not go with the number of rows")
    three = np.frombuffer(data, dtype=np.uint8).reshape(-1, 3).astype(np.uint32)
    return MonthRows(rows, digest, np.sort(three @ np.array([1 << 16, 1 << 8, 1], dtype=np.uint32)))


def missing_from(marks: np.ndarray, others: np.ndarray) -> int:
    """Return how many of `marks` are not among `others`, each other standing for one; both sorted."""
    values, counts = np.unique(marks, return_counts=True)
    there = np.searchsorted(others, values, "right") - np.searchsorted(others, values, "left")
    return int(np.maximum(counts - there, 0).sum())


def _as_bits(column: pd.Series) -> np.ndarray:
    """Return a number for each cell, uint64 (n,): the same for the same value, whole or broken, and for all missing."""
    if column.dtype.kind == "M":
        return column.to_numpy("datetime64[s]").astype(np.int64).view(np.uint64)
    if column.dtype == object:
        codes, texts = pd.factorize(column.to_numpy(object))
        levels = [hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=8).digest() for text in texts]
        return np.frombuffer(b"".join([*levels, bytes(8)]), dtype="<u8").astype(np.uint64)[codes]  # code -1: missing
    return (column.to_numpy(np.float64, na_value=np.nan) + 0.0).view(np.uint64)  # -0.0 + 0.0 is 0.0


def _mixed(bits: np.ndarray) -> np.ndarray:
    """Spread every bit over all: the last steps of splitmix64 (Steele, Lea & Flood 2014, OOPSLA 453)."""
    bits = (bits ^ (bits >> np.uint64(30))) * _FIRST
    bits = (bits ^ (bits >> np.uint64(27))) * _SECOND
    return bits ^ (bits >> np.uint64(31))
