"""How often the verdict on two agents is right, wrong or silent, on simulated farms whose truth is known.

A farm has three coral groups and three conditions; a session takes one to six trays of 5 to 20 pieces, half of the
sessions all of one condition; pieces of a session share its fate. Four sessions of five have pests, of two kinds, in
about three trays of five, a few to sixty animals a tray. Under confounding the first agent gets mostly good corals and
the second mostly poor ones.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, expit, logit
from tqdm import tqdm

from ..comparison import Difference, Margins, adjusted_difference, crude_difference, verdict

MARGINS = Margins(kill=0.05, loss=0.05)
CORAL, CORAL_SHARE = np.array([0.0, 0.5, -0.6]), np.array([0.40, 0.35, 0.25])
CONDITION = np.array([-0.5, 0.0, 1.2])  # good, fair, poor: steps on the logit scale of loss
ALIKE, MOSTLY_GOOD, MOSTLY_POOR = np.array([[0.45, 0.25, 0.30], [0.7, 0.2, 0.1], [0.2, 0.3, 0.5]])
PEST, PEST_SHARE = np.array([0.5, -0.5]), np.array([0.6, 0.4])
SESSIONS = ((6, 6), (12, 12), (12, 40), (30, 30), (60, 60))
CORRELATIONS = (0.0, 0.1, 0.3)


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is true: each agent's loss and kill over the common mix, who gets which corals, how baths differ."""

    name: str
    loss: tuple[float, float] = (0.08, 0.08)
    kill: tuple[float, float] = (0.93, 0.93)
    confounded: bool = True
    spread: str = "beta"  # of sessions about their mean: beta, or normal on the logit scale

    @property
    def true_words(self) -> tuple[str, ...]:
        """The verdicts that are true of the true figures: a difference within the margin makes two of them true.

        `first`: truly better on one outcome and not worse by the margin on the other; `equivalent`: both differences
        smaller than the margin. A gain bought with harm leaves none; `undecided` is never false.
        """
        gains = self.kill[0] - self.kill[1], self.loss[1] - self.loss[0]
        margins = MARGINS.kill, MARGINS.loss

        def better(sign: float) -> bool:
            kept = all(sign * g > -m for g, m in zip(gains, margins, strict=True))
            return kept and any(sign * g > 1e-9 for g in gains)

        alike = all(abs(g) < m for g, m in zip(gains, margins, strict=True))
        told = (("first", better(1.0)), ("second", better(-1.0)), ("equivalent", alike))
        return tuple(word for word, true in told if true)


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


@dataclass(frozen=True, slots=True)
class Outcome:
    """One simulated outcome as `adjusted_difference` takes it, with the truth: `p` has shape (2, n_strata)."""

    second: NDArray[np.bool_]
    session: NDArray[np.int64]
    stratum: NDArray[np.int64]
    total: NDArray[np.int64]
    events: NDArray[np.int64]
    p: NDArray[np.float64]
    crude_truth: float

    def adjusted(self) -> Difference:
        """Compare among like pieces."""
        return adjusted_difference(self.second, self.session, self.stratum, self.total, self.events)

    def crude(self) -> Difference:
        """Compare all pieces."""
        return crude_difference(self.second, self.session, self.total, self.events)

    def truth(self, found: Difference) -> float:
        """Return the true difference over the strata and mix that were compared."""
        strata = np.array(found.strata, dtype=np.int64)
        return float(found.mix @ (self.p[0, strata] - self.p[1, strata]))


