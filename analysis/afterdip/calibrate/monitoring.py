"""Farms on which nothing changes: how often each alarm is raised all the same, and what limits of shares hold."""

from __future__ import annotations

import csv
from itertools import product
from pathlib import Path

import numpy as np

from ..monitoring import (
    bath_life,
    drift_alarm,
    ewma,
    expected_shares,
    group_alarm,
    laney_p_chart,
    p_chart,
    scores,
    share_effect,
    trend_alarm,
)
from .farms import session_risks

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
LIMIT_HEADER = (
    "share", "sessions", "with_factor", "correlation", "difference", "replicates", "said", "coverage", "median_width",
)  # fmt: skip
BATH_HEADER = (
    "fresh_kill", "log_odds_per_load", "baths", "correlation", "replicates", "said", "fresh_held", "fall_held",
    "serves_too_long",
)  # fmt: skip


def calibrate_monitoring(folder: Path, *, replicates: int = 1000) -> None:
    """Write monitoring_alarms.csv (quiet farms), _power.csv (a change), _limits.csv and _baths.csv."""
    _write(folder / "monitoring_alarms.csv", ALARM_HEADER, alarm_rows(replicates))
    _write(folder / "monitoring_power.csv", POWER_HEADER, power_rows(replicates // 2))
    _write(folder / "monitoring_limits.csv", LIMIT_HEADER, limit_rows(replicates))
    _write(folder / "monitoring_baths.csv", BATH_HEADER, bath_rows(replicates))


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


def limit_rows(replicates: int) -> list[list]:
    """What the 95 % limits of a difference by a factor of the session hold."""
    rows = []
    cells = product((0.05, 0.2, 0.6), ((12, 6), (20, 6), (20, 10), (60, 12), (150, 30)), (0.0, 0.1, 0.3), (0.0, 0.1))
    for number, (share, (m, with_it), rho, difference) in enumerate(cells):
        rng = np.random.default_rng([SEED, 2, number])
        made = [_limits(share, m, with_it, rho, difference, rng) for _ in range(replicates)]
        said = [e for e in made if e.known]
        held = np.mean([e.low <= difference <= e.high for e in said]) if said else np.nan
        width = np.median([e.high - e.low for e in said]) if said else np.nan
        rows.append([share, m, with_it, rho, difference, replicates, len(said) / replicates, float(held), float(width)])
    return rows


def _limits(share: float, m: int, with_it: int, rho: float, difference: float, rng: np.random.Generator):
    """Simulate sessions of two trays each, some with the factor, and read its effect beside a factor without one."""
    has = rng.permutation(np.arange(m) < with_it)
    risk = np.where(has, session_risks(m, loss=share + difference, correlation=rho, rng=rng),
                    session_risks(m, loss=share, correlation=rho, rng=rng))  # fmt: skip
    session = np.repeat(np.arange(m), 2)
    n = rng.integers(5, 31, size=2 * m)
    events = rng.binomial(n, risk[session])
    design = np.column_stack([np.ones(2 * m), np.tile([0.0, 1.0], m)])
    return share_effect(has[session].astype(float), design, events, n, session=session, spread=[np.inf, 1.5])


def bath_rows(replicates: int) -> list[list]:
    """What the limits of a bath's kill hold, and how often a bath is said to serve longer than it truly does.

    Baths of four sessions, each adding one piece per litre; target 90 %.
    """
    rows = []
    cells = product((0.93, 0.98), (0.0, -0.55), (10, 20, 40), (0.0, 0.1, 0.3))
    for number, (fresh, slope, baths, rho) in enumerate(cells):
        rng = np.random.default_rng([SEED, 3, number])
        made = np.array([_bath(fresh, slope, baths, rho, rng) for _ in range(replicates)], float)
        said = made[np.isfinite(made[:, 0])]
        found = said.mean(axis=0) if len(said) else np.full(3, np.nan)
        rows.append([fresh, slope, baths, rho, replicates, len(said) / replicates, *map(float, found)])
    return rows


def _bath(fresh: float, slope: float, baths: int, rho: float, rng: np.random.Generator) -> list[float]:
    """Simulate baths of one agent: whether fresh kill and fall were held, and whether it was said to serve too long."""
    load = np.tile(np.arange(PER_BATH, dtype=float), baths)
    odds = np.log(fresh / (1 - fresh))
    truth = 1 / (1 + np.exp(-odds - slope * load))
    found = 1 + rng.negative_binomial(1.2, 1.2 / (1.2 + 7), load.size)
    risk = [float(session_risks(1, loss=p, correlation=rho, rng=rng)[0]) for p in truth]
    life = bath_life(load, np.full(load.size, "pest"), rng.binomial(found, risk), found,
                     bath=np.arange(load.size) // PER_BATH, target=0.9, margin=0.05)  # fmt: skip
    if not life.fresh.known:
        return [np.nan] * 3
    fall = 1 / (1 + np.exp(-odds - slope * life.fall_at)) - fresh
    last = np.inf if slope == 0 else (np.log(0.9 / 0.1) - odds) / slope
    held = [e.low <= value <= e.high for e, value in ((life.fresh, fresh), (life.fall, fall))]
    return [*map(float, held), float(life.serves_to is not None and life.serves_to > last + 0.05)]


def _trays(m: int, sizes: str, rng: np.random.Generator) -> np.ndarray:
    top = np.full(m, 60) if sizes == "same" else np.where(np.arange(m) < m // 2, 15, 60)
    return rng.integers(5, top + 1)


def _standardised(events: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Set each session against what all of them lead one to expect, as the page does."""
    share = expected_shares(np.ones((n.size, 1)), events, n, spread=[np.inf])
    return scores(np.arange(n.size), events, n, share).z


def _least(p: np.ndarray) -> float:
    return float(np.nanmin(p)) if np.isfinite(p).any() else 1.0


def _write(path: Path, header: tuple[str, ...], rows: list[list]) -> None:
    """Write a table, floats to four digits, and print its path."""
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(header)
        out.writerows([f"{x:.4f}" if isinstance(x, float) and x not in (0.0, 1.0) else x for x in row] for row in rows)
    print(f"wrote {path}: {len(rows)} rows", flush=True)
