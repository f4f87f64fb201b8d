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
from ..proportion import session_proportions
from .farms import session_risks
from .table import write_table

SHARES = (0.5, 0.8, 0.95)
SESSIONS = (6, 12, 30, 60)
CORRELATIONS = (0.0, 0.1, 0.3)
SECOND = 0.9  # kill of the other agent, from half as many sessions or from as many
LEVEL = 0.95
NEAR = (0.94, 0.975)  # of 93 % and, from 30 sessions of each agent up, of 98 %
SEED = 20269
FIGURES = ("lives through two dips", "lives through dips with two agents", "share a look sees")
HEADER = (
    "figure", "share", "sessions", "other_sessions", "correlation", "replicates", "said", "coverage",
    "coverage_logit_normal", "median_width",
)  # fmt: skip


def calibrate_follow_up(folder: Path, *, replicates: int = 600) -> None:
    """Write follow_up_coverage.csv: `share` is the kill of one dip, or what a look sees of the pests there.

    `other_sessions`: those of the other agent, 0 where there is none.
    """
    cells = product(FIGURES, SHARES, SESSIONS, (0.5, 1.0), CORRELATIONS)
    cells = [cell for cell in cells if cell[0] == FIGURES[1] or cell[3] == 1.0]
    rows = [follow_up_row(number, cell, replicates) for number, cell in enumerate(cells)]
    write_table(folder / "follow_up_coverage.csv", HEADER, rows)


def follow_up_row(number: int, cell: tuple, replicates: int) -> list:
    """Return one row of the table, from four times as many farms where a coverage came near a bound."""
    figure, share, m, part, rho = cell
    other = max(round(part * m), 4) if figure == FIGURES[1] else 0
    truth = {FIGURES[0]: (1 - share) ** 2, FIGURES[1]: (1 - share) * (1 - SECOND), FIGURES[2]: share}[figure]
    for farms in (replicates, 4 * replicates):
        said = []
        for kind, spread in enumerate(("beta", "logit-normal")):
            rng = np.random.default_rng([SEED, number, kind])
            said.append([e for e in _simulated(figure, share, (m, other), rho, spread, rng, farms) if e.known])
        held = [float(np.mean([e.low <= truth <= e.high for e in kind])) if kind else np.nan for kind in said]
        if min(held) >= NEAR[0] and (min(m, other or m) < 30 or max(held) <= NEAR[1]):
            break
    width = float(np.median([e.high - e.low for e in said[0]])) if said[0] else np.nan
    return [figure, share, m, other, rho, farms, len(said[0]) / farms, *held, width]


def _simulated(
    figure: str, share: float, sessions: tuple[int, int], rho: float, spread: str, rng: np.random.Generator, farms: int
) -> list[Estimate]:
    """Simulate the sessions a figure rests on, eight pests each on average, and return it for every farm."""
    arms = ((share, sessions[0]), (SECOND, sessions[1]))[: 2 if sessions[1] else 1]
    counts = [[_counts(*arm, rho, spread, rng) for arm in arms] for _ in range(farms)]
    if figure == FIGURES[2]:
        return [share_seen(*farm[0]) for farm in counts]
    found = session_proportions([(*arm, None) for farm in counts for arm in farm], confidence_level=LEVEL)
    kills = [found[i : i + len(arms)] for i in range(0, len(found), len(arms))]
    return [residual_risk(farm if sessions[1] else 2 * farm, confidence_level=LEVEL) for farm in kills]


def _counts(share: float, m: int, rho: float, spread: str, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    found = 1 + rng.negative_binomial(1.2, 1.2 / (1.2 + 7), m)
    return rng.binomial(found, session_risks(m, loss=share, correlation=rho, rng=rng, spread=spread)), found
