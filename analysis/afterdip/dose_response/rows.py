"""Rows as handed in -> one row per session and cell, checked and sorted."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..errors import DataError
from ..proportion.columns import as_labels, label_places
from .likelihood import Ints
from .links import Floats

SAME_STRENGTH = 1.15


def checked_counts(strength: ArrayLike, n: ArrayLike, responded: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return the three columns as floats of one shape (n_rows,).

    Raises DataError naming the rows where a strength is negative, or not 0 <= responded <= n, or anything not finite.
    """
    x, total, hits = (np.atleast_1d(np.asarray(a, dtype=float)) for a in (strength, n, responded))
    if not x.shape == total.shape == hits.shape or x.ndim != 1:
        raise ValueError(f"strength, n and responded must have one shape, got {x.shape}, {total.shape}, {hits.shape}")
    bad = ~(np.isfinite(x) & np.isfinite(total) & np.isfinite(hits)) | (x < 0) | (hits < 0) | (hits > total)
    if bad.any():
        raise DataError(
            f"row {i}: expected a strength of 0 or more and 0 <= responded <= n, "
            f"got strength {x[i]:g}, n {total[i]:g}, responded {hits[i]:g}" for i in np.flatnonzero(bad)
        )  # fmt: skip
    return x, total, hits


def merge_sessions(
    cell: Ints, settings: tuple[Floats, ...], counts: tuple[Floats, Floats], session: ArrayLike | None
) -> tuple[Ints, tuple[Floats, ...], tuple[Floats, Floats]]:
    """Add up the counts of each session within a cell; sort by cell, settings and counts, so that row order is nothing.

    `settings` (strength first) belong to the bath and must be one value a session: DataError otherwise. Rows that
    counted nothing are dropped; a cell of nothing else keeps one.
    """
    if session is not None:
        labels = as_labels(session)
        if labels.shape != cell.shape:
            raise ValueError(f"session must have the shape of strength, got {labels.shape} and {cell.shape}")
        _, bath = label_places(labels)
        keys = cell * (bath.max(initial=0) + 1) + bath
        _, first, back = np.unique(keys, return_index=True, return_inverse=True)
        back = back.ravel()
        differs = np.any([values[first][back] != values for values in settings], axis=0)
        if differs.any():
            raise DataError(f"session {s}: one bath has one strength and one exposure, got several"
                            for s in sorted({str(label) for label in labels[differs]}))  # fmt: skip
        cell, settings = cell[first], tuple(values[first] for values in settings)
        counts = tuple(np.bincount(back, weights=values, minlength=first.size) for values in counts)
    if _in_order(cell, settings[0]):
        order = np.arange(cell.size)
    else:
        order = np.lexsort((counts[1], counts[0], *reversed(settings), cell))
    keep = counts[0][order] > 0
    if not keep.all():
        sorted_cell = cell[order]
        keep[np.searchsorted(sorted_cell, np.setdiff1d(sorted_cell, sorted_cell[keep]))] = True
    order = order[keep]
    return cell[order], tuple(values[order] for values in settings), tuple(values[order] for values in counts)


def _in_order(cell: Ints, strength: Floats) -> bool:
    """Whether rows stand in order as they are: cells sorted, and within a cell each strength above the one before."""
    step = np.diff(cell)
    return bool(np.all((step > 0) | ((step == 0) & (np.diff(strength) > 0))))


def one_cell(
    strength: ArrayLike, n: ArrayLike, responded: ArrayLike, *, session: ArrayLike | None
) -> tuple[Floats, Floats, Floats]:
    """Return strength, n and responded of one cell, checked, a row a session, sorted; DataError where there is none."""
    x, total, hits = checked_counts(strength, n, responded)
    if not x.size:
        raise DataError("no session to fit a curve to")
    _, (x,), (total, hits) = merge_sessions(np.zeros(x.size, dtype=np.int64), (x,), (total, hits), session)
    return x, total, hits


def same_strength(strength: Floats) -> Floats:
    """Return for each strength (rows,) the lowest of those it counts as one with; 0 stays 0.

    A group runs from its lowest strength to SAME_STRENGTH times it: baths are not measured out more closely.
    """
    values = np.unique(strength)
    lowest, groups = 0.0, []
    for value in values:
        lowest = lowest if 0.0 < value <= lowest * SAME_STRENGTH else float(value)
        groups.append(lowest)
    return np.array(groups)[np.searchsorted(values, strength)] if values.size else strength


def counts_of(n: Floats, responded: Floats, counted: str) -> dict[str, int]:
    """Return the counts an Estimate carries: sessions and pests, or sessions, pieces and deaths."""
    total = {"sessions": int(np.count_nonzero(n > 0)), counted: round(float(n.sum()))}
    return total | ({"deaths": round(float(responded.sum()))} if counted == "pieces" else {})


def check_counted(counted: str) -> None:
    """Raise ValueError unless what is counted is pieces or pests."""
    if counted not in ("pieces", "pests"):
        raise ValueError(f"counted must be pieces or pests, got {counted!r}")
