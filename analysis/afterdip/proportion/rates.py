"""Counts per piece and after/before ratios with session-level limits that bound a zero.

Counts are taken as Poisson counts thinned by a design effect (measured, or assumed where few sessions show anything),
so the limits are the exact gamma ones at an effective count (Garwood 1936, Biometrika 28:437). Log-ratio limits with t
held 86-95 % and have none at zero; the session bootstrap held 38-95 %: `calibrate/removal.py`.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.special import gammaincinv, ndtri, stdtrit

from ..estimate import Estimate, cannot_say
from .sessions import _ASSUMED_DF, _ENOUGH, ASSUMED_CORRELATION, MIN_SESSIONS, _satterthwaite, by_session

_ASSUMED_SPREAD = 2.0  # squared coefficient of variation between sessions of pests per piece, where too few show any
_SPREAD_DF = 3.0  # degrees of freedom which that is worth
_FEW = 8.0  # effective sessions with a count from which the measured spread is believed


def session_mean(
    counts, pieces, *, session=None, before: float = 0.0, confidence_level: float = 0.95,
    min_sessions: int = MIN_SESSIONS,
) -> Estimate:
    """Mean count per piece, with limits by `mean_limits`; arguments as `session_proportion`, counts without a ceiling.

    No count at all gives a bound. No pieces or too few sessions is "cannot say".
    """
    words = "mean per piece (ratio of sums)"
    limits = partial(mean_limits, before=before)
    return _estimate(limits, counts, pieces, session, confidence_level, min_sessions, words)


def session_ratio(
    after, before, *, session=None, clumped: bool = False, confidence_level: float = 0.95,
    min_sessions: int = MIN_SESSIONS,
) -> Estimate:
    """What is left of what was there, sum(after)/sum(before) on the same pieces; may exceed 1.

    Limits by `ratio_limits`; arguments and "cannot say" as `session_mean`. `clumped` for pests over infested pieces.
    """
    limits = partial(ratio_limits, clumped=clumped)
    return _estimate(limits, after, before, session, confidence_level, min_sessions, "ratio of sums")


def mean_limits(
    counts, pieces, *, confidence_level: float = 0.95, before=0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean, lower and upper limit for arrays of shape (..., n_sessions).

    Where fewer than 8 effective sessions hold the counts, the design effect is at least that of sessions whose means
    have a squared coefficient of variation of 2; degrees of freedom are that effective number, plus 3 for the part
    assumed (pests are clumped: a mean carried by three sessions is known from three). No counts: the negative
    binomial bound with that variation. `before`, shape (...): pests a piece that the counts are what is left of, if
    that is known; survivors of one session are then taken as correlated as `ratio_limits` takes them, if that is more.
    """
    counts, pieces, total, mean, measured, seen = _measure(counts, pieces)
    per_session = np.maximum(mean, 0.5 / total)[..., None] * pieces
    size = (pieces**2).sum(-1) / total
    survivors = 1 + np.maximum(size * before - 1, 0) * ASSUMED_CORRELATION
    assumed = np.maximum(1 + _ASSUMED_SPREAD * size * np.maximum(mean, 1 / total), survivors)
    effect = np.where(seen < _FEW, np.maximum(measured, assumed), measured)
    weight = np.minimum(seen, _FEW) / _FEW
    freedom = np.minimum(seen, _satterthwaite(per_session * (1 + 0.5 * per_session))) + _SPREAD_DF * (1 - weight)
    low, high = _gamma_limits(counts.sum(-1), total, effect, freedom, confidence_level)
    if (none := mean == 0).any():
        few = gammaincinv(1.0, (1 + confidence_level) / 2) * survivors / total
        high = np.where(none, np.maximum(_none_bound(pieces, confidence_level), few), high)
    return mean, low, high


