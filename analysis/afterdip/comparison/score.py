"""The score statistic of the difference of two proportions, with sample sizes that need not be whole numbers.

Miettinen & Nurminen 1985 (Stat. Med. 4:213) compare an observed difference with the spread expected if the true
difference were `delta`, the two proportions being re-estimated under that assumption. Limits stay inside -1 to 1 and
exist when nothing died on either side. Pieces that shared a bath enter through effective sample sizes: see `likely`.
"""

from __future__ import annotations

import math

import numpy as np

from .cells import Floats

_TINY = 1e-14


def constrained(
    first: Floats, second: Floats, n_first: Floats, n_second: Floats, delta: Floats
) -> tuple[Floats, Floats]:
    """Return the likeliest two proportions that differ by `delta`; all shapes broadcast.

    The one admissible root of a cubic, as `proportion.restricted_second` has it for numbers.
    """
    n, x = n_first + n_second, first * n_first + second * n_second
    l2 = (n_first + 2.0 * n_second) * delta - n - x
    l1 = (n_second * delta - n - 2.0 * second * n_second) * delta + x
    l0 = second * n_second * delta * (1.0 - delta)
    third = l2 / (3.0 * n)
    q = third * third * third - l1 * third / (2.0 * n) + l0 / (2.0 * n)  # powers would take most of the time
    p = np.copysign(np.sqrt(np.maximum(third * third - l1 / (3.0 * n), 0.0)), q)
    cube = p * p * p
    cosine = np.divide(q, cube, out=np.zeros_like(q), where=cube != 0.0)
    turn = np.where(cube != 0.0, (np.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3.0, 0.0)
    low, high = np.maximum(0.0, -delta), np.minimum(1.0, 1.0 - delta)
    other = np.clip(2.0 * p * np.cos(turn) - third, low, high)
    return np.clip(other + delta, 0.0, 1.0), other


def score_statistics(first: Floats, second: Floats, n_first: Floats, n_second: Floats, delta: Floats) -> Floats:
    """Return (difference - delta) over its standard error under a true difference of `delta` (no N/(N-1) factor)."""
    p, q = constrained(first, second, n_first, n_second, delta)
    variance = p * (1.0 - p) / n_first + q * (1.0 - q) / n_second
    return (first - second - delta) / np.sqrt(np.maximum(variance, _TINY))


def wilson_limits(proportion: float, n: float, quantile: float) -> tuple[float, float]:
    """Return Wilson's score limits (1927, JASA 22:209) for one proportion of effective size `n`."""
    z2 = quantile * quantile
    centre = proportion + z2 / (2.0 * n)
    half = quantile * math.sqrt(proportion * (1.0 - proportion) / n + z2 / (4.0 * n * n))
    return max(0.0, (centre - half) / (1.0 + z2 / n)), min(1.0, (centre + half) / (1.0 + z2 / n))
