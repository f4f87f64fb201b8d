"""Score limits for the difference of two proportions, with sample sizes that need not be whole numbers.

Miettinen & Nurminen 1985 (Stat. Med. 4:213) compare an observed difference with the spread expected if the true
difference were `delta`, the two proportions being re-estimated under that assumption. Limits stay inside -1 to 1 and
exist when nothing died on either side. Pieces that shared a bath enter through effective sample sizes, and the normal
quantile becomes Student's t: see `difference`.
"""

from __future__ import annotations

import math

from scipy.optimize import brentq

from ..proportion import restricted_second

_EXACT = 1e-14  # how near the limits come to where the score statistic meets the quantile
_TINY = 1e-14


def score_statistic(first: float, second: float, n_first: float, n_second: float, delta: float) -> float:
    """Return (difference - delta) over its standard error under a true difference of `delta` (no N/(N-1) factor)."""
    q = restricted_second((first * n_first, n_first, second * n_second, n_second), delta)
    p = min(1.0, max(0.0, q + delta))
    variance = p * (1.0 - p) / n_first + q * (1.0 - q) / n_second
    return (first - second - delta) / math.sqrt(max(variance, _TINY))


def score_limits(
    first: float, second: float, n_first: float, n_second: float, quantile: float
) -> tuple[float, float]:
    """Return the differences (first minus second) at which the score statistic reaches plus and minus `quantile`."""
    if not (n_first > 0.0 and n_second > 0.0):
        raise ValueError(f"effective sample sizes must be above 0, got {n_first!r} and {n_second!r}")
    observed = first - second

    def beyond(delta: float) -> float:
        return abs(score_statistic(first, second, n_first, n_second, delta)) - quantile

    limits = [end if beyond(end) <= 0.0 else brentq(beyond, observed, end, xtol=_EXACT) for end in (-1.0, 1.0)]
    return limits[0], limits[1]


def wilson_limits(proportion: float, n: float, quantile: float) -> tuple[float, float]:
    """Return Wilson's score limits (1927, JASA 22:209) for one proportion of effective size `n`."""
    z2 = quantile * quantile
    centre = proportion + z2 / (2.0 * n)
    half = quantile * math.sqrt(proportion * (1.0 - proportion) / n + z2 / (4.0 * n * n))
    return max(0.0, (centre - half) / (1.0 + z2 / n)), min(1.0, (centre + half) / (1.0 + z2 / n))
