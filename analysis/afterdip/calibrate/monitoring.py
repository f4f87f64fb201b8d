"""Farms on which nothing changes: how often each alarm is raised all the same."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from ..monitoring import (
    drift_alarm,
    ewma,
    expected_shares,
    group_alarm,
    laney_p_chart,
    p_chart,
    scores,
    trend_alarm,
)
from .farms import session_risks
from .single_baths import calibrate_single_baths
from .table import write_table
from .watch_limits import calibrate_watch_limits

LOSSES = (0.02, 0.05, 0.10, 0.60)  # the last one stands for kill
CORRELATIONS = (0.0, 0.1, 0.3)
SESSIONS = (24, 60, 150)
RATES = (0.05, 0.01)
PER_BATH, PER_BOTTLE = 4, 12  # sessions of one mixed bath, baths from one bottle
DRAWS = 999
SEED = 20268

ALARM_HEADER = (
    "share", "sessions", "correlation", "sizes", "replicates",
    *(f"{name}_{rate}" for name in ("drift", "bottle", "bath") for rate in RATES),
    "p_chart", "laney", "ewma_width_3",
)  # fmt: skip
POWER_HEADER = (
    "share", "changed_to", "sessions", "changed", "correlation", "replicates", "drift_0.002", "bottle_0.002",
)  # fmt: skip


def calibrate_monitoring(folder: Path, *, replicates: int = 1000) -> None:
    """Write monitoring_alarms.csv (quiet farms), _power.csv (a change), the limits' and the single baths' tables."""
    write_table(folder / "monitoring_alarms.csv", ALARM_HEADER, alarm_rows(replicates))
    write_table(folder / "monitoring_power.csv", POWER_HEADER, power_rows(replicates // 2))
    calibrate_watch_limits(folder)
    calibrate_single_baths(folder)


def alarm_rows(replicates: int) -> list[list]:
    """One row a share, number of sessions, correlation and kind of tray sizes; alarms are those of the last month.

    `sizes`: same (5-60 throughout) or growing (5-15 at first, 5-60 later), which the alarms do not foresee.
    """
    rows = []
    cells = [(*cell, "same") for cell in product(LOSSES, SESSIONS, CORRELATIONS)]
    cells += [(loss, 60, rho, "growing") for loss, rho in product(LOSSES, (0.1, 0.3))]
    for number, (share, m, rho, sizes) in enumerate(cells):
        rng = np.random.default_rng([SEED, number])
        raised = np.mean([_quiet(share, m, rho, sizes, rng) for _ in range(replicates)], axis=0)
        rows.append([share, m, rho, sizes, replicates, *map(float, raised)])
    return rows


def _quiet(share: float, m: int, rho: float, sizes: str, rng: np.random.Generator) -> list[bool]:
    """Simulate one quiet farm: alarms by drift, bottle and load in a bath at each rate, then three charts' alarms."""
    n = _trays(m, sizes, rng)
    events = rng.binomial(n, session_risks(m, loss=share, correlation=rho, rng=rng))
    z = _standardised(events, n)
    recent = np.arange(m) >= m - max(m // 12, 2)
    ps = [
        drift_alarm(z, recent, rng=rng, draws=DRAWS).p,
        _least(group_alarm(z, np.arange(m) // PER_BOTTLE, rng=rng, draws=DRAWS).p),
        trend_alarm(z, np.arange(m) % PER_BATH, np.arange(m) // PER_BATH, rng=rng, draws=DRAWS).p,
    ]
    charts = (p_chart(events, n), laney_p_chart(events, n)) if events.sum() else ()
    beyond = [bool((chart.share > chart.high)[recent].any()) for chart in charts] or [False, False]
    plain = ewma(z, target=0.0, sigma=1.0, weight=0.2)
    beyond.append(bool((plain.average > plain.high)[recent].any()))
    return [p is not None and p <= rate for p in ps for rate in RATES] + beyond


def power_rows(replicates: int) -> list[list]:
    """How often a change is found at the level that one of some 25 alarms of a report has."""
    cells = product(((0.05, 0.10), (0.05, 0.20), (0.20, 0.40), (0.20, 0.60)), (60,), (6, 12), (0.05, 0.2))
    rows = []
    for number, ((before, after), m, changed, rho) in enumerate(cells):
        rng = np.random.default_rng([SEED, 1, number])
        found = np.mean([_changed(before, after, m, changed, rho, rng) for _ in range(replicates)], axis=0)
        rows.append([before, after, m, changed, rho, replicates, *map(float, found)])
    return rows


def _changed(before: float, after: float, m: int, changed: int, rho: float, rng: np.random.Generator) -> list[bool]:
    """Simulate one farm whose last sessions, from a new bottle, have another share."""
    new = np.arange(m) >= m - changed
    n = _trays(m, "same", rng)
    risk = np.where(new, session_risks(m, loss=after, correlation=rho, rng=rng),
                    session_risks(m, loss=before, correlation=rho, rng=rng))  # fmt: skip
    z = _standardised(rng.binomial(n, risk), n)
    lots = np.where(new, m, np.arange(m) // PER_BOTTLE)
    drift = drift_alarm(z, np.arange(m) >= m - max(m // 12, 2), rng=rng, draws=DRAWS).p
    return [drift <= 0.002, _least(group_alarm(z, lots, rng=rng, draws=DRAWS).p) <= 0.002]


def _trays(m: int, sizes: str, rng: np.random.Generator) -> np.ndarray:
    top = np.full(m, 60) if sizes == "same" else np.where(np.arange(m) < m // 2, 15, 60)
    return rng.integers(5, top + 1)


def _standardised(events: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Set each session against what all of them lead one to expect, as the page does."""
    share = expected_shares(np.ones((n.size, 1)), events, n, spread=[np.inf])
    return scores(np.arange(n.size), events, n, share).z


def _least(p: np.ndarray) -> float:
    return float(np.nanmin(p)) if np.isfinite(p).any() else 1.0
