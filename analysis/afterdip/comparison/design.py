"""The columns of a regression of two agents on kinds of pieces or pests, and the rows that tell it anything."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .cells import Floats


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
