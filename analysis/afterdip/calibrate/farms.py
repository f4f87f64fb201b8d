"""Simulated dip sessions whose pieces share a bath: arrays shaped as the estimators take them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CHECK_DAYS = np.array([1.0, 3.0, 7.0, 14.0, 21.0, 30.0])
"""Days after the dip on which every tray is looked at."""

DEATHS_SEEN = np.array([0.30, 0.20, 0.20, 0.12, 0.10, 0.08])
"""Share of the deaths by day 30 that each of those checks finds: dips kill early."""


@dataclass(frozen=True, slots=True, eq=False)
class Sessions:
    """One simulated arm as weighted rows, one per session and check, shape (n_sessions * 6,)."""

    days: NDArray[np.float64]
    deaths: NDArray[np.int64]
    left: NDArray[np.int64]
    session: NDArray[np.int64]


def session_risks(size: int, *, loss: float, correlation: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Each session's probability of loss, beta with this mean; correlation is that of two pieces' 0/1 outcomes."""
    if correlation == 0 or loss in (0, 1):
        return np.full(size, loss)
    spread = 1 / correlation - 1
    return rng.beta(loss * spread, (1 - loss) * spread, size=size)


def simulate_sessions(
    n_sessions: int,
    *,
    loss: float,
    correlation: float,
    rng: np.random.Generator,
    pieces: tuple[int, int] = (5, 60),
    removed_per_check: float = 0.03,
) -> Sessions:
    """Simulate one arm: uniform tray sizes, beta-binomial loss by day 30, a few pieces removed alive at each check.

    `pieces`: smallest and largest tray; `removed_per_check`: chance that a living piece is taken out (censored) at
    each check before day 30. The true loss at day 30 is `loss` whatever the sizes and removals.
    """
    alive = rng.integers(pieces[0], pieces[1] + 1, size=n_sessions)
    risk = session_risks(n_sessions, loss=loss, correlation=correlation, rng=rng)
    seen = np.append(0.0, np.cumsum(DEATHS_SEEN))
    seen[-1] = 1.0
    deaths = np.zeros((n_sessions, len(CHECK_DAYS)), np.int64)
    left = np.zeros_like(deaths)
    for j in range(len(CHECK_DAYS)):
        living = 1 - risk * seen[j]
        hazard = np.divide(risk * (seen[j + 1] - seen[j]), living, out=np.zeros(n_sessions), where=living > 0)
        deaths[:, j] = rng.binomial(alive, np.minimum(hazard, 1))
        alive = alive - deaths[:, j]
        last = j == len(CHECK_DAYS) - 1
        left[:, j] = alive if last else rng.binomial(alive, removed_per_check)
        alive = alive - left[:, j]
    session = np.repeat(np.arange(n_sessions), len(CHECK_DAYS))
    return Sessions(np.tile(CHECK_DAYS, n_sessions), deaths.ravel(), left.ravel(), session)
