"""Limits for one proportion of independent units (one bath a piece, or a lot examined once)."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import betaincinv, ndtri

from ..errors import DataError
from ..estimate import Estimate, cannot_say


def clopper_pearson(events: float, trials: float, *, confidence_level: float = 0.95) -> Estimate:
    """Exact two-sided limits of a proportion, each tail at most (1 - confidence_level)/2.

    Fractional counts (an effective sample size) are taken as they are. 0 of n gives the limits 0 and
    1 - (alpha/2)^(1/n), n of n the mirror image; no trials is "cannot say". Clopper & Pearson 1934, Biometrika 26:404.
    """
    _check(events, trials)
    if trials == 0:
        return cannot_say("no denominator: nothing was examined", confidence_level=confidence_level)
    low, high = exact_limits(events, trials, confidence_level=confidence_level)
    return Estimate(
        estimate=events / trials, low=float(low), high=float(high), confidence_level=confidence_level,
        method="exact limits (Clopper-Pearson), units independent",
    )


def exact_limits(events, trials, *, confidence_level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Clopper-Pearson limits of arrays of any common shape, real-valued counts, trials > 0."""
    events, trials = np.asarray(events, float), np.asarray(trials, float)
    tail = (1 - confidence_level) / 2
    some, rest = events > 0, trials - events > 1e-9 * trials  # a count of all, but for rounding, is a count of all
    low = np.where(some, betaincinv(np.where(some, events, 1), trials - events + 1, tail), 0.0)
    high = np.where(rest, betaincinv(events + 1, np.where(rest, trials - events, 1), 1 - tail), 1.0)
    return low, high


def wilson(events: float, trials: float, *, confidence_level: float = 0.95, continuity: bool = False) -> Estimate:
    """Score limits of a proportion, optionally with continuity correction.

    Wilson 1927, JASA 22:209; formulae as methods 3 and 4 of Newcombe 1998, Stat Med 17:857. With the correction the
    lower limit of 0 of n is 0 and the upper limit of n of n is 1. No trials is "cannot say".
    """
    _check(events, trials)
    if trials == 0:
        return cannot_say("no denominator: nothing was examined", confidence_level=confidence_level)
    low, high = score_limits(events, trials, confidence_level=confidence_level, continuity=continuity)
    words = "score limits (Wilson) with continuity correction" if continuity else "score limits (Wilson)"
    return Estimate(
        estimate=events / trials, low=low, high=high, confidence_level=confidence_level,
        method=f"{words}, units independent",
    )


def score_limits(
    events: float, trials: float, *, confidence_level: float, continuity: bool = False
) -> tuple[float, float]:
    """Wilson limits as two floats; see `wilson`."""
    z = float(ndtri((1 + confidence_level) / 2))
    share, other = events / trials, 1 - events / trials
    if not continuity:
        centre = 2 * events + z * z
        half = z * math.sqrt(z * z + 4 * events * other)
        low, high = (centre - half) / (2 * (trials + z * z)), (centre + half) / (2 * (trials + z * z))
        return (0.0 if events == 0 else low), (1.0 if events == trials else high)
    root_low = z * z - 2 - 1 / trials + 4 * share * (trials * other + 1)
    root_high = z * z + 2 - 1 / trials + 4 * share * (trials * other - 1)
    low = (2 * events + z * z - 1 - z * math.sqrt(max(root_low, 0))) / (2 * (trials + z * z))
    high = (2 * events + z * z + 1 + z * math.sqrt(max(root_high, 0))) / (2 * (trials + z * z))
    return (0.0 if events == 0 else max(low, 0.0)), (1.0 if events == trials else min(high, 1.0))


def upper_bound_when_none(trials: float, *, confidence_level: float = 0.95) -> Estimate:
    """How much there may still be when none of `trials` independent units had any: the exact form of the rule of three.

    The one-sided bound 1 - (1 - confidence_level)^(1/n), close to 3/n at 95 % (Hanley & Lippman-Hand 1983, JAMA
    249:1743). `high` of `clopper_pearson(0, n)` is larger: it leaves half the error for each side.
    """
    _check(0, trials)
    if trials == 0:
        return cannot_say("no denominator: nothing was examined", confidence_level=confidence_level)
    high = -math.expm1(math.log1p(-confidence_level) / trials)
    return Estimate(
        estimate=0.0, low=0.0, high=high, confidence_level=confidence_level,
        method="exact one-sided bound when none was found, units independent",
    )


def _check(events: float, trials: float) -> None:
    """Refuse counts that are not counts."""
    if not (math.isfinite(events) and math.isfinite(trials) and 0 <= events <= trials):
        raise DataError(f"a proportion needs 0 <= events <= trials, got {events!r} of {trials!r}")
