"""What is stopped for what it costs corals: an agent as a whole, or its strengths where the log sets them apart.

One agent was used weak and strong, beside shams. Taken together, its verdict hangs on how often each was used.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .survival_arms import Arms, Limits, joined, read_loss, simulate_arms
from .table import write_table

SHAM_LOSS, SHAM_SESSIONS = 0.02, 24
LIMIT = 0.05  # of loss over sham
LOSSES = ((0.02, 0.02), (0.07, 0.07), (0.02, 0.17), (0.02, 0.37), (0.22, 0.37))  # weak, strong
USED = ((24, 24), (60, 12), (12, 60), (60, 8))  # the last: too seldom to be compared, judged as the other strengths
SPREADS = ((0.1, "beta"), (0.3, "beta"), (0.3, "logit-normal"))
DAY = 30.0
SEED = 20272
HEADER = ("weak_loss", "strong_loss", "sham_loss", "weak_sessions", "strong_sessions", "correlation", "spread",
          "replicates", "together_over", "weak_stopped", "strong_stopped", "agent_stopped")  # fmt: skip


def stopped(
    losses: tuple[float, float], used: tuple[int, int], correlation: float, spread: str, farms: int,
    rng: np.random.Generator,
) -> dict[str, NDArray[np.bool_]]:  # fmt: skip
    """Return of each farm whether both strengths together are over the limit, and what is stopped, shape (farms,).

    The weak alone, the strong alone, or the agent: where both are over, or only both together and neither is within.
    """
    shared = {"correlation": correlation, "spread": spread, "rng": rng}
    weak, strong = (simulate_arms(farms, m, loss=p, **shared) for m, p in zip(used, losses, strict=True))
    sham = simulate_arms(farms, SHAM_SESSIONS, loss=SHAM_LOSS, **shared)
    both = Arms(
        weak.days, *(np.concatenate([getattr(a, k) for a in (weak, strong)], axis=1) for k in ("deaths", "left"))
    )
    beside = read_loss(sham, DAY).limits(in_difference=True)
    one, two, together = (_over_sham(arms, beside) for arms in (weak, strong, both))
    weak_over, strong_over, whole = (found[1] > LIMIT for found in (one, two, together))
    weak_within, strong_within = (found[2] <= LIMIT for found in (one, two))
    alone = whole & ~weak_over & ~strong_over
    return {
        "together_over": whole,
        "weak_stopped": (weak_over & ~strong_over) | (alone & strong_within),
        "strong_stopped": (strong_over & ~weak_over) | (alone & weak_within),
        "agent_stopped": (weak_over & strong_over) | (alone & ~weak_within & ~strong_within),
    }


def _over_sham(arms: Arms, beside: Limits) -> Limits:
    return joined(read_loss(arms, DAY).limits(in_difference=True), beside)


def calibrate_survival_strengths(folder: Path, *, replicates: int = 1000) -> None:
    """Write survival_strengths.csv into `folder`: shares of the farms."""
    rows = []
    for number, (losses, used, spread) in enumerate(product(LOSSES, USED, SPREADS)):
        found = stopped(losses, used, *spread, replicates, np.random.default_rng([SEED, number]))
        shares = (float(np.mean(farms)) for farms in found.values())
        rows.append([*losses, SHAM_LOSS, *used, *spread, replicates, *shares])
    write_table(folder / "survival_strengths.csv", HEADER, rows)
