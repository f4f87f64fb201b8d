"""The limits of loss that were tried, side by side: why `afterdip.survival.limits` is what it is."""

from __future__ import annotations

import csv
from collections.abc import Callable
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri, stdtrit

from ..survival.limits import LEAST_DF, ONE_SESSION_DF, loglog_limits
from .survival_arms import LEVEL, Arms, Readings, read_loss, simulate_arms

LOSSES = (0.03, 0.10, 0.30)
SESSIONS = (6, 8, 12, 20, 30, 60)
SPREADS = ((0.0, "beta"), (0.1, "beta"), (0.3, "beta"), (0.3, "logit-normal"))
SEED = 20263
UPPER = 0.5 + LEVEL / 2


def calibrate_survival_limits(folder: Path, *, replicates: int = 4000) -> None:
    """Write survival_limits_tried.csv: coverage of loss at day 30 by each method, where any piece died.

    Replicates without a death are left out: every method then falls back on the same bound.
    """
    with (folder / "survival_limits_tried.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        about = ("loss", "sessions", "correlation", "spread", "with_deaths")
        table.writerow((*about, *TRIED, "used", "used_median_width"))
        for i, (loss, m, (correlation, spread)) in enumerate(product(LOSSES, SESSIONS, SPREADS)):
            rng = np.random.default_rng([SEED, i])  # each cell can be repeated alone
            arms = simulate_arms(replicates, m, loss=loss, correlation=correlation, spread=spread, rng=rng)
            some = arms.deaths.sum(axis=(1, 2)) > 0
            arms = Arms(arms.days, arms.deaths[some], arms.left[some])
            found = read_loss(arms, 30)
            used = found.limits()[1:]
            limits = [method(found, arms) for method in TRIED.values()] + [used]
            held = [np.mean((low <= loss) & (loss <= high)) for low, high in limits]
            width = np.median(used[1] - used[0])
            row = (loss, m, correlation, spread, int(some.sum()), *(f"{share:.4f}" for share in [*held, width]))
            table.writerow(row)
            print(*row, flush=True)


def greenwood(found: Readings, _: Arms) -> tuple[NDArray, NDArray]:
    """Log-log, normal, pieces independent."""
    return found.piece_limits()[1:]


def log_log_t(found: Readings, _: Arms) -> tuple[NDArray, NDArray]:
    """Log-log with the session sandwich, its factor m / (m - 1), and t on m - 1."""
    m = found.sessions
    error = found.session_error * np.sqrt(m / (m - 1)) * stdtrit(m - 1, UPPER) / ndtri(UPPER)
    low, high = loglog_limits(1 - found.proportion, error, confidence_level=LEVEL)
    return 1 - high, 1 - low


def korn_graubard(found: Readings, _: Arms) -> tuple[NDArray, NDArray]:
    """Exact at the effective number of pieces, design effect as measured but at least 1, t on m - 1."""
    return _exact(found, _measured(found), found.sessions - 1)


def korn_graubard_unequal(found: Readings, arms: Arms) -> tuple[NDArray, NDArray]:
    """The same with the sessions counted by their sizes (Kish), for unequal trays."""
    n = arms.at_risk[:, :, 0] ** 2
    return _exact(found, _measured(found), np.maximum(n.sum(axis=1) ** 2 / np.square(n).sum(axis=1) - 1, 1))


def averaged_by_deaths(found: Readings, arms: Arms) -> tuple[NDArray, NDArray]:
    """Design effect averaged with the assumed one, the measured weighing as much as deaths or sessions less one."""
    weight = np.clip(arms.deaths.sum(axis=(1, 2)) - 1, 0, found.sessions - 1)
    return _exact(found, _averaged(found, 1.0, weight), found.sessions - 1)


def averaged_by_sessions(found: Readings, arms: Arms) -> tuple[NDArray, NDArray]:
    """The same by sessions with deaths, however few each has; the assumed one weighs a third; t on those sessions."""
    k = (arms.deaths.sum(axis=2) > 0).sum(axis=1)
    df = np.where(k > 1, np.clip(k, LEAST_DF, max(found.sessions - 1, LEAST_DF)), ONE_SESSION_DF)
    return _exact(found, _averaged(found, 1 / 3, k - 1), df)


def far_on_both_sides(found: Readings, _: Arms) -> tuple[NDArray, NDArray]:
    """The assumed design effect weighing as one session with deaths, on both sides; t on those that carry the error."""
    k = found.event_sessions
    few = np.clip(found.error_sessions, LEAST_DF, max(found.sessions - 1, LEAST_DF))
    return _exact(found, _averaged(found, 1.0, k - 1), np.where(k > 1 + 1e-9, few, ONE_SESSION_DF))


TRIED: dict[str, Callable[[Readings, Arms], tuple[NDArray, NDArray]]] = {
    method.__name__: method
    for method in (
        greenwood, log_log_t, korn_graubard, korn_graubard_unequal, averaged_by_deaths, averaged_by_sessions,
        far_on_both_sides,
    )
}  # fmt: skip


def _measured(found: Readings) -> NDArray[np.float64]:
    """Session variance with its factor over the variance of independent pieces."""
    return np.square(found.session_error / found.piece_error) * found.sessions / (found.sessions - 1)


def _averaged(found: Readings, prior: float, weight: NDArray) -> NDArray[np.float64]:
    """The measured design effect, weighing so many sessions, with the assumed one."""
    return (prior * found.assumed + weight * _measured(found)) / (prior + weight)


def _exact(found: Readings, effect: NDArray, df: ArrayLike) -> tuple[NDArray, NDArray]:
    """Clopper & Pearson at the effective number of pieces, shrunk for the degrees of freedom."""
    p, variance = found.proportion, np.square(found.piece_error)
    n = p * (1 - p) / (variance * np.maximum(effect, 1)) * (ndtri(UPPER) / stdtrit(df, UPPER)) ** 2
    return betaincinv(p * n, (1 - p) * n + 1, 1 - UPPER), betaincinv(p * n + 1, (1 - p) * n, UPPER)
