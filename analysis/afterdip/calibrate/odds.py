"""How often the limits of the odds ratio between two agents hold, on farms that follow its own model.

The odds ratio is that of one piece in one bath, so its truth is known only where sessions differ by a normal step in
log odds. Trays are dealt as for the verdict, confounded, and groups of like pieces differ by steps in log odds.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import expit, logit
from tqdm import tqdm

from ..comparison import session_odds_ratio
from ..estimate import Estimate
from .two_agents import CONDITION, CORAL, deal_trays

SESSIONS = ((12, 12), (12, 40), (30, 30))
SPREADS = (0.0, 0.9, 1.6)  # SD of sessions in log odds: correlations of about 0, 0.06-0.1 and 0.2-0.3
WELL_INSIDE = (0.94, 0.97)  # a coverage beyond these is tried again with more farms: bounds are 93 and 98 %


@dataclass(frozen=True, slots=True)
class Odds:
    """What is true: the second agent's proportion in a bath like the middle one, and the odds ratio, first over it."""

    name: str
    proportion: float
    ratio: float
    pests: bool = False  # counts of pests, some trays without any, in place of pieces


SCENARIOS = (
    Odds("few losses, no difference", 0.03, 1.0),
    Odds("second loses more", 0.15, 0.3),
    Odds("pests that live, no difference", 0.07, 1.0, pests=True),
)


def simulate_odds(truth: Odds, sessions: tuple[int, int], spread: float, rng: np.random.Generator) -> tuple:
    """Return one farm's counts as `session_odds_ratio` takes them."""
    t = deal_trays(sessions, confounded=True, rng=rng)
    total = t.total
    if truth.pests:
        total = np.where(rng.random(total.size) < 0.6, np.minimum(rng.geometric(1 / 8, total.size), 60), 0)
    line = logit(truth.proportion) + np.where(t.side == 0, np.log(truth.ratio), 0.0)
    line = line + CORAL[t.coral] + CONDITION[t.condition] + spread * rng.standard_normal(sum(sessions))[t.session]
    return t.side == 1, t.session, np.column_stack([t.coral, t.condition]), total, rng.binomial(total, expit(line))


def try_odds(
    truth: Odds, sessions: tuple[int, int], spread: float, *, replicates: int, rng: np.random.Generator
) -> dict[str, float]:
    """Return how often there was a ratio, how often its limits held the truth or lay to one side of it, and more."""
    found = [session_odds_ratio(*simulate_odds(truth, sessions, spread, rng)) for _ in range(replicates)]
    known: list[Estimate] = [e for e in found if e.known]
    low, high = (np.array([getattr(e, name) for e in known]) for name in ("low", "high"))
    return {
        "known": len(known) / replicates,
        "covered": float(np.mean((low <= truth.ratio) & (truth.ratio <= high))),
        "above": float(np.mean(low > truth.ratio)),
        "below": float(np.mean(high < truth.ratio)),
        "median_ratio": float(np.median([e.estimate for e in known])),
        "median_factor": float(np.median(np.sqrt(high / low))),
    }


def odds_row(number: int, truth: Odds, sessions: tuple[int, int], spread: float, *, replicates: int) -> dict:
    """Return one row of the table; a cell near a bound is tried afresh with four times as many farms."""
    found = try_odds(truth, sessions, spread, replicates=replicates, rng=np.random.default_rng([20261126, number]))
    if found["covered"] < WELL_INSIDE[0] or (min(sessions) >= 30 and found["covered"] > WELL_INSIDE[1]):
        replicates, rng = 4 * replicates, np.random.default_rng([20261126, number, 1])
        found = try_odds(truth, sessions, spread, replicates=replicates, rng=rng)
    head = {"scenario": truth.name, "ratio": truth.ratio, "sessions": f"{sessions[0]}+{sessions[1]}", "spread": spread}
    return head | {"replicates": replicates} | {name: f"{value:.4f}" for name, value in found.items()}


def odds_cells() -> list[tuple[Odds, tuple[int, int], float]]:
    """Return the grid."""
    return [(truth, sessions, spread) for truth in SCENARIOS for sessions in SESSIONS for spread in SPREADS]


def calibrate_odds(folder: Path, *, replicates: int = 400) -> None:
    """Try the odds ratio over the whole grid and write comparison_odds.csv into `folder`; about ten minutes."""
    cells = list(enumerate(tqdm(odds_cells(), disable=None)))
    rows = [odds_row(number, *cell, replicates=replicates) for number, cell in cells]
    with (folder / "comparison_odds.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{folder / 'comparison_odds.csv'}: {len(rows)} rows")
