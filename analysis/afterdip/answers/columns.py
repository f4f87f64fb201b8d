"""A table's columns as arrays: an answer looks at hundreds of small parts of one table, and a frame's part is slow."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd


class Columns:
    """Rows of a table. `table["name"]` is a column, shape (n_rows,); `part` and `groups` give some of the rows.

    A part holds the whole table and its own rows' places, so that only columns that are asked for are copied.
    """

    __slots__ = ("_codes", "_table", "rows")

    def __init__(self, table: dict[str, np.ndarray], rows: np.ndarray, whole: Columns | None = None) -> None:
        self._table, self.rows = table, rows
        self._codes = {} if whole is None else whole._codes

    @classmethod
    def of(cls, frame: pd.DataFrame, *, coded: Sequence[str] = (), **more: np.ndarray) -> Columns:
        """Return a frame's columns, and `more`; `coded` ones as whole numbers in the order of their labels."""
        table = {name: frame[name].to_numpy() for name in frame.columns} | more
        table |= {name: pd.factorize(table[name], sort=True)[0] for name in coded}
        return cls(table, np.arange(len(frame)))

    def __len__(self) -> int:
        return self.rows.size

    def __getitem__(self, name: str) -> np.ndarray:
        return self._table[name][self.rows]

    def part(self, chosen: np.ndarray) -> Columns:
        """Return some of the rows: a mask of shape (n_rows,), or their places, or a slice."""
        return Columns(self._table, self.rows[chosen], self)

    def groups(self, *names: str) -> Iterator[tuple[tuple, Columns]]:
        """Yield the values of these columns and the rows that share them, sorted; rows without a value are left out."""
        key, here = np.zeros(len(self), dtype=np.int64), np.ones(len(self), dtype=bool)
        for name in names:
            codes, labels = self._coded(name)
            key = key * (len(labels) + 1) + codes[self.rows]
            here &= codes[self.rows] >= 0
        places = np.flatnonzero(here)
        places = places[np.argsort(key[places], kind="stable")]
        for places_of_one in np.split(places, np.flatnonzero(np.diff(key[places])) + 1) if places.size else ():
            part = self.part(places_of_one)
            yield tuple(self._table[name][part.rows[0]] for name in names), part

    def _coded(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        if name not in self._codes:
            self._codes[name] = pd.factorize(self._table[name], sort=True)
        return self._codes[name]

    def count(self, name: str) -> int:
        """Return how many different values a column has in these rows."""
        return np.unique(self[name]).size

    def last_of_each(self, name: str) -> Columns:
        """Return the last row of each value of a column, in the order of the table."""
        back = self[name][::-1]
        _, first = np.unique(back, return_index=True)
        return self.part(np.sort(back.size - 1 - first))
