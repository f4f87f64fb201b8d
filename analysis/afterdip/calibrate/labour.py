"""How often forecasts hold the coming month's hours, and limits the minutes and their change, on farms of many ways."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ..estimate import Estimate
from ..labour import MonthlyWork, coming_hours, crew_effort, extra_rinse, learning, monthly_work, session_effort
from .table import write_table

DESIGNS = ((8, 11), (20, 3), (20, 6), (20, 11), (80, 6), (80, 11))
"""Sessions a month, and months before the one that is forecast."""

NEAR = (0.935, 0.98)
LEARNING_DESIGNS = ((8, 12), (20, 6), (20, 12), (80, 6), (80, 12))
"""Sessions a month, and months of the window."""

EFFORT_FARMS = ("plain", "unequal sessions", "heavy tails")
EFFORT_SESSIONS = (8, 12, 20, 60)
EFFORT_PARTS = ("fixed", "per_piece", "per_session", "hours_per_thousand", "rinse", "crew_ratio")
SEED = 20262
HOURS_HEADER = (
    "farm", "sessions_a_month", "months_before", "replicates",
    *(f"{mode}_{what}" for mode in ("given_sessions", "pieces_only") for what in ("coverage", "below", "above")),
    "given_sessions_ratio", "pieces_only_ratio",
)  # fmt: skip
LEARNING_HEADER = (
    "farm", "sessions_a_month", "months", "replicates", "rate_coverage", "per_month_coverage", "planted_coverage",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkFarm:
    """How a made-up farm works; spreads are standard deviations of logs, minutes are person-minutes.

    A session takes (fixed + per piece x pieces) x session x month x crew x agent effects; every row scatters by
    `row`. `walk`: lasting change a month. `drift`: relative change a month. `learning`: what a doubling of sessions
    leaves, after `experience` sessions before the log. `season`, `step`: yearly swing, jump after half a year.
    `sizes`: months differ from a tenth to the whole of the sessions. `crews`, `agents`: whether crews (1-3 people, the
    larger ones slower a person) and agents (unlike minutes) change from month to month. `shared`: minutes a working
    day that name no session. `missing`: share of sessions without labour rows.
    """

    fixed: float = 18.0
    per_piece: float = 0.9
    row: float = 0.3
    session: float = 0.0
    month: float = 0.0
    walk: float = 0.0
    drift: float = 0.0
    learning: float = 1.0
    experience: float = 0.0
    season: float = 0.0
    step: float = 0.0
    sizes: bool = False
    crews: bool = False
    agents: bool = False
    shared: float = 0.0
    missing: float = 0.0


FARMS = {
    "plain": WorkFarm(),
    "unequal sessions": WorkFarm(session=0.3),
    "unequal months": WorkFarm(session=0.25, month=0.07),
    "fast learning": WorkFarm(learning=0.88),
    "slow learning": WorkFarm(learning=0.92, experience=50, month=0.04),
    "steady drift": WorkFarm(drift=-0.02),
    "drift, unequal months": WorkFarm(drift=-0.015, month=0.05),
    "rising": WorkFarm(drift=0.03),
    "wandering": WorkFarm(walk=0.05),
    "changing crews": WorkFarm(session=0.2, crews=True),
    "changing agents": WorkFarm(agents=True),
    "heavy tails": WorkFarm(row=0.7),
    "season": WorkFarm(season=0.1, month=0.03),
    "new hire": WorkFarm(step=0.15, session=0.2),
    "shared and missing rows": WorkFarm(session=0.25, month=0.07, shared=25, missing=0.15),
    "months of all sizes": WorkFarm(session=0.25, month=0.05, shared=25, sizes=True),
    "all at once": WorkFarm(
        session=0.3, month=0.05, learning=0.95, crews=True, agents=True, shared=20, missing=0.2, row=0.4
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedWork:
    """Sessions, shape (n,): month, pieces, minutes as worked and as written (NaN: not).

    `shared`, `level`: shape (months,); `level`: log of what lasts of each month's pace, its passing noise left out.
    """

    month: NDArray[np.int64]
    pieces: NDArray[np.float64]
    minutes: NDArray[np.float64]
    written: NDArray[np.float64]
    shared: NDArray[np.float64]
    level: NDArray[np.float64]

    def first(self, months: int, **options) -> MonthlyWork:
        """Return what a log of the first months has; `options` of `monthly_work`."""
        past = self.month < months
        month, written = self.month[past], self.written[past]
        done = np.bincount(month, np.nan_to_num(written), months)
        shared = self.shared[:months]
        return monthly_work(month, self.pieces[past], written, done_minutes=done, shared_minutes=shared, **options)


def simulate_work(farm: WorkFarm, *, sessions: int, months: int, rng: np.random.Generator) -> SimulatedWork:
    """Draw `months` months with about `sessions` sessions each (3 or more); pieces log-normal, median 22."""
    each = rng.integers(max(sessions // 10, 3), sessions + 1, months) if farm.sizes else rng.poisson(sessions, months)
    each = np.maximum(each, 3)
    month = np.repeat(np.arange(months), each)
    pieces = np.maximum(np.round(np.exp(rng.normal(np.log(22), 0.5, len(month)))), 1)
    effect = np.exp(rng.normal(0, farm.session, len(month)))
    passing, lasting = rng.normal(0, farm.month, months), np.cumsum(rng.normal(0, farm.walk, months))
    lasting += farm.drift * np.arange(months) + farm.step * (np.arange(months) >= months // 2)
    lasting += farm.season * np.sin(2 * np.pi * (np.arange(months) + rng.integers(12)) / 12)
    learned = (farm.experience + 1 + np.arange(len(month))) ** np.log2(farm.learning)
    effect *= np.exp(passing + lasting)[month] * learned
    level = lasting + np.log(np.bincount(month, learned) / each)
    fixed, per_piece = np.full(len(month), farm.fixed), np.full(len(month), farm.per_piece)
    if farm.crews:
        effect *= np.array([1.0, 1.12, 1.3])[_mix((3, 2, 1), month, months, rng)]
    if farm.agents:
        kind = _mix((4, 3, 2), month, months, rng)
        fixed, per_piece = fixed * np.array([0.7, 1.0, 1.6])[kind], per_piece * np.array([0.7, 1.0, 1.5])[kind]
    rows = np.exp(rng.normal(-(farm.row**2) / 2, farm.row, (2, len(month))))
    minutes = (fixed * rows[0] + per_piece * pieces * rows[1]) * effect
    days = np.maximum(rng.binomial(26, 1 - (1 - 1 / 26) ** each), 1)
    shared = farm.shared * days * np.exp(rng.normal(0, 0.2 / np.sqrt(days)))
    kept = rng.random(len(month)) >= farm.missing
    kept[np.searchsorted(month, np.arange(months))] = True  # one session a month at least is written down
    return SimulatedWork(month, pieces, minutes, np.where(kept, minutes, np.nan), shared, level)


def _mix(weights: tuple[float, ...], month: NDArray, months: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw a kind for each session from a mix that differs between months (Dirichlet)."""
    ends = rng.dirichlet(weights, months).cumsum(axis=1)
    return (rng.random(len(month))[:, None] > ends[month][:, :-1]).sum(axis=1)


