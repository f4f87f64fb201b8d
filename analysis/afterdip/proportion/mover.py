"""Differences and ratios of two independent estimates from the limits each already has.

Method of variance estimates recovery: the distance from an estimate to its own limit stands for its error in that
direction, and distances are squared and added. The arms' limits may be exact, session-level or bounds, so a zero on
one side still gives an honest limit. Zou & Donner 2008, Stat Med 27:1693 (differences); Donner & Zou 2012, Stat
Methods Med Res 21:347 (ratios).
"""

from __future__ import annotations

import math

import numpy as np

from ..estimate import COUNTS, Estimate, cannot_say


def difference_of(first: Estimate, second: Estimate) -> Estimate:
    """First minus second, both with limits at the same level and from different sessions; "cannot say" is passed on."""
    _same_level(first, second)
    counts = _add_counts(first, second)
    unknown = _unknown(first, second)
    if unknown:
        return cannot_say(unknown, confidence_level=first.confidence_level, **counts)
    low, high = joined_difference_limits(
        first.estimate, first.low, first.high, second.estimate, second.low, second.high
    )
    return Estimate(
        estimate=first.estimate - second.estimate, low=float(low), high=float(high),
        confidence_level=first.confidence_level, method="difference, limits of both sides squared and added", **counts,
    )


def ratio_of(first: Estimate, second: Estimate) -> Estimate:
    """First over second, both 0 or more, independent; `high` is None where the second may be 0.

    A second estimate of 0 is "cannot say": there is nothing to divide by.
    """
    _same_level(first, second)
    counts = _add_counts(first, second)
    unknown = _unknown(first, second)
    if not unknown and second.estimate <= 0:
        unknown = "no denominator: the other side has none"
    if unknown:
        return cannot_say(unknown, confidence_level=first.confidence_level, **counts)
    low, high = joined_ratio_limits(first.estimate, first.low, first.high, second.estimate, second.low, second.high)
    return Estimate(
        estimate=first.estimate / second.estimate, low=float(low), high=float(high) if math.isfinite(high) else None,
        confidence_level=first.confidence_level, method="ratio, limits of both sides recovered and joined", **counts,
    )


def joined_difference_limits(first, low1, high1, second, low2, high2) -> tuple[np.ndarray, np.ndarray]:
    """Limits of first - second from those of both, arrays of one shape: Zou & Donner 2008, formula 3."""
    gap = np.asarray(first) - second
    return gap - np.hypot(first - low1, high2 - second), gap + np.hypot(high1 - first, second - low2)


def joined_ratio_limits(first, low1, high1, second, low2, high2) -> tuple[np.ndarray, np.ndarray]:
    """Limits of first/second from those of both, arrays of one shape, all 0 or more, `second` above 0.

    Donner & Zou 2012, formulae 9 and 10, the lower one multiplied out so that nothing cancels. The upper limit is
    infinite where `low2` is 0.
    """
    first, low1, high1, second, low2, high2 = (np.asarray(x, float) for x in (first, low1, high1, second, low2, high2))
    product = first * second
    near, far = low1 * (2 * first - low1), high2 * (2 * second - high2)
    below = product + np.sqrt(np.maximum(product**2 - near * far, 0))
    low = np.divide(near, below, out=np.zeros_like(product), where=near > 0)
    far, near = high1 * (2 * first - high1), low2 * (2 * second - low2)
    above = product + np.sqrt(np.maximum(product**2 - near * far, 0))
    return low, np.divide(above, near, out=np.full_like(product, np.inf), where=near > 0)


def _same_level(first: Estimate, second: Estimate) -> None:
    """Refuse limits that do not mean the same."""
    if first.confidence_level != second.confidence_level:
        raise ValueError(f"confidence levels differ: {first.confidence_level} and {second.confidence_level}")


def _unknown(first: Estimate, second: Estimate) -> str:
    """Return why the two cannot be joined, or nothing."""
    for side in (first, second):
        if not side.known:
            return side.reason
        if side.low is None or side.high is None:
            return "one side has no limit"
    return ""


def _add_counts(first: Estimate, second: Estimate) -> dict[str, int | None]:
    """Both sides' counts together; None where either side does not have that count."""
    pairs = {name: (getattr(first, name), getattr(second, name)) for name in COUNTS}
    return {name: a + b for name, (a, b) in pairs.items() if a is not None and b is not None}
