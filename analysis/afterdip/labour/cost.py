"""What a clean surviving piece costs: labour, agent, re-dips and lost pieces over what is left and clean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterdip.estimate import Estimate, cannot_say

PARTS = ("labour", "agent", "redips", "dead", "detached")
INPUTS = ("person_min", "agent", "redip_person_min", "redip_agent", "dead", "detached", "clean")


@dataclass(frozen=True, slots=True, eq=False)
class PieceInputs:
    """What goes into the cost, each per piece first dipped; `dead`, `detached` and `clean` are proportions.

    `person_min`: person-minutes of its first dip; `agent`: money for its share of the bath; `redip_person_min`,
    `redip_agent`: the same for all later dips together. `dead`, `detached`: lost by the horizon. `clean`: of the
    surviving pieces examined, those with no live pest at the last look. `wage_per_hour`, `piece_value`: money, None
    where the farm has not said. `correlation`: of the estimates in the order of INPUTS, shape (7, 7), see
    `session_correlation`; independent where it is left out.
    """

    person_min: Estimate
    agent: Estimate
    redip_person_min: Estimate
    redip_agent: Estimate
    dead: Estimate
    detached: Estimate
    clean: Estimate
    wage_per_hour: float | None
    piece_value: float | None
    correlation: NDArray[np.float64] = field(default_factory=lambda: np.eye(len(INPUTS)))


def session_correlation(tops: ArrayLike, bottoms: ArrayLike) -> NDArray[np.float64]:
    """Return how ratios of sums over the same sessions go together, shape (n_ratios, n_ratios).

    `tops`, `bottoms`: shape (n_ratios, n_sessions), bottoms 0 where a session says nothing of a ratio. Correlation of
    the sessions' residuals top - ratio x bottom, which are what moves a ratio (the linear jackknife): sessions that
    took long also took long the second time, and a bath that killed pieces may have loosened others. A ratio without
    scatter goes with nothing.
    """
    x, n = np.asarray(tops, dtype=np.float64), np.asarray(bottoms, dtype=np.float64)
    total = n.sum(axis=1, keepdims=True)
    ratio = np.divide(x.sum(axis=1, keepdims=True), total, out=np.zeros_like(total), where=total > 0)
    residual = x - ratio * n
    length = np.sqrt(np.square(residual).sum(axis=1, keepdims=True))
    unit = np.divide(residual, length, out=np.zeros_like(residual), where=length > 0)
    together = unit @ unit.T
    np.fill_diagonal(together, 1.0)
    return together


@dataclass(frozen=True, slots=True)
class PieceCost:
    """Cost in the farm's money; `parts` and `shares` by PARTS, parts per clean surviving piece, shares of their sum.

    `per_survivor`: per surviving piece, clean or not; `per_clean_survivor`: per piece alive, in place and with no live
    pest seen. `value_doubled`, `wage_doubled`: the latter if a piece were worth, or an hour cost, twice as much.
    """

    per_survivor: Estimate
    per_clean_survivor: Estimate
    hours_per_thousand_clean: Estimate
    parts: dict[str, Estimate]
    shares: dict[str, Estimate]
    value_doubled: Estimate
    wage_doubled: Estimate


def cost_per_clean_piece(inputs: PieceInputs, *, confidence_level: float = 0.95, **counts: int | None) -> PieceCost:
    """Combine labour, agent, re-dips and losses into the cost of one clean surviving piece.

    (labour + agent + re-dips + value x (dead + detached)) / ((1 - dead - detached) x clean). Limits carry each
    input's own limits through: one input at a time is moved to its limit and the changes are added as squares on the
    log scale, with the products of those that go together (the variance-estimates recovery of Zou & Donner 2008, Stat
    Med 27:1693). So a loss of none seen enters with its exact bound and not as certainty. A missing input makes what
    needs it "cannot say", with its reason. `counts` are those of Estimate.
    """
    known = {name: getattr(inputs, name) for name in INPUTS}
    wage, value = inputs.wage_per_hour, inputs.piece_value

    def said(f: Callable[..., float], *, clean: bool = True, log: bool = True, money: bool = True) -> Estimate:
        left_out = ("agent", "redip_agent") * (not money) + ("clean",) * (not clean)
        needed = {name: e for name, e in known.items() if name not in left_out}
        reason = (_unpriced(wage, value) if money else "") or _missing(needed)
        if reason:
            return cannot_say(reason, confidence_level=confidence_level, **counts)
        place = [INPUTS.index(name) for name in needed]
        together = inputs.correlation[np.ix_(place, place)]
        return _carried(f, needed, together, confidence_level=confidence_level, log=log, counts=counts)

    def total(w: float, v: float, **x: float) -> float:
        return sum(_costs(w, v, x).values()) / _left(x)

    return PieceCost(
        per_survivor=said(lambda **x: total(wage, value, **x), clean=False),
        per_clean_survivor=said(lambda **x: total(wage, value, **x)),
        hours_per_thousand_clean=said(
            lambda **x: (x["person_min"] + x["redip_person_min"]) / 60 * 1000 / _left(x), money=False
        ),
        parts={part: said(lambda part=part, **x: _costs(wage, value, x)[part] / _left(x), log=False) for part in PARTS},
        shares={
            part: said(lambda part=part, **x: _share(_costs(wage, value, x), part), clean=False, log=False)
            for part in PARTS
        },
        value_doubled=said(lambda **x: total(wage, 2 * value, **x)),
        wage_doubled=said(lambda **x: total(2 * wage, value, **x)),
    )


def _costs(wage: float, value: float, x: dict[str, float]) -> dict[str, float]:
    hour = wage / 60
    return {
        "labour": hour * x["person_min"],
        "agent": x["agent"],
        "redips": hour * x["redip_person_min"] + x["redip_agent"],
        "dead": value * x["dead"],
        "detached": value * x["detached"],
    }


def _left(x: dict[str, float]) -> float:
    return max(1.0 - x["dead"] - x["detached"], 1e-6) * max(x.get("clean", 1.0), 1e-6)


def _share(costs: dict[str, float], part: str) -> float:
    whole = sum(costs.values())
    return costs[part] / whole if whole > 0 else 0.0


def _unpriced(wage: float | None, value: float | None) -> str:
    """Return which price the farm has not given, or nothing."""
    if wage is None:
        return "no wage per hour in farm.toml"
    return "no value of a piece of this coral group in farm.toml" if value is None else ""


def _missing(needed: dict[str, Estimate]) -> str:
    """Return why what rests on these inputs cannot be said, or nothing."""
    for name, estimate in needed.items():
        if estimate.estimate is None:
            return f"{_WORDS[name]}: {estimate.reason}"
    if needed["dead"].estimate + needed["detached"].estimate >= 1 or needed.get("clean", _ONE).estimate == 0:
        return "no clean piece was left"
    return ""


_ONE = Estimate(estimate=1.0)
_WORDS = {
    "person_min": "labour",
    "agent": "agent",
    "redip_person_min": "labour of re-dips",
    "redip_agent": "agent of re-dips",
    "dead": "dead",
    "detached": "detached",
    "clean": "clean",
}


def _carried(
    f: Callable[..., float], inputs: dict[str, Estimate], together: NDArray, *, confidence_level: float, log: bool,
    counts: dict,
) -> Estimate:  # fmt: skip
    """Return f of the estimates with limits from moving one input at a time to its own limits.

    `together`: correlation of the inputs, shape (n_inputs, n_inputs).
    """
    middle = {name: e.estimate for name, e in inputs.items()}
    value = f(**middle)
    to, back = (np.log, np.exp) if log and value > 0 else (float, float)
    moves = np.zeros((2, len(inputs)))  # what each input adds, gone to its lower and to its upper limit
    for i, (name, e) in enumerate(inputs.items()):
        for side, limit in enumerate((e.low, e.high)):
            end = value if limit is None else f(**(middle | {name: limit}))
            moves[side, i] = to(end) - to(value) if end > 0 or to is float else 0.0
    low, high = (float(back(to(value) + sign * _reach(sign * moves, together))) for sign in (-1.0, 1.0))
    return Estimate(
        estimate=value,
        low=low if log else max(low, 0.0),
        high=high,
        confidence_level=confidence_level,
        method="limits of the parts carried through, squares added",
        **counts,
    )


def _reach(moves: NDArray, together: NDArray) -> float:
    """Return how far f may rise; `moves`, (2, n_inputs): what it gains with an input at its lower, its upper limit.

    The root of the moves' squares and products. An input that others take along counts with the limit on the side to
    which they take it, not with the one on which it would raise f by itself: pieces that come off where pieces die go
    up with them, though that lowers the share of the dead. That side is found by turns.
    """
    up, down = moves[1], -moves[0]  # what a step up adds, with the one limit and with the other
    slope = np.where(up + down > 0, up, down)
    for _ in range(2 * slope.size):
        taken = np.where(together @ slope > 0, up, down)
        if (taken == slope).all():
            break
        slope = taken
    return float(np.sqrt(max(slope @ together @ slope, 0.0)))
