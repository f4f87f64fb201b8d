"""Single bad baths: how often a quiet month names one all the same, and how often one that is bad is named."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from ..monitoring import NAMING_RATE, expected_shares, holm, single_baths, stand_out
from .farms import session_risks
from .table import write_table

SHARES = (0.02, 0.05, 0.10, 0.30)  # of pieces that die, or of pests that live
DESIGNS = ((6, 3), (12, 4), (30, 6), (120, 12))
"""Baths of an agent in the window, and those of them in the month, each of which is judged."""

CORRELATIONS = (0.0, 0.1, 0.3)
SIZES = ((3, 10), (10, 60))  # pieces a bath
BAD = ((16, 20), (8, 20))
SEED = 20268

QUIET_HEADER = ("share", "baths", "judged", "correlation", "least", "most", "replicates", "named", "named_logit_normal")
POWER_HEADER = (
    "share", "baths", "judged", "correlation", "replicates",
    *(f"named_{events}_of_{trials}" for events, trials in BAD), "named_16_of_20_beside_another",
)  # fmt: skip


def calibrate_single_baths(folder: Path, *, replicates: int = 250) -> None:
    """Write monitoring_single.csv (quiet months) and monitoring_single_power.csv (months with one or two bad baths)."""
    write_table(folder / "monitoring_single.csv", QUIET_HEADER, quiet_rows(replicates))
    write_table(folder / "monitoring_single_power.csv", POWER_HEADER, power_rows(4 * replicates // 5))


def quiet_rows(replicates: int) -> list[list]:
    """One row a share, history, correlation and size of baths: how often any bath of the month is named."""
    rows = []
    for number, (share, (m, judged), rho, sizes) in enumerate(product(SHARES, DESIGNS, CORRELATIONS, SIZES)):
        named = [
            [_named(*_baths(share, m, rho, sizes, spread, rng), judged).any() for _ in range(replicates)]
            for spread, rng in _both(number, 5)
        ]
        rows.append([share, m, judged, rho, *sizes, replicates, *(float(np.mean(kind)) for kind in named)])
    return rows


def power_rows(replicates: int) -> list[list]:
    """How often a bad bath among baths of 10 to 30 pieces is named: alone, and beside a second one of the month."""
    rows = []
    cells = product((0.03, 0.10), DESIGNS, (0.0, 0.1, 0.2, 0.3))
    for number, (share, (m, judged), rho) in enumerate(cells):
        rng = np.random.default_rng([SEED, 6, number])
        found = np.zeros(len(BAD) + 1)
        for _ in range(replicates):
            y, n = _baths(share, m, rho, (10, 30), "beta", rng)
            for place, (events, trials) in enumerate(BAD):
                found[place] += _named(np.r_[y[:-1], events], np.r_[n[:-1], trials], judged)[-1]
            found[-1] += _named(np.r_[y[:-2], 16, 16], np.r_[n[:-2], 20, 20], judged)[-1]
        rows.append([share, m, judged, rho, replicates, *map(float, found / replicates)])
    return rows


def _both(number: int, kind: int) -> list[tuple[str, np.random.Generator]]:
    """Both ways in which baths differ, with their random numbers."""
    return [(name, np.random.default_rng([SEED, kind, number, at])) for at, name in enumerate(("beta", "logit-normal"))]


def _baths(
    share: float, m: int, rho: float, sizes: tuple[int, int], spread: str, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Draw events and trials of an agent's baths, in order of time."""
    n = rng.integers(sizes[0], sizes[1] + 1, m)
    return rng.binomial(n, session_risks(m, loss=share, correlation=rho, rng=rng, spread=spread)), n


def _named(events: np.ndarray, trials: np.ndarray, judged: int) -> np.ndarray:
    """Whether each of the last `judged` baths is named, as the page does it; nothing is known of what was in them."""
    recent = np.arange(events.size) >= events.size - judged
    kept = np.where(recent & stand_out(events, trials), 0.0, 1.0)
    share = expected_shares(np.ones((events.size, 1)), events * kept, trials * kept, spread=[np.inf])
    return holm(single_baths(events, trials, share, np.flatnonzero(recent)).p, NAMING_RATE)
