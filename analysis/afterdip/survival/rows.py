"""Weighted rows (a day and how many pieces ended there) into counts per session and day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from ..proportion.columns import as_labels, is_missing

MOST_WHOLE = 100_000  # days: beyond, a table of all days would cost more than sorting those there are


@dataclass(frozen=True, slots=True, eq=False)
class SessionCounts:
    """Ends and pieces at risk by session and day; everything the survival estimators need of the data.

    `days`: shape (n_days,), ascending, day 0 always first. `ends`: shape (n_causes, n_sessions, n_days).
    `at_risk`: shape (n_sessions, n_days), pieces followed to at least that day, those ending on it included.
    `sessions`: the labels, shape (n_sessions,); empty when no labels were given and all rows stand as one.
    """

    days: NDArray[np.float64]
    ends: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    sessions: tuple

    @property
    def pieces(self) -> float:
        """All pieces followed."""
        return float(self.at_risk[:, 0].sum())

    def until(self, last: int) -> SessionCounts:
        """Return the same counts up to and including the day at this position."""
        upto = slice(0, last + 1)
        return SessionCounts(self.days[upto], self.ends[:, :, upto], self.at_risk[:, upto], self.sessions)


def session_counts(
    days: ArrayLike, ends: Sequence[ArrayLike], left: ArrayLike, *, session: ArrayLike | None = None
) -> SessionCounts:
    """Tally weighted rows by session and day.

    `days`, `left`: shape (n_rows,); `ends`: one array of shape (n_rows,) per cause; `session`: labels, shape
    (n_rows,), or None. A row says that on `days` so many pieces met each end and so many left alive (were last
    seen). Rows without pieces are dropped, rows of the same session and day added up. Raises DataError for values no
    count of pieces can take and where no pieces remain, ValueError for arrays that do not fit together.
    """
    day, *counts = (np.asarray(values, dtype=np.float64) for values in (days, *ends, left))
    labels = None if session is None else as_labels(session)
    if any(a.shape != day.shape or a.ndim != 1 for a in (day, *counts, *(() if labels is None else (labels,)))):
        raise ValueError("days, counts and session must be one-dimensional and of equal length")
    _refuse_impossible(day, counts)
    keep = sum(counts) > 0
    if not keep.any():
        raise DataError("no pieces were followed: every row is empty")
    if not keep.all():
        day, counts, labels = day[keep], [c[keep] for c in counts], None if labels is None else labels[keep]
    names, code = ((), np.zeros(len(day), np.intp)) if labels is None else label_codes(labels)
    distinct, position = _day_codes(day)
    shape = (max(len(names), 1), len(distinct))
    cell = code * shape[1] + position
    tallied = [np.bincount(cell, weights=c, minlength=shape[0] * shape[1]).reshape(shape) for c in counts]
    gone = sum(tallied)
    at_risk = np.ascontiguousarray(gone[:, ::-1].cumsum(axis=1)[:, ::-1])
    return SessionCounts(distinct, np.stack(tallied[:-1]), at_risk, names)


def _day_codes(day: NDArray) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return the distinct days and day 0, ascending, and each row's position among them; whole days need no sorting."""
    whole = day.astype(np.intp) if day.max() <= MOST_WHOLE else None
    if whole is None or (whole != day).any():
        distinct, position = np.unique(np.append(day, 0.0), return_inverse=True)
        return distinct, position[:-1]
    seen = np.zeros(whole.max() + 1, dtype=bool)
    seen[0], seen[whole] = True, True
    return np.flatnonzero(seen).astype(np.float64), (np.cumsum(seen) - 1)[whole]


def inverse(x: NDArray) -> NDArray:
    """1 / x, and 0 where x is 0: beyond the last piece, nothing is left to estimate."""
    return np.divide(1.0, x, out=np.zeros_like(x), where=x > 0)


def _refuse_impossible(day: NDArray, counts: list[NDArray]) -> None:
    """Raise DataError with every kind of value found that no day or count of pieces can take."""
    problems = []
    if not np.isfinite(day).all() or (day < 0).any():
        problems.append("days after the dip must be finite and 0 or more")
    if not all(np.isfinite(c).all() and (c >= 0).all() for c in counts):
        problems.append("counts of pieces must be finite and 0 or more")
    if problems:
        raise DataError(problems)


def label_codes(labels: ArrayLike) -> tuple[tuple, NDArray[np.intp]]:
    """Return distinct labels, in order of appearance, and each row's position among them.

    A dictionary, because sorting text labels costs ten times more and mixed types cannot be sorted at all; labels that
    are numbers close together are counted off directly.
    """
    given = as_labels(labels)
    if given.dtype.kind in "iu" and given.size and (span := int(given.max()) - int(given.min()) + 1) <= 4 * given.size:
        return _number_codes(given, span)
    values = given.tolist()
    index = {label: i for i, label in enumerate(dict.fromkeys(values))}
    if any(is_missing(label) for label in index):
        raise DataError("every row needs a label of its session or group; some are missing")
    return tuple(index), np.fromiter(map(index.__getitem__, values), dtype=np.intp, count=len(values))


def _number_codes(labels: NDArray, span: int) -> tuple[tuple, NDArray[np.intp]]:
    """Return what `label_codes` returns, for whole numbers that lie within `span` of one another."""
    lowest = labels.min()
    wide = labels if labels.dtype.kind == "u" else labels.astype(np.int64)  # so that a difference cannot overflow
    place = (wide - wide.min()).astype(np.intp)
    first = np.full(span, labels.size)
    first[place[::-1]] = np.arange(labels.size)[::-1]  # of several the last assignment stands: the first row
    found = np.flatnonzero(first < labels.size)
    order = found[np.argsort(first[found])]
    code = np.empty(span, dtype=np.intp)
    code[order] = np.arange(order.size)
    return tuple((order + int(lowest)).tolist()), code[place]


def paired(one: ArrayLike, two: ArrayLike) -> NDArray[np.object_]:
    """Return one label per row made of two, shape (n_rows,)."""
    first, second = np.asarray(one), np.asarray(two)
    if first.shape != second.shape or first.ndim != 1:
        raise ValueError("labels must be one-dimensional and of equal length")
    pairs = np.empty(len(first), dtype=object)
    pairs[:] = list(zip(first.tolist(), second.tolist(), strict=True))
    return pairs
