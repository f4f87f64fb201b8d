"""How often tests of two arms find a difference at the 5 % level where there is none."""

from __future__ import annotations

import csv
from itertools import product
from pathlib import Path

import numpy as np

from ..survival import logrank, permuted_logrank, session_logrank
from .farms import simulate_sessions

LOSSES = (0.03, 0.10, 0.30)
SESSIONS = ((5, 5), (8, 8), (5, 12), (12, 12), (30, 30))
CORRELATIONS = (0.0, 0.1, 0.3)
TESTS = ("piece_logrank", "session_logrank", "permuted_logrank")
SEED = 20262


def calibrate_session_tests(folder: Path, *, replicates: int = 1000) -> None:
    """Write session_tests_size.csv: share of p-values below 0.05 at no effect.

    Replicates without a death, in which no test can be made, count as not rejected.
    """
    cells = list(product(LOSSES, SESSIONS, CORRELATIONS))
    with (folder / "session_tests_size.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(("loss", "sessions_first", "sessions_second", "correlation", "replicates", *TESTS))
        for i, (loss, (first, second), correlation) in enumerate(cells):
            rng = np.random.default_rng([SEED, i])  # each cell can be repeated alone
            rejected = sum(_rejections(first, second, loss, correlation, rng) for _ in range(replicates))
            row = (loss, first, second, correlation, replicates, *(f"{r / replicates:.4f}" for r in rejected))
            table.writerow(row)
            print(*row, flush=True)


def _rejections(first: int, second: int, loss: float, correlation: float, rng: np.random.Generator) -> np.ndarray:
    """1 for each test that rejects on one simulated pair of equal arms, 0 otherwise; shape (n_tests,)."""
    one, two = (simulate_sessions(m, loss=loss, correlation=correlation, rng=rng) for m in (first, second))
    days, deaths, left = (np.concatenate([getattr(one, k), getattr(two, k)]) for k in ("days", "deaths", "left"))
    session = np.concatenate([one.session, two.session + first])
    group = np.repeat([1, 0], [len(one.days), len(two.days)])
    if not deaths.any():
        return np.zeros(len(TESTS))
    arms = {"group": group, "session": session}
    return np.array([
        logrank(days, deaths, left, group=group).p_value < 0.05,
        session_logrank(days, deaths, left, **arms).p_value < 0.05,
        permuted_logrank(days, deaths, left, **arms, rng=rng, draws=199).p_value < 0.05,
    ], float)  # fmt: skip
