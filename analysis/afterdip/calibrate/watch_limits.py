"""What the watch's limits hold: what goes with losses, what a bath kills by its load, how strong a bottle acts."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from ..estimate import Estimate
from ..monitoring import (
    bath_life,
    expected_shares,
    group_alarm,
    limits_of_picked,
    scores,
    share_effect,
    strength_factor,
)
from .farms import session_risks
from .table import write_table

Floats = NDArray[np.float64]
SHARES = (0.03, 0.1, 0.5)
DESIGNS = ((12, 6), (60, 12), (150, 30), (60, 0))
"""Sessions, and how many of them have the factor; 0: a factor of nine levels."""

CORRELATIONS = (0.0, 0.1, 0.3)
NEAR = (0.94, 0.975)  # of 93 % and, from 30 sessions up, of 98 %
PER_BATH = 4  # sessions of one mixed bath
SEED = 20268
ALARM_LEVEL = 0.002  # about what one of 25 to 30 alarms of a report has

LIMIT_HEADER = (
    "share", "sessions", "with_factor", "correlation", "difference", "replicates", "said", "coverage",
    "coverage_logit_normal", "median_width",
)  # fmt: skip
BATH_HEADER = (
    "fresh_kill", "log_odds_per_load", "baths", "correlation", "replicates", "said", "fresh_held", "fall_held",
    "serves_too_long", "fresh_held_logit_normal", "fall_held_logit_normal",
)  # fmt: skip
BOTTLE_HEADER = (
    "acts_like", "sessions", "of_the_bottle", "correlation", "replicates", "said", "coverage", "coverage_logit_normal",
    "alarmed", "coverage_if_alarmed",
)  # fmt: skip


def calibrate_watch_limits(folder: Path, *, replicates: int = 400) -> None:
    """Write monitoring_limits.csv, monitoring_baths.csv and monitoring_bottles.csv."""
    write_table(folder / "monitoring_limits.csv", LIMIT_HEADER, limit_rows(replicates))
    write_table(folder / "monitoring_baths.csv", BATH_HEADER, bath_rows(replicates))
    write_table(folder / "monitoring_bottles.csv", BOTTLE_HEADER, bottle_rows(3 * replicates // 2))


def risks(share: Floats, correlation: float, spread: str, rng: np.random.Generator) -> Floats:
    """Draw a risk a session about its own share; `spread` as in `session_risks`."""
    out = np.empty(share.size)
    for p in np.unique(share):
        here = share == p
        out[here] = session_risks(int(here.sum()), loss=float(p), correlation=correlation, rng=rng, spread=spread)
    return out


def limit_rows(replicates: int) -> list[list]:
    """What the 95 % limits of a change by a factor of the session hold.

    `difference` is that of the shares with and without the factor; of a factor with nine levels, what its whole range
    adds to the log odds, and the change said is that of one level. Four times as many farms where a coverage came near
    a bound, and four times that where it still is.
    """
    rows = []
    for number, (share, (m, with_it), rho, place) in enumerate(product(SHARES, DESIGNS, CORRELATIONS, (0, 1))):
        difference = (0.0, 0.1 if with_it else 1.5)[place]
        for farms in (replicates, 4 * replicates, 16 * replicates):
            made = [
                [_limits(share, m, with_it, rho, difference, spread, rng) for _ in range(farms)]
                for spread, rng in _both(number, 2)
            ]
            held = [_held([(e, truth) for e, truth in kind if e.known]) for kind in made]
            if min(held) >= NEAR[0] and (m < 30 or max(held) <= NEAR[1]):
                break
        said = [(e, truth) for e, truth in made[0] if e.known]
        width = float(np.median([e.high - e.low for e, _ in said])) if said else np.nan
        rows.append([share, m, with_it, rho, difference, farms, len(said) / farms, *held, width])
    return rows


def _both(*cell: int) -> list[tuple[str, np.random.Generator]]:
    """Both ways in which sessions differ, with their random numbers; where they do not differ both are the same."""
    return [(name, np.random.default_rng([SEED, *cell, kind])) for kind, name in enumerate(("beta", "logit-normal"))]


def _held(said: list[tuple[Estimate, float]]) -> float:
    return float(np.mean([e.low <= truth <= e.high for e, truth in said])) if said else np.nan


def _limits(
    share: float, m: int, with_it: int, rho: float, difference: float, spread: str, rng: np.random.Generator
) -> tuple[Estimate, float]:
    """Simulate sessions of two trays each; return the effect of their factor beside one without any, and the truth."""
    levels = rng.integers(0, 9, size=m) / 8
    has = (rng.permutation(m) < with_it).astype(float) if with_it else levels
    expected = share + difference * has if with_it else expit(logit(share) + difference * (levels - 0.5))
    session = np.repeat(np.arange(m), 2)
    n = rng.integers(5, 31, size=2 * m)
    events = rng.binomial(n, risks(expected, rho, spread, rng)[session])
    design = np.column_stack([np.ones(2 * m), np.tile([0.0, 1.0], m)])
    step = 1.0 if with_it else 0.125
    found = share_effect(has[session], design, events, n, session=session, spread=[np.inf, 1.5], step=step)
    ends = [expit(logit(share) + difference * (levels[session] - 0.5 + side * step / 2)) for side in (-1, 1)]
    return found, difference if with_it else float(n @ (ends[1] - ends[0]) / n.sum())


def bath_rows(replicates: int) -> list[list]:
    """What the limits of a bath's kill hold, and how often a bath is said to serve longer than it truly does.

    Baths of four sessions, each adding one piece per litre; target 90 %.
    """
    rows = []
    cells = product((0.93, 0.98), (0.0, -0.55), (10, 20, 40), CORRELATIONS)
    for number, (fresh, slope, baths, rho) in enumerate(cells):
        found = []
        for spread, rng in _both(number, 3):
            made = np.array([_bath(fresh, slope, baths, rho, spread, rng) for _ in range(replicates)], float)
            said = made[np.isfinite(made[:, 0])]
            rates = said.mean(axis=0) if len(said) else np.full(3, np.nan)
            found.append([len(said) / replicates, *map(float, rates)])
        rows.append([fresh, slope, baths, rho, replicates, *found[0], *found[1][1:3]])
    return rows


def _bath(fresh: float, slope: float, baths: int, rho: float, spread: str, rng: np.random.Generator) -> list[float]:
    """Simulate baths of one agent: whether fresh kill and fall were held, and whether it was said to serve too long."""
    load = np.tile(np.arange(PER_BATH, dtype=float), baths)
    found = 1 + rng.negative_binomial(1.2, 1.2 / (1.2 + 7), load.size)
    risk = risks(expit(logit(fresh) + slope * load), rho, spread, rng)
    life = bath_life(load, np.full(load.size, "pest"), rng.binomial(found, risk), found,
                     bath=np.arange(load.size) // PER_BATH, target=0.9, margin=0.05)  # fmt: skip
    if not life.fresh.known:
        return [np.nan] * 3
    fall = expit(logit(fresh) + slope * life.fall_at) - fresh
    last = np.inf if slope == 0 else (logit(0.9) - logit(fresh)) / slope
    held = [e.low <= value <= e.high for e, value in ((life.fresh, fresh), (life.fall, fall))]
    return [*map(float, held), float(life.serves_to is not None and life.serves_to > last + 0.05)]


def bottle_rows(replicates: int) -> list[list]:
    """What the limits of a bottle's strength hold: in all farms, and as told of a bottle that raised its alarm.

    Four strengths an eightfold apart in all; where half to nine tenths are killed, as farms choose them.
    """
    rows = []
    cells = product((1.0, 0.5), ((24, 6), (60, 12), (150, 30)), CORRELATIONS)
    for number, (factor, (m, of_it), rho) in enumerate(cells):
        kinds = []
        for spread, rng in _both(number, 4):
            kinds.append([_bottle(factor, m, of_it, rho, spread, rng) for _ in range(replicates)])
        said = [[(e, factor) for e, _ in kind if e.known] for kind in kinds]
        alarmed = [(told, factor) for kind in kinds for _, told in kind if told is not None and told.known]
        rate = float(np.mean([told is not None for kind in kinds for _, told in kind]))
        held = _held(alarmed) if len(alarmed) >= 50 else np.nan
        rows.append([factor, m, of_it, rho, replicates, len(said[0]) / replicates, *map(_held, said), rate, held])
    return rows


def _bottle(
    factor: float, m: int, of_it: int, rho: float, spread: str, rng: np.random.Generator
) -> tuple[Estimate, Estimate | None]:
    """Simulate the kills of one agent whose last sessions are from one bottle.

    Returns its strength at 95 %, and as the page tells it after an alarm, None without one.
    """
    mine = np.arange(m) >= m - of_it
    written = rng.choice([0.5, 1.0, 2.0, 4.0], m)
    acts = np.log10(np.where(mine, factor, 1.0) * written)
    n = 1 + rng.negative_binomial(1.2, 1.2 / (1.2 + 11), m)
    y = rng.binomial(n, risks(expit(1.5 + 3.0 * acts), rho, spread, rng))
    design = np.ones((m, 1))

    def strength(level: float) -> Estimate:
        return strength_factor(
            written, mine, design, y, n, bath=np.arange(m), spread=[np.inf], confidence_level=level
        )

    with_strength = np.column_stack([design, np.log10(written)])
    z = scores(np.arange(m), y, n, expected_shares(with_strength, y, n, spread=[np.inf, 4.0])).z
    bottles = np.where(mine, m, np.arange(m) // of_it)
    p = group_alarm(-z, bottles, rng=rng, draws=999).p
    alarm = p[-1] <= ALARM_LEVEL
    return strength(0.95), strength(limits_of_picked(p, ALARM_LEVEL, 0.95)) if alarm else None
