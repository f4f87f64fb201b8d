"""Columns as handed in: numbers that a count or a day can be, and labels none of which is missing."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError


def counts_in_step(*columns: ArrayLike, what: str = "counts") -> tuple[NDArray[np.float64], ...]:
    """Return columns of one shape (n_rows,) as floats.

    Raises DataError unless all are finite and 0 or more, ValueError where shapes differ.
    """
    numbers = tuple(np.asarray(column, float) for column in columns)
    in_step(*numbers, what=what)
    if not all(np.isfinite(column).all() and (column >= 0).all() for column in numbers):
        raise DataError(f"{what} must be finite and 0 or more")
    return numbers


def events_among(events: ArrayLike, total: ArrayLike, *, of: str = "trials") -> tuple[NDArray, NDArray]:
    """Return both as floats of one shape (n_rows,): DataError unless 0 <= events <= total, ValueError unless alike."""
    y, n = np.asarray(events, float), np.asarray(total, float)
    in_step(y, n, what=f"events and {of}")
    if not (np.isfinite(y).all() and np.isfinite(n).all() and (y >= 0).all() and (y <= n * (1 + 1e-9)).all()):
        raise DataError(f"each row needs 0 <= events <= {of}, both finite")
    return y, n


def in_step(*columns: NDArray, what: str) -> None:
    """Raise ValueError unless all columns have one shape (n_rows,)."""
    if any(column.ndim != 1 or column.shape != columns[0].shape for column in columns):
        raise ValueError(f"{what} must be one-dimensional and of equal length")


def label_places(labels: ArrayLike) -> tuple[NDArray, NDArray[np.intp]]:
    """Return the distinct labels, sorted, and each row's place among them, shape (n_rows,).

    Labels of several kinds, which nothing sorts, stand by kind. Raises DataError where one is missing: a row of no
    known session would else be a session of its own, or share one with all others like it.
    """
    given = as_labels(labels)
    try:
        names, place = np.unique(given, return_inverse=True)
    except TypeError:
        values = given.tolist()
        _refuse_missing(values)
        names = np.empty(len(set(values)), dtype=object)
        names[:] = sorted(set(values), key=lambda label: (type(label).__name__, label))
        index = {label: i for i, label in enumerate(names)}
        return names, np.array([index[value] for value in values], dtype=np.intp)
    if names.dtype.kind in "fcmMO":
        _refuse_missing(names[-1:].tolist())  # the sorted last: nothing that is missing stands before a label
    return names, place.ravel()


def as_labels(labels: ArrayLike) -> NDArray:
    """Return labels as an array; DataError for a list of text and something missing, which would become text too."""
    given = np.asarray(labels)
    if given.dtype.kind == "U" and isinstance(labels, list | tuple):
        _refuse_missing(labels)
    return given


def _refuse_missing(labels: Iterable) -> None:
    """Raise DataError where any label is missing."""
    if any(map(is_missing, labels)):
        raise DataError("every row needs a label of its session or group; some are missing")


def is_missing(label: object) -> bool:
    """None, NaN or pandas' NA, alone or in a pair; by name, as estimators do not import pandas."""
    if isinstance(label, tuple):
        return any(map(is_missing, label))
    if isinstance(label, float):
        return label != label
    return label is None or type(label).__name__ in ("NAType", "NaTType")