def ratio_limits(
    after, before, *, confidence_level: float = 0.95, clumped: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio, lower and upper limit for arrays of shape (..., n_sessions).

    The design effect blends the measured one and that of `ASSUMED_CORRELATION` between pests of one session as
    `share_limits` does; where counts are `clumped` within pieces too, it is the larger of both. Nothing left: a bound
    at the assumed one.
    """
    after, before, total, ratio, measured, seen = _measure(after, before)
    assumed = 1 + np.maximum((before**2).sum(-1) / total - 1, 0) * ASSUMED_CORRELATION
    weight = np.minimum(seen, _ENOUGH) / _ENOUGH
    blend = weight * measured + (1 - weight) * assumed
    effect = np.where(weight < 1, np.maximum(measured, assumed), measured) if clumped else blend
    variance = before * (1 + np.maximum(before - 1, 0) * ASSUMED_CORRELATION)
    freedom = _satterthwaite(variance) + _ASSUMED_DF * (1 - weight)
    low, high = _gamma_limits(after.sum(-1), total, effect, freedom, confidence_level)
    none = gammaincinv(1.0, (1 + confidence_level) / 2) * np.maximum(assumed, 1.0) / total
    return ratio, low, np.where(ratio == 0, none, high)


def _measure(counts, exposure) -> tuple[np.ndarray, ...]:
    """Sums, ratio, design effect against Poisson (m/(m-1) in its variance) and the effective number of sessions."""
    counts, exposure = np.asarray(counts, float), np.asarray(exposure, float)
    total, found = exposure.sum(-1), counts.sum(-1)
    sessions = np.count_nonzero(exposure + counts, axis=-1)  # none before and some after is a session too
    ratio = found / total
    spread = ((counts - exposure * ratio[..., None]) ** 2).sum(-1) * sessions / np.maximum(sessions - 1, 1)
    measured = spread / np.where(found > 0, found, 1.0)
    seen = np.where(found > 0, found**2 / np.maximum((counts**2).sum(-1), 1e-300), 0.0)
    return counts, exposure, total, ratio, measured, seen


def _gamma_limits(found, total, effect, freedom, confidence_level: float) -> tuple[np.ndarray, np.ndarray]:
    """Exact Poisson limits of found/total at the effective count; only for found > 0."""
    upper = (1 + confidence_level) / 2
    shrink = np.minimum((ndtri(upper) / stdtrit(np.maximum(freedom, 1.0), upper)) ** 2, 1.0) / np.maximum(effect, 1.0)
    count = np.where(found > 0, found, 1.0) * shrink
    low = np.where(found > 0, gammaincinv(count, 1 - upper) / (total * shrink), 0.0)
    return low, gammaincinv(count + 1, upper) / (total * shrink)


def _none_bound(pieces: np.ndarray, confidence_level: float) -> np.ndarray:
    """Largest mean per piece at which no count at all keeps a chance of alpha/2, sessions varying as gamma frailties.

    Solves sum(log(1 + c mu n))/c = -log(alpha/2) by Newton's method from the Poisson bound below, which converges
    upwards because the left side is concave.
    """
    target = -np.log((1 - confidence_level) / 2)
    mean = target / pieces.sum(-1)
    for _ in range(60):
        grown = 1 + _ASSUMED_SPREAD * mean[..., None] * pieces
        mean = mean + (target - np.log(grown).sum(-1) / _ASSUMED_SPREAD) / (pieces / grown).sum(-1)
    return mean


def _estimate(limits, counts, exposure, session, confidence_level: float, min_sessions: int, words: str) -> Estimate:
    """Sum to sessions, refuse too few, and dress the limits as an Estimate."""
    counts, exposure = by_session(session, counts, exposure)
    used = exposure + counts > 0
    counts, exposure, sessions = counts[used], exposure[used], int(used.sum())
    if exposure.sum() == 0:
        return cannot_say("no denominator: none to begin with", confidence_level=confidence_level, sessions=0)
    if sessions < min_sessions:
        reason = f"too few sessions: {sessions}, needs {min_sessions}"
        return cannot_say(reason, confidence_level=confidence_level, sessions=sessions)
    value, low, high = (float(number) for number in limits(counts, exposure, confidence_level=confidence_level))
    return Estimate(
        estimate=value, low=low, high=high, confidence_level=confidence_level, sessions=sessions,
        method=f"{words}, limits at session level",
    )
