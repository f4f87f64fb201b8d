"""How often a jump of the minutes is named where there is none, and what its limits hold where there is one."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from ..labour import LastingJump, lasting_jump
from .labour import FARMS, WorkFarm, simulate_work
from .table import write_table

QUIET = ("plain", "unequal sessions", "unequal months", "changing crews", "changing agents", "heavy tails")
SLOW = ("fast learning", "slow learning", "steady drift", "rising", "wandering", "season")
JUMPS = {
    "new hire": FARMS["new hire"],
    "a third more": WorkFarm(step=float(np.log(4 / 3)), session=0.2),
    "half as much again": WorkFarm(step=float(np.log(1.5)), session=0.2),
    "a quarter less": WorkFarm(step=float(np.log(0.75)), session=0.2),
    "half as much again, unequal months": replace(FARMS["unequal months"], step=float(np.log(1.5))),
}
DESIGNS = ((8, 12), (20, 8), (20, 12), (80, 12))  # sessions a month, months
DAYS = 30  # of a simulated month
SEED = 20264
HEADER = ("farm", "kind", "sessions_a_month", "months", "replicates", "named", "size_coverage", "day_coverage",
          "within_a_month")  # fmt: skip


def jump_of(farm: WorkFarm, *, sessions: int, months: int, rng: np.random.Generator) -> tuple[LastingJump, int]:
    """Return what one farm's sessions say, and the day of its jump: the first session in the second half of its months.

    Changing agents are not told from one another: what they do to the minutes is there to mislead.
    """
    made = simulate_work(farm, sessions=sessions, months=months, rng=rng)
    day = np.sort(made.month * DAYS + rng.integers(0, DAYS, made.month.size))  # months stay in order
    found = lasting_jump(made.written, made.pieces, np.zeros(day.size), day, made.month)
    return found, int(day[np.searchsorted(made.month, months // 2)])


def jump_row(number: int, replicates: int) -> list:
    """Return the row of one cell, by its number."""
    (name, farm, kind), (sessions, months) = jump_cells()[number]
    rng = np.random.default_rng([SEED, number])
    drawn = (jump_of(farm, sessions=sessions, months=months, rng=rng) for _ in range(replicates))
    named = [(jump, day) for jump, day in drawn if jump.ratio.known]
    held: list[float | str] = ["", "", ""]
    if kind == "jump" and named:
        size = float(np.exp(farm.step))
        hits = [
            (j.ratio.low <= size <= j.ratio.high, j.first_day <= day <= j.last_day, abs(j.day - day) <= DAYS)
            for j, day in named
        ]
        held = np.mean(hits, axis=0).tolist()
    return [name, kind, sessions, months, replicates, len(named) / replicates, *held]


def jump_cells() -> list[tuple[tuple[str, WorkFarm, str], tuple[int, int]]]:
    """Return farms with their names and kinds, and designs, in the order of the table."""
    farms = [(name, FARMS[name], kind) for kind, names in (("quiet", QUIET), ("slow", SLOW)) for name in names]
    return list(product([*farms, *((name, farm, "jump") for name, farm in JUMPS.items())], DESIGNS))


def calibrate_labour_jump(folder: Path, *, replicates: int = 400) -> None:
    """Write labour_jumps.csv into `folder`: shares of farms, and of those that are told of a jump."""
    rows = [jump_row(number, replicates) for number in range(len(jump_cells()))]
    write_table(folder / "labour_jumps.csv", HEADER, rows)
