"""Simulated dip sessions whose pieces share a bath: arrays shaped as the estimators take them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import betaincinv, expit, ndtri

CHECK_DAYS = np.array([1.0, 3.0, 7.0, 14.0, 21.0, 30.0])
"""Days after the dip on which every tray is looked at."""

DEATHS_SEEN = np.array([0.30, 0.20, 0.20, 0.12, 0.10, 0.08])
"""Share of the deaths by day 30 that each of those checks finds: dips kill early."""


@dataclass(frozen=True, slots=True, eq=False)
class Sessions:
    """One simulated arm as weighted rows, one per session and check, shape (n_sessions * n_checks,)."""

    days: NDArray[np.float64]
    deaths: NDArray[np.int64]
    left: NDArray[np.int64]
    session: NDArray[np.int64]


def session_risks(
    size: int | tuple[int, ...], *, loss: float, correlation: float, rng: np.random.Generator, spread: str = "beta"
) -> NDArray[np.float64]:
    """Each session's probability of loss with this mean; correlation is that of two pieces' 0/1 outcomes.

    `spread`: "beta", or "logit-normal", whose tail is longer: most baths nearly harmless, a few far worse.
    """
    if correlation == 0 or loss in (0, 1):
        return np.full(size, loss)
    if spread == "logit-normal":
        centre, deviation = _logit_normal(loss, correlation)
        return expit(centre + deviation * rng.standard_normal(size))
    spread_out = 1 / correlation - 1
    return rng.beta(loss * spread_out, (1 - loss) * spread_out, size=size)


def risk_at_rank(
    rank: NDArray[np.float64], *, loss: float, correlation: float, spread: str = "beta"
) -> NDArray[np.float64]:
    """Return the risk of the session at each rank (0 to 1) among all that `session_risks` would draw; shape of rank."""
    if correlation == 0:
        return np.full(rank.shape, loss)
    if spread == "logit-normal":
        centre, deviation = _logit_normal(loss, correlation)
        return expit(centre + deviation * ndtri(rank))
    spread_out = 1 / correlation - 1
    return betaincinv(loss * spread_out, (1 - loss) * spread_out, rank)


@cache
def _logit_normal(loss: float, correlation: float) -> tuple[float, float]:
    """Centre and standard deviation on the logit scale that give this mean and this variance of risks."""
    z = np.linspace(-8.5, 8.5, 2001)
    weights = np.exp(-np.square(z) / 2)
    weights /= weights.sum()

    def centre(deviation: float) -> float:
        return brentq(lambda c: float(expit(c + deviation * z) @ weights) - loss, -250, 250, xtol=1e-10)

    def excess(deviation: float) -> float:
        risks = expit(centre(deviation) + deviation * z)
        return float(np.square(risks - loss) @ weights) - correlation * loss * (1 - loss)

    deviation = brentq(excess, 1e-3, 30, xtol=1e-8)
    return centre(deviation), deviation


def simulate_sessions(
    n_sessions: int,
    *,
    loss: float,
    correlation: float,
    rng: np.random.Generator,
    pieces: tuple[int, int] = (5, 60),
    trays: tuple[int, int] = (1, 1),
    removed_per_check: float = 0.03,
    spread: str = "beta",
    checks: ArrayLike = CHECK_DAYS,
    seen: ArrayLike = DEATHS_SEEN,
) -> Sessions:
    """Simulate one arm: uniform tray sizes, losses that vary by session, a few pieces removed alive at each check.

    `pieces`: smallest and largest tray; `trays`: fewest and most of a session; `removed_per_check`: chance that a
    living piece is taken out (censored) at each check before the last; `spread`: see `session_risks`; `checks`: days
    of the looks, shape (n_checks,), and `seen`: the share of the deaths each finds, adding up to 1. The true loss at
    the last look is `loss` whatever the sizes and removals.
    """
    checks, found = np.asarray(checks, float), np.asarray(seen, float)
    alive = _sizes(n_sessions, pieces, trays, rng)
    risk = session_risks(n_sessions, loss=loss, correlation=correlation, rng=rng, spread=spread)
    by_then = np.append(0.0, np.cumsum(found))
    by_then[-1] = 1.0
    deaths = np.zeros((n_sessions, len(checks)), np.int64)
    left = np.zeros_like(deaths)
    for j in range(len(checks)):
        living = 1 - risk * by_then[j]
        hazard = np.divide(risk * (by_then[j + 1] - by_then[j]), living, out=np.zeros(n_sessions), where=living > 0)
        deaths[:, j] = rng.binomial(alive, np.minimum(hazard, 1))
        alive = alive - deaths[:, j]
        last = j == len(checks) - 1
        left[:, j] = alive if last else rng.binomial(alive, removed_per_check)
        alive = alive - left[:, j]
    session = np.repeat(np.arange(n_sessions), len(checks))
    return Sessions(np.tile(checks, n_sessions), deaths.ravel(), left.ravel(), session)


def _sizes(
    n_sessions: int, pieces: tuple[int, int], trays: tuple[int, int], rng: np.random.Generator
) -> NDArray[np.int64]:
    """Pieces of each session: the sum of its trays."""
    if trays == (1, 1):
        return rng.integers(pieces[0], pieces[1] + 1, size=n_sessions)
    each = rng.integers(pieces[0], pieces[1] + 1, size=(n_sessions, trays[1]))
    had = rng.integers(trays[0], trays[1] + 1, size=n_sessions)
    return (each * (np.arange(trays[1]) < had[:, None])).sum(axis=1)
