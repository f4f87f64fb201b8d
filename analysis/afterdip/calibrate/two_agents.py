"""Simulated farms on which two agents are compared, of known truth.

A farm has three coral groups and three conditions; a session takes one to six trays of 5 to 20 pieces, half of the
sessions all of one condition; pieces of a session share its fate. Four sessions of five have pests, of two kinds, in
about three trays of five, a few to sixty animals a tray. Under confounding the first agent gets mostly good corals and
the second mostly poor ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, expit, logit

from ..comparison import Difference, Margins, adjusted_difference, crude_difference

MARGINS = Margins(kill=0.05, loss=0.05)
CORAL, CORAL_SHARE = np.array([0.0, 0.5, -0.6]), np.array([0.40, 0.35, 0.25])
CONDITION = np.array([-0.5, 0.0, 1.2])  # good, fair, poor: steps on the logit scale of loss
ALIKE, MOSTLY_GOOD, MOSTLY_POOR = np.array([[0.45, 0.25, 0.30], [0.7, 0.2, 0.1], [0.2, 0.3, 0.5]])
PEST, PEST_SHARE = np.array([0.5, -0.5]), np.array([0.6, 0.4])


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


@dataclass(frozen=True, slots=True)
class Trays:
    """Trays dealt to two agents' sessions, arrays of shape (n_trays,); condition shares per agent, shape (2, 3)."""

    side: NDArray[np.int64]
    session: NDArray[np.int64]
    coral: NDArray[np.int64]
    condition: NDArray[np.int64]
    total: NDArray[np.int64]
    mixes: NDArray[np.float64]


def deal_trays(sessions: tuple[int, int], *, confounded: bool, rng: np.random.Generator) -> Trays:
    """Return the trays of so many sessions of each agent; the first agent's sessions come first."""
    n = sum(sessions)
    session = np.repeat(np.arange(n), rng.integers(1, 7, n))
    side, size = np.repeat([0, 1], sessions)[session], session.size
    coral = rng.choice(3, size, p=CORAL_SHARE)
    mixes = np.array([MOSTLY_GOOD, MOSTLY_POOR] if confounded else [ALIKE, ALIKE])
    draw = np.where((rng.random(n) < 0.5)[session], rng.random(n)[session], rng.random(size))
    condition = (draw[:, None] > mixes.cumsum(axis=1)[side]).sum(axis=1)
    return Trays(side, session, coral, condition, rng.integers(5, 21, size), mixes)


def simulate_farm(
    scenario: Scenario, sessions: tuple[int, int], correlation: ArrayLike, rng: np.random.Generator
) -> tuple[Outcome, Outcome]:
    """Return one farm's loss and kill; `correlation` is one number, or each agent's own."""
    t = deal_trays(sessions, confounded=scenario.confounded, rng=rng)
    rho = np.broadcast_to(correlation, 2)
    p = probabilities(scenario.loss, CORAL[:, None] + CONDITION, CORAL_SHARE[:, None] * ALIKE)
    stratum = 3 * t.coral + t.condition
    risk = _shaken_by_side(p[t.side, stratum], t.side, t.session, rho, scenario.spread, rng)
    shares = (CORAL_SHARE[None, :, None] * t.mixes[:, None, :]).reshape(2, -1)
    crude = float((shares[0] * p[0]).sum() - (shares[1] * p[1]).sum())
    loss = Outcome(t.side == 1, t.session, stratum, t.total, rng.binomial(t.total, risk), p, crude)
    tray = np.flatnonzero((rng.random(sum(sessions)) < 0.8)[t.session] & (rng.random(t.side.size) < 0.6))
    return loss, _pests(scenario, rho, t.side[tray], t.session[tray], t.coral[tray], rng)


def _pests(scenario: Scenario, rho: NDArray, side, session, coral, rng: np.random.Generator) -> Outcome:
    """Return the kill in the infested trays."""
    pest = rng.choice(2, side.size, p=PEST_SHARE)
    found = np.minimum(rng.geometric(1 / 8, side.size), 60)
    share = (CORAL_SHARE[:, None] * PEST_SHARE).ravel()
    p = probabilities(scenario.kill, 0.4 * CORAL[:, None] + PEST, share.reshape(3, 2))
    stratum = 2 * coral + pest
    survive = _shaken_by_side(1.0 - p[side, stratum], side, session, rho, scenario.spread, rng)
    crude = float(share @ (p[0] - p[1]))
    return Outcome(side == 1, session, stratum, found, rng.binomial(found, 1.0 - survive), p, crude)


def probabilities(means: tuple[float, float], effect: NDArray, share: NDArray) -> NDArray[np.float64]:
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
_SHARES = expit(np.linspace(-20.0, 20.0, 4001))  # the beta's quantiles are looked up: a hundred times as fast


def shaken(p: NDArray, session: NDArray, correlation: float, spread: str, rng: np.random.Generator) -> NDArray:
    """Return each tray's own probability, its mean kept: one draw a session, felt by all its trays.

    `beta`: correlation is exactly that of two like pieces. `logit`: a normal step of variance correlation / 0.12,
    which gives about that correlation at a probability of 0.14 and less nearer to 0.
    """
    if correlation == 0.0 or not p.size:
        return p
    sessions = int(session.max()) + 1
    if spread == "beta":
        size, u, risk = 1.0 / correlation - 1.0, rng.random(sessions)[session], np.empty_like(p)
        for mean in np.unique(p):
            rows = p == mean
            cumulative = betainc(max(mean * size, 1e-6), (1.0 - mean) * size, _SHARES)
            risk[rows] = np.interp(u[rows], cumulative, _SHARES)
        return risk
    step = np.sqrt(correlation / 0.12)
    marginal = expit(_GRID[:, None] + step * _NORMAL) @ _DENSITY
    centre = np.interp(logit(p), logit(marginal), _GRID)
    return expit(centre + step * rng.standard_normal(sessions)[session])


def _shaken_by_side(p: NDArray, side: NDArray, session: NDArray, rho: NDArray, spread: str, rng) -> NDArray:
    """Return each tray's own probability, each agent's sessions differing by its own correlation."""
    risk = p.copy()
    for own, correlation in zip((side == 0, side == 1), rho, strict=True):
        risk[own] = shaken(p[own], session[own], float(correlation), spread, rng)
    return risk
