"""The limits of loss that were tried, side by side: why `afterdip.survival.limits` is what it is."""

from __future__ import annotations

import csv
from collections.abc import Callable
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import betaincinv, ndtri, stdtrit

from ..survival import SurvivalCurve, kaplan_meier, loss_at
from .farms import simulate_sessions

LOSSES = (0.03, 0.10, 0.30)
SESSIONS = (6, 8, 12, 20, 30, 60)
CORRELATIONS = (0.0, 0.1, 0.3)
SEED = 20263
UPPER = 0.975


def calibrate_survival_limits(folder: Path, *, replicates: int = 2000) -> None:
    """Write survival_limits_tried.csv: coverage of loss at day 30 by each method, where any piece died.

    Replicates without a death are left out: every method then falls back on the same bound.
    """
    rng = np.random.default_rng(SEED)
    with (folder / "survival_limits_tried.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(("loss", "sessions", "correlation", "with_deaths", *TRIED, "used", "used_median_width"))
        for loss, m, correlation in product(LOSSES, SESSIONS, CORRELATIONS):
            held, widths = [], []
            for _ in range(replicates):
                arm = simulate_sessions(m, loss=loss, correlation=correlation, rng=rng)
                if not arm.deaths.any():
                    continue
                curve = kaplan_meier(arm.days, arm.deaths, arm.left, session=arm.session)
                used = loss_at(curve, 30)
                limits = [method(curve) for method in TRIED.values()] + [(used.low, used.high)]
                held.append([low <= loss <= high for low, high in limits])
                widths.append(used.high - used.low)
            shares = np.mean(held, axis=0)
            row = (loss, m, correlation, len(held), *(f"{s:.4f}" for s in shares), f"{np.median(widths):.4f}")
            table.writerow(row)
            print(*row, flush=True)


def greenwood(curve: SurvivalCurve) -> tuple[float, float]:
    """Log-log, normal, pieces independent."""
    return _log_log(curve, float(curve.piece_error[-1]), float(ndtri(UPPER)))


def log_log_t(curve: SurvivalCurve) -> tuple[float, float]:
    """Log-log with the session sandwich, its factor m / (m - 1), and t on m - 1."""
    m = len(curve.sessions)
    return _log_log(curve, float(curve.standard_error[-1]) * np.sqrt(m / (m - 1)), float(stdtrit(m - 1, UPPER)))


def korn_graubard(curve: SurvivalCurve) -> tuple[float, float]:
    """Exact at the effective number of pieces, design effect as estimated but at least 1, t on m - 1."""
    return _exact(curve, max(_estimated_effect(curve), 1), len(curve.sessions) - 1)


def korn_graubard_unequal(curve: SurvivalCurve) -> tuple[float, float]:
    """The same with the sessions counted by their sizes (Kish), for unequal trays."""
    n = curve.counts.at_risk[:, 0] ** 2
    return _exact(curve, max(_estimated_effect(curve), 1), max(n.sum() ** 2 / np.square(n).sum() - 1, 1))


def averaged_by_deaths(curve: SurvivalCurve) -> tuple[float, float]:
    """Design effect averaged with the assumed one, the estimate weighing as much as deaths or sessions less one."""
    m = len(curve.sessions)
    weight = min(max(float(curve.deaths.sum()) - 1, 0), m - 1)
    n = curve.counts.at_risk[:, 0]
    assumed = 1 + (np.square(n).sum() / n.sum() - 1) * 0.2
    return _exact(curve, max((assumed + weight * _estimated_effect(curve)) / (1 + weight), 1), m - 1)


TRIED: dict[str, Callable[[SurvivalCurve], tuple[float, float]]] = {
    method.__name__: method
    for method in (greenwood, log_log_t, korn_graubard, korn_graubard_unequal, averaged_by_deaths)
}


def _estimated_effect(curve: SurvivalCurve) -> float:
    """Session variance with its factor over the variance of independent pieces; 0 where all died."""
    m, pieces = len(curve.sessions), float(curve.piece_error[-1])
    return float(curve.standard_error[-1] / pieces) ** 2 * m / (m - 1) if pieces > 0 else 0.0


def _log_log(curve: SurvivalCurve, error: float, quantile: float) -> tuple[float, float]:
    """Limits of loss on the log(-log S) scale."""
    s = float(curve.survival[-1])
    if s == 0:
        return 1.0, 1.0
    width = quantile * error / (s * -np.log(s))
    return 1 - s ** np.exp(-width), 1 - s ** np.exp(width)


def _exact(curve: SurvivalCurve, effect: float, df: float) -> tuple[float, float]:
    """Clopper & Pearson at the effective number of pieces, shrunk for the degrees of freedom."""
    p, variance = 1 - float(curve.survival[-1]), float(curve.piece_error[-1]) ** 2
    if variance == 0:
        return p, p
    n = p * (1 - p) / (variance * effect) * (ndtri(UPPER) / stdtrit(df, UPPER)) ** 2
    low, high = betaincinv(p * n, (1 - p) * n + 1, 1 - UPPER), betaincinv(p * n + 1, (1 - p) * n, UPPER)
    return float(low), float(high)
