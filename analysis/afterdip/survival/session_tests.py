"""Tests of two arms with sessions as units: a robust score test, and a permutation of arms over sessions."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, stdtr

from ..errors import DataError
from .logrank import counts_by_stratum
from .rows import paired

MOST_ARRANGEMENTS = 100_000
"""Up to here all ways to deal the arms to the sessions are counted; beyond, they are drawn at random."""


@dataclass(frozen=True, slots=True)
class SessionScoreTest:
    """Robust score test: `score` is observed minus expected deaths of `group`, the first one met.

    `standard_error`: plain session sandwich. `t` has the factor m / (m - 1) in its variance and is referred to
    Student's t on `degrees_of_freedom`.
    """

    group: object
    score: float
    standard_error: float
    t: float
    degrees_of_freedom: int
    p_value: float
    sessions: int


@dataclass(frozen=True, slots=True)
class PermutationTest:
    """Arms dealt anew to whole units: sessions, or pieces where each is its own unit.

    `score`: sum of the first arm's scores; `z` and `p_asymptotic`: its normal approximation over all arrangements;
    `p_value`: share of arrangements at least as extreme, None where they were neither counted nor drawn.
    """

    group: object
    score: float
    z: float
    p_asymptotic: float
    p_value: float | None
    units: int
    arrangements: int
    exact: bool


def session_logrank(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    *,
    group: ArrayLike,
    session: ArrayLike,
    stratum: ArrayLike | None = None,
) -> SessionScoreTest:
    """Log-rank score of two groups over its session-robust standard error.

    A session's score is the sum over days of (x - share) (deaths_g - at_risk_g d / n), x = 1 in the first group and
    `share` its share of those at risk: the score residual of a Cox model at no effect (Lin & Wei 1989, JASA 84:1074).
    Arrays of shape (n_rows,). t on sessions less two. A session may hold both groups. Raises DataError unless there
    are two groups with at least two sessions each and deaths to compare.
    """
    groups, strata = _tally(days, deaths, left, group, session, stratum)
    scores: dict[object, float] = {}
    for counts in strata:
        x = np.array([label[0] == groups[0] for label in counts.sessions], float)
        n, d = counts.at_risk.sum(axis=0), counts.ends[0].sum(axis=0)
        residual = counts.ends[0] - counts.at_risk * (d / n)
        values = ((x[:, None] - x @ counts.at_risk / n) * residual).sum(axis=1)
        for (_, name), value in zip(counts.sessions, values, strict=True):
            scores[name] = scores.get(name, 0.0) + float(value)
    u = np.array(list(scores.values()))
    score, error, m = float(u.sum()), float(np.sqrt(np.square(u).sum())), len(u)
    if error <= 1e-12:
        raise DataError("no deaths while two groups were at risk together: nothing to compare")
    t = score / (error * np.sqrt(m / (m - 1)))
    return SessionScoreTest(groups[0], score, error, float(t), m - 2, float(2 * stdtr(m - 2, -abs(t))), m)


def permuted_logrank(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    *,
    group: ArrayLike,
    session: ArrayLike,
    stratum: ArrayLike | None = None,
    rng: np.random.Generator | None = None,
    draws: int = 9999,
) -> PermutationTest:
    """Log-rank score of two groups, the groups dealt anew to whole sessions: the one to trust with few sessions.

    A session's score is deaths less those expected had all pieces the same hazard: sum over days of
    deaths_g - at_risk_g d / n (within strata). Exact under no effect where sessions were dealt to groups at random.
    `rng` is needed beyond MOST_ARRANGEMENTS. Raises DataError as `session_logrank`, and where a session holds both.
    """
    groups, strata = _tally(days, deaths, left, group, session, stratum)
    scores: dict[object, float] = {}
    arm: dict[object, object] = {}
    for counts in strata:
        n, d = counts.at_risk.sum(axis=0), counts.ends[0].sum(axis=0)
        values = counts.ends[0].sum(axis=1) - counts.at_risk @ (d / n)
        for (own, name), value in zip(counts.sessions, values, strict=True):
            if arm.setdefault(name, own) != own:
                raise DataError(f"session {name!r} holds pieces of both groups; arms cannot be dealt to sessions")
            scores[name] = scores.get(name, 0.0) + float(value)
    first = np.array([arm[name] == groups[0] for name in scores])
    return permute(np.array(list(scores.values())), first, group=groups[0], rng=rng, draws=draws)


def permute(
    scores: ArrayLike,
    first: ArrayLike,
    *,
    group: object = None,
    rng: np.random.Generator | None = None,
    draws: int = 9999,
) -> PermutationTest:
    """Permutation distribution of the sum of `scores` over the units in the first arm.

    `scores`: shape (n_units,); `first`: bool, shape (n_units,). z uses the permutation variance
    n1 n2 / (n (n - 1)) sum (score - mean)^2. All arrangements are counted up to MOST_ARRANGEMENTS; beyond, `draws`
    random ones with `rng` and p = (extreme + 1) / (draws + 1) (Phipson & Smyth 2010), or none without `rng`.
    Raises DataError where an arm is empty or all scores are equal.
    """
    a, first = np.asarray(scores, float), np.asarray(first, bool)
    n, n1 = len(a), int(first.sum())
    centred = a - a.mean()
    spread = n1 * (n - n1) / (n * (n - 1)) * float(np.square(centred).sum()) if n > 1 else 0.0
    if not 0 < n1 < n or spread <= 1e-20:
        raise DataError("a permutation test needs two arms and units that differ")
    score, deviation = float(a[first].sum()), float(centred[first].sum())
    z = deviation / np.sqrt(spread)
    ways, reach = comb(n, n1), abs(deviation) - 1e-9 * np.sqrt(spread)
    p, exact = None, ways <= MOST_ARRANGEMENTS
    if exact:
        chosen = np.fromiter((i for c in combinations(range(n), n1) for i in c), np.intp, count=ways * n1)
        p = float(np.mean(np.abs(centred[chosen.reshape(ways, n1)].sum(axis=1)) >= reach))
    elif rng is not None:
        drawn = np.array([centred[rng.permutation(n)[:n1]].sum() for _ in range(draws)])
        p = (int(np.sum(np.abs(drawn) >= reach)) + 1) / (draws + 1)
    counted = ways if exact else draws if rng is not None else 0
    return PermutationTest(group, score, float(z), float(2 * ndtr(-abs(z))), p, n, counted, exact)


def _tally(
    days: ArrayLike, deaths: ArrayLike, left: ArrayLike, group: ArrayLike, session: ArrayLike, stratum: ArrayLike | None
) -> tuple[tuple, list]:
    """Two groups, and counts by stratum under (group, session) labels."""
    strata = counts_by_stratum(days, deaths, left, paired(group, session), stratum)
    pairs = dict.fromkeys(label for counts in strata for label in counts.sessions)
    groups = tuple(dict.fromkeys(own for own, _ in pairs))
    if len(groups) != 2:
        raise DataError(f"a comparison of sessions needs two groups, got {len(groups)}")
    for name in groups:
        if len([1 for own, _ in pairs if own == name]) < 2:
            raise DataError(f"group {name!r} has one session; it needs at least two to show how sessions differ")
    return groups, strata
