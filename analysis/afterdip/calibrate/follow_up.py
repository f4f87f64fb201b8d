"""How often the limits of what is left after several dips, and of how much a look sees, hold the truth.

The confidence that a lot is below the design value is exact and has no table: `tests/test_follow_up_freedom.py`
enumerates it.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from ..estimate import Estimate
from ..follow_up import residual_risk, share_seen
from ..proportion import session_proportion
from .farms import session_risks
from .table import write_table

SHARES = (0.5, 0.8, 0.95)
SESSIONS = (6, 12, 30, 60)
CORRELATIONS = (0.0, 0.1, 0.3)
SECOND = 0.9  # kill of the other agent, from half as many sessions
LEVEL = 0.95
NEAR = 0.935
SEED = 20269
FIGURES = ("lives through two dips", "lives through dips with two agents", "share a look sees")
HEADER = (
    "figure", "share", "sessions", "correlation", "replicates", "said", "coverage", "coverage_logit_normal",
    "median_width",
)  # fmt: skip


def calibrate_follow_up(folder: Path, *, replicates: int = 600) -> None:
    """Write follow_up_coverage.csv: `share` is the kill of one dip, or what a look sees of the pests there."""
    cells = product(FIGURES, SHARES, SESSIONS, CORRELATIONS)
    rows = [follow_up_row(number, cell, replicates) for number, cell in enumerate(cells)]
    write_table(folder / "follow_up_coverage.csv", HEADER, rows)


def follow_up_row(number: int, cell: tuple, replicates: int) -> list:
    """Return one row of the table, from four times as many farms where a coverage came near 93 %."""
    figure, share, m, rho = cell
    truth = {FIGURES[0]: (1 - share) ** 2, FIGURES[1]: (1 - share) * (1 - SECOND), FIGURES[2]: share}[figure]
    for farms in (replicates, 4 * replicates):
        kinds = []
        for kind, spread in enumerate(("beta", "logit-normal")):
            rng = np.random.default_rng([SEED, number, kind])
            kinds.append([_simulated(figure, share, m, rho, spread, rng) for _ in range(farms)])
        said = [[e for e in kind if e.known] for kind in kinds]
        held = [float(np.mean([e.low <= truth <= e.high for e in kind])) if kind else np.nan for kind in said]
        if min(held) >= NEAR:
            break
    width = float(np.median([e.high - e.low for e in said[0]])) if said[0] else np.nan
    return [figure, share, m, rho, farms, len(said[0]) / farms, *held, width]


def _simulated(figure: str, share: float, m: int, rho: float, spread: str, rng: np.random.Generator) -> Estimate:
    """Simulate the sessions a figure rests on, eight pests each on average, and return it."""
    if figure == FIGURES[2]:
        return share_seen(*_counts(share, m, rho, spread, rng))
    if figure == FIGURES[0]:
        kill = session_proportion(*_counts(share, m, rho, spread, rng), confidence_level=LEVEL)
        return residual_risk([kill, kill], confidence_level=LEVEL)
    kills = [
        session_proportion(*_counts(p, size, rho, spread, rng), confidence_level=LEVEL)
        for p, size in ((share, m), (SECOND, max(m // 2, 4)))
    ]
    return residual_risk(kills, confidence_level=LEVEL)


def _counts(share: float, m: int, rho: float, spread: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    found = 1 + rng.negative_binomial(1.2, 1.2 / (1.2 + 7), m)
    return rng.binomial(found, session_risks(m, loss=share, correlation=rho, rng=rng, spread=spread)), found
