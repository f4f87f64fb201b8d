"""One proportion when units share sessions: correlation, design effect, and limits that hold with few sessions.

What was tried (`calibrate/removal.py`; beta-binomial and logit-normal sessions of unequal size, correlation 0-0.3, 3-60
sessions, shares 0.5-0.98): logit limits with t (no limit at 0 or 1; 95 % limits held 85 % at worst), Korn-Graubard
as published (86 % at worst: when the rarer outcome shows up in a few sessions only, the measured design effect is too
small), exact limits as if pests were independent (62 %); a design effect drawn from the measured towards an assumed one
where few sessions show the rarer outcome, with t quantiles (94 % at worst, but 97.4 % on average from 30 sessions up).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincinv, expit, logit

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from .averaged import WEIGHED_AT, average_chance, both_tails
from .columns import counts_in_step, label_places
from .ragged import Ragged, rising, stacked
from .single import exact_limits

ASSUMED_CORRELATION = 0.2  # of outcomes within a session, where the sessions themselves cannot tell: 0.05-0.3 is usual
MIN_SESSIONS = 4  # below this the limits would rest on the assumed correlation alone
CORRELATIONS = np.array([0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.85])
"""Correlations of outcomes within a session that the limits reckon with."""
CORRELATION_WEIGHTS = np.array([47, 1.5, 3, 7, 1, 9, 2, 11, 15, 3.5, 0.1, 0.05])
"""How the correlations weigh before looking: nearly half on none, most of the rest on 0.1 to 0.4.

Least squares of what 850 kinds of simulated farms held beyond 93.5 and 97.6 %, rounded (`calibrate/removal.py`). Those
from 0.5 up are for sessions that plainly say so: with more of them the upper limit of one event outgrows that of five.
"""
SKEWED = 1.1
"""So many times a correlation counts: where a few baths are far worse than the rest, most sessions look too much alike.

By weights alone 95 % limits could be brought to 93.2-98.4 % in those farms, with this and `SPARED` to 93.4-97.9 %.
"""
SPARED, SPARED_SESSIONS = 1.75, 4.0
"""Where the rarer outcome lies in few sessions its upper limit is never missed: the lower one takes over those misses.

As exact limits may (Blaker 2000, Can J Stat 28:783). Its tail grows by `SPARED` times exp(-k/`SPARED_SESSIONS`), k the
effective sessions with events: most at two or three; not at one, where it is as high as an exact one may be; and not
where sessions are of one unit, so that nothing is to be known of a correlation.
"""
WEIGHTS_IN_DIFFERENCE = np.array([20, 1.5, 1.5, 1, 1, 3, 3, 3, 8, 1.6, 0.04, 0.02])
WEIGHED_IN_DIFFERENCE = 0.5
"""The weights, and `WEIGHED_AT`, for a share that is set against another arm's; neither skewed nor spared.

