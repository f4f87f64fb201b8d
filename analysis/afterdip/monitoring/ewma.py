"""The exponentially weighted moving average: slow to move, so that a lasting change shows and a bad day does not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ewma:
    """`average`, `low`, `high`, `out` have shape (n_points,); the limits widen from the start towards `settled`.

    `settled` is the pair of constant limits for a long series, as handbooks print them.
    """

    average: Floats
    low: Floats
    high: Floats
    out: NDArray[np.bool_]
    settled: tuple[float, float]
    weight: float


def ewma(values: ArrayLike, *, target: float, sigma: float, weight: float = 0.3, width: float = 3.0) -> Ewma:
    """Return the EWMA of values in order of time, shape (n_points,), with limits `width` standard errors off `target`.

    z_t = weight x_t + (1 - weight) z_(t-1), z_0 the target. Roberts 1959, Technometrics 1:239; NIST/SEMATECH e-Handbook
    6.3.2.4. Limits suppose independent normal values of known `sigma`; for sessions see `drift_alarm`. No values give
    empty arrays. Raises DataError for values not finite.
    """
    x = np.asarray(values, float)
    if x.ndim != 1 or not 0 < weight <= 1 or sigma <= 0:
        raise ValueError("values must be one-dimensional, weight in (0, 1], sigma above 0")
    if not np.isfinite(x).all():
        raise DataError("values must be finite")
    average = target + averages(x - target, weight=weight)
    reach = width * sigma * spread_of_average(x.size, weight=weight)
    low, high = target - reach, target + reach
    settled = width * sigma * np.sqrt(weight / (2 - weight))
    return Ewma(average, low, high, (average < low) | (average > high), (target - settled, target + settled), weight)


def averages(values: Floats, *, weight: float) -> Floats:
    """Return the EWMA started at 0 of values of shape (..., n_points)."""
    out = np.empty(np.shape(values))
    last = np.zeros(out.shape[:-1])
    for i in range(out.shape[-1]):
        last = weight * values[..., i] + (1 - weight) * last
        out[..., i] = last
    return out


def spread_of_average(n_points: int, *, weight: float) -> Floats:
    """Return the standard deviation of each point's average when the values have one of 1; shape (n_points,)."""
    steps = np.arange(1, n_points + 1)
    return np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * steps)))
