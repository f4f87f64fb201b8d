"""What is gained by judging an agent at its strengths, and how often a page of many strengths says a false word.

One agent was used weak and strong, another at one strength; the farms are those of the verdict, nothing confounded.
Taken together, the first agent's word hangs on how often each strength was used. Pages of eight arms that do not
differ, met with unlike corals, show what the shared error is worth.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from tqdm import tqdm

from ..comparison import (
    SUPERIOR_LEVEL,
    Difference,
    adjusted_difference,
    pairwise_level,
    verdict,
)
from .table import write_table
from .two_agents import (
    ALIKE,
    CONDITION,
    CORAL,
    CORAL_SHARE,
    MARGINS,
    MOSTLY_GOOD,
    MOSTLY_POOR,
    PEST,
    PEST_SHARE,
    Scenario,
    probabilities,
    shaken,
)

MIXES = np.array([MOSTLY_GOOD, ALIKE, MOSTLY_POOR])


@dataclass(frozen=True, slots=True)
class Used:
    """An agent at one strength: its sessions, and its true loss and kill over the common mix."""

    agent: str
    sessions: int
    loss: float
    kill: float


@dataclass(frozen=True, slots=True)
class Page:
    """What is compared; `confounded`: arms are met with unlike conditions and two of the three coral groups."""

    name: str
    arms: tuple[Used, ...]
    correlation: float = 0.1
    confounded: bool = False


def two_strengths(name: str, weak: tuple, strong: tuple, other: tuple, sessions: tuple[int, int]) -> Page:
    """Return the page of an agent weak and strong (loss, kill; sessions of each) and of another in 60 sessions."""
    arms = (("first", sessions[0], *weak), ("first", sessions[1], *strong), ("other", 60, *other))
    return Page(name, tuple(Used(*arm) for arm in arms))


USE = ((12, 60), (36, 36), (60, 12))
ALIKE_SESSIONS = (50, 52, 12, 74, 16, 15, 32, 120)
PAGES = (
    *(two_strengths("weak kills less", (0.05, 0.75), (0.05, 0.95), (0.05, 0.95), use) for use in USE),
    *(two_strengths("strong loses more", (0.05, 0.93), (0.20, 0.93), (0.05, 0.93), use) for use in USE),
    *(
        Page("eight alike", tuple(Used(str(i), n, 0.08, 0.93) for i, n in enumerate(ALIKE_SESSIONS)), rho, True)
        for rho in (0.0, 0.1, 0.3)
    ),
)


@dataclass(frozen=True, slots=True)
class Rows:
    """One outcome: `arm`, `session`, `stratum`, `total` and `events`, shape (n_rows,)."""

    arm: np.ndarray
    session: np.ndarray
    stratum: np.ndarray
    total: np.ndarray
    events: np.ndarray

    def between(self, first: list[int], second: list[int]) -> Difference:
        """Compare some arms, taken together, with others."""
        rows = np.isin(self.arm, first + second)
        columns = (getattr(self, name)[rows] for name in ("session", "stratum", "total", "events"))
        return adjusted_difference(np.isin(self.arm[rows], second), *columns)


def simulate_page(page: Page, rng: np.random.Generator) -> tuple[Rows, Rows]:
    """Return one farm's kill and loss."""
    n = sum(used.sessions for used in page.arms)
    session = np.repeat(np.arange(n), rng.integers(1, 7, n))
    arm = np.repeat(np.arange(len(page.arms)), [used.sessions for used in page.arms])[session]
    places, size = np.arange(len(page.arms)), arm.size
    corals = np.tile(CORAL_SHARE, (places.size, 1))
    if page.confounded:
        corals[places, places % 3] = 0.0
    conditions = MIXES[places % 3] if page.confounded else np.tile(ALIKE, (places.size, 1))
    coral = _drawn(corals / corals.sum(axis=1, keepdims=True), arm, rng.random(size))
    condition = _drawn(conditions, arm, np.where((rng.random(n) < 0.5)[session], rng.random(n)[session],
                                                 rng.random(size)))  # fmt: skip
    p = probabilities([u.loss for u in page.arms], CORAL[:, None] + CONDITION, CORAL_SHARE[:, None] * ALIKE)
    stratum, total = 3 * coral + condition, rng.integers(5, 21, size)
    risk = shaken(p[arm, stratum], session, page.correlation, "beta", rng)
    loss = Rows(arm, session, stratum, total, rng.binomial(total, risk))
    tray = np.flatnonzero((rng.random(n) < 0.8)[session] & (rng.random(size) < 0.6))
    return _kill(page, arm[tray], session[tray], coral[tray], rng), loss


