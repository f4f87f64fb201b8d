"""How alike pieces of one session are, and what that makes two agents' pieces worth.

The model used for spread only: in stratum g under agent a a piece dies with probability p_ag, and two pieces of one
session have deaths correlated by rho, whatever their strata. The estimate itself does not lean on it.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

from .cells import Arm, Floats

PRIOR_CORRELATION = 0.2  # what holds while too few sessions had any death to show it; 0.05-0.3 is usual
PRIOR_SESSIONS = 0.25  # and how many sessions with a death that opinion is worth
OWN_SESSIONS = 5.0  # sessions with a death at which an agent's own correlation counts as much as the pooled one


def working_proportions(sides: tuple[Arm, Arm]) -> tuple[Floats, Floats]:
    """Return p_ag of each side, shape (n_strata,), strictly inside 0 to 1, used for variances only.

    Strata differ as they do over both agents together; an agent shifts all of them by the same step on the logit
    scale, so that a stratum with one tray of its own does not claim to know its spread.
    """
    total = sum(side.total.sum(axis=0) for side in sides)
    events = sum(side.events.sum(axis=0) for side in sides)
    overall = (events.sum() + 0.5) / (total.sum() + 1.0)
    base = logit((events + 2.0 * overall) / (total + 2.0))
    return tuple(_shifted(base, side) for side in sides)


def _shifted(base: Floats, side: Arm) -> Floats:
    """Move all strata by one logit step until the side's own deaths are met (half a death is lent to it)."""
    size = side.total.sum(axis=0)
    goal = (side.events.sum() + 0.5) / (size.sum() + 1.0)
    share = size / size.sum()
    low, high = -30.0, 30.0
    for _ in range(50):
        step = 0.5 * (low + high)
        low, high = (step, high) if share @ expit(base + step) < goal else (low, step)
    return expit(base + 0.5 * (low + high))


def moments(side: Arm, weight: Floats, p: Floats) -> tuple[float, float, float]:
    """Return the observed spread of session totals about their strata's means, and what it should be at rho 0 and 1.

    The spread is Q = sum over sessions of U^2 / n, U a session's events less those expected from the agent's own
    stratum means (cell weights `weight`, columns adding to 1). Its expectation is linear in rho; both ends are exact,
    so a stratum seen in a single session, whose residual is always nought, does not pull rho down.
    """
    n, sigma = side.total, np.sqrt(p * (1.0 - p))
    rate = side.rate
    residual = np.where(n > 0, rate - (weight * rate).sum(axis=0), 0.0)
    size = n.sum(axis=1)
    observed = float(((n * residual).sum(axis=1) ** 2 / size).sum())
    gram = (n / size[:, None]).T @ n
    per_piece = np.divide(1.0, n, out=np.zeros_like(n), where=n > 0)
    independent = (sigma**2 * (n / size[:, None] * (1.0 - 2.0 * weight) + weight**2 * per_piece * np.diag(gram))).sum()
    ours, means, spread = (n * sigma).sum(axis=1), (n * weight * sigma).sum(axis=1), weight * sigma
    shared = ((ours**2 - 2.0 * ours * means) / size).sum() + ((spread @ gram) * spread).sum()
    return observed, float(independent), float(shared)


def telling_sessions(side: Arm) -> int:
    """Return how many sessions can speak of correlation: the fewer of those with a death and those with a survivor."""
    events, rest = side.events.sum(axis=1), (side.total - side.events).sum(axis=1)
    return int(min((events > 1e-9).sum(), (rest > 1e-9).sum()))


def correlations(
    sides: tuple[Arm, Arm], weights: tuple[Floats, Floats], p: tuple[Floats, Floats]
) -> tuple[float, float]:
    """Return each side's intra-session correlation: the pooled one, or more where its own sessions say more.

    Pooled over both agents because a dozen sessions cannot tell their own; never less than pooled, because an agent
    whose sessions happen to agree is not thereby known better. With no deaths at all the prior stands.
    """
    parts = [moments(*each) for each in zip(sides, weights, p, strict=True)]
    telling = [telling_sessions(side) for side in sides]
    pooled = _solve(*np.sum(parts, axis=0))
    trust = sum(telling) / (sum(telling) + PRIOR_SESSIONS)
    pooled = trust * pooled + (1.0 - trust) * max(PRIOR_CORRELATION, pooled)
    own = []
    for part, count in zip(parts, telling, strict=True):
        trust = count / (count + OWN_SESSIONS)
        own.append(max(pooled, trust * _solve(*part) + (1.0 - trust) * pooled))
    return float(own[0]), float(own[1])


def _solve(observed: float, independent: float, shared: float) -> float:
    """Return the correlation at which the expected spread is the observed one, held between 0 and 0.95."""
    room = shared - independent
    return min(0.95, max(0.0, (observed - independent) / room)) if room > 1e-12 else 0.0


def session_variances(side: Arm, coefficients: Floats, p: Floats, rho: float) -> Floats:
    """Return what each session adds to the variance of sum(coefficients * rate), shape (n_sessions,)."""
    per_piece = np.divide(1.0, side.total, out=np.zeros_like(side.total), where=side.total > 0)
    sigma = np.sqrt(p * (1.0 - p))
    alone = (coefficients**2 * sigma**2 * per_piece).sum(axis=1)
    return (1.0 - rho) * alone + rho * (coefficients @ sigma) ** 2
