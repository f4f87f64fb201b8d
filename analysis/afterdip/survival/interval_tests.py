"""Log-rank tests for deaths that lie between two checks, dealt anew to pieces or to whole sessions."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from .rows import label_codes
from .session_tests import PermutationTest, permute
from .turnbull import IntervalCurve, tidy_intervals, turnbull


def interval_logrank(
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    group: ArrayLike,
    weights: ArrayLike | None = None,
    session: ArrayLike | None = None,
    scores: str = "sun",
    rng: np.random.Generator | None = None,
    draws: int = 9999,
) -> PermutationTest:
    """Score test of two groups from intervals (lower, upper], by permutation.

    Arrays of shape (n_rows,), intervals as for `turnbull`. `scores`: "sun" (logrank1: Sun 1996, Stat Med 15:1387) or
    "finkelstein" (logrank2: Finkelstein 1986, Biometrics 42:845), computed as in Fay & Shaw 2010, J Stat Softw 36(2).
    `score` and `z` are of the first group met; positive: it dies earlier than under no effect. Without `session` every
    piece is dealt anew (the published test); with it whole sessions are, which holds when pieces share a bath: exact
    where sessions were dealt to groups at random. Raises DataError unless there are two groups that differ, and where
    a session holds both.
    """
    if scores not in ("sun", "finkelstein"):
        raise ValueError(f"scores must be 'sun' or 'finkelstein', got {scores!r}")
    low, high, w = tidy_intervals(lower, upper, weights)
    groups, code = label_codes(group)
    if len(code) != len(low):
        raise ValueError("group must have as many rows as lower")
    if len(groups) != 2:
        raise DataError(f"an interval log-rank test needs two groups, got {len(groups)}")
    values = interval_scores(turnbull(low, high, weights=w), low, high, scores=scores)
    if session is None:
        if (w != np.round(w)).any():
            raise DataError("dealing pieces anew needs whole numbers of pieces")
        times = w.astype(np.intp)
        return permute(np.repeat(values, times), np.repeat(code == 0, times), group=groups[0], rng=rng, draws=draws)
    names, which = label_codes(session)
    if len(which) != len(low):
        raise ValueError("session must have as many rows as lower")
    total = np.bincount(which, weights=values * w, minlength=len(names))
    in_first = np.bincount(which, weights=w * (code == 0), minlength=len(names))
    size = np.bincount(which, weights=w, minlength=len(names))
    if ((in_first > 0) & (in_first < size)).any():
        raise DataError("a session holds pieces of both groups; arms cannot be dealt to sessions")
    kept = size > 0
    return permute(total[kept], in_first[kept] > 0, group=groups[0], rng=rng, draws=draws)


def interval_scores(curve: IntervalCurve, lower: ArrayLike, upper: ArrayLike, *, scores: str) -> NDArray[np.float64]:
    """Score of each row, shape (n_rows,): [S(l) log s(l) - S(u) log s(u)] / [S(l) - S(u)].

    s is S for Finkelstein's scores, and exp(-sum of mass / at risk) for Sun's; 0 log 0 is 0. S(l) counts an exactly
    known day as not yet over.
    """
    low, high = np.asarray(lower, float), np.asarray(upper, float)
    before = np.append(1.0, curve.survival[:-1])
    mass = before - curve.survival
    if scores == "sun":
        log_s = -np.append(0.0, np.cumsum(np.divide(mass, before, out=np.zeros_like(mass), where=before > 0)))
    else:
        after = np.append(1.0, curve.survival)
        log_s = np.log(np.where(after > 0, after, 1.0))
    s = np.append(1.0, curve.survival)
    first = _intervals_ended(curve, low, known=low == high)
    last = np.searchsorted(curve.upper, high, side="right")
    part = s * log_s
    return (part[first] - part[last]) / (s[first] - s[last])


def _intervals_ended(curve: IntervalCurve, low: NDArray, *, known: NDArray) -> NDArray[np.intp]:
    """How many innermost intervals lie wholly before each row's interval begins."""
    ended = np.searchsorted(curve.upper, low, side="right")
    return np.where(known, np.searchsorted(curve.upper, low, side="left"), ended)
