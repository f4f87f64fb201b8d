"""The difference between two agents in one outcome, crude and among like corals, with limits at session level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from ..estimate import Estimate, cannot_say
from .cells import Arm, Floats, arms
from .correlation import correlations, session_variances, working_proportions
from .likely import Worth, averaged_limits, chance_below, worth_of
from .score import wilson_limits

MINIMUM_SESSIONS = 6  # a side; the calibration table says why
MINIMUM_EFFECTIVE = 3.0  # sessions a side's figure is worth once some of them carry most of its weight
WORKING_CORRELATION = 0.1  # weighs cells in the adjusted difference: a piece more in a large tray adds little


@dataclass(frozen=True, slots=True)
class Contrast:
    """What limits are made of: two proportions, their effective sample sizes at the correlation measured, degrees of
    freedom, and what either side is worth at other correlations.
    """

    first: float
    second: float
    n_first: float
    n_second: float
    degrees_of_freedom: float
    correlation_first: float
    correlation_second: float
    worths: tuple[Worth, Worth]


@dataclass(frozen=True, slots=True)
class Difference:
    """First agent minus second: the difference, each agent's own proportion on the same mix, and what was left out.

    `contrast` is None when `difference` cannot say. `strata` and `mix` (summing to 1) tell which groups of like pieces
    were compared and in what proportion; `pieces_left_out` counts, per agent, those in groups only one agent had.
    """

    difference: Estimate
    first: Estimate
    second: Estimate
    contrast: Contrast | None
    strata: tuple
    mix: Floats
    pieces_left_out: tuple[float, float]

    @property
    def able(self) -> bool:
        """Whether both agents have the sessions for a verdict: by what was dipped, and not by what came of it."""
        return min(side.sessions or 0 for side in (self.first, self.second)) >= MINIMUM_SESSIONS


def limits(contrast: Contrast, confidence_level: float) -> tuple[float, float]:
    """Return the contrast's limits at another confidence level, two-sided."""
    c = contrast
    numbers = (np.array([x]) for x in (c.first, c.second, c.n_first, c.n_second))
    low, high = averaged_limits(*numbers, c.worths, confidence_level)
    return float(low[0]), float(high[0])


def chances(contrast: Contrast, deltas: ArrayLike) -> Floats:
    """Return the chance of a difference so large as that seen under each of `deltas`, shape (n,), between -1 and 1.

    A delta lies inside the limits of a level where its chance lies inside both tails of that level.
    """
    c, deltas = contrast, np.asarray(deltas, dtype=float)
    numbers = (np.full(deltas.shape, x) for x in (c.first, c.second, c.n_first, c.n_second))
    one = np.zeros(deltas.shape, dtype=np.intp)
    return chance_below(*numbers, (c.worths[0].of(one), c.worths[1].of(one)), deltas)


def crude_difference(
    second: ArrayLike, session: ArrayLike, total: ArrayLike, events: ArrayLike, *, confidence_level: float = 0.95
) -> Difference:
    """Difference of the plain proportions, all pieces of an agent taken together.

    Arguments as `cells.arms` without strata. Clustered score limits: Miettinen & Nurminen 1985 with each agent's
    effective sample size p(1-p)/v, v its session-level variance, averaged over correlations within sessions
    (`likely`). Cannot say under 6 sessions a side.
    """
    one = np.zeros(np.shape(total), dtype=np.int64)
    first_arm, second_arm, _ = arms(second, session, one, total, events)
    return _difference((first_arm, second_arm), ("all",), 0.0, confidence_level, "all pieces together")


def adjusted_difference(
    second: ArrayLike,
    session: ArrayLike,
    stratum: ArrayLike,
    total: ArrayLike,
    events: ArrayLike,
    *,
    working_correlation: float = WORKING_CORRELATION,
    confidence_level: float = 0.95,
) -> Difference:
    """Difference within strata of like pieces, averaged over the mix of strata that both agents were given.

    Strata that only one agent had are left out. Each of the others is compared within itself and weighs W = ab/(a+b),
    a and b the two agents' information in it: the overlap weights (Li, Morgan & Zaslavsky 2018, JASA 113:390), which
    are Mantel and Haenszel's when `working_correlation` is 0, cells then weighing by pieces. With the default, a cell
    of n pieces weighs n/(1+(n-1)*working_correlation), as pieces that shared a bath are worth less than their number.
    Limits and arguments otherwise as `crude_difference`; `stratum` labels have shape (n_rows,).
    """
    first_arm, second_arm, labels = arms(second, session, stratum, total, events)
    shared = (first_arm.total.sum(axis=0) > 0) & (second_arm.total.sum(axis=0) > 0)
    kept = (first_arm.restricted(shared), second_arm.restricted(shared))
    left_out = tuple(float(arm.total[:, ~shared].sum()) for arm in (first_arm, second_arm))
    names = tuple(labels[shared].tolist())
    return _difference(kept, names, working_correlation, confidence_level, "among like pieces", left_out)


