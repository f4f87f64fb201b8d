"""Which dips were of one season: what a bad winter did is not to be told of the agent that happened to be used in it.

Two sides (two agents, an agent and the sham) may be spread over the year unlike: one took over from the other.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

SEASON = "season"
SPREAD_APART = 0.15  # of sessions, beyond what chance does, that one side had in other quarters than the other


def in_season(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows of two agents (agent, session, date) with SEASON, empty where both are spread over the year alike.

    Where they are not, it is missing in months that only one was used in, and the quarter of the year in the others:
    one by one taking over from the other, both share months, and yet one got the winter.
    """
    month, agent = rows["date"].to_numpy("datetime64[M]"), rows["agent"]
    is_one = (agent == agent.iloc[0]).to_numpy(bool) if len(agent) else np.zeros(0, dtype=bool)
    if not spread_apart(rows["session"], month, is_one, ~is_one):
        return rows.assign(**{SEASON: ""})
    shared = np.isin(month, np.intersect1d(month[is_one], month[~is_one]))
    return rows.assign(**{SEASON: np.where(shared, _quarter(month).astype(str).astype(object), None)})


def of_same_season(trays: pd.DataFrame, one: np.ndarray, other: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which of one side's trays and which of the other's to set side by side, each as bool like `one`, `other`.

    All of them, unless the sides are spread over the year unlike: then those of months that both had.
    """
    month = trays["date"].to_numpy("datetime64[M]")
    if not spread_apart(trays["session"], month, one, other):
        return one, other
    shared = np.isin(month, np.intersect1d(month[one], month[other]))
    return one & shared, other & shared


def spread_apart(session: pd.Series, month: np.ndarray, one: np.ndarray, other: np.ndarray) -> bool:
    """Return whether the sessions of two sides are spread over the quarters unlike beyond chance.

    All (n_rows,): `session`, `month` (datetime64[M]), and whether a row is of the `one` side or the `other`, bool.
    What chance does to that spread, with so few sessions, is in the limits already and does not count.
    """
    if not one.any() or not other.any():
        return False
    quarter = _quarter(month)
    quarter = quarter - quarter.min()
    until = quarter.max() + 1
    counts = np.column_stack([_sessions_by_quarter(session[side], quarter[side], until) for side in (one, other)])
    of_each = counts.sum(axis=0)
    share, even = counts.sum(axis=1) / counts.sum(), (1 / of_each).sum()
    moved = np.abs(np.diff(counts / of_each, axis=1)).sum() / 2
    by_chance = np.sqrt(2 / np.pi * even * share * (1 - share)).sum() / 2  # mean size of a normal difference
    return bool(moved - by_chance > SPREAD_APART)


def _sessions_by_quarter(session: pd.Series, quarter: np.ndarray, n_quarters: int) -> np.ndarray:
    return np.bincount(quarter[~session.duplicated().to_numpy()], minlength=n_quarters)


def _quarter(month: np.ndarray) -> np.ndarray:
    """Return the quarter of each month (datetime64[M]), counted from 1970."""
    return month.astype(np.int64) // 3
