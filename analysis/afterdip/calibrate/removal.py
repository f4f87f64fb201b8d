"""How often the limits of removal and of the four reductions hold the truth, and which others were tried."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import expit, stdtrit

from ..proportion import clumping_seen, intensity_limits, mean_limits, ratio_limits, share_limits
from ..proportion.mover import joined_difference_limits, joined_ratio_limits
from ..proportion.single import exact_limits
from .farms import session_risks
from .table import write_table

SHARES = (0.5, 0.8, 0.9, 0.95, 0.98)
SESSIONS = (3, 4, 6, 8, 10, 12, 20, 30, 60)
CORRELATIONS = (0.0, 0.05, 0.1, 0.2, 0.3)
ARMS = ((6, 6), (12, 6), (12, 12), (30, 12), (30, 30), (60, 30), (60, 60))
KILLS = (0.07, 0.5, 0.8, 0.95, 0.98)
SHAM = 0.07
SEEN_AGAIN = 0.8  # of the pests there are, by each look
CLUMPING = (0.5, 2.0)  # squared coefficient of variation of pests per piece between sessions
PESTS_A_PIECE = 0.5
DRAWS = 400
NEAR = (0.94, 0.975)  # of 93 and of 98 %, what is asked for
SEED = 20267

SHARE_HEADER = (
    "share", "sessions", "correlation", "replicates", "coverage", "coverage_logit_normal", "coverage_small",
    "coverage_large", "median_width", "edge", "logit_t", "korn_graubard", "pests_independent",
)  # fmt: skip
REDUCTION_HEADER = (
    "figure", "truth", "sessions", "sham_sessions", "correlation", "clumping", "replicates", "coverage",
    "truth_below", "truth_above", "open_below", "session_bootstrap",
)  # fmt: skip


INFESTATION_HEADER = ("what", "mean", "clumping", "sessions", "replicates", "coverage", "median_high_over_mean")


def calibrate_removal(folder: Path, *, replicates: int = 2000) -> None:
    """Write removal_coverage.csv (one share), reduction_coverage.csv (agent against sham), infestation_coverage.csv."""
    write_table(folder / "removal_coverage.csv", SHARE_HEADER, share_rows(replicates))
    write_table(folder / "reduction_coverage.csv", REDUCTION_HEADER, reduction_rows(replicates // 5))
    write_table(folder / "infestation_coverage.csv", INFESTATION_HEADER, infestation_rows(replicates))


def share_rows(replicates: int) -> list[list]:
    """One row a share, number of sessions and correlation: what the limits hold, and what three others would.

    `coverage` is of risks spread as beta, the next three of logit-normal ones: sessions as before, of 1-4 and of 5-79.
    """
    kinds = [(pests_found, "beta"), *((sizes, "logit-normal") for sizes in (pests_found, few_pests, many_pests))]
    rows = []
    for cell, (share, m, correlation) in enumerate(product(SHARES, SESSIONS, CORRELATIONS)):
        rng = np.random.default_rng([SEED, cell])
        found = pests_found((replicates, m), rng)
        risk = session_risks(found.size, loss=share, correlation=correlation, rng=rng).reshape(found.shape)
        killed = rng.binomial(found, risk)
        estimate, low, high = share_limits(killed, found)
        edge = (estimate == 0) | (estimate == 1)
        held = [_coverage(sizes, found.shape, share, correlation, spread, rng) for sizes, spread in kinds]
        rows.append([
            share, m, correlation, replicates, *held, np.median(high - low), edge.mean(),
            *(_held(*limits, share) for limits in _others(killed, found)),
        ])  # fmt: skip
    return rows


def _coverage(
    sizes: Callable, shape: tuple[int, int], share: float, correlation: float, spread: str, rng: np.random.Generator
) -> float:
    """What the limits hold where the risks of sessions have such a `spread`; `sizes` draws their pests.

    Near a bound so few farms do not tell which side of it this is: then eight times as many are drawn.
    """
    def once() -> float:
        found = sizes(shape, rng)
        risks = session_risks(found.shape, loss=share, correlation=correlation, rng=rng, spread=spread)
        return _held(*share_limits(rng.binomial(found, risks), found)[1:], share)

    held = once()
    near = held < NEAR[0] or (held > NEAR[1] and shape[1] >= 30)
    return float(np.mean([held, *(once() for _ in range(7 * near))]))


def pests_found(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Pests of a session: at least one, clumped, eight on average (negative binomial)."""
    return 1 + rng.negative_binomial(1.2, 1.2 / (1.2 + 7), shape)


