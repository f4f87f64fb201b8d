"""Differences of two proportions of independent units; session-level differences are in `mover`."""

from __future__ import annotations

import math

from scipy.special import ndtri

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from .single import _check, score_limits

_NOTHING = "no denominator: one side has nothing examined"


def newcombe_difference(
    events: float, trials: float, other_events: float, other_trials: float, *, confidence_level: float = 0.95
) -> Estimate:
    """First proportion minus the second, limits by squaring and adding Wilson's.

    Method 10 of Newcombe 1998, Stat Med 17:873. Independent units on both sides; never outside [-1, 1].
    """
    _check(events, trials), _check(other_events, other_trials)
    if not trials or not other_trials:
        return cannot_say(_NOTHING, confidence_level=confidence_level)
    first, second = events / trials, other_events / other_trials
    low1, high1 = score_limits(events, trials, confidence_level=confidence_level)
    low2, high2 = score_limits(other_events, other_trials, confidence_level=confidence_level)
    return Estimate(
        estimate=first - second,
        low=first - second - math.hypot(first - low1, high2 - second),
        high=first - second + math.hypot(high1 - first, second - low2),
        confidence_level=confidence_level, method="difference, score limits squared and added (Newcombe)",
    )


def paired_difference(
    both: float, first_only: float, second_only: float, neither: float, *, confidence_level: float = 0.95
) -> Estimate:
    """Difference of two proportions seen on the same units: (first_only - second_only)/n.

    `both`, `first_only`, `second_only`, `neither`: units with the event on both occasions, on one of them, on none.
    Method 10 of Newcombe 1998, Stat Med 17:2635: Wilson limits joined by a continuity-corrected phi, which is 0 when
    a margin is empty.
    """
    cells = (both, first_only, second_only, neither)
    n = sum(cells)
    if min(cells) < 0 or not math.isfinite(n):
        raise DataError(f"paired counts must be 0 or more, got {cells}")
    if n == 0:
        return cannot_say("no denominator: nothing was examined twice", confidence_level=confidence_level)
    first, second = (both + first_only) / n, (both + second_only) / n
    low1, high1 = score_limits(both + first_only, n, confidence_level=confidence_level)
    low2, high2 = score_limits(both + second_only, n, confidence_level=confidence_level)
    phi = _continuity_corrected_phi(*cells)
    down, up = (first - low1, high2 - second), (high1 - first, second - low2)
    return Estimate(
        estimate=first - second,
        low=first - second - math.sqrt(down[0] ** 2 - 2 * phi * down[0] * down[1] + down[1] ** 2),
        high=first - second + math.sqrt(up[0] ** 2 - 2 * phi * up[0] * up[1] + up[1] ** 2),
        confidence_level=confidence_level, method="paired difference, score limits with corrected phi (Newcombe)",
    )


def _continuity_corrected_phi(a: float, b: float, c: float, d: float) -> float:
    """Phi of a 2 x 2 table, its numerator reduced by n/2 towards 0 when positive (Newcombe 1998, p. 2640)."""
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    if margins == 0:
        return 0.0
    cross = a * d - b * c
    return (max(cross - (a + b + c + d) / 2, 0.0) if cross > 0 else cross) / math.sqrt(margins)


def miettinen_nurminen_difference(
    events: float, trials: float, other_events: float, other_trials: float, *, confidence_level: float = 0.95
) -> Estimate:
    """First proportion minus the second, by inverting the score test with the n/(n-1) factor.

    Miettinen & Nurminen 1985, Stat Med 4:213: a difference stays inside the limits while the squared score, with
    both proportions at their likelihood maximum under that difference, is below the chi-square quantile.
    """
    _check(events, trials), _check(other_events, other_trials)
    if not trials or not other_trials:
        return cannot_say(_NOTHING, confidence_level=confidence_level)
    observed = events / trials - other_events / other_trials
    z = float(ndtri((1 + confidence_level) / 2))
    counts = (events, trials, other_events, other_trials)
    return Estimate(
        estimate=observed, low=_edge(counts, observed, -1.0, z), high=_edge(counts, observed, 1.0, z),
        confidence_level=confidence_level, method="difference, score limits (Miettinen-Nurminen)",
    )


def _edge(counts: tuple[float, ...], inside: float, end: float, z: float) -> float:
    """Where |score| passes z between the observed difference and -1 or 1, by bisection to the last bit."""
    outside = end
    if abs(inside - end) < 1e-15:
        return end
    for _ in range(80):
        middle = (inside + outside) / 2
        if abs(_score(counts, middle)) < z:
            inside = middle
        else:
            outside = middle
    return (inside + outside) / 2


def _score(counts: tuple[float, ...], delta: float) -> float:
    """Score statistic for the difference `delta` (Miettinen & Nurminen 1985, formulae 8-10)."""
    x1, n1, x2, n2 = counts
    second = restricted_second(counts, delta)
    first = min(max(second + delta, 0.0), 1.0)
    n = n1 + n2
    factor = n / (n - 1) if n > 1 else 1.0
    variance = (first * (1 - first) / n1 + second * (1 - second) / n2) * factor
    gap = x1 / n1 - x2 / n2 - delta
    return gap / math.sqrt(variance) if variance > 0 else math.copysign(math.inf, gap) if gap else 0.0


def restricted_second(counts: tuple[float, ...], delta: float) -> float:
    """Second proportion maximising the likelihood under p1 - p2 = delta: the one admissible root of a cubic."""
    x1, n1, x2, n2 = counts
    n, x = n1 + n2, x1 + x2
    l2 = (n1 + 2 * n2) * delta - n - x
    l1 = (n2 * delta - n - 2 * x2) * delta + x
    l0 = x2 * delta * (1 - delta)
    q = l2**3 / (3 * n) ** 3 - l1 * l2 / (6 * n * n) + l0 / (2 * n)
    p = math.copysign(math.sqrt(max(l2 * l2 / (3 * n) ** 2 - l1 / (3 * n), 0.0)), q)
    turn = (math.pi + math.acos(min(max(q / p**3, -1.0), 1.0))) / 3 if p else 0.0
    return min(max(2 * p * math.cos(turn) - l2 / (3 * n), max(0.0, -delta)), min(1.0, 1.0 - delta))
