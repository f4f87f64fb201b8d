"""Sessions of many cells laid end to end, so that one search serves cells of any number of sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Ragged:
    """Rows of cells, those of a cell together; equal sessions of a cell are one row.

    `columns`: shape (n_columns, n_rows); `times`: how many sessions each row stands for, shape (n_rows,); `starts` and
    `lengths`: where the rows of each cell are, shape (n_cells,).
    """

    columns: Floats
    times: Floats
    starts: Places
    lengths: Places

    @classmethod
    def of(cls, *columns: Floats, used: NDArray[np.bool_]) -> Ragged:
        """Rows of the `used` sessions of columns, all of shape (n_cells, n_sessions); every cell needs one."""
        cells, values = np.nonzero(used)[0], np.stack([column[used] for column in columns])
        order = np.lexsort((*values, cells))
        cells, values = cells[order], values[:, order]
        new = np.ones(cells.size + 1, bool)  # the last marks the end
        new[1:-1] = (cells[1:] > cells[:-1]) | (values[:, 1:] != values[:, :-1]).any(0)
        first = np.flatnonzero(new)
        lengths = np.bincount(cells[first[:-1]], minlength=len(used))
        return cls(values[:, first[:-1]], (first[1:] - first[:-1]).astype(float), lengths.cumsum() - lengths, lengths)

    def part(self, cells: Places) -> tuple[Ragged, Places]:
        """Return the rows of some cells, in that order and as often as they are named, and the place of each row's."""
        lengths = self.lengths[cells]
        ends = lengths.cumsum()
        rows = np.arange(ends[-1]) + np.repeat(self.starts[cells] - ends + lengths, lengths)
        part = Ragged(self.columns[:, rows], self.times[rows], ends - lengths, lengths)
        return part, np.repeat(np.arange(cells.size), lengths)

    def sums(self, values: Floats) -> Floats:
        """Sums over the sessions of each cell of what its rows have, (..., n_rows) to (..., n_cells)."""
        return np.add.reduceat(values * self.times, self.starts, axis=-1)


def rising(counts: Ragged, start: Floats, cells: Places) -> Floats:
    """Sum over sessions of log(start (start + 1) ... (start + count - 1)), shape (n_strengths, n_some).

    `counts`: one column, those above 0 (nothing adds nothing); `start`: shape (n_strengths, n_some), of some `cells`.
    """
    part, place = counts.part(cells)
    return part.sums(gammaln(part.columns[0] + start[:, place])) - part.sums(1.0) * gammaln(start)


def stacked(rows: Sequence[ArrayLike]) -> Floats:
    """Arrays of any length as rows of one, shape (n_rows, longest), with zeros after the shorter ones."""
    lengths = np.array([len(row) for row in rows], dtype=np.intp)
    whole = np.zeros((lengths.size, lengths.max(initial=0)))
    whole[np.arange(whole.shape[1]) < lengths[:, None]] = np.concatenate([np.zeros(0), *rows])
    return whole