def _difference(
    sides: tuple[Arm, Arm],
    strata: tuple,
    working_correlation: float,
    level: float,
    method: str,
    left_out: tuple[float, float] = (0.0, 0.0),
) -> Difference:
    """Put the difference together from two arms with the same strata, all of them shared."""
    if lacking := _lacking(sides):
        return _silent(sides, strata, left_out, lacking, level)
    alone = tuple(Arm(side.total[None], side.events[None]) for side in sides)
    values, worths, effective, (mix,) = contrast_values(alone, working_correlation)
    if min(effective) < MINIMUM_EFFECTIVE:
        few = f"nearly all weight lies on fewer than {MINIMUM_EFFECTIVE:.0f} sessions of an agent"
        return _silent(sides, strata, left_out, few, level)
    contrast = Contrast(*(float(value[0]) for value in values), worths)
    return Difference(
        *_estimates(sides, contrast, level, method), contrast=contrast, strata=strata, mix=mix, pieces_left_out=left_out
    )


def contrast_values(
    sides: tuple[Arm, Arm], working_correlation: float
) -> tuple[tuple, tuple[Worth, Worth], tuple[Floats, Floats], Floats]:
    """Return the numbers and the worths of `Contrast`, how many equally weighty sessions each side has, and the mix.

    Arms of many farms, shape (n_farms, n_sessions, n_strata), give arrays of them, and only such. Every side needs
    pieces; a stratum that only one side has weighs nothing.
    """
    worth = [_worth(side.total, working_correlation) for side in sides]
    sums = [w.sum(axis=-2, keepdims=True) for w in worth]
    mix = sums[0] * sums[1] / np.maximum(sums[0] + sums[1], 1e-300)
    mix = mix / mix.sum(axis=-1, keepdims=True)
    weights = [w / np.where(s > 0, s, 1.0) for w, s in zip(worth, sums, strict=True)]
    working = working_proportions(sides)
    rho = correlations(sides, weights, working)
    found, sizes, effective = [], [], []
    for side, weight, p, own in zip(sides, weights, working, rho, strict=True):
        shares = session_variances(side, weight * mix, p, own)
        expected = (mix[..., 0, :] * p).sum(axis=-1)
        found.append(np.clip((weight * mix * side.rate).sum(axis=(-2, -1)), 0.0, 1.0))
        sizes.append(expected * (1.0 - expected) / shares.sum(axis=-1))
        effective.append(shares.sum(axis=-1) ** 2 / (shares**2).sum(axis=-1))
    freedom = np.maximum(1.0, sum(effective) - 2.0)
    mix = mix[..., 0, :]
    worths = tuple(worth_of(side, weight, mix, p) for side, weight, p in zip(sides, weights, working, strict=True))
    return (*found, *sizes, freedom, *rho), worths, (effective[0], effective[1]), mix


def _worth(total: Floats, working_correlation: float) -> Floats:
    """Return the information in each cell: pieces, discounted for having shared a bath."""
    return total / (1.0 + np.maximum(total - 1.0, 0.0) * working_correlation)


def _estimates(
    sides: tuple[Arm, Arm], contrast: Contrast, level: float, method: str
) -> tuple[Estimate, Estimate, Estimate]:
    """Return the difference and the two proportions as Estimates."""
    c = contrast
    quantile = float(stdtrit(c.degrees_of_freedom, 0.5 + 0.5 * level))
    low, high = limits(c, level)
    difference = Estimate(
        estimate=c.first - c.second,
        low=low,
        high=high,
        confidence_level=level,
        sessions=int(sum(side.sessions for side in sides)),
        pieces=round(sum(side.total.sum() for side in sides)),
        method=f"{method}; score limits (Miettinen-Nurminen) averaged over correlations within sessions",
    )
    own = []
    for side, p, n in zip(sides, (c.first, c.second), (c.n_first, c.n_second), strict=True):
        bottom, top = wilson_limits(p, n, quantile)
        own.append(
            Estimate(
                estimate=p,
                low=bottom,
                high=top,
                confidence_level=level,
                sessions=int(side.sessions),
                pieces=round(side.total.sum()),
                method=f"{method}; Wilson limits on the effective sample size, t quantile",
            )
        )
    return difference, own[0], own[1]


def _lacking(sides: tuple[Arm, Arm]) -> str:
    """Return why the sides cannot be compared, or nothing."""
    have = [int(side.sessions) for side in sides]
    if min(have) == 0:
        return "no group of like pieces had both agents" if max(have) == 0 else "one agent has no session here"
    if min(have) < MINIMUM_SESSIONS:
        return f"{have[0]} and {have[1]} sessions with like pieces, needs {MINIMUM_SESSIONS} of each"
    return ""


def _silent(sides: tuple[Arm, Arm], strata: tuple, left_out: tuple[float, float], why: str, level: float) -> Difference:
    """Return a Difference that says why it cannot say."""
    sessions, pieces = [int(side.sessions) for side in sides], [round(side.total.sum()) for side in sides]
    own = [cannot_say(why, confidence_level=level, sessions=s, pieces=n) for s, n in zip(sessions, pieces, strict=True)]
    both = cannot_say(why, confidence_level=level, sessions=sum(sessions), pieces=sum(pieces))
    return Difference(both, own[0], own[1], None, strata, np.full(len(strata), np.nan), left_out)
