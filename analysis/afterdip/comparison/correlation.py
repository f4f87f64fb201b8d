"""How alike pieces of one session are, and what that makes two agents' pieces worth.

The model used for spread only: in stratum g under agent a a piece dies with probability p_ag, and two pieces of one
session have deaths correlated by rho, whatever their strata. The estimate itself does not lean on it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from .cells import Arm, Floats

PRIOR_CORRELATION = 0.2  # what holds while too few sessions had any death to show it; 0.05-0.3 is usual
PRIOR_SESSIONS = 0.25  # and how many sessions with a death that opinion is worth
_HIGHEST = 0.95  # a correlation of 1 would leave nothing to go by
_FAR = 60.0  # on the logit scale: no shift between agents is further
_STEPS = 100  # of Newton, halving the bracket where it leaves it; a handful is enough
OWN_SESSIONS = 5.0  # sessions with a death at which an agent's own correlation counts half where it is the lower


def working_proportions(sides: tuple[Arm, Arm]) -> tuple[Floats, Floats]:
    """Return p_ag of each side, shape (..., n_strata), strictly inside 0 to 1, used for variances only.

    Strata differ as they do over both agents together; an agent shifts all of them by the same step on the logit
    scale, so that a stratum with one tray of its own does not claim to know its spread.
    """
    total = sum(side.total.sum(axis=-2) for side in sides)
    events = sum(side.events.sum(axis=-2) for side in sides)
    overall = (events.sum(axis=-1, keepdims=True) + 0.5) / (total.sum(axis=-1, keepdims=True) + 1.0)
    base = logit((events + 2.0 * overall) / (total + 2.0))
    return tuple(_shifted(base, side) for side in sides)


def _shifted(base: Floats, side: Arm) -> Floats:
    """Move all strata by one logit step until the side's own deaths are met (half a death is lent to it)."""
    size = side.total.sum(axis=-2)
    whole = size.sum(axis=-1, keepdims=True)
    goal = logit((side.events.sum(axis=(-2, -1))[..., None] + 0.5) / (whole + 1.0))
    share, step = size / whole, np.zeros_like(whole)
    low, high = np.full_like(whole, -_FAR), np.full_like(whole, _FAR)
    for _ in range(_STEPS):
        p = expit(base + step)
        met = (share * p).sum(axis=-1, keepdims=True)
        error, slope = logit(met) - goal, (share * p * (1.0 - p)).sum(axis=-1, keepdims=True) / (met * (1.0 - met))
        low, high = np.where(error < 0.0, step, low), np.where(error < 0.0, high, step)
        newton, before = step - error / slope, step
        step = np.where((newton > low) & (newton < high), newton, 0.5 * (low + high))
        if np.abs(step - before).max() < 1e-12:
            break
    return expit(base + step)


def moments(side: Arm, weight: Floats, p: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the observed spread of session totals about their strata's means, and what it should be at rho 0 and 1.

    The spread is Q = sum over sessions of U^2 / n, U a session's events less those expected from the agent's own
    stratum means (cell weights `weight`, columns adding to 1). Its expectation is linear in rho; both ends are exact,
    so a stratum seen in a single session, whose residual is always nought, does not pull rho down.
    """
    n, sigma, rate = side.total, np.sqrt(p * (1.0 - p))[..., None, :], side.rate
    residual = np.where(n > 0, rate - (weight * rate).sum(axis=-2, keepdims=True), 0.0)
    per_size, per_piece = _inverse(n.sum(axis=-1)), _inverse(n)
    observed = ((n * residual).sum(axis=-1) ** 2 * per_size).sum(axis=-1)
    part = n * per_size[..., None]
    gram = np.swapaxes(part, -1, -2) @ n
    own = np.diagonal(gram, axis1=-2, axis2=-1)[..., None, :]
    independent = (sigma**2 * (part * (1.0 - 2.0 * weight) + weight**2 * per_piece * own)).sum(axis=(-2, -1))
    ours, means, spread = (n * sigma).sum(axis=-1), (n * weight * sigma).sum(axis=-1), weight * sigma
    shared = ((ours**2 - 2.0 * ours * means) * per_size).sum(axis=-1) + ((spread @ gram) * spread).sum(axis=(-2, -1))
    return observed, independent, shared


def _inverse(x: Floats) -> Floats:
    """Return 1/x, and 0 where there is nothing."""
    return np.divide(1.0, x, out=np.zeros_like(x), where=x > 0)


def telling_sessions(side: Arm) -> NDArray[np.int64]:
    """Return how many sessions can speak of correlation: the fewer of those with a death and those with a survivor."""
    events, rest = side.events.sum(axis=-1), (side.total - side.events).sum(axis=-1)
    return np.minimum((events > 1e-9).sum(axis=-1), (rest > 1e-9).sum(axis=-1))


def correlations(
    sides: tuple[Arm, Arm], weights: tuple[Floats, Floats], p: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Return each side's intra-session correlation: the pooled one, moved towards what its own sessions say.

    An agent that had a death in t sessions is moved down by t/(t + OWN_SESSIONS) of the gap, and up by the inverse of
    that, more than the whole: a few sessions that agree prove little, and where outbreaks are rare the few that were
    seen tell too small a spread, most of all when the agent seems to do well. With no deaths at all the prior stands.
    """
    parts = [moments(*each) for each in zip(sides, weights, p, strict=True)]
    telling = [telling_sessions(side) for side in sides]
    pooled = _solve(*(sum(part) for part in zip(*parts, strict=True)))
    trust = sum(telling) / (sum(telling) + PRIOR_SESSIONS)
    pooled = trust * pooled + (1.0 - trust) * np.maximum(PRIOR_CORRELATION, pooled)
    own = []
    for part, count in zip(parts, telling, strict=True):
        gap, trust = _solve(*part) - pooled, count / (count + OWN_SESSIONS)
        own.append(np.minimum(_HIGHEST, pooled + np.where(gap > 0.0, gap / np.maximum(trust, 1e-9), gap * trust)))
    return own[0], own[1]


def _solve(observed: Floats, independent: Floats, shared: Floats) -> Floats:
    """Return the correlation at which the expected spread is the observed one, from 0 to `_HIGHEST`."""
    room = shared - independent
    return np.where(room > 1e-12, np.clip((observed - independent) / np.maximum(room, 1e-12), 0.0, _HIGHEST), 0.0)


def own_spread(side: Arm, weight: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Return the correlation that one side's own sessions say by moments, and how much its spread is understated.

    The latter: how many times larger the spread due to correlation would be about known means than about fitted ones,
    m/(m - 1) for m equal sessions of one stratum, more where strata are many; at least 1.
    """
    observed, independent, shared = moments(side, weight, p)
    n, sigma = side.total, np.sqrt(p * (1.0 - p))[..., None, :]
    known = (((n * sigma).sum(axis=-1) ** 2 - (n * sigma**2).sum(axis=-1)) * _inverse(n.sum(axis=-1))).sum(axis=-1)
    understated = np.maximum(1.0, known / np.maximum(shared - independent, 1e-9))
    return _solve(observed, independent, shared), understated


def session_variances(side: Arm, coefficients: Floats, p: Floats, rho: Floats) -> Floats:
    """Return what each session adds to the variance of sum(coefficients * rate), shape (..., n_sessions)."""
    sigma, rho = np.sqrt(p * (1.0 - p))[..., None, :], np.asarray(rho)[..., None]
    alone = (coefficients**2 * sigma**2 * _inverse(side.total)).sum(axis=-1)
    return (1.0 - rho) * alone + rho * (coefficients * sigma).sum(axis=-1) ** 2
