"""Which tray the pieces of a tray came from, and which they were first dipped in."""

from __future__ import annotations

import numpy as np
import pandas as pd

from afterdip.errors import DataError


def series_of(trays: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return for each tray the row of the tray before (-1 for none), that of the first of its series, and its dip.

    `trays`: tray and earlier_tray, a row each; the dip is 1 for the first of a series. All of shape (n_trays,). An
    earlier tray that is not among them is none. Raises DataError where a tray comes back to itself.
    """
    earlier = trays["earlier_tray"].to_numpy(dtype=object, na_value=None)
    parent = pd.Index(trays["tray"]).get_indexer(earlier)
    first, dip = np.arange(len(trays)), np.ones(len(trays), dtype=np.int64)
    step = parent
    while (later := step >= 0).any():  # one pass per link of the longest series
        first = np.where(later, step, first)
        dip += later
        step = np.where(later, parent[step], -1)
        if dip.max() > len(trays):
            raise DataError("trays, column 'earlier_tray': a tray comes back to itself")
    return parent, first, dip


def of_unnamed_series(trays: pd.DataFrame) -> np.ndarray:
    """Return which trays are re-dips, by their origin, that name no earlier tray, as bool: none is a first dip.

    Trays that were put together have no one earlier tray to name; other pieces were dipped before the log began.
    """
    return (trays["origin"].eq("re-dip") & trays["earlier_tray"].isna()).to_numpy(dtype=bool, na_value=False)
