"""From pieces that left observation on some day to deaths by the horizon per cell, as a comparison takes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..proportion.columns import as_labels, counts_in_step, in_step, label_places


@dataclass(frozen=True, slots=True)
class Fates:
    """Per cell, shape (n_cells,): `total` pieces' worth of knowledge, `events` deaths by the horizon among them.

    `events / total` is the cell's loss; `total` counts a piece sold half way as half known. `deaths` were seen.
    `followed` says, per group, whether anything was still under observation on the horizon.
    """

    total: NDArray[np.float64]
    events: NDArray[np.float64]
    deaths: NDArray[np.float64]
    followed: dict


def fates_at(
    day: ArrayLike, dead: ArrayLike, left: ArrayLike, cell: ArrayLike, group: ArrayLike, *, horizon: float, n_cells: int
) -> Fates:
    """Return loss by day `horizon` per cell, pieces that left early being carried on to the right.

    `day`, `dead`, `left`, `cell` (0 to n_cells - 1) and `group`: shape (n_rows,); `left` are pieces last seen alive or
    taken out on `day`. One that left on day c < horizon dies by the horizon with probability 1 - S(horizon)/S(c), S its
    group's Kaplan-Meier curve: redistribution to the right (Efron 1967, Proc. 5th Berkeley Symp. 4:831), which over a
    whole group gives back 1 - S(horizon). What such a piece tells counts as H(c)/H(horizon) of a piece, H the
    cumulative hazard (days, where nobody died). Pieces that left on day 0 tell nothing and are passed over. Raises
    DataError for days or counts that are not finite or below 0, and where a group's label is missing.
    """
    day, dead, left = counts_in_step(day, dead, left, what="days and counts of pieces")
    cell, group = np.asarray(cell, dtype=np.int64), as_labels(group)
    in_step(day, cell, group, what="days, counts, cell and group")
    keep = (day > 0) | (dead > 0)
    day, dead, cell, (names, group) = day[keep], dead[keep], cell[keep], label_places(group[keep])
    left = np.where(day > 0, left[keep], 0.0)
    share, known = np.zeros(day.size), np.ones(day.size)
    followed = {}
    for place, name in enumerate(names):
        rows = group == place
        share[rows], known[rows] = _carried(day[rows], dead[rows], left[rows], horizon)
        followed[name] = bool((left[rows & (day >= horizon)].sum() + dead[rows & (day >= horizon)].sum()) > 0)
    seen = np.where(day <= horizon, dead, 0.0)
    alive = left + np.where(day > horizon, dead, 0.0)
    pieces = np.bincount(cell, seen + alive, n_cells)
    expected = np.bincount(cell, seen + alive * share, n_cells)
    total = np.bincount(cell, seen + alive * known, n_cells)
    rate = np.divide(expected, pieces, out=np.zeros(n_cells), where=pieces > 0)
    return Fates(total, rate * total, np.bincount(cell, seen, n_cells), followed)


def _carried(day: NDArray, dead: NDArray, left: NDArray, horizon: float) -> tuple[NDArray, NDArray]:
    """Return for each row the chance that a piece leaving alive then dies by the horizon, and how much it tells."""
    days, place = np.unique(day, return_inverse=True)
    d = np.bincount(place, dead, days.size)
    at_risk = np.bincount(place, dead + left, days.size)[::-1].cumsum()[::-1]
    inside = days <= horizon
    hazard = np.divide(d, at_risk, out=np.zeros(days.size), where=at_risk > 0) * inside
    survival, cumulative = np.cumprod(1.0 - hazard), np.cumsum(hazard)
    share = np.divide(survival[-1], survival, out=np.ones(days.size), where=survival > 0)
    told = cumulative / cumulative[-1] if cumulative[-1] > 0 else np.minimum(days / horizon, 1.0)
    told = np.where(days >= horizon, 1.0, told)
    return np.where(inside, 1.0 - share, 0.0)[place], told[place]
