"""Shares by session or week against limits: the p-chart, and Laney's, which allows for overdispersion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from ..proportion.columns import events_among

_RANGE_OF_TWO = 1.128  # mean range of two normal values over their standard deviation, as tables of charts print it

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PChart:
    """A p-chart: `share`, `low`, `high` and `out` (beyond a limit) have shape (n_points,); NaN, False without trials.

    `centre` is the ratio of sums. `sigma_z` is how many times wider the points scatter than pieces that do not share
    a bath would (1 for the plain chart). Limits stand `width` standard errors off the centre, cut at 0 and 1; a limit
    at 0 or 1 cannot be crossed.
    """

    share: Floats
    low: Floats
    high: Floats
    out: NDArray[np.bool_]
    centre: float
    sigma_z: float
    width: float


def p_chart(events: ArrayLike, trials: ArrayLike, *, width: float = 3.0) -> PChart:
    """Return Shewhart's p-chart of events out of trials, shape (n_points,), in order of time.

    NIST/SEMATECH e-Handbook 6.3.3.2. It takes pieces as independent: where they share baths it raises many false
    alarms (`calibrate/monitoring.py`). Raises DataError without trials or with more events than trials.
    """
    y, n = _counts(events, trials)
    return _chart(y, n, 1.0, width)


def laney_p_chart(events: ArrayLike, trials: ArrayLike, *, width: float = 3.0) -> PChart:
    """Return Laney's p'-chart: the p-chart's limits times the points' own scatter from one to the next.

    Laney 2002, Qual Eng 14:531: sigma_z is the mean moving range of the z-scores over 1.128. Never less than 0; below 1
    the points scatter less than independent pieces would and the limits are narrower. Fewer than two points with
    trials, or no scatter to measure (all or no events), give sigma_z 1. Arguments and errors as `p_chart`.
    """
    y, n = _counts(events, trials)
    centre, some = y.sum() / n.sum(), n > 0
    if centre in (0.0, 1.0) or some.sum() < 2:
        return _chart(y, n, 1.0, width)
    z = (y[some] / n[some] - centre) / np.sqrt(centre * (1 - centre) / n[some])
    return _chart(y, n, float(np.abs(np.diff(z)).mean() / _RANGE_OF_TWO), width)


def _counts(events: ArrayLike, trials: ArrayLike) -> tuple[Floats, Floats]:
    y, n = events_among(events, trials)
    if not n.sum():
        raise DataError("no trials: nothing to chart")
    return y, n


def _chart(y: Floats, n: Floats, sigma_z: float, width: float) -> PChart:
    some, centre = n > 0, float(y.sum() / n.sum())
    size = np.where(some, n, np.nan)
    share = y / size
    reach = width * sigma_z * np.sqrt(centre * (1 - centre) / size)
    low, high = np.maximum(centre - reach, 0.0), np.minimum(centre + reach, 1.0)
    with np.errstate(invalid="ignore"):
        out = (share < low) | (share > high)
    return PChart(share, low, high, out, centre, sigma_z, width)
