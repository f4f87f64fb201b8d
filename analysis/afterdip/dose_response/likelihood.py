"""The binomial likelihood of many cells at once: share responding = C + (1 - C) F(design . coefficients).

Rows are sorted by cell and sums over a cell are `np.add.reduceat`. Columns come first and cells or rows last in every
array (`design[j]` is a contiguous column), because thousands of small cells are then a few operations on long vectors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .links import Floats, Link

_TINY = 1e-100
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Rows:
    """Binomial rows sorted by cell; `start` (cells,) is each cell's first row, `control` marks shams.

    `design` (k, rows) and, where a part of the predictor is given, `offset` (rows,).
    """

    start: Ints
    design: Floats
    n: Floats
    responded: Floats
    control: Bools
    offset: Floats | float = 0.0
    _sizes: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_sizes", np.diff(np.append(self.start, self.n.size)))

    def sizes(self) -> Ints:
        """Return how many rows each cell has, shape (cells,)."""
        return self._sizes

    def total(self, values: Floats) -> Floats:
        """Sum rows (rows,) over cells (cells,)."""
        return np.add.reduceat(values, self.start)

    def spread(self, values: Floats) -> Floats:
        """Repeat values of cells (..., cells) in their rows (..., rows)."""
        return np.repeat(values, self._sizes, axis=-1)

    def keep(self, cells: Bools) -> Rows:
        """Return the rows of the marked cells only."""
        sizes = self._sizes
        rows = np.repeat(cells, sizes)
        start = np.concatenate([[0], np.cumsum(sizes[cells])[:-1]]).astype(np.int64)
        offset = self.offset[rows] if isinstance(self.offset, np.ndarray) else self.offset
        return Rows(start, self.design[:, rows], self.n[rows], self.responded[rows], self.control[rows], offset)


def joined(parts: Sequence[Rows]) -> Rows:
    """Return the cells of several Rows in one; all with an `offset` for each row."""
    before = np.cumsum([0, *(part.n.size for part in parts)])
    return Rows(
        np.concatenate([part.start + shift for part, shift in zip(parts, before, strict=False)]),
        np.concatenate([part.design for part in parts], axis=1),
        *(np.concatenate([getattr(part, name) for part in parts]) for name in ("n", "responded", "control", "offset")),
    )


@dataclass(frozen=True, slots=True)
class State:
    """The model at some parameters: p, 1 - p, eta and C (rows,), and p's `derivative` by each parameter."""

    p: Floats
    q: Floats
    derivative: list[Floats]
    eta: Floats
    natural: Floats | float

    def put(self, rows: Bools, other: State) -> None:
        """Write the model of the marked rows over, in place."""
        here, there = ([s.p, s.q, s.eta, *s.derivative, s.natural] for s in (self, other))
        for values, new in zip(here, there, strict=True):
            if isinstance(values, np.ndarray):
                values[rows] = new


def state_at(rows: Rows, parameters: Floats, link: Link) -> State:
    """Evaluate the model in every row.

    `parameters` (k, cells), or (k + 1, cells) with the natural response C last. A control row has F = 0.
    """
    columns = rows.design
    at_row = [rows.spread(line) for line in parameters]
    eta = sum((column * line for column, line in zip(columns, at_row, strict=False)), start=rows.offset)
    below, above, slope = link.shares(eta)
    if parameters.shape[0] == columns.shape[0]:
        return State(below, above, [column * slope for column in columns], eta, 0.0)
    natural = at_row[-1]
    below = np.where(rows.control, 0.0, below)
    above = np.where(rows.control, 1.0, above)
    slope = np.where(rows.control, 0.0, slope) * (1.0 - natural)
    derivative = [*(column * slope for column in columns), above]
    return State(natural + (1.0 - natural) * below, (1.0 - natural) * above, derivative, eta, natural)


def log_likelihood(rows: Rows, state: State) -> Floats:
    """Return the binomial log-likelihood of each cell less its constant; hugely negative where a row is impossible."""
    hits = rows.responded * np.log(np.maximum(state.p, _TINY))
    return rows.total(hits + (rows.n - rows.responded) * np.log(np.maximum(state.q, _TINY)))


def pull(rows: Rows, state: State) -> Floats:
    """Return d log-likelihood / dp of every row, (responded - n p) / (p (1 - p)) kept finite at p = 0 and p = 1."""
    left = rows.n - rows.responded
    return rows.responded / np.maximum(state.p, _TINY) - left / np.maximum(state.q, _TINY)


def score(rows: Rows, state: State) -> Floats:
    """Return the score of each cell, shape (parameters, cells)."""
    force = pull(rows, state)
    return np.stack([rows.total(force * column) for column in state.derivative])


def expected_information(rows: Rows, state: State) -> Floats:
    """Return Fisher's information of each cell, shape (parameters, parameters, cells)."""
    # A sham row at C = 0 would weigh infinitely: the floor lets C leave 0 again and is far below any count's say.
    floor = np.where(rows.control, 1e-6, _TINY) if len(state.derivative) > rows.design.shape[0] else _TINY
    return summed_products(rows, rows.n / np.maximum(state.p * state.q, floor), state.derivative)


def observed_information(rows: Rows, state: State, link: Link) -> Floats:
    """Return minus the second derivative of the log-likelihood of each cell, shape (parameters, parameters, cells)."""
    weight = rows.responded / np.maximum(state.p, 1e-120) ** 2
    weight = weight + (rows.n - rows.responded) / np.maximum(state.q, 1e-120) ** 2
    matrix = summed_products(rows, weight, state.derivative)
    k = rows.design.shape[0]
    force = np.where(rows.control, 0.0, pull(rows, state))
    matrix[:k, :k] -= summed_products(rows, force * (1.0 - state.natural) * link.bend(state.eta), list(rows.design))
    if len(state.derivative) > k:  # d2p / d eta dC = -F'
        force = force * link.shares(state.eta)[2]
        for j, column in enumerate(rows.design):
            matrix[j, k] = matrix[k, j] = matrix[k, j] + rows.total(force * column)
    return matrix


def summed_products(rows: Rows, weight: Floats, columns: list[Floats]) -> Floats:
    """Return the sum over rows of weight * outer(columns, columns) for each cell, shape (k, k, cells)."""
    matrix = np.empty((len(columns), len(columns), rows.start.size))
    for i, first in enumerate(columns):
        weighted = weight * first
        for j, second in enumerate(columns[: i + 1]):
            matrix[i, j] = matrix[j, i] = rows.total(weighted * second)
    return matrix
