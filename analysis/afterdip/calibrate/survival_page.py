"""How often the limits of the survival page's other figures hold the truth: each that is printed with limits."""

from __future__ import annotations

import csv
from itertools import product
from pathlib import Path

import numpy as np

from ..estimate import Estimate
from ..survival import CumulativeIncidence, cox, cumulative_incidence, incidence_at
from ..tally.survival import share_ends
from .farms import CHECK_DAYS, DEATHS_SEEN, session_risks, simulate_sessions
from .survival_arms import Arms, Limits, joined, read_days_lost, read_loss, simulate_arms

LOSSES = (0.02, 0.10, 0.30)  # the first is the sham's
SESSIONS = (5, 12, 30, 60)
SPREADS = ((0.0, "beta"), (0.1, "beta"), (0.3, "beta"), (0.3, "logit-normal"))
SHAM_LOSS = 0.02
DAY = 30.0
SEED = 20271
LATE_LOOKS, LATE_SEEN = (7.0, 21.0, 35.0), (0.5, 0.3, 0.2)
RATIOS = ((0.10, 0.10), (0.10, 0.03), (0.30, 0.10))
ARMS = ((12, 12), (30, 30))
HEADER = (
    "figure", "loss", "sham_loss", "sessions", "sham_sessions", "correlation", "spread", "replicates", "said",
    "coverage", "truth_above", "truth_below", "median_width",
)  # fmt: skip


def write_page_coverage(folder: Path, *, replicates: int) -> None:
    """Write survival_page_coverage.csv: loss on day 7, came off, deaths spread, days lived, days over sham, hazards.

    Came off gets a quarter of the replicates; hazard ratios, refitted without each session, a tenth.
    """
    with (folder / "survival_page_coverage.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(HEADER)
        for i, (loss, m, (correlation, spread)) in enumerate(product(LOSSES, SESSIONS, SPREADS)):
            rng = np.random.default_rng([SEED, i])
            for name, n, limits, truth in page_figures(m, loss, correlation, spread, replicates, rng):
                arms = (loss, SHAM_LOSS, m, m) if "sham" in name else (loss, "", m, "")
                table.writerow([name, *arms, correlation, spread, n, *_scored(limits, truth, n)])
        for i, ((loss, sham), (m, m0), (correlation, spread)) in enumerate(product(RATIOS, ARMS, SPREADS)):
            rng, n = np.random.default_rng([SEED, 1, i]), max(replicates // 10, 1)
            found = _limits([hazard_ratio(m, m0, loss, sham, correlation, spread, rng) for _ in range(n)])
            log_ratio = float(np.log(np.log1p(-loss) / np.log1p(-sham)))
            scored = _scored(tuple(np.log(limit) for limit in found), log_ratio, n)
            table.writerow(["log hazard ratio", loss, sham, m, m0, correlation, spread, n, *scored])
    print(f"wrote {folder / 'survival_page_coverage.csv'}", flush=True)


def page_figures(
    m: int, loss: float, correlation: float, spread: str, replicates: int, rng: np.random.Generator
) -> list[tuple[str, int, Limits, float]]:
    """Return name, farms, limits and truth of each figure; agent and sham have `m` sessions each."""
    shared = {"correlation": correlation, "spread": spread, "rng": rng}
    agent = simulate_arms(replicates, m, loss=loss, **shared)
    sham = simulate_arms(replicates, m, loss=SHAM_LOSS, **shared)
    late = simulate_arms(replicates, m, loss=loss, checks=LATE_LOOKS, seen=LATE_SEEN, **shared)
    one, two = (read_days_lost(arms) for arms in (agent, sham))
    few = max(replicates // 4, 1)
    came_off = _limits([_came_off(m, loss, correlation, spread, rng) for _ in range(few)])
    lost = float(np.sum(DEATHS_SEEN * (DAY - CHECK_DAYS))) / DAY
    by_then = sum(LATE_SEEN[:2]) + LATE_SEEN[2] * (DAY - LATE_LOOKS[1]) / (LATE_LOOKS[2] - LATE_LOOKS[1])
    over = joined(*(arm.limits(in_difference=True) for arm in (one, two)))
    return [
        ("loss on day 7", replicates, read_loss(agent, 7).limits(), loss * DEATHS_SEEN[CHECK_DAYS <= 7].sum()),
        ("came off", few, came_off, loss / 2),
        ("loss, late deaths spread", replicates, read_loss(spread_late(late), DAY).limits(), loss * by_then),
        ("share of days lost", replicates, one.limits(), loss * lost),
        ("share of days lost over sham", replicates, over, (loss - SHAM_LOSS) * lost),
    ]


def spread_late(late: Arms) -> Arms:
    """Return the arms with deaths of the look that straddles day 30 spread as the page spreads them."""
    rows, day, share = share_ends(np.append(0.0, late.days[:-1]), late.days, at=int(DAY))
    order = np.argsort(day, kind="stable")
    whole = np.arange(len(rows)) < len(late.days)
    deaths, left = late.deaths[:, :, rows] * share, late.left[:, :, rows] * whole
    return Arms(day[order], deaths[:, :, order], left[:, :, order])


def _came_off(m: int, loss: float, correlation: float, spread: str, rng: np.random.Generator) -> Estimate:
    """Share that came off of one farm: of what it lost, half on average, sessions differing in that too."""
    arm = simulate_sessions(m, loss=loss, correlation=correlation, spread=spread, rng=rng)
    share = session_risks(m, loss=0.5, correlation=correlation, rng=rng, spread=spread)[arm.session]
    detached = rng.binomial(arm.deaths, share)
    ends = np.column_stack([arm.deaths - detached, detached])
    found: CumulativeIncidence = cumulative_incidence(arm.days, ends, arm.left, session=arm.session)
    return incidence_at(found, "detached", DAY)


def hazard_ratio(
    m: int, m0: int, loss: float, sham_loss: float, correlation: float, spread: str, rng: np.random.Generator
) -> Estimate:
    """Return Cox's ratio of two simulated arms whose hazards are proportional when sessions are taken together."""
    gone = sham_loss * np.cumsum(DEATHS_SEEN)
    theta = np.log1p(-loss) / np.log1p(-sham_loss)
    seen = np.diff(1 - (1 - gone) ** theta, prepend=0.0) / loss
    shared = {"correlation": correlation, "spread": spread, "rng": rng}
    one = simulate_sessions(m, loss=loss, seen=seen, **shared)
    two = simulate_sessions(m0, loss=sham_loss, **shared)
    days, deaths, left = (np.concatenate([getattr(one, k), getattr(two, k)]) for k in ("days", "deaths", "left"))
    group = np.repeat([1.0, 0.0], [len(one.days), len(two.days)])
    session = np.concatenate([one.session, two.session + m])
    if not deaths.any():
        return Estimate(estimate=None, reason="no deaths")
    return cox(days, deaths, left, covariates=group[:, None], session=session).hazard_ratios[0]


def _limits(found: list[Estimate]) -> Limits:
    """The estimates that say something, in arrays."""
    said = [e for e in found if e.known]
    return tuple(np.array([getattr(e, name) for e in said], float) for name in ("estimate", "low", "high"))


def _scored(limits: Limits, truth: float, n: int) -> list[str]:
    """Share said, coverage, misses on either side, median width; empty where nothing was said."""
    _, low, high = limits
    if not len(low):
        return ["0", "", "", "", ""]
    above, below = np.mean(truth > high), np.mean(truth < low)
    return [f"{x:.4f}" for x in (len(low) / n, 1 - above - below, above, below, np.median(high - low))]