def forecast_coverage(
    farm: WorkFarm, *, sessions: int, before: int, replicates: int, rng: np.random.Generator
) -> dict[str, float]:
    """Forecast the month after `before` months; return coverage, the shares below and above, and high / low."""
    out: dict[str, list] = {"given_sessions": [], "pieces_only": []}
    for _ in range(replicates):
        made = simulate_work(farm, sessions=sessions, months=before + 1, rng=rng)
        work, last = made.first(before), made.month == before
        truth = (made.minutes[last].sum() + made.shared[before]) / 60
        coming = {"pieces": int(made.pieces[last].sum()), "sessions": int(last.sum())}
        for mode, asked in (("given_sessions", coming), ("pieces_only", {"pieces": coming["pieces"]})):
            hours = coming_hours(work, **asked)
            below, above = truth < hours.low, truth > hours.high
            out[mode].append((not (below or above), below, above, np.log(hours.high / hours.low)))
    scores: dict[str, float] = {}
    for mode, drawn in out.items():
        held, below, above, width = np.mean(drawn, axis=0)
        scores |= {f"{mode}_coverage": held, f"{mode}_below": below, f"{mode}_above": above}
        scores[f"{mode}_ratio"] = float(np.exp(width))
    return scores


def learning_coverage(
    farm: WorkFarm, *, sessions: int, months: int, replicates: int, rng: np.random.Generator
) -> dict[str, float]:
    """Return how often the limits of the rate and of the change a month hold the lines through the months' levels.

    `planted`: how often those of the rate hold the learning of the farm itself, NaN where something else changes too.
    """
    hits, alone = np.zeros(3), not (farm.drift or farm.walk or farm.season or farm.step)
    for _ in range(replicates):
        made = simulate_work(farm, sessions=sessions, months=months, rng=rng)
        work = made.first(months, earlier_sessions=int(farm.experience))
        found = learning(work)
        slopes = [np.polyfit(x, made.level, 1)[0] for x in (work.log_order, np.arange(months))]
        hits += (
            _within(found.rate, float(2 ** slopes[0])),
            _within(found.per_month, float(np.expm1(slopes[1]))),
            _within(found.rate, farm.learning),
        )
    rate, per_month, planted = (hits / replicates).tolist()
    return {"rate": rate, "per_month": per_month, "planted": planted if alone else np.nan}


