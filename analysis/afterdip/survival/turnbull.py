"""Survival when a death is only known to lie between two checks: the nonparametric maximum likelihood estimate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError

_GAP = 1e-9  # of the gradient, relative to the pieces: how far the likelihood is from its maximum


@dataclass(frozen=True, slots=True, eq=False)
class IntervalCurve:
    """Survival where deaths lie in intervals (lower, upper].

    `lower`, `upper`: the innermost intervals in which deaths can be placed, shape (n_intervals,); `mass`: probability
    of death in each; `survival`: alive after each. Between the ends of one the curve is not determined. `gap`: largest
    excess of the likelihood's gradient, relative to the pieces, over that of a maximum (0 at the maximum); `converged`
    says whether it is below 1e-9. `log_likelihood` of all `pieces`.
    """

    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    mass: NDArray[np.float64]
    survival: NDArray[np.float64]
    log_likelihood: float
    gap: float
    converged: bool
    pieces: float


def turnbull(lower: ArrayLike, upper: ArrayLike, *, weights: ArrayLike | None = None) -> IntervalCurve:
    """Nonparametric estimate from intervals: Turnbull 1976, JRSS B 38:290.

    `lower`, `upper`: days, shape (n_rows,): a death in (lower, upper], upper = inf for pieces last seen alive at
    `lower`, lower = upper for a death on a known day; `weights`: pieces per row, 1 when left out. The maximum is found
    by constrained Newton steps (Wang 2008, Comput Stat Data Anal 52:2388) and certified by its Kuhn-Tucker conditions:
    every interval's gradient at most the number of pieces. Raises DataError for intervals that are impossible and
    where nothing was followed.
    """
    lower, upper, w = tidy_intervals(lower, upper, weights)
    rows, inverse = np.unique(np.column_stack([lower, upper]), axis=0, return_inverse=True)
    w = np.bincount(inverse.reshape(-1), weights=w)
    inner = innermost(rows[:, 0], rows[:, 1])
    inside = contains(rows, inner)
    mass = _maximise(inside, w)
    likelihood = inside @ mass
    gap = float((inside.T @ (w / likelihood)).max() / w.sum() - 1)
    survival = np.clip(1 - np.cumsum(mass), 0, 1)
    survival[-1] = 0.0
    value = float(w @ np.log(likelihood))
    return IntervalCurve(inner[:, 0], inner[:, 1], mass, survival, value, max(gap, 0.0), gap < _GAP, float(w.sum()))


def survival_bounds(curve: IntervalCurve, day: float) -> tuple[float, float]:
    """Smallest and largest survival at `day` that the estimate allows; equal outside the innermost intervals."""
    surely_dead = float(curve.mass[curve.upper <= day].sum())
    surely_alive = float(curve.mass[curve.lower >= day].sum())
    exact = (curve.lower == day) & (curve.upper == day)
    surely_alive -= float(curve.mass[exact].sum())
    return max(surely_alive, 0.0), min(max(1 - surely_dead, 0.0), 1.0)


def tidy_intervals(
    lower: ArrayLike, upper: ArrayLike, weights: ArrayLike | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Check the rows and give every one a weight, leaving their number as it is."""
    low, high = np.asarray(lower, float), np.asarray(upper, float)
    w = np.ones(low.shape) if weights is None else np.asarray(weights, float)
    if low.ndim != 1 or low.shape != high.shape or low.shape != w.shape:
        raise ValueError("lower, upper and weights must be one-dimensional and of equal length")
    problems = []
    if not (np.isfinite(low).all() and (low >= 0).all() and (high >= low).all() and (high > 0).all()):
        problems.append("each interval needs 0 <= lower <= upper, lower finite and upper above 0")
    if not (np.isfinite(w).all() and (w >= 0).all()):
        problems.append("weights must be finite and 0 or more")
    if problems:
        raise DataError(problems)
    if not w.sum() > 0:
        raise DataError("no pieces were followed: every row is empty")
    return low, high, w


def innermost(lower: NDArray, upper: NDArray) -> NDArray[np.float64]:
    """Return Turnbull's innermost intervals, shape (n_intervals, 2), ascending.

    A lower end followed directly by an upper one, in the order: known day t begins, any interval ends at t (t
    included), an open interval begins after t.
    """
    known = lower == upper
    ends = np.concatenate([lower, upper])
    rank = np.concatenate([np.where(known, 0, 2), np.ones(len(upper), int)])
    order = np.lexsort((rank, ends))
    ends, rank = ends[order], rank[order]
    here = np.flatnonzero((rank[:-1] != 1) & (rank[1:] == 1))
    return np.column_stack([ends[here], ends[here + 1]])


def contains(rows: NDArray, inner: NDArray) -> NDArray[np.float64]:
    """1 where a row's interval holds an innermost interval, else 0; shape (n_rows, n_intervals)."""
    known_row, known = rows[:, 0] == rows[:, 1], inner[:, 0] == inner[:, 1]
    begins_after = rows[:, :1] < inner[:, 0]
    same_start = (rows[:, :1] == inner[:, 0]) & (known_row[:, None] == known)
    return ((begins_after | same_start) & (inner[:, 1] <= rows[:, 1:])).astype(float)


def _maximise(inside: NDArray, w: NDArray) -> NDArray[np.float64]:
    """Maximise sum of w log(inside p) over probabilities p."""
    from scipy.optimize import nnls

    n, p = float(w.sum()), np.full(inside.shape[1], 1 / inside.shape[1])
    root, heavy = np.sqrt(w / n), 1e4
    for _ in range(200):
        now = inside @ p
        gradient = inside.T @ (w / now) / n
        if gradient.max() < 1 + _GAP / 10:
            break
        scaled = inside / now[:, None]
        system = np.vstack([scaled * root[:, None], np.full((1, len(p)), heavy)])
        target, _ = nnls(system, np.append(2 * root, heavy), maxiter=50 * len(p) + 100)
        target /= target.sum()
        p = _line_search(inside, w / n, p, target)
        p = p * (inside.T @ (w / n / (inside @ p)))  # one self-consistency step keeps all likelihoods positive
    return p / p.sum()


def _line_search(inside: NDArray, w: NDArray, p: NDArray, target: NDArray) -> NDArray:
    """Go from p towards the target as far as the likelihood rises."""
    start, step = float(w @ np.log(inside @ p)), 1.0
    while step > 1e-8:
        q = p + step * (target - p)
        likelihood = inside @ q
        if (likelihood > 0).all() and float(w @ np.log(likelihood)) > start:
            return q
        step /= 2
    return p