There a far limit is joined with a near one and seldom decides alone. Sessions weighed so far out make of few events far
limits that are hardly ever missed, and near ones that are missed all the more; nearer the estimate both sides of a
joined limit are missed alike, and a little more weight on strong correlations makes up for what that loses where large
baths differ much (`calibrate/removal.py`).
"""
_LARGEST = 1 - 1e-12  # no share is larger, though a search on a logarithmic scale asks of what lies beyond 1


def by_session(session, *columns) -> tuple[np.ndarray, ...]:
    """Sum rows to one value a session: each column of shape (n_rows,) becomes (n_sessions,), sessions in sorted order.

    `session` None leaves every row its own session. Raises DataError on values that are not finite or below 0 and where
    a label is missing.
    """
    columns = counts_in_step(*columns)
    if session is None:
        return columns
    if np.shape(session) != columns[0].shape:
        raise ValueError("session labels and counts differ in length")
    labels, codes = label_places(session)
    return tuple(np.bincount(codes, weights=column, minlength=len(labels)) for column in columns)


def session_proportion(
    events, trials, *, session=None, confidence_level: float = 0.95, assumed_correlation: float = ASSUMED_CORRELATION,
    min_sessions: int = MIN_SESSIONS, in_difference: bool = False,
) -> Estimate:
    """Proportion of all trials with session-level limits: the ratio of sums, limits by `share_limits`.

    `events`, `trials`: shape (n_rows,), fractions allowed; `session`: labels, shape (n_rows,), None for one row a
    session. None or all of the trials give a bound that uses `assumed_correlation`. No trials, or fewer than
    `min_sessions` sessions with trials, is "cannot say". `in_difference`: limits to be joined with another arm's.
    Raises DataError where events exceed trials.
    """
    return session_proportions(
        [(events, trials, session)], confidence_level=confidence_level, assumed_correlation=assumed_correlation,
        min_sessions=min_sessions, in_difference=in_difference,
    )[0]  # fmt: skip


def session_proportions(
    counts: Sequence[tuple], *, confidence_level: float = 0.95, assumed_correlation: float = ASSUMED_CORRELATION,
    min_sessions: int = MIN_SESSIONS, in_difference: ArrayLike = False,
) -> list[Estimate]:
    """What `session_proportion` gives for each of `counts`, (events, trials, session labels or None), in one search.

    `in_difference`: for all of them, or for each.
    """
    summed = [by_session(session, events, trials) for events, trials, session in counts]
    if any((events > trials * (1 + 1e-12)).any() for events, trials in summed):
        raise DataError("a session has more events than trials")
    sessions = [int(np.count_nonzero(trials)) for _, trials in summed]
    enough = np.flatnonzero(np.array(sessions, int) >= max(min_sessions, 1))
    limits = zip(*share_limits(
        *(stacked([summed[i][k] for i in enough]) for k in (0, 1)), confidence_level=confidence_level,
        assumed_correlation=assumed_correlation, in_difference=np.broadcast_to(in_difference, len(summed))[enough],
    ), strict=True)  # fmt: skip
    bound = f"a bound: exact limits, intra-session correlation taken as {assumed_correlation}"

    def estimate(n: int) -> Estimate:
        if n < max(min_sessions, 1):
            reason = f"too few sessions: {n}, needs {min_sessions}" if n else "no denominator: nothing was counted"
            return cannot_say(reason, confidence_level=confidence_level, sessions=n)
        share, low, high = map(float, next(limits))
        words = bound if share in (0, 1) else "limits averaged over intra-session correlations"
        return Estimate(
            estimate=share, low=low, high=high, confidence_level=confidence_level, sessions=n,
            method=f"ratio of sums, {words}",
        )  # fmt: skip

    return [estimate(n) for n in sessions]


def share_limits(
    events, trials, *, confidence_level: float = 0.95, assumed_correlation: float = ASSUMED_CORRELATION,
    in_difference: ArrayLike = False,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share, lower and upper limit for arrays of shape (..., n_sessions); every leading cell has trials.

    At each of `CORRELATIONS` the total is worth trials over the design effect 1 + (n - 1) rho SKEWED sqrt(m/(m - 1)),
    n the trials-weighted size of a session and m the equal sessions that would weigh as these do (the weights below
    make up for half of what few sessions understate), and the chance of a total so small is the beta one at that
    effective size (Korn & Graubard 1998, Surv Methodol 24:193), halfway between that of fewer and that of no more
    (mid-P; Jeffreys' limits of sessions of one). The tail of the lower limit is larger where few sessions had events
    (`SPARED`).
    `averaged` weighs the chances by `CORRELATION_WEIGHTS` and the beta-binomial likelihood of the sessions. With no or
    only events nothing tells the correlation: the limits are the exact ones at the assumed one, Clopper-Pearson for
    sessions of one. `in_difference`, shape (...): limits to be joined with another arm's (`WEIGHTS_IN_DIFFERENCE`).
    """
    events, trials = np.asarray(events, float), np.asarray(trials, float)
    total, found = trials.sum(-1), events.sum(-1)
    share = np.where(found >= total * (1 - 1e-12), 1.0, found / total)
    edge = (share == 0) | (share == 1)
    size = (trials**2).sum(-1) / total
    effective = total / (1 + np.maximum(size - 1, 0) * assumed_correlation)
    low, high = exact_limits(share * effective, effective, confidence_level=confidence_level)
    if (inner := ~edge).any():
        swapped = inner & (share > 0.5)  # of the rarer outcome, so that the other one has the mirrored limits
        rarer = np.where(swapped[..., None], trials - events, events)
        joined = np.broadcast_to(in_difference, inner.shape)[inner]
        few, many = _limits_between(rarer[inner], trials[inner], (1 - confidence_level) / 2, joined)
        low, high = np.array(low), np.array(high)
        low[inner], high[inner] = few, many
        low, high = np.where(swapped, 1 - high, low), np.where(swapped, 1 - low, high)
    return share, low, high