def simulate_farm(
    scenario: Scenario, sessions: tuple[int, int], correlation: float, rng: np.random.Generator
) -> tuple[Outcome, Outcome]:
    """Return one farm's loss and kill; the first agent's sessions come first."""
    n = sum(sessions)
    arm = np.repeat([0, 1], sessions)
    session = np.repeat(np.arange(n), rng.integers(1, 7, n))
    side, size = arm[session], session.size
    coral = rng.choice(3, size, p=CORAL_SHARE)
    mixes = np.array([MOSTLY_GOOD, MOSTLY_POOR] if scenario.confounded else [ALIKE, ALIKE])
    draw = np.where((rng.random(n) < 0.5)[session], rng.random(n)[session], rng.random(size))
    condition = (draw[:, None] > mixes.cumsum(axis=1)[side]).sum(axis=1)
    effect = CORAL[:, None] + CONDITION
    p = _probabilities(scenario.loss, effect, CORAL_SHARE[:, None] * ALIKE)
    total = rng.integers(5, 21, size)
    stratum = 3 * coral + condition
    risk = shaken(p[side, stratum], session, correlation, scenario.spread, rng)
    shares = (CORAL_SHARE[None, :, None] * mixes[:, None, :]).reshape(2, -1)
    crude = float((shares[0] * p[0]).sum() - (shares[1] * p[1]).sum())
    loss = Outcome(side == 1, session, stratum, total, rng.binomial(total, risk), p, crude)
    tray = np.flatnonzero((rng.random(n) < 0.8)[session] & (rng.random(size) < 0.6))
    return loss, _pests(scenario, correlation, side[tray], session[tray], coral[tray], rng)


def _pests(scenario: Scenario, correlation: float, side, session, coral, rng: np.random.Generator) -> Outcome:
    """Return the kill in the infested trays."""
    pest = rng.choice(2, side.size, p=PEST_SHARE)
    found = np.minimum(rng.geometric(1 / 8, side.size), 60)
    share = (CORAL_SHARE[:, None] * PEST_SHARE).ravel()
    p = _probabilities(scenario.kill, 0.4 * CORAL[:, None] + PEST, share.reshape(3, 2))
    stratum = 2 * coral + pest
    survive = shaken(1.0 - p[side, stratum], session, correlation, scenario.spread, rng)
    crude = float(share @ (p[0] - p[1]))
    return Outcome(side == 1, session, stratum, found, rng.binomial(found, 1.0 - survive), p, crude)


def _probabilities(means: tuple[float, float], effect: NDArray, share: NDArray) -> NDArray[np.float64]:
    """Return per agent and stratum the probability whose average over `share` is the agent's mean."""
    rows = []
    for mean in means:
        low, high = -12.0, 12.0
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if (expit(middle + effect) * share).sum() < mean else (low, middle)
        rows.append(expit(low + effect).ravel())
    return np.array(rows)


_NORMAL = np.linspace(-6.0, 6.0, 201)
_DENSITY = np.exp(-0.5 * _NORMAL**2) / np.exp(-0.5 * _NORMAL**2).sum()
_GRID = np.linspace(-9.0, 9.0, 361)


def shaken(p: NDArray, session: NDArray, correlation: float, spread: str, rng: np.random.Generator) -> NDArray:
    """Return each tray's own probability, its mean kept: one draw a session, felt by all its trays.

    `beta`: correlation is exactly that of two like pieces. `logit`: a normal step of variance correlation / 0.12,
    which gives about that correlation at a probability of 0.14 and less nearer to 0.
    """
    if correlation == 0.0 or not p.size:
        return p
    sessions = int(session.max()) + 1
    if spread == "beta":
        size = 1.0 / correlation - 1.0
        return betaincinv(np.maximum(p * size, 1e-6), (1.0 - p) * size, rng.random(sessions)[session])
    step = np.sqrt(correlation / 0.12)
    marginal = expit(_GRID[:, None] + step * _NORMAL) @ _DENSITY
    centre = np.interp(logit(p), logit(marginal), _GRID)
    return expit(centre + step * rng.standard_normal(sessions)[session])


def piece_level_word(kill: Outcome, loss: Outcome) -> str:
    """Return what the same rule says when pieces are taken as independent and unadjusted, at the usual 95 %."""
    gains = []
    for outcome, sign in ((kill, 1.0), (loss, -1.0)):
        n = np.array([outcome.total[~outcome.second].sum(), outcome.total[outcome.second].sum()])
        if not n.all():
            return "undecided"
        p = np.array([outcome.events[~outcome.second].sum(), outcome.events[outcome.second].sum()]) / n
        reach = 1.96 * np.sqrt((p * (1.0 - p) / n).sum())
        gains.append((sign * (p[0] - p[1]) - reach, sign * (p[0] - p[1]) + reach))
    margins = (MARGINS.kill, MARGINS.loss)
    not_worse = all(low > -m for (low, _), m in zip(gains, margins, strict=True))
    no_better = all(high < m for (_, high), m in zip(gains, margins, strict=True))
    if not_worse and no_better:
        return "equivalent"
    if not_worse and any(low > 0 for low, _ in gains):
        return "first"
    return "second" if no_better and any(high < 0 for _, high in gains) else "undecided"


