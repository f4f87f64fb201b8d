"""How often the verdict on two agents is right, wrong or silent, on simulated farms whose truth is known."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from tqdm import tqdm

from ..comparison.cells import Arm
from .many_farms import arms_of, compare_adjusted, compare_crude, words_of
from .two_agents import MARGINS, Scenario, simulate_farm

SESSIONS = ((6, 6), (12, 12), (12, 40), (30, 30), (60, 60))
CORRELATIONS = (0.0, 0.1, 0.3)
UNEQUAL = ((0.3, 0.02), (0.02, 0.3))
BATCH = 1000  # farms reckoned at once: more would only take memory
WELL_INSIDE = (0.94, 0.975)  # a coverage beyond these is tried again with more farms: bounds are 93 and 98 %

SCENARIOS = (
    Scenario("no difference", confounded=False),
    Scenario("no difference", confounded=False, spread="logit"),
    Scenario("no difference, confounded"),
    Scenario("no difference, confounded", spread="logit"),
    Scenario("no difference, confounded, few losses", loss=(0.03, 0.03), kill=(0.97, 0.97)),
    Scenario("small difference", loss=(0.06, 0.08), kill=(0.94, 0.92)),
    Scenario("second loses more", loss=(0.05, 0.20)),
    Scenario("second kills less", kill=(0.95, 0.70)),
    Scenario("second worse on both", loss=(0.05, 0.12), kill=(0.95, 0.80), spread="logit"),
    Scenario("kills more, loses more", loss=(0.15, 0.05), kill=(0.95, 0.75)),
)
UNEQUAL_SCENARIOS = (SCENARIOS[0], SCENARIOS[4], SCENARIOS[6], SCENARIOS[7])


def piece_level_words(kill: tuple[Arm, Arm], loss: tuple[Arm, Arm]) -> NDArray[np.str_]:
    """Return what the same rule says when pieces are taken as independent and unadjusted, at the usual 95 %."""
    gains, counted = [], True
    for sides, sign in ((kill, 1.0), (loss, -1.0)):
        n, events = (np.stack([getattr(s, of).sum(axis=(-2, -1)) for s in sides]) for of in ("total", "events"))
        p = events / np.maximum(n, 1.0)
        gain, reach = sign * (p[0] - p[1]), 1.96 * np.sqrt((p * (1.0 - p) / np.maximum(n, 1.0)).sum(axis=0))
        gains.append((gain - reach, gain + reach))
        counted &= (n > 0).all(axis=0)
    margins = (MARGINS.kill, MARGINS.loss)
    not_worse = np.all([low > -m for (low, _), m in zip(gains, margins, strict=True)], axis=0)
    no_better = np.all([high < m for (_, high), m in zip(gains, margins, strict=True)], axis=0)
    more, less = (np.any(shown, axis=0) for shown in ([low > 0 for low, _ in gains], [high < 0 for _, high in gains]))
    cases = (~counted, not_worse & no_better, not_worse & more, no_better & less)
    return np.select(cases, ("undecided", "equivalent", "first", "second"), "undecided")


def try_verdicts(
    scenario: Scenario, sessions: tuple[int, int], correlation: ArrayLike, *, replicates: int, rng: np.random.Generator
) -> dict[str, float]:
    """Return shares over simulated farms: coverage and width of every interval, the words said, those by piece."""
    sizes = [min(BATCH, replicates - start) for start in range(0, replicates, BATCH)]
    batches = [_batch(scenario, sessions, correlation, size, rng) for size in sizes]
    found = {name: np.concatenate([batch[name] for batch in batches]) for name in batches[0]}
    row = {f"covered_{name}": _mean(found[name][:, 0]) for name in INTERVALS}
    row |= {f"known_{name}": len(found[name]) / replicates for name in INTERVALS if name.startswith("adjusted")}
    row |= {f"width_{name}": _mean(found[name][:, 1]) for name in INTERVALS if name.startswith("adjusted")}
    row |= {word: np.mean(found["words"] == word) for word in WORDS}
    true = scenario.true_words
    for name, said in (("", found["words"]), ("piecewise_", found["piecewise"])):
        row[f"{name}right"] = np.isin(said, true).mean()
        row[f"{name}wrong"] = (~np.isin(said, (*true, "undecided"))).mean()
    return row


def _batch(
    scenario: Scenario, sessions: tuple[int, int], correlation: ArrayLike, farms: int, rng: np.random.Generator
) -> dict[str, NDArray]:
    """Return, of so many farms, whether each interval held the truth, and its width; and the words."""
    outcomes = simulate_farm(scenario, (farms * sessions[0], farms * sessions[1]), correlation, rng)
    loss, kill = (arms_of(outcome, sessions, farms) for outcome in outcomes)
    compared = []
    for sides, outcome in zip((loss, kill), outcomes, strict=True):
        compared += [compare_crude(sides, outcome.crude_truth), compare_adjusted(sides, outcome.p[0] - outcome.p[1])]
    found = {}
    for name, one in zip(INTERVALS, compared, strict=True):
        low, high = one.limits(0.95)
        found[name] = np.column_stack([(low <= one.truth) & (one.truth <= high), high - low])
    words = words_of(compared[3], compared[1], MARGINS)
    return found | {"words": words, "piecewise": piece_level_words(kill, loss)}


def _mean(values: NDArray) -> float:
    return float(values.mean()) if values.size else np.nan


INTERVALS = ("crude_loss", "adjusted_loss", "crude_kill", "adjusted_kill")
WORDS = ("first", "second", "equivalent", "undecided")


def calibrate_comparison(folder: Path, *, replicates: int = 2000) -> None:
    """Write comparison.csv and comparison_unequal.csv into `folder`; about ten minutes."""
    cells, unequal = list(cells_of_equal_spread()), list(cells_of_unequal_spread())
    bar = tqdm(total=len(cells) + len(unequal), disable=None)
    for name, grid, start in (("comparison", cells, 0), ("comparison_unequal", unequal, len(cells))):
        rows = []
        for number, cell in enumerate(grid, start):
            rows.append(row_of(number, *cell, replicates=replicates))
            bar.update()
        write_rows(folder / f"{name}.csv", rows)


def write_rows(path: Path, rows: list[dict]) -> None:
    """Write a table with the first row's names as its head."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{path}: {len(rows)} rows")