def few_pests(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """From one to four pests a session."""
    return rng.integers(1, 5, shape)


def many_pests(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """From five to seventy-nine pests a session."""
    return rng.integers(5, 80, shape)


def _others(killed: np.ndarray, found: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Logit with t, Korn-Graubard as published, and exact limits as if pests were independent; bounds at an edge."""
    total, m = found.sum(-1), found.shape[-1]
    share = killed.sum(-1) / total
    edge = (share == 0) | (share == 1)
    variance = ((killed - found * share[:, None]) ** 2).sum(-1) * m / (m - 1) / total**2
    product_ = np.where(edge, 0.25, share * (1 - share))
    t = stdtrit(m - 1, 0.975)
    independent = exact_limits(killed.sum(-1), total)
    centre, spread = np.log(np.where(edge, 1, share) / np.where(edge, 1, 1 - share)), t * np.sqrt(variance) / product_
    logit = expit(centre - spread), expit(centre + spread)
    size = product_ / np.where(variance > 0, variance, np.inf) * (stdtrit(total - 1, 0.975) / t) ** 2
    size = np.where((variance > 0) & ~edge, np.minimum(size, total), total)
    korn = exact_limits(share * size, size)
    bounded = [tuple(np.where(edge, *pair) for pair in zip(independent, lim, strict=True)) for lim in (logit, korn)]
    return [*bounded, independent]


def reduction_rows(replicates: int) -> list[list]:
    """One row a formula, true figure, pair of arms, correlation and clumping.

    Near a bound four times as many farms are drawn, and sixteen times as many where these are near it too; of two arms
    the smaller one counts as many.
    """
    rows = []
    cells = product(KILLS, ARMS, (0.0, 0.1, 0.3), CLUMPING)
    kinds = enumerate((_of_shares, _of_the_same_pieces, _of_looks, _of_pieces))
    for (cell, (kill, arms, correlation, clumping)), (kind, figures) in product(enumerate(cells), kinds):
        rng = np.random.default_rng([SEED, 1, cell, kind])
        once = partial(_measured, figures, replicates, kill, arms, correlation, clumping, rng)
        drawn = [once()]
        for further in (3, 12):
            held = [coverage for _, coverage, *_ in _together(drawn).values()]
            if min(held) < NEAR[0] or (max(held) > NEAR[1] and min(arms) >= 30):
                drawn += [once() for _ in range(further)]
        for figure, (farms, *shares) in _together(drawn).items():
            shares = ["" if np.isnan(share) else share for share in shares]
            rows.append([*figure, *arms, correlation, clumping, int(farms), *shares])
    return rows


def _together(drawn: list[dict]) -> dict[tuple[str, float], np.ndarray]:
    """All farms drawn of a cell, and the means of their shares, by figure; each of `drawn` as `_measured` has it."""
    each = {figure: np.array([part[figure] for part in drawn]) for figure in drawn[0]}
    return {
        figure: np.append(parts[:, 0].sum(), np.average(parts[:, 1:], axis=0, weights=parts[:, 0]))
        for figure, parts in each.items()
    }


def _measured(
    figures: Callable, replicates: int, kill: float, arms: tuple[int, int], correlation: float, clumping: float,
    rng: np.random.Generator,
) -> dict[tuple[str, float], tuple[float, ...]]:  # fmt: skip
    """Farms, and the shares of them that the last columns of the table are of, by the figure's name and true value."""
    pair = [
        _arm((replicates, m), gone, correlation, clumping, rng) for m, gone in zip(arms, (kill, SHAM), strict=True)
    ]
    needed = (pair[0]["seen_before"], pair[1]["seen_before"], pair[1]["seen_after"])
    usable = np.all([counts.sum(-1) > 0 for counts in needed], axis=0)
    measured = {}
    for name, truth, (low, high), sides in figures(*({k: v[usable] for k, v in arm.items()} for arm in pair), kill):
        drawn = _held(*_bootstrap(sides, rng), 1 - truth) if sides else np.nan
        missed = np.mean(low > truth), np.mean(high < truth), np.mean(~np.isfinite(low))
        measured[name, truth] = (len(low), _held(low, high, truth), *missed, drawn)
    return measured


def _of_shares(agent: dict, sham: dict, kill: float) -> list[tuple]:
    """Name, truth, limits and the sides of a ratio of the figures read off what a dip found and what was left."""
    sides = [(arm["after"], arm["before"]) for arm in (agent, sham)]
    (left, low, high), bare = (share_limits(*side, in_difference=True) for side in sides)
    gap = joined_difference_limits(1 - left, 1 - high, 1 - low, *(1 - bare[k] for k in (0, 2, 1)))
    return [
        ("over sham", kill - SHAM, gap, []),
        ("Schneider-Orelli", _reduction(kill), _over((left, low, high), bare), sides),
    ]


def _of_the_same_pieces(agent: dict, _sham: dict, kill: float) -> list[tuple]:
    """The same of what looks before and after saw, without a sham."""
    _, low, high = ratio_limits(agent["seen_after"], agent["seen_before"])
    return [("before/after", kill, (1 - high, 1 - low), [])]


def _of_looks(agent: dict, sham: dict, kill: float) -> list[tuple]:
    """The same of what looks before and after saw, beside the sham."""
    sides = [(arm["seen_after"], arm["seen_before"]) for arm in (agent, sham)]
    joined = _over(*(ratio_limits(*side, in_ratio=True) for side in sides))
    return [("Henderson-Tilton", _reduction(kill), joined, sides)]


def _of_pieces(agent: dict, sham: dict, kill: float) -> list[tuple]:
    """The same of what was left on the pieces."""
    sides = [(arm["after"], arm["pieces"]) for arm in (agent, sham)]
    bare = mean_limits(*sides[1])
    treated = mean_limits(*sides[0], bare[0], clumping_seen(*sides[1]))
    return [("Abbott", _reduction(kill), _over(treated, bare), sides)]


def _reduction(kill: float) -> float:
    """What is gone of what shaking leaves."""
    return 1 - (1 - kill) / (1 - SHAM)


def _over(treated: tuple, bare: tuple) -> tuple[np.ndarray, np.ndarray]:
    """Limits of the reduction from value, lower and upper limit of what is left in each arm."""
    low, high = joined_ratio_limits(*treated, *bare)
    return 1 - high, 1 - low


def infestation_rows(replicates: int) -> list[list]:
    """One row a kind of mean: pests a piece (clumped between sessions), pests an infested piece (clumped within it).

    And infested pieces of those examined, where `clumping` is the correlation of a session's pieces (logit-normal).
    """
    rows = []
    for cell, (mean, clumping, m) in enumerate(product((0.01, 0.1, 1.0), (0.5, 1.0, 2.0), SESSIONS[1:])):
        rng = np.random.default_rng([SEED, 2, cell])
        pieces = rng.integers(5, 61, (replicates, m))
        counts = rng.poisson(mean * pieces * rng.gamma(1 / clumping, clumping, pieces.shape))
        _, low, high = mean_limits(counts, pieces)
        rows.append(["abundance", mean, clumping, m, replicates, _held(low, high, mean), np.median(high) / mean])
    for cell, (mean, clumping, m) in enumerate(product((1.5, 3.0), (0.5, 1.0, 3.0), SESSIONS[1:])):
        rng = np.random.default_rng([SEED, 3, cell])
        infested = 1 + rng.poisson(3, (replicates, m))
        further = infested / clumping  # pests beyond the first of each infested piece: negative binomial
        counts = infested + rng.negative_binomial(further, 1 / (1 + clumping * (mean - 1)))
        _, low, high = intensity_limits(counts, infested)
        rows.append(["intensity", mean, clumping, m, replicates, _held(low, high, mean), np.median(high) / mean])
    for cell, (share, correlation, m) in enumerate(product((0.02, 0.1, 0.3), CORRELATIONS[::2], SESSIONS[1:])):
        rng = np.random.default_rng([SEED, 4, cell])
        pieces = rng.integers(5, 61, (replicates, m))
        risks = session_risks(pieces.shape, loss=share, correlation=correlation, rng=rng, spread="logit-normal")
        infested = rng.binomial(pieces, risks)
        least = exact_limits(infested.sum(-1), pieces.sum(-1))
        low, high = (pick(pair, axis=0) for pick, pair in zip(
            (np.min, np.max), zip(share_limits(infested, pieces)[1:], least, strict=True), strict=True))  # fmt: skip
        rows.append(["prevalence", share, correlation, m, replicates, _held(low, high, share), np.median(high) / share])
    return rows


def _arm(shape, gone: float, correlation: float, clumping: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Pests before and after on the pieces of each session, and what a look of either time sees of them."""
    pieces = rng.integers(10, 61, shape)
    before = rng.poisson(PESTS_A_PIECE * pieces * rng.gamma(1 / clumping, clumping, shape))
    risk = session_risks(before.size, loss=1 - gone, correlation=correlation, rng=rng).reshape(shape)
    after = rng.binomial(before, risk)
    seen = {"seen_before": rng.binomial(before, SEEN_AGAIN), "seen_after": rng.binomial(after, SEEN_AGAIN)}
    return {"pieces": pieces, "before": before, "after": after} | seen


def _bootstrap(arms: list[tuple[np.ndarray, np.ndarray]], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Percentile limits of the ratio of two ratios, whole sessions drawn in each arm."""
    ratios = []
    for top, bottom in arms:
        m = top.shape[-1]
        weights = rng.multinomial(m, np.full(m, 1 / m), size=DRAWS).T.astype(float)
        ratios.append(np.divide(top @ weights, bottom @ weights, out=np.full((len(top), DRAWS), np.inf),
                                where=bottom @ weights > 0))  # fmt: skip
    usable = (ratios[1] > 0) & np.isfinite(ratios[0]) & np.isfinite(ratios[1])
    drawn = np.divide(ratios[0], ratios[1], out=np.full_like(ratios[0], np.inf), where=usable)
    low, high = np.quantile(drawn, [0.025, 0.975], axis=-1, method="inverted_cdf")
    return low, high


def _held(low: np.ndarray, high: np.ndarray, truth: float) -> float:
    """Share of the limits that hold the truth."""
    return float(np.mean((low <= truth) & (truth <= high)))