def try_verdicts(
    scenario: Scenario, sessions: tuple[int, int], correlation: float, *, replicates: int, rng: np.random.Generator
) -> dict[str, float]:
    """Return shares over simulated farms: coverage and width of every interval, the words said, those by piece."""
    covered: dict[str, list[bool]] = {name: [] for name in INTERVALS}
    widths: dict[str, list[float]] = {name: [] for name in INTERVALS}
    words, piecewise = Counter(), Counter()
    for _ in range(replicates):
        loss, kill = simulate_farm(scenario, sessions, correlation, rng)
        by_loss, by_kill = loss.adjusted(), kill.adjusted()
        cases = (loss.crude(), by_loss, kill.crude(), by_kill)
        for name, outcome, found in zip(INTERVALS, (loss, loss, kill, kill), cases, strict=True):
            if found.contrast is None:
                continue
            truth = outcome.crude_truth if name.startswith("crude") else outcome.truth(found)
            covered[name].append(found.difference.low <= truth <= found.difference.high)
            widths[name].append(found.difference.high - found.difference.low)
        words[verdict(by_kill, by_loss, margins=MARGINS).word] += 1
        piecewise[piece_level_word(kill, loss)] += 1
    row = {f"covered_{n}": np.mean(covered[n]) if covered[n] else np.nan for n in INTERVALS}
    row |= {f"known_{n}": len(covered[n]) / replicates for n in ("adjusted_loss", "adjusted_kill")}
    row |= {f"width_{n}": np.mean(widths[n]) if widths[n] else np.nan for n in ("adjusted_loss", "adjusted_kill")}
    row |= {word: words[word] / replicates for word in WORDS}
    true = scenario.true_words
    for name, said in (("", words), ("piecewise_", piecewise)):
        row[f"{name}right"] = sum(said[word] for word in true) / replicates
        row[f"{name}wrong"] = sum(said[word] for word in WORDS if word not in (*true, "undecided")) / replicates
    return row


INTERVALS = ("crude_loss", "adjusted_loss", "crude_kill", "adjusted_kill")
WORDS = ("first", "second", "equivalent", "undecided")


def calibrate_comparison(folder: Path, *, replicates: int = 1000) -> None:
    """Try the verdict over the whole grid and write comparison.csv into `folder`; about ten minutes."""
    rows = [
        _row(number, *cell, replicates=replicates) for number, cell in enumerate(tqdm(list(_cells()), disable=None))
    ]
    with (folder / "comparison.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{folder / 'comparison.csv'}: {len(rows)} rows")


def _cells() -> Iterator[tuple[Scenario, tuple[int, int], float]]:
    """Yield the grid; without correlation both spreads are the same, so one is enough."""
    for scenario in SCENARIOS:
        for sessions in SESSIONS:
            for correlation in CORRELATIONS:
                if correlation or scenario.spread == "beta":
                    yield scenario, sessions, correlation


def _row(number: int, scenario: Scenario, sessions: tuple[int, int], correlation: float, *, replicates: int) -> dict:
    """Return one row of the table; `number` seeds it, so that any row can be had by itself."""
    rng = np.random.default_rng([20261120, number])
    found = try_verdicts(scenario, sessions, correlation, replicates=replicates, rng=rng)
    head = {
        "scenario": scenario.name,
        "spread": scenario.spread,
        "sessions": f"{sessions[0]}+{sessions[1]}",
        "correlation": correlation,
        "true_words": " ".join(scenario.true_words),
        "replicates": replicates,
    }
    return head | {name: "" if np.isnan(value) else f"{value:.4f}" for name, value in found.items()}
