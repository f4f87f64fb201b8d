"""How often the limits of survival at day 30 and of loss over sham hold the truth, and how wide they are."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from .survival_arms import Limits, Readings, joined, read_loss, simulate_arms
from .survival_page import write_page_coverage

LOSSES = (0.02, 0.03, 0.05, 0.10, 0.30)
SESSIONS = (5, 6, 8, 12, 20, 30, 45, 60)
CORRELATIONS = (0.0, 0.05, 0.1, 0.2, 0.3)
SHAM_LOSS = 0.02  # nursery deaths run at 0-3 % a month
DAY = 30.0
SEED = 20261

FARMS = {
    "even": {"spread": "beta", "pieces": (5, 60)},
    "uneven": {"spread": "logit-normal", "pieces": (5, 30), "trays": (1, 4)},
    "small": {"spread": "logit-normal", "pieces": (5, 20)},
}
"""Even: one tray a session, risks spread as beta. Uneven: one to four trays, a few baths far worse than the rest.
Small: the same in one small tray a session."""


@dataclass(frozen=True, slots=True)
class Score:
    """One kind of interval against the truth over many farms."""

    coverage: float
    upper_below_truth: float  # the owner is told too little loss
    median_width: float


KINDS = ("loss_session", "loss_piece", "over_sham_session", "over_sham_piece")
HEADER = (
    "farm", "loss", "sessions", "correlation", "replicates",
    *(f"{kind}_{what}" for kind in KINDS for what in Score.__slots__),
)  # fmt: skip


def calibrate_survival(folder: Path, *, replicates: int = 4000) -> None:
    """Write survival_coverage.csv, and survival_page_coverage.csv for the page's other figures.

    The first has coverage at day 30 by kind of farm, loss, sessions and correlation: the session rows by the package's
    limits, the piece rows by the usual ones, which take pieces as independent.
    """
    cells = list(product(FARMS, LOSSES, SESSIONS, CORRELATIONS))
    with (folder / "survival_coverage.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(HEADER)
        for i, (farm, loss, sessions, correlation) in enumerate(cells):
            rng = np.random.default_rng([SEED, i])  # each cell can be repeated alone
            scores = coverage(sessions, loss=loss, correlation=correlation, replicates=replicates, rng=rng, farm=farm)
            found = [f"{getattr(scores[kind], what):.4f}" for kind in KINDS for what in Score.__slots__]
            table.writerow([farm, loss, sessions, correlation, replicates, *found])
            print(farm, loss, sessions, correlation, *found, flush=True)
    write_page_coverage(folder, replicates=replicates)


def coverage(
    sessions: int, *, loss: float, correlation: float, replicates: int, rng: np.random.Generator, farm: str = "even"
) -> dict[str, Score]:
    """Score the four kinds of interval on simulated pairs of arms with `sessions` sessions each."""
    shared = {"correlation": correlation, "rng": rng, **FARMS[farm]}
    agent, sham = (read_loss(simulate_arms(replicates, sessions, loss=p, **shared), DAY) for p in (loss, SHAM_LOSS))
    over = joined(*(arm.limits(in_difference=True) for arm in (agent, sham)))
    return {
        "loss_session": score(agent.limits(), loss),
        "loss_piece": score(agent.piece_limits(), loss),
        "over_sham_session": score(over, loss - SHAM_LOSS),
        "over_sham_piece": score(_wald_difference(agent, sham), loss - SHAM_LOSS),
    }


def score(limits: Limits, truth: float) -> Score:
    """Return how often the limits hold the truth."""
    _, low, high = limits
    held = np.mean((low <= truth) & (truth <= high))
    return Score(float(held), float(np.mean(high < truth)), float(np.median(high - low)))


def _wald_difference(agent: Readings, sham: Readings) -> Limits:
    """The usual interval of a difference: Greenwood errors, normal, pieces independent."""
    difference = agent.proportion - sham.proportion
    half = 1.959963984540054 * np.hypot(agent.piece_error, sham.piece_error)
    return difference, difference - half, difference + half