def effort_coverage(
    farm: WorkFarm, *, sessions: int, replicates: int, rng: np.random.Generator
) -> dict[str, float]:
    """Return how often the limits hold the planted minutes: of the four figures of a session, of a rinse, of crews.

    A crew of two takes 1.12 times the person-minutes of one; each crew dips `sessions`.
    """
    inside = dict.fromkeys(EFFORT_PARTS, 0)
    scale, size = float(np.exp(farm.session**2 / 2)), mean_pieces()
    truth = {"fixed": farm.fixed, "per_piece": farm.per_piece, "per_session": farm.fixed + farm.per_piece * size,
             "hours_per_thousand": (farm.fixed / size + farm.per_piece) * 1000 / 60}  # fmt: skip
    for _ in range(replicates):
        made = simulate_work(replace(farm, sizes=False), sessions=4 * sessions + 20, months=1, rng=rng)
        minutes, pieces = made.minutes[:sessions], made.pieces[:sessions]
        effort = session_effort(minutes, pieces)
        for part, value in truth.items():
            inside[part] += _within(getattr(effort, part), value * scale)
        stages = rng.integers(1, 4, sessions)
        each, _ = extra_rinse(minutes * stages, pieces, stages)
        inside["rinse"] += _within(each, (farm.fixed + farm.per_piece * pieces.mean()) * scale)
        crew = np.repeat([1.0, 2.0], sessions)
        minutes, pieces = made.minutes[: 2 * sessions] * np.where(crew == 2, 1.12, 1.0), made.pieces[: 2 * sessions]
        pair = crew_effort(minutes, minutes, pieces, crew, np.full(2 * sessions, "one"))
        inside["crew_ratio"] += _within(pair[-1].person_minutes_ratio, 1.12)
    return {part: hits / replicates for part, hits in inside.items()}


def mean_pieces() -> float:
    """Return the mean pieces of the sessions that `simulate_work` draws."""
    edges = np.log(np.append(np.arange(1.0, 400.0) + 0.5, np.inf))
    below = np.append(0.0, ndtr((edges - np.log(22)) / 0.5))
    return float(np.diff(below) @ np.arange(1.0, 401.0))


def _within(value: Estimate, truth: float) -> bool:
    return value.low is not None and value.low <= truth <= value.high


def calibrate_labour(folder: Path, *, replicates: int = 400) -> None:
    """Write labour_forecast_coverage.csv, labour_learning_coverage.csv and labour_effort_coverage.csv into `folder`.

    `below` and `above`: shares of months that took fewer or more hours than the limits; `ratio`: the geometric mean
    of upper over lower limit, how much the forecast commits itself.
    """
    forecast_table(folder, replicates)
    learning_table(folder, 2 * replicates)
    effort_table(folder, 3 * replicates)


def forecast_table(folder: Path, replicates: int) -> None:
    """Write labour_forecast_coverage.csv."""
    rows = [forecast_row(number, replicates) for number in range(len(forecast_cells()))]
    write_table(folder / "labour_forecast_coverage.csv", HOURS_HEADER, rows)


def forecast_row(number: int, replicates: int) -> list:
    """Return the row of one cell, by its number; of four times the farms where a coverage came near a bound."""
    name, sessions, before = forecast_cells()[number]
    for farms in (replicates, 4 * replicates):
        rng = np.random.default_rng([SEED, number])  # each cell can be repeated alone
        score = forecast_coverage(FARMS[name], sessions=sessions, before=before, replicates=farms, rng=rng)
        held = (score["given_sessions_coverage"], score["pieces_only_coverage"])
        if min(held) > NEAR[0] and max(held) < NEAR[1]:
            break
    return [name, sessions, before, farms, *(score[key] for key in HOURS_HEADER[4:])]


def forecast_cells() -> list[tuple[str, int, int]]:
    """Return farm, sessions a month and months before, in the order of the table."""
    return [(name, *design) for name in FARMS for design in DESIGNS]


def learning_table(folder: Path, replicates: int) -> None:
    """Write labour_learning_coverage.csv."""
    rows = []
    for number, (name, (sessions, months)) in enumerate(product(FARMS, LEARNING_DESIGNS)):
        rng = np.random.default_rng([SEED, 2, number])
        held = learning_coverage(FARMS[name], sessions=sessions, months=months, replicates=replicates, rng=rng)
        rows.append([name, sessions, months, replicates, *held.values()])
    write_table(folder / "labour_learning_coverage.csv", LEARNING_HEADER, rows)


def effort_table(folder: Path, replicates: int) -> None:
    """Write labour_effort_coverage.csv."""
    rows = []
    for number, (name, sessions) in enumerate(product(EFFORT_FARMS, EFFORT_SESSIONS)):
        rng = np.random.default_rng([SEED, 1, number])
        held = effort_coverage(FARMS[name], sessions=sessions, replicates=replicates, rng=rng)
        rows.append([name, sessions, replicates, *held.values()])
    header = ("farm", "sessions", "replicates", *(f"{part}_coverage" for part in EFFORT_PARTS))
    write_table(folder / "labour_effort_coverage.csv", header, rows)