def _drawn(shares: np.ndarray, arm: np.ndarray, draw: np.ndarray) -> np.ndarray:
    """Return a level for each draw by the shares of its arm."""
    return np.minimum((draw[:, None] > shares.cumsum(axis=1)[arm]).sum(axis=1), shares.shape[1] - 1)


def _kill(page: Page, arm: np.ndarray, session: np.ndarray, coral: np.ndarray, rng: np.random.Generator) -> Rows:
    pest, found = rng.choice(2, arm.size, p=PEST_SHARE), np.minimum(rng.geometric(1 / 8, arm.size), 60)
    p = probabilities([u.kill for u in page.arms], 0.4 * CORAL[:, None] + PEST, CORAL_SHARE[:, None] * PEST_SHARE)
    stratum = 2 * coral + pest
    survive = shaken(1.0 - p[arm, stratum], session, page.correlation, "beta", rng)
    return Rows(arm, session, stratum, found, rng.binomial(found, 1.0 - survive))


def words_of(page: Page, rng: np.random.Generator) -> dict[tuple[int, int], str]:
    """Return one farm's word for every pair of arms, the error shared as on a page of the report.

    (-1, -1): the word for the first agent, its strengths taken together and alone on the page, against the other.
    """
    kill, loss = simulate_page(page, rng)
    pairs = list(combinations(range(len(page.arms)), 2))
    found = {pair: (kill.between([pair[0]], [pair[1]]), loss.between([pair[0]], [pair[1]])) for pair in pairs}
    able = sum(all(difference.able for difference in both) for both in found.values())
    level = pairwise_level(max(1, able))
    words = {pair: verdict(*both, margins=MARGINS, superior_level=level).word for pair, both in found.items()}
    if len(page.arms) == 3:
        together = (kill.between([0, 1], [2]), loss.between([0, 1], [2]))
        words[-1, -1] = verdict(*together, margins=MARGINS, superior_level=SUPERIOR_LEVEL).word
    return words


def strengths_row(number: int, page: Page, *, replicates: int) -> dict:
    """Return one row of the table: shares of the farms."""
    rng = np.random.default_rng([20261126, number])
    said = [words_of(page, rng) for _ in range(replicates)]
    false = {
        pair: {"first", "second"}.difference(Scenario("", (a.loss, b.loss), (a.kill, b.kill)).true_words)
        for pair, (a, b) in zip(combinations(range(len(page.arms)), 2), combinations(page.arms, 2), strict=True)
    }

    def share(pair: tuple[int, int], word: str) -> float | str:
        return float(np.mean([words[pair] == word for words in said])) if len(page.arms) == 3 else ""

    return {
        "scenario": page.name,
        "sessions": "+".join(str(used.sessions) for used in page.arms),
        "correlation": page.correlation,
        "replicates": replicates,
        "together_worse": share((-1, -1), "second"),
        "weak_worse": share((0, 2), "second"),
        "strong_worse": share((1, 2), "second"),
        "weak_better_than_strong": share((0, 1), "first"),
        "strong_better_than_weak": share((0, 1), "second"),
        "false_page": float(np.mean([any(words[pair] in bad for pair, bad in false.items()) for words in said])),
    }


def calibrate_strengths(folder: Path, *, replicates: int = 200) -> None:
    """Try all pages and write comparison_strengths.csv into `folder`; about five minutes."""
    rows = [strengths_row(i, page, replicates=replicates) for i, page in enumerate(tqdm(PAGES, disable=None))]
    write_table(folder / "comparison_strengths.csv", tuple(rows[0]), [list(row.values()) for row in rows])
