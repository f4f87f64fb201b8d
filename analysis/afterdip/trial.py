"""Planning a comparison: how many sessions it takes, and dealing trays to agents by lot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from .comparison import MARGIN_LEVEL, SUPERIOR_LEVEL, Contrast
from .proportion import design_effect

_LEAST_GAP = 1e-4  # no farm cares for a smaller difference

def pieces_for_difference(
    first: float, second: float, *, confidence_level: float = 0.95, power: float = 0.8, continuity: bool = False
) -> float:
    """Independent pieces per agent to tell two proportions apart, two-sided (Fleiss 1981, 2nd ed., ch. 3).

    `continuity` adds the correction of Casagrande, Pike & Smith 1978 as Fleiss gives it. Not rounded up. Raises
    ValueError for equal proportions or ones outside 0 to 1.
    """
    _open_unit(first=first, second=second, confidence_level=confidence_level, power=power, ends=("first", "second"))
    if first == second:
        raise ValueError("equal proportions cannot be told apart")
    gap, mean = abs(first - second), 0.5 * (first + second)
    alpha, beta = float(ndtri(0.5 + 0.5 * confidence_level)), float(ndtri(power))
    spread = first * (1.0 - first) + second * (1.0 - second)
    n = (alpha * math.sqrt(2.0 * mean * (1.0 - mean)) + beta * math.sqrt(spread)) ** 2 / gap**2
    return n / 4.0 * (1.0 + math.sqrt(1.0 + 4.0 / (n * gap))) ** 2 if continuity else n


def power_for_difference(first: float, second: float, pieces: float, *, confidence_level: float = 0.95) -> float:
    """Power of the two-sided comparison with `pieces` independent pieces per agent (the wrong side not counted)."""
    _open_unit(first=first, second=second, confidence_level=confidence_level, ends=("first", "second"))
    if not 0.0 < pieces < math.inf:
        raise ValueError(f"pieces must be above 0, got {pieces!r}")
    gap, mean = abs(first - second), 0.5 * (first + second)
    alpha = float(ndtri(0.5 + 0.5 * confidence_level))
    spread = first * (1.0 - first) + second * (1.0 - second)
    return float(ndtr((math.sqrt(pieces) * gap - alpha * math.sqrt(2.0 * mean * (1.0 - mean))) / math.sqrt(spread)))


def pieces_for_margin(proportion: float, margin: float, *, confidence_level: float = 0.90, power: float = 0.8) -> float:
    """Independent pieces per agent to show two equal proportions alike within `margin` on one side.

    The interval of `confidence_level` must stay inside the margin on the harmful side (Blackwelder 1982, Control. Clin.
    Trials 3:345).
    """
    _open_unit(proportion=proportion, margin=margin, confidence_level=confidence_level, power=power)
    reach = float(ndtri(0.5 + 0.5 * confidence_level)) + float(ndtri(power))
    return 2.0 * proportion * (1.0 - proportion) * (reach / margin) ** 2


def sessions_for_precision(
    proportion: float, half_width: float, *, mean_size: float, correlation: float, size_cv: float = 0.0,
    confidence_level: float = 0.95,
) -> float:  # fmt: skip
    """Sessions to know one proportion to +- `half_width` (Bennett et al. 1991, World Health Stat. Q. 44:98, p. 102).

    Sessions of unequal size, `size_cv` their standard deviation over their mean, by Eldridge et al. 2006.
    """
    _open_unit(proportion=proportion, half_width=half_width, confidence_level=confidence_level)
    error = half_width / float(ndtri(0.5 + 0.5 * confidence_level))
    effect = design_effect(correlation, mean_size, size_cv=size_cv)
    return proportion * (1.0 - proportion) * effect / (error**2 * mean_size)


def deaths_for_hazard_ratio(
    hazard_ratio: float, *, confidence_level: float = 0.95, power: float = 0.8, first_share: float = 0.5
) -> float:
    """Deaths over both agents for a log-rank test of two survival curves (Schoenfeld 1983, Biometrics 39:499)."""
    _open_unit(confidence_level=confidence_level, power=power, first_share=first_share)
    if hazard_ratio <= 0.0 or hazard_ratio == 1.0:
        raise ValueError(f"the hazard ratio must be above 0 and not 1, got {hazard_ratio!r}")
    reach = float(ndtri(0.5 + 0.5 * confidence_level)) + float(ndtri(power))
    return (reach / math.log(hazard_ratio)) ** 2 / (first_share * (1.0 - first_share))


def sessions_by_survival(
    first_loss: float,
    second_loss: float,
    *,
    mean_size: float,
    correlation: float,
    size_cv: float = 0.0,
    confidence_level: float = 0.95,
    power: float = 0.8,
) -> float:
    """Sessions per agent for a log-rank test when these shares are dead by the horizon, hazards being proportional.

    Deaths by `deaths_for_hazard_ratio`, over the mean loss, times the design effect of pieces sharing a bath.
    """
    _open_unit(first_loss=first_loss, second_loss=second_loss)
    ratio = math.log1p(-first_loss) / math.log1p(-second_loss)
    deaths = deaths_for_hazard_ratio(ratio, confidence_level=confidence_level, power=power)
    pieces = deaths / (first_loss + second_loss)  # per agent: half the deaths over the mean of the two
    return pieces * design_effect(correlation, mean_size, size_cv=size_cv) / mean_size


@dataclass(frozen=True, slots=True)
class SessionsNeeded:
    """Sessions each agent needs before one outcome can settle, and what that was reckoned from.

    `to_show_difference`: a difference as large as the margin is proven with the stated power; `to_show_alike`: equal
    agents are shown no worse than the margin, either way round. `total` is the larger.
    """

    to_show_difference: int
    to_show_alike: int
    proportion: float
    margin: float
    pieces_worth_a_session: float
    power: float

    @property
    def total(self) -> int:
        """Sessions per agent for both."""
        return max(self.to_show_difference, self.to_show_alike)


def sessions_needed(
    proportion: float,
    margin: float,
    *,
    mean_size: float,
    correlation: float,
    size_cv: float = 0.0,
    power: float = 0.8,
    superior_level: float = SUPERIOR_LEVEL,
) -> SessionsNeeded:
    """Sessions per agent for a verdict on one outcome, from session sizes and the correlation within sessions.

    `proportion`: what is expected (kill, or loss); the other agent is put one margin nearer to one half, where spread
    is larger. `mean_size`: pieces, or pests, a session with `size_cv` their relative spread.
    """
    worth = mean_size / max(1.0, design_effect(correlation, mean_size, size_cv=size_cv))
    return _needed(proportion, margin, worth, power, superior_level)


def sessions_needed_from(
    contrast: Contrast,
    sessions: tuple[int, int],
    margin: float,
    *,
    power: float = 0.8,
    superior_level: float = SUPERIOR_LEVEL,
) -> SessionsNeeded:
    """The same from a comparison already begun: what its own sessions turned out to be worth, per agent.

    `sessions`: those behind the contrast, of the first and the second agent.
    """
    worth = 2.0 / (sessions[0] / contrast.n_first + sessions[1] / contrast.n_second)
    return _needed(0.5 * (contrast.first + contrast.second), margin, worth, power, superior_level)


def difference_shown(
    needed: SessionsNeeded, sessions: int, *, superior_level: float = SUPERIOR_LEVEL
) -> float | None:
    """Smallest difference that so many sessions per agent prove with the planned power; None where none would be.

    The other agent lies towards and beyond one half, as in `sessions_needed`; `needed` says what a session is worth.
    """
    p, pieces = needed.proportion, sessions * needed.pieces_worth_a_session
    sign, room = (1.0, 1.0 - p) if p < 0.5 else (-1.0, p)

    def lacking(gap: float) -> float:
        end = min(1.0, max(0.0, p + sign * gap))
        return pieces_for_difference(p, end, confidence_level=superior_level, power=needed.power) - pieces

    if lacking(room) > 0.0:
        return None
    return float(brentq(lacking, _LEAST_GAP, room)) if lacking(_LEAST_GAP) > 0.0 else _LEAST_GAP


def _needed(proportion: float, margin: float, worth: float, power: float, superior_level: float) -> SessionsNeeded:
    """Turn independent pieces into sessions, each worth `worth` of them."""
    edge = 0.5 / max(1.0, worth) / 10.0  # nothing seen yet is not nothing ever: keep off 0 and 1
    p = min(1.0 - edge, max(edge, proportion))
    other = p + margin if p < 0.5 else p - margin
    apart = pieces_for_difference(p, other, confidence_level=superior_level, power=power)
    alike = pieces_for_margin(p, margin, confidence_level=MARGIN_LEVEL, power=power)
    return SessionsNeeded(math.ceil(apart / worth), math.ceil(alike / worth), p, margin, worth, power)


def deal(blocks: Sequence[int], agents: int, *, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Deal the trays of each block to agents by lot, as evenly as the block allows.

    `blocks`: trays per block, each at least one per agent. Returns for each block the agent's number (0 to agents - 1)
    of every tray, shape (trays,). Trays beyond an even share go to agents drawn afresh for each block.
    """
    if agents < 2:
        raise ValueError(f"a comparison needs two agents or more, got {agents}")
    dealt = []
    for size in blocks:
        if size < agents:
            raise ValueError(f"a block of {size} trays cannot hold {agents} agents")
        whole = np.tile(np.arange(agents), size // agents)
        rest = rng.permutation(agents)[: size % agents]
        dealt.append(rng.permutation(np.concatenate([whole, rest])))
    return tuple(dealt)


def _open_unit(ends: tuple[str, ...] = (), **values: float) -> None:
    """Refuse values outside 0 to 1; those named in `ends` may be 0 or 1 themselves."""
    for name, value in values.items():
        inside = 0.0 <= value <= 1.0 if name in ends else 0.0 < value < 1.0
        if not inside:
            raise ValueError(f"{name} must lie between 0 and 1, got {value!r}")