def cells_of_equal_spread() -> Iterator[tuple[Scenario, tuple[int, int], tuple[float]]]:
    """Yield the grid; without correlation both spreads are the same, so one is enough."""
    for scenario in SCENARIOS:
        for sessions in SESSIONS:
            for correlation in CORRELATIONS:
                if correlation or scenario.spread == "beta":
                    yield scenario, sessions, (correlation,)


def cells_of_unequal_spread() -> Iterator[tuple[Scenario, tuple[int, int], tuple[float, float]]]:
    """Yield the cells in which one agent's sessions differ far more than the other's."""
    for scenario in UNEQUAL_SCENARIOS:
        for sessions in SESSIONS[1:]:
            for correlation in UNEQUAL:
                yield scenario, sessions, correlation


def row_of(
    number: int, scenario: Scenario, sessions: tuple[int, int], correlation: tuple[float, ...], *, replicates: int
) -> dict:
    """Return one row of the table; `number` seeds it, so that any row can be had by itself.

    A cell with a coverage near a bound is tried afresh with four times as many farms, so that chance does not decide.
    """
    found = try_verdicts(
        scenario, sessions, correlation, replicates=replicates, rng=np.random.default_rng([20261120, number])
    )
    if len(correlation) == 1 and _near_a_bound(found, min(sessions)):
        replicates, rng = 4 * replicates, np.random.default_rng([20261120, number, 1])
        found = try_verdicts(scenario, sessions, correlation, replicates=replicates, rng=rng)
    head = {
        "scenario": scenario.name,
        "spread": scenario.spread,
        "sessions": f"{sessions[0]}+{sessions[1]}",
        "correlation": "/".join(str(rho) for rho in correlation),
        "true_words": " ".join(scenario.true_words),
        "replicates": replicates,
    }
    return head | {name: "" if np.isnan(value) else f"{value:.4f}" for name, value in found.items()}


def _near_a_bound(found: dict[str, float], sessions: int) -> bool:
    """Return whether any coverage lies where chance could carry it over a bound."""
    covered = [found[f"covered_{name}"] for name in INTERVALS]
    low, high = WELL_INSIDE
    return (sessions >= 12 and min(covered) < low) or (sessions >= 30 and max(covered) > high)
