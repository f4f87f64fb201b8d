"""How often the limits of what a clean surviving piece costs hold the truth of made-up farms."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..estimate import Estimate
from ..labour import (
    MIN_SESSIONS,
    PARTS,
    PieceCost,
    PieceInputs,
    cost_per_clean_piece,
    ratio_of_sums,
    session_correlation,
)
from ..proportion import session_proportion
from ..survival import cumulative_incidence, incidence_at
from .farms import CHECK_DAYS, DEATHS_SEEN, risk_at_rank
from .labour import FARMS, mean_pieces, simulate_work
from .table import write_table

LOSSES = ((0.02, 0.02, 0.03), (0.10, 0.05, 0.15))
"""Dead, of the rest detached, of what is left infested: a farm that loses little and one that loses much."""

SESSIONS = (8, 12, 30, 60)
CORRELATIONS = (0.0, 0.1, 0.3)
SPREADS = ("beta", "logit-normal")
WAGE, VALUE = 24.0, 8.0  # an hour, a piece
AGENT_FIXED, AGENT_EACH = 3.0, 0.05  # money a bath and a piece
NEAR = (0.935, 0.98)  # of 93 % and, from 30 sessions up, of 98 %
REDIPS = 2  # at most; each session's pieces are dipped again so many times, or one less, or two less
SEED = 20270
FIGURES = ("per_survivor", "per_clean_survivor", "hours_per_thousand_clean", "value_doubled", "wage_doubled")
HEADER = (
    "dead", "detached", "infested", "baths", "sessions", "correlation", "replicates", "said",
    *(f"{name}_coverage" for name in FIGURES), "per_clean_survivor_logit_normal",
    *(f"{part}_part_coverage" for part in PARTS), *(f"{part}_share_coverage" for part in PARTS),
    "per_clean_survivor_ratio",
)  # fmt: skip


def calibrate_piece_cost(folder: Path, *, replicates: int = 400) -> None:
    """Write labour_cost_coverage.csv.

    `baths`: "apart" where a session's deaths, detachments, infested pieces and re-dips have nothing to do with each
    other, "alike" where a session that is bad in one is as bad in all. `ratio`: median of upper over lower limit.
    """
    cells = product(LOSSES, ("apart", "alike"), SESSIONS, CORRELATIONS)
    write_table(folder / "labour_cost_coverage.csv", HEADER, [cost_row(*cell, replicates) for cell in enumerate(cells)])


def cost_row(number: int, cell: tuple, replicates: int) -> list:
    """Return one row of the table, from four times as many farms where a coverage came near a bound."""
    loss, baths, m, rho = cell
    truth = [_truth(loss, rho, baths == "alike", spread) for spread in SPREADS]
    for farms in (replicates, 4 * replicates):
        made = []
        for kind, spread in enumerate(SPREADS):
            rng = np.random.default_rng([SEED, number, kind])
            made.append([_cost(loss, m, rho, baths == "alike", spread, rng) for _ in range(farms)])
        said = [[cost for cost in kind if cost.per_clean_survivor.known] for kind in made]
        rates = [_held([getattr(cost, name) for cost in said[0]], getattr(truth[0], name)) for name in FIGURES]
        rates.append(_held([cost.per_clean_survivor for cost in said[1]], truth[1].per_clean_survivor))
        for name in ("parts", "shares"):
            rates += [_held([getattr(c, name)[p] for c in said[0]], getattr(truth[0], name)[p]) for p in PARTS]
        if min(rates) >= NEAR[0] and (m < 30 or max(rates) <= NEAR[1]):
            break
    width = float(np.median([c.per_clean_survivor.high / c.per_clean_survivor.low for c in said[0]]))
    return [*loss, baths, m, rho, farms, len(said[0]) / farms, *rates, width]


def _held(made: list[Estimate], truth: Estimate) -> float:
    return float(np.mean([e.low <= truth.estimate <= e.high for e in made]))


def _truth(loss: tuple[float, float, float], rho: float, alike: bool, spread: str) -> PieceCost:
    """Return the cost where every input is known; of sessions alike by adding up over their ranks."""
    grid = (np.arange(20_000) + 0.5) / 20_000
    die, come_off, carry = loss
    if alike:
        die, come_off, carry = (risk_at_rank(grid, loss=p, correlation=rho, spread=spread) for p in loss)
    left = (1 - die) * (1 - come_off)
    dead, detached = float(np.mean(die)), float(np.mean((1 - die) * come_off))
    clean = 1 - float(np.mean(left * carry) / np.mean(left))
    farm, size = FARMS["unequal sessions"], mean_pieces()
    minutes = float((farm.fixed / size + farm.per_piece) * np.exp(farm.session**2 / 2))
    agent = AGENT_FIXED / size + AGENT_EACH
    known = (minutes, agent, REDIPS / 2 * minutes, REDIPS / 2 * agent, dead, detached, clean)
    return cost_per_clean_piece(PieceInputs(*(Estimate(estimate=x, low=x, high=x) for x in known), WAGE, VALUE))


def _cost(
    loss: tuple[float, float, float], m: int, rho: float, alike: bool, spread: str, rng: np.random.Generator
) -> PieceCost:
    """Simulate the sessions of one farm, half of what is left examined at the end, and return what the page would."""
    made = simulate_work(FARMS["unequal sessions"], sessions=4 * m + 20, months=1, rng=rng)
    n, minutes = made.pieces[:m], made.minutes[:m]
    agent = (AGENT_FIXED + AGENT_EACH * n) * rng.lognormal(-0.02, 0.2, m)
    ranks = np.broadcast_to(rng.random(m), (4, m)) if alike else rng.random((4, m))
    die, come_off, carry = (
        risk_at_rank(rank, loss=p, correlation=rho, spread=spread) for p, rank in zip(loss, ranks, strict=False)
    )
    again = np.floor(ranks[3] * (REDIPS + 1)) * rng.lognormal(-0.045, 0.3, m)
    labels, counts = np.arange(m), {"confidence_level": 0.95, "method": ""}
    dead, detached, alive = _ends(n.astype(np.int64), die, come_off, rng)
    ends = cumulative_incidence(
        np.tile(CHECK_DAYS, m), np.column_stack([dead.ravel(), detached.ravel()]), alive.ravel(),
        session=np.repeat(labels, len(CHECK_DAYS)),
    )  # fmt: skip
    lost = [incidence_at(ends, cause, float(CHECK_DAYS[-1]), in_difference=True) for cause in ends.causes]
    seen = (alive[:, -1] + 1) // 2
    infested = rng.binomial(seen, carry)
    clean = session_proportion(seen - infested, seen, session=labels, min_sessions=MIN_SESSIONS)
    spent = (minutes, agent, again * minutes, again * agent)
    sums = [ratio_of_sums(x, n, **counts) for x in spent]
    tops = (*spent, dead.sum(axis=1), detached.sum(axis=1), seen - infested)
    together = session_correlation(tops, (n,) * 6 + (seen,))
    return cost_per_clean_piece(PieceInputs(*sums, *lost, clean, WAGE, VALUE, together))


def _ends(pieces: NDArray, die: NDArray, come_off: NDArray, rng: np.random.Generator) -> tuple[NDArray, ...]:
    """Return dead, detached (of those that would not die) and, at the last check, those left, by check."""
    detach = (1 - die) * come_off
    chances = [np.outer(die, DEATHS_SEEN), np.outer(detach, DEATHS_SEEN), ((1 - die) * (1 - come_off))[:, None]]
    drawn = rng.multinomial(pieces, np.concatenate(chances, axis=1))
    k = len(CHECK_DAYS)
    alive = np.zeros((len(pieces), k), np.int64)
    alive[:, -1] = drawn[:, -1]
    return drawn[:, :k], drawn[:, k : 2 * k], alive