def _limits_between(
    events: np.ndarray, trials: np.ndarray, tail: float, joined: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of shares that are neither 0 nor 1, arrays of shape (n_cells, n_sessions).

    `joined`: whether with another arm's, shape (n_cells,).
    """
    total = trials.sum(-1, keepdims=True)
    squares = (trials**2).sum(-1, keepdims=True)
    few = np.sqrt(total**2 / np.maximum(total**2 - squares, 1e-9))
    few = np.where(joined[:, None], few, few * SKEWED)
    worth = total / (1 + np.maximum(squares / total - 1, 0) * few * CORRELATIONS)
    some, rest = (part.sum(-1, keepdims=True) / total * worth + 0.5 for part in (events, trials - events))
    likelihood = beta_binomial(events, trials)
    centre = logit(events.sum(-1) / total[:, 0])
    log_weights = np.log(np.where(joined[:, None], WEIGHTS_IN_DIFFERENCE, CORRELATION_WEIGHTS))
    weighed_at = np.where(joined, WEIGHED_IN_DIFFERENCE, WEIGHED_AT)

    def chance(share: np.ndarray, cells: np.ndarray) -> np.ndarray:
        share = np.minimum(share, _LARGEST)
        between = expit(centre[cells] + weighed_at[cells] * (logit(share) - centre[cells]))
        log_weight = likelihood(between, cells) + log_weights[cells]
        return average_chance(log_weight, betainc(some[cells], rest[cells], share[:, None]))

    # guesses of the least and of a strong correlation
    guesses = (betaincinv(some[:, [0, -3]], rest[:, [0, -3]], at) for at in (tail, 1 - tail))
    lower, upper = ((guess.min(-1), guess.max(-1) * (1 + 1e-9)) for guess in guesses)
    spared = np.where(joined, 1.0, _spared(events, trials))
    return both_tails(chance, tail, lower, upper, lambda _share, cells: spared[cells])


def _spared(events: np.ndarray, trials: np.ndarray) -> np.ndarray:
    """How many times the tail the lower limit has, shape (n_cells,): see `SPARED`; once where half have the event."""
    share, k = events.sum(-1) / trials.sum(-1), events.sum(-1) ** 2 / (events**2).sum(-1)
    together = (1 - 1 / k) * np.maximum(1 - trials.sum(-1) / (trials**2).sum(-1), 0)
    return 1 + SPARED * (1 - 2 * share) * together * np.exp(-k / SPARED_SESSIONS)


def beta_binomial(events: np.ndarray, trials: np.ndarray) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Log likelihood of each of `CORRELATIONS` at shares of some cells, less what no correlation changes.

    Every cell has events and trials without one. The returned function takes shares, shape (n_some,), and which cells
    they are of, and returns (n_some, n_strengths).
    """
    strengths, n = 1 / CORRELATIONS[1:, None] - 1, len(events)
    counts = np.concatenate([events, trials - events, trials])  # all three in one table: one look-up a step
    counts = Ragged.of(counts, used=counts > 0)
    fixed = rising(counts, np.repeat(strengths, n, axis=1), np.arange(2 * n, 3 * n))
    found, other = events.sum(-1), (trials - events).sum(-1)

    def likelihood(share: np.ndarray, cells: np.ndarray) -> np.ndarray:
        both = rising(counts, strengths * np.concatenate([share, 1 - share]), np.concatenate([cells, cells + n]))
        drawn = both[:, : cells.size] + both[:, cells.size :]
        alone = found[cells] * np.log(share) + other[cells] * np.log1p(-share)
        return np.concatenate([alone[None, :], drawn - fixed[:, cells]]).T

    return likelihood


def ratio_influence(events, trials, *, session=None) -> np.ndarray:
    """Each session's influence on the ratio of sums, shape (n_sessions,).

    Their sum of squares is the plain session-robust variance. Raises DataError without trials.
    """
    events, trials = by_session(session, events, trials)
    if trials.sum() == 0:
        raise DataError("no denominator: nothing was counted")
    return (events - trials * events.sum() / trials.sum()) / trials.sum()


def intra_session_correlation(events, trials, *, session=None) -> float | None:
    """Analysis-of-variance estimate of the correlation of two units of one session; may be negative.

    None if it cannot be estimated: it needs two sessions, more units than sessions, and both outcomes. Donner 1986,
    Int Stat Rev 54:67; for counts Ridout et al. 1999, Biometrics 55:137 (method 'ANOVA').
    """
    events, trials = by_session(session, events, trials)
    events, trials = events[trials > 0], trials[trials > 0]
    m, total = len(trials), trials.sum()
    if m < 2 or total <= m or events.sum() in (0, total):
        return None
    between = ((events**2 / trials).sum() - events.sum() ** 2 / total) / (m - 1)
    within = (events - events**2 / trials).sum() / (total - m)
    size = (total - (trials**2).sum() / total) / (m - 1)
    return float((between - within) / (between + (size - 1) * within))


def design_effect(correlation: float, mean_size: float, *, size_cv: float = 0.0) -> float:
    """How many times more units are needed because units share sessions: 1 + ((1 + cv^2) m - 1) rho.

    `mean_size`: units a session, `size_cv`: standard deviation of sizes over their mean. Eldridge et al. 2006, Int J
    Epidemiol 35:1292; with equal sizes 1 + (m - 1) rho (Donner & Klar 2000).
    """
    if mean_size <= 0 or size_cv < 0 or not -1 <= correlation <= 1:
        raise ValueError(f"no design effect for correlation {correlation}, mean size {mean_size}, cv {size_cv}")
    return 1 + ((1 + size_cv**2) * mean_size - 1) * correlation
