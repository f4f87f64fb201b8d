"""How often the limits of survival at day 30 and of loss over sham hold the truth, and how wide they are."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

import numpy as np

from ..estimate import Estimate
from ..survival import SurvivalCurve, kaplan_meier, loss_at, loss_over_sham
from .farms import Sessions, simulate_sessions

LOSSES = (0.03, 0.10, 0.30)
SESSIONS = (5, 6, 8, 10, 12, 20, 30, 60)
CORRELATIONS = (0.0, 0.05, 0.1, 0.2, 0.3)
SHAM_LOSS = 0.02  # nursery deaths run at 0-3 % a month
DAY = 30.0
SEED = 20261


@dataclass(slots=True)
class Score:
    """Running tally of one kind of interval against the truth."""

    truth: float
    said: int = 0
    covered: int = 0
    too_low: int = 0  # the upper limit lies below the truth: the owner is told too little loss
    widths: list[float] = field(default_factory=list)

    def add(self, result: Estimate) -> None:
        """Count one interval; "cannot say" counts nowhere."""
        if result.estimate is None:
            return
        self.said += 1
        self.covered += result.low <= self.truth <= result.high
        self.too_low += result.high < self.truth
        self.widths.append(result.high - result.low)

    def cells(self) -> list[str]:
        """Coverage, share of upper limits below the truth, median width; empty when nothing was said."""
        if not self.said:
            return ["", "", ""]
        return [f"{self.covered / self.said:.4f}", f"{self.too_low / self.said:.4f}", f"{np.median(self.widths):.4f}"]


KINDS = ("loss_session", "loss_piece", "over_sham_session", "over_sham_piece")
HEADER = (
    "loss", "sessions", "correlation", "replicates",
    *(f"{kind}_{what}" for kind in KINDS for what in ("coverage", "upper_below_truth", "median_width")),
)  # fmt: skip


def calibrate_survival(folder: Path, *, replicates: int = 2000) -> None:
    """Write survival_coverage.csv: coverage at day 30 by loss, sessions and correlation, sessions against pieces.

    The session rows use the package's limits; the piece rows the usual ones, which take pieces as independent.
    """
    rng = np.random.default_rng(SEED)
    with (folder / "survival_coverage.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(HEADER)
        for loss, sessions, correlation in product(LOSSES, SESSIONS, CORRELATIONS):
            scores = coverage(sessions, loss=loss, correlation=correlation, replicates=replicates, rng=rng)
            row = [loss, sessions, correlation, replicates, *(cell for kind in KINDS for cell in scores[kind].cells())]
            table.writerow(row)
            print(*row, flush=True)


def coverage(
    sessions: int, *, loss: float, correlation: float, replicates: int, rng: np.random.Generator
) -> dict[str, Score]:
    """Score the four kinds of interval on simulated pairs of arms with `sessions` sessions each."""
    scores = {kind: Score(loss if kind.startswith("loss") else loss - SHAM_LOSS) for kind in KINDS}
    for _ in range(replicates):
        agent = simulate_sessions(sessions, loss=loss, correlation=correlation, rng=rng)
        sham = simulate_sessions(sessions, loss=SHAM_LOSS, correlation=correlation, rng=rng)
        one, two = _curve(agent), _curve(sham)
        scores["loss_session"].add(loss_at(one, DAY))
        scores["over_sham_session"].add(loss_over_sham(one, two, DAY))
        one, two = _curve(agent, pooled=True), _curve(sham, pooled=True)
        scores["loss_piece"].add(loss_at(one, DAY))
        scores["over_sham_piece"].add(_wald_difference(one, two))
    return scores


def _curve(arm: Sessions, *, pooled: bool = False) -> SurvivalCurve:
    """Kaplan-Meier with or without the sessions."""
    if not pooled:
        return kaplan_meier(arm.days, arm.deaths, arm.left, session=arm.session)
    return kaplan_meier(arm.days, arm.deaths, arm.left)


def _wald_difference(agent: SurvivalCurve, sham: SurvivalCurve) -> Estimate:
    """The usual interval of a difference: Greenwood errors, normal, pieces independent."""
    difference = float(sham.survival[-1] - agent.survival[-1])
    half = 1.959963984540054 * float(np.hypot(agent.piece_error[-1], sham.piece_error[-1]))
    return Estimate(estimate=difference, low=difference - half, high=difference + half)
