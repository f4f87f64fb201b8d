"""Resampling whole sessions, for figures that have no limits of their own."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..estimate import Estimate, cannot_say


def times_drawn(sessions: int, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Return how often each session is drawn when as many are drawn with replacement, shape (draws, sessions).

    Drawing places and counting them is the same as multinomial weights, which cost five times as much.
    """
    places = rng.integers(sessions, size=(draws, sessions)) + sessions * np.arange(draws)[:, None]
    return np.bincount(places.ravel(), minlength=draws * sessions).reshape(draws, sessions)


def session_bootstrap(
    statistic: Callable[..., np.ndarray], *arms: np.ndarray, rng: np.random.Generator, draws: int = 2000,
    confidence_level: float = 0.95, min_sessions: int = 30,
) -> Estimate:
    """Percentile limits of a statistic of session totals, whole sessions drawn with replacement within each arm.

    `arms`: session tallies, each of shape (n_sessions, n_counts); `statistic` takes one array of totals an arm, shape
    (..., n_counts), and returns shape (...). Multinomial weights times tallies, no loop over draws. With few sessions
    the limits are far too narrow (95 % limits held 38-92 % of the time with six sessions an arm, 74 % at worst with
    sixty: `calibrate/removal.py`), which is why the pages use the limits of `reductions`; below `min_sessions` in an
    arm this is "cannot say". Draws without a denominator are left out; more than 1 in 20 of them is "cannot say".
    """
    arms = tuple(np.asarray(arm, float) for arm in arms)
    sessions = sum(len(arm) for arm in arms)
    smallest = min(len(arm) for arm in arms)
    if smallest < min_sessions:
        reason = f"too few sessions to resample: {smallest}, needs {min_sessions}"
        return cannot_say(reason, confidence_level=confidence_level, sessions=sessions)
    weights = [times_drawn(len(arm), draws, rng) for arm in arms]
    with np.errstate(divide="ignore", invalid="ignore"):  # a draw may have no denominator: counted below
        whole = float(statistic(*(arm.sum(axis=0) for arm in arms)))
        drawn = statistic(*(weight @ arm for weight, arm in zip(weights, arms, strict=True)))
    usable = drawn[np.isfinite(drawn)]
    if not np.isfinite(whole) or len(usable) < 0.95 * draws:
        return cannot_say("no denominator in too many draws", confidence_level=confidence_level, sessions=sessions)
    low, high = np.quantile(usable, [(1 - confidence_level) / 2, (1 + confidence_level) / 2])
    return Estimate(
        estimate=whole, low=float(low), high=float(high), confidence_level=confidence_level, sessions=sessions,
        method=f"session bootstrap, percentile limits of {draws} draws",
    )
