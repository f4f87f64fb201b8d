"""Standard time and learning curves: the two textbook formulas of work measurement, with their conventions named."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def basic_time(observed: float, *, rating: float, standard_rating: float = 100.0) -> float:
    """Return the time the work takes at the standard pace: observed x rating / standard rating.

    `observed` in any unit of time; `rating` is the observer's judgement of pace on the scale where `standard_rating`
    is a qualified worker's (100 on the British Standard scale, BS 3138). ILO, Introduction to Work Study, 4th ed.
    (1992), ch. 23. Raises ValueError unless all are above zero.
    """
    if min(observed, rating, standard_rating) <= 0:
        raise ValueError(f"times and ratings must be above 0, got {observed!r}, {rating!r}, {standard_rating!r}")
    return observed * rating / standard_rating


def standard_time(basic: float, *, allowance: float) -> float:
    """Return basic time plus relaxation allowance, the allowance being a share of BASIC time: basic x (1 + allowance).

    This is the work-study convention (ILO 1992, ch. 24). `shift_standard_time` is the other one; 15 % gives 1.150
    here and 1.176 there, so a time printed without its convention says little.
    """
    if basic <= 0 or allowance < 0:
        raise ValueError(f"basic must be above 0 and the allowance 0 or more, got {basic!r}, {allowance!r}")
    return basic * (1.0 + allowance)


def shift_standard_time(basic: float, *, allowance: float) -> float:
    """Return standard time where the allowance is a share of the whole SHIFT: basic / (1 - allowance)."""
    if basic <= 0 or not 0 <= allowance < 1:
        raise ValueError(f"basic must be above 0 and the allowance in [0, 1), got {basic!r}, {allowance!r}")
    return basic / (1.0 - allowance)


def learning_exponent(rate: float) -> float:
    """Return the exponent of a learning curve: log2 of the rate, -0.322 for an 80 % curve.

    The rate is what a doubling of the output leaves of the time: 0.8 means one fifth less with every doubling. Rates
    above 1 (work getting slower) are allowed. Raises ValueError unless the rate is above 0.
    """
    if not rate > 0:
        raise ValueError(f"a learning rate must be above 0, got {rate!r}")
    return float(np.log2(rate))


def unit_time(unit: ArrayLike, *, first: float, rate: float) -> NDArray[np.float64]:
    """Return the time of each unit under the unit (Crawford) model: first x unit ^ log2(rate); shape as `unit`.

    Under this model every single unit follows the curve. Units count from 1.
    """
    return first * _units(unit) ** learning_exponent(rate)


def unit_total(units: int, *, first: float, rate: float) -> float:
    """Return the time of units 1 to `units` together under the unit (Crawford) model: the sum of `unit_time`."""
    return float(unit_time(np.arange(1, int(_units(units)) + 1), first=first, rate=rate).sum())


def average_total(units: ArrayLike, *, first: float, rate: float) -> NDArray[np.float64]:
    """Return the time of units 1 to `units` under the cumulative-average (Wright) model; shape as `units`.

    There the AVERAGE of the first n follows the curve (Wright 1936, J Aeronaut Sci 3:122-128), so the total is
    n x first x n ^ log2(rate): for ten units at 80 %, 4.765 times the first, against 6.315 under the unit model.
    """
    n = _units(units)
    return n * first * n ** learning_exponent(rate)


def _units(units: ArrayLike) -> NDArray[np.float64]:
    n = np.asarray(units, dtype=np.float64)
    if not np.all(n >= 1):
        raise ValueError("units count from 1")
    return n
