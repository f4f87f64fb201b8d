"""The columns of a regression of two agents on kinds of pieces or pests, and the rows that tell it anything."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from ..proportion.columns import events_among, in_step, label_places
from .cells import Floats


def two_agents(
    second: ArrayLike, session: ArrayLike, factors: ArrayLike, total: ArrayLike, events: ArrayLike
) -> tuple[NDArray[np.bool_], NDArray, NDArray, Floats, Floats]:
    """Return the columns checked, sessions and factors as whole numbers in the order of their labels.

    Raises DataError where a label is missing and unless 0 <= events <= total, ValueError when lengths differ.
    """
    second, (_, session) = np.asarray(second, dtype=bool), label_places(session)
    y, n = events_among(events, total, of="total")
    places = [label_places(labels)[1] for labels in np.asarray(factors).T]
    in_step(second, n, session, *places, what="second, session, factors, total and events")
    return second, session, np.array(places, dtype=np.intp).reshape(len(places), n.size).T, n, y


def rows_of_design(
    design: ArrayLike, events: ArrayLike, total: ArrayLike, session: ArrayLike
) -> tuple[Floats, Floats, Floats, NDArray, NDArray[np.intp]]:
    """Return design (n_rows, p), events and total as floats, the sessions' labels and each row's place among them.

    Raises DataError as `two_agents` and for a design that is not finite, ValueError when lengths differ.
    """
    X, (labels, place) = np.asarray(design, dtype=float), label_places(session)
    y, n = events_among(events, total, of="total")
    if X.ndim != 2 or not X.shape[0] == n.size == place.size:
        raise ValueError("design needs one row for each of events, total and session")
    if not np.isfinite(X).all():
        raise DataError("the design must be finite; some of it is missing")
    return X, y, n, labels, place


def agent_design(second: NDArray[np.bool_], factors: NDArray) -> Floats | None:
    """Return ones, a step for each further level of each factor, and last the first agent's column, shape (n_rows, p).

    `factors`: labels, shape (n_rows, k). Steps that repeat others (the one stage counted of a pest) are left out. None
    where the agent's own column would repeat the steps: no kind of piece had both agents.
    """
    levels = [labels == level for labels in factors.T for level in np.unique(labels)[1:]]
    steps = _independent(np.column_stack([np.ones(second.size), *levels]))
    whole = _independent(np.column_stack([steps, ~second]))
    return whole if whole.shape[1] > steps.shape[1] else None


def telling_rows(factors: NDArray, total: Floats, events: Floats) -> NDArray[np.bool_]:
    """Return which rows tell of a ratio: those in no level, of any factor, in which nothing or everything died.

    The likelihood of such a level is largest with its step beyond all bounds, where it holds whatever the agent does:
    leaving it out changes no other coefficient.
    """
    keep, before = total > 0, -1
    while before != keep.sum():
        before = keep.sum()
        for labels in factors.T:
            for level in np.unique(labels[keep]):
                rows = keep & (labels == level)
                if not events[rows].sum() or not (total - events)[rows].sum():
                    keep = keep & ~rows
    return keep


def _independent(columns: Floats) -> Floats:
    """Return the columns that are no sum of those before them."""
    kept, basis = [], np.zeros((columns.shape[0], 0))
    for column in columns.T.astype(float):
        rest = column - basis @ (basis.T @ column)
        if np.linalg.norm(rest) > 1e-6 * np.linalg.norm(column):
            kept.append(column)
            basis = np.column_stack([basis, rest / np.linalg.norm(rest)])
    return np.column_stack(kept)
