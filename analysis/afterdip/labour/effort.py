"""Person-minutes a session takes: the part every session costs and the part each piece adds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterdip.estimate import Estimate, cannot_say

from .rows import (
    MIN_SESSIONS,
    check_sessions,
    least_squares,
    ratio_of_sums,
    recorded,
    scaled,
    session_weights,
    skew_limits,
    too_few,
)


@dataclass(frozen=True, slots=True)
class Effort:
    """What one kind of work takes, in person-minutes; every figure rests on the sessions with labour written down.

    `fixed`: per session, whatever its size; `per_piece`: what each piece adds; `per_session`: the mean session;
    `hours_per_thousand`: hours per 1,000 pieces at the farm's own session sizes. `unrecorded`: sessions without any
    labour row, which are left out and not taken as free.
    """

    fixed: Estimate
    per_piece: Estimate
    per_session: Estimate
    hours_per_thousand: Estimate
    sessions: int
    unrecorded: int


def session_effort(
    minutes: ArrayLike, pieces: ArrayLike, *, weight: ArrayLike | None = None, confidence_level: float = 0.95
) -> Effort:
    """Split person-minutes into a part per session and a part per piece.

    `minutes`: shape (n_sessions,), person-minutes in all, NaN where the session has no labour rows; `pieces`: shape
    (n_sessions,). `weight`: shape (n_sessions,), by default 1 / expected minutes (see `session_weights`); give the
    weights of the total to the tasks it is made of and the tasks' parts add up to the total's exactly.

    Weighted least squares of minutes on 1 and pieces; limits as `least_squares` has them. A fixed part below zero
    is shown, not clipped: it says that the split cannot be told from these sessions. The mean session's limits are t
    on sessions - 1 by `skew_limits`, by the wider of the sessions' standard deviation and that of log-normal minutes
    with the same logs; hours per thousand is a ratio (all minutes / all pieces), see `ratio_of_sums`. Fewer than
    MIN_SESSIONS with labour, or sessions all of one size: no split, with the reason.
    """
    y, n, known = check_sessions(minutes, pieces)
    unrecorded = int((~known).sum())
    w = None if weight is None else np.asarray(weight, dtype=np.float64)[known]
    y, n = y[known], n[known]
    fixed, per_piece = _split(y, n, w, confidence_level)
    mean, ratio = _mean(y, n, confidence_level), hours_per_thousand(y, n, confidence_level=confidence_level)
    return Effort(fixed, per_piece, mean, ratio, len(y), unrecorded)


def task_effort(
    minutes_by_task: Mapping[str, ArrayLike], pieces: ArrayLike, *, confidence_level: float = 0.95
) -> dict[str, Effort]:
    """Split every task into fixed and per piece with common weights, so that the tasks add up to `session_effort`.

    `minutes_by_task`: task -> shape (n_sessions,); a session without any labour rows is NaN in every task, one with
    rows but none of the task is 0 there.
    """
    total = np.sum([np.asarray(v, dtype=np.float64) for v in minutes_by_task.values()], axis=0)
    y, n, known = check_sessions(total, pieces)
    weight = np.ones_like(n)
    if known.any():
        weight[known] = session_weights(y[known], n[known])
    return {
        task: session_effort(values, n, weight=weight, confidence_level=confidence_level)
        for task, values in minutes_by_task.items()
    }


def hours_per_thousand(minutes: ArrayLike, pieces: ArrayLike, *, confidence_level: float = 0.95) -> Estimate:
    """Return hours per 1,000 pieces over sessions with labour: a ratio of sums with limits at session level."""
    y, n, known = check_sessions(minutes, pieces)
    return ratio_of_sums(
        y[known],
        n[known],
        scale=1000 / 60,
        confidence_level=confidence_level,
        method="all minutes over all pieces; sessions as units, t limits",
        pieces=int(n[known].sum()),
    )


def extra_rinse(
    minutes: ArrayLike, pieces: ArrayLike, rinses: ArrayLike, *, confidence_level: float = 0.95
) -> tuple[Estimate, Estimate]:
    """Return what one more rinse takes: person-minutes for a session of mean size, and hours per 1,000 pieces.

    `minutes`: person-minutes of the rinse task alone, NaN where the session has no labour rows; `rinses`: how many
    stages followed, NaN where not recorded. Sessions with neither rinses nor rinse minutes say nothing and are left
    out. Model: minutes = rinses x (fixed + per piece x pieces), weights 1 / (rinses x expected). It takes
    every stage to cost the same.
    """
    y, n, known = check_sessions(minutes, pieces)
    k = recorded(rinses, n, "rinses")
    use = known & (k > 0)
    y, n, k, m = y[use], n[use], k[use], int(use.sum())
    counts = {"sessions": m, "pieces": int(n.sum())}
    reason = _no_split_reason(n) or ("" if y.any() else "no rinse minutes written down")
    if reason:
        none = cannot_say(reason, confidence_level=confidence_level, **counts)
        return none, none
    weight = session_weights(y / k, n) / k
    fit = least_squares(np.column_stack([k, k * n]), y, weight)
    how = {"confidence_level": confidence_level, "method": "per rinse stage, least squares", **counts}
    one = np.array([1.0, n.mean()])
    value, error = float(one @ fit.coefficients), float(np.sqrt(fit.variance(one)))
    each = skew_limits(value, error, fit.freedom(one), **how)
    return each, scaled(each, 1000 / 60 / n.mean())


def _split(y: NDArray, n: NDArray, weight: NDArray | None, level: float) -> tuple[Estimate, Estimate]:
    counts = {"sessions": len(y), "pieces": int(n.sum())}
    if reason := _no_split_reason(n):
        none = cannot_say(reason, confidence_level=level, **counts)
        return none, none
    w = session_weights(y, n) if weight is None else weight
    fit = least_squares(np.column_stack([np.ones_like(n), n]), y, w)
    method = "weighted least squares on pieces, limits for any scatter"
    return (
        fit.combination([1.0, 0.0], confidence_level=level, method=method, **counts),
        fit.combination([0.0, 1.0], confidence_level=level, method=method, **counts),
    )


def _no_split_reason(n: NDArray) -> str:
    if len(n) < MIN_SESSIONS:
        return too_few(len(n))
    if np.ptp(n) == 0:
        return "every session had the same number of pieces"
    return ""


def _mean(y: NDArray, n: NDArray, level: float) -> Estimate:
    m, counts = len(y), {"sessions": len(y), "pieces": int(n.sum())}
    if m < MIN_SESSIONS:
        return cannot_say(too_few(m), confidence_level=level, **counts)
    mean = float(y.mean())
    relative = y.std(ddof=1) / mean if mean > 0 else 0.0
    if (y > 0).all():  # few sessions seldom hold a very long one: the logs know better how long those may be
        relative = max(relative, np.sqrt(np.expm1(np.log(y).var(ddof=1))))
    return skew_limits(mean, mean * relative / np.sqrt(m), m - 1, confidence_level=level, **counts)
