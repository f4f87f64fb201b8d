"""Since when the work has taken more, or less: one lasting jump of the minutes, looked for session by session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterdip.estimate import Estimate, cannot_say

from .drift import MIN_MONTHS_FOR_LEARNING
from .months import structure_of
from .rows import MIN_SESSIONS, check_sessions, months_in_words, t_quantile

CLEAR = 12.0
"""Gain in twice the log-likelihood of a jump over a level without, months wandering or not; measured (labour_jumps)."""
CLEARER_THAN_SLOW = 6.0
"""The same over a change of another kind: a steady one, learning, a yearly swing."""
MONTHS_BESIDE = 2  # before the jump and from it on
BETWEEN = (0.0, 0.01, 0.03, 0.1, 0.3)  # variance of months' own ups and downs over that of sessions within them
WANDER = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3)  # and of a month's lasting change
EXACT = 1e-9  # variance of log minutes below which sessions are all alike, and rounding is not taken for a jump
SLOW = ([1], [2], [3, 4])  # columns of _Sums.seen: in time, in the log of numbers, the two of a yearly swing
DAY_REACH = 7.35
"""Days whose fit is worse by no more may be the jump's: twice the log of 1 / (1 - sqrt(0.95)), as if the best day after
the true one and the best before it each gained an exponential amount by chance."""


@dataclass(frozen=True, slots=True, eq=False)
class LastingJump:
    """What a session takes since the jump over what it took before (`ratio`), like pieces and kinds with like.

    `day`, `first_day`, `last_day`: the first day with the new minutes, and the earliest and latest it may have been;
    None where `ratio` cannot be said, which is so too where no jump is clear.
    """

    ratio: Estimate
    day: int | None = None
    first_day: int | None = None
    last_day: int | None = None


def lasting_jump(
    minutes: ArrayLike, pieces: ArrayLike, kind: ArrayLike, day: ArrayLike, month: ArrayLike, *,
    confidence_level: float = 0.95,
) -> LastingJump:  # fmt: skip
    """Return the jump for good that the sessions speak clearly for, or why none is named.

    All of shape (n_sessions,): person-minutes, NaN where none are written down; pieces; what sessions of one `kind`
    (an agent) share is no jump; whole numbers of the day and of the month of each. Model: log of (minutes / what so
    many pieces take) = kind + jump from a day on + the month's own level + scatter, the months' levels apart by chance
    (BETWEEN) and wandering (WANDER), both as likely as can be. A jump is named where it fits better by CLEAR than none,
    and by CLEARER_THAN_SLOW than a line in time, a line in the log of the sessions' numbers and a yearly swing. So at
    most 5 % of farms where nothing lasting changes are told of one; of those whose pace wanders up to one in five
    (`calibrate/labour_jump.py`, which has what the limits hold too).

    Limits of the ratio: every value of which some day and some variances of the months are not refuted, by t on months
    less three (level, jump, day). Needs MIN_SESSIONS sessions and MONTHS_BESIDE months on either side, and
    MIN_MONTHS_FOR_LEARNING months. Raises DataError for counts that are none.
    """
    y, n, known = check_sessions(minutes, pieces)
    known &= np.nan_to_num(y) > 0
    days, months = (np.asarray(x, dtype=np.int64)[known] for x in (day, month))
    how = {"confidence_level": confidence_level, "sessions": int(known.sum()), "pieces": int(n[known].sum())}
    used = np.unique(months).size
    if used < MIN_MONTHS_FOR_LEARNING:
        why = f"{months_in_words(used)} with labour written down, needs {MIN_MONTHS_FOR_LEARNING}"
        return LastingJump(cannot_say(why, **how))
    rows = _Rows.of(y[known], n[known], np.asarray(kind)[known], days, months)
    if not rows.places.size:
        return LastingJump(cannot_say("too few sessions on either side of any day", **how))
    fits = rows.fits()
    none, *slow = (min(fit.others[i] for fit in fits) for i in range(4))
    best = min(float(fit.score.min()) for fit in fits)
    if none - best < CLEAR or min(slow) - best < CLEARER_THAN_SLOW:
        return LastingJump(cannot_say("no day stands out", **how))
    return rows.told(fits, best, how)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """At one pair of variances: the score of no change and of three slow ones, and of a jump on each day, its size."""

    others: tuple[float, ...]
    score: NDArray[np.float64]
    size: NDArray[np.float64]
    error: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Columns that are multiplied with one another: of the sessions, or of their months' sums over root numbers.

    `base`: shape (n, k); `seen`: log ratios and slow changes, (n, 5); `jumps`: (n, n_days), 0 or 1 of the sessions.
    """

    base: NDArray[np.float64]
    seen: NDArray[np.float64]
    jumps: NDArray[np.float64]

    @property
    def y(self) -> NDArray[np.float64]:
        """The log ratios."""
        return self.seen[:, 0]

    def turned(self, turn: NDArray) -> _Sums:
        """Return them along other axes, the columns of `turn`."""
        return _Sums(turn.T @ self.base, turn.T @ self.seen, turn.T @ self.jumps)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Sessions in order of their days: log ratios `y`, `base` columns (n, k), `slow` and `jumps` columns, months."""

    y: NDArray[np.float64]
    base: NDArray[np.float64]
    slow: NDArray[np.float64]
    jumps: NDArray[np.float64]
    places: NDArray[np.int64]
    month: NDArray[np.int64]

    @classmethod
    def of(cls, minutes: NDArray, pieces: NDArray, kind: NDArray, day: NDArray, month: NDArray) -> _Rows:
        """Sort the sessions and set up what they are regressed on."""
        order = np.argsort(day, kind="stable")
        minutes, pieces, kind, day, month = (x[order] for x in (minutes, pieces, kind, day, month))
        (fixed, each), _ = structure_of(minutes, pieces)
        kinds = np.unique(kind)
        number, turn = np.arange(len(day)), 2 * np.pi * day / 365.25
        slow = np.column_stack([day - day.mean(), np.log1p(number), np.sin(turn), np.cos(turn)])
        places, first = np.unique(day, return_index=True)
        count = np.unique(month, return_inverse=True)[1]
        before, after = count[first - 1] + 1, count[-1] + 1 - count[first]
        apart = (np.minimum(first, len(day) - first) >= MIN_SESSIONS) & (np.minimum(before, after) >= MONTHS_BESIDE)
        places = places[apart]
        return cls(
            np.log(minutes / (fixed + each * pieces)),
            np.column_stack([np.ones(len(day)), kind[:, None] == kinds[1:]]),
            slow, (day[:, None] >= places).astype(np.float64), places, month,
        )  # fmt: skip

    def fits(self) -> list[_Fit]:
        """Fit every change at every pair of variances, from sums over all sessions and over each month's."""
        names, place = np.unique(self.month, return_inverse=True)
        root = np.sqrt(np.bincount(place))
        share = (place[:, None] == np.arange(len(names))) / root
        walk = np.minimum(names[:, None], names[None, :]) - names[0] + 1.0
        seen = np.column_stack([self.y, self.slow])
        sums = _Sums(self.base, seen, self.jumps), _Sums(*(share.T @ x for x in (self.base, seen, self.jumps)))
        out = []
        for between in BETWEEN:
            for wander in WANDER:
                spread, turn = np.linalg.eigh(root[:, None] * (between * np.eye(len(names)) + wander * walk) * root)
                spread = np.maximum(spread, 0)
                out.append(self._fit(sums[0], sums[1].turned(turn), 1 / (1 + spread) - 1, np.log1p(spread).sum()))
        return out

    def _fit(self, whole: _Sums, months: _Sums, factor: NDArray, volume: float) -> _Fit:
        """Fit at one inverse of the covariance: unity, and `factor` on what the turned months are short of it."""
        n, k = self.base.shape
        base, seen, jumps = months.base, months.seen, months.jumps
        weighed = factor[:, None]
        half = np.linalg.inv(np.linalg.cholesky(whole.base.T @ whole.base + base.T @ (weighed * base)))
        seen_half = half @ (whole.base.T @ whole.seen + base.T @ (weighed * seen))
        jump_half = half @ (whole.base.T @ whole.jumps + base.T @ (weighed * jumps))
        left = whole.seen.T @ whole.seen + seen.T @ (weighed * seen) - seen_half.T @ seen_half
        along = whole.y @ whole.jumps + (factor * months.y) @ jumps - seen_half[:, 0] @ jump_half
        length = whole.jumps.sum(axis=0) + factor @ np.square(jumps) - np.square(jump_half).sum(axis=0)

        def score(squares: NDArray) -> NDArray:
            return n * np.log(np.maximum(squares / n, EXACT)) + volume

        slow = [score(left[0, 0] - left[0, x] @ np.linalg.lstsq(left[np.ix_(x, x)], left[x, 0])[0]) for x in SLOW]
        told = length > 1e-6 * n  # else the kinds of sessions changed on that very day
        length = np.where(told, length, 1.0)
        size = np.where(told, along / length, 0.0)
        rest = np.maximum(left[0, 0] - size**2 * length, n * EXACT)
        return _Fit((score(left[0, 0]), *slow), score(rest), size, np.sqrt(rest / (n - k - 1) / length))

    def told(self, fits: list[_Fit], best: float, how: dict) -> LastingJump:
        """Return the jump of the best fit with all sizes and days that the sessions do not refute."""
        n, freedom = len(self.y), len(self.y) - self.base.shape[1] - 1
        worse, size, error = (np.array([getattr(f, name) for f in fits]) for name in ("score", "size", "error"))
        worse = worse - best
        quantile = t_quantile(how["confidence_level"], max(np.unique(self.month).size - 3, 1))
        reach = n * np.log1p(quantile**2 / freedom)
        wide = error * np.sqrt(np.maximum(np.expm1((reach - worse) / n), 0) * freedom)
        held, days = worse <= reach, self.places[(worse <= DAY_REACH).any(axis=0)]
        row, place = np.unravel_index(worse.argmin(), worse.shape)
        low, middle, high = np.exp([(size - wide)[held].min(), size[row, place], (size + wide)[held].max()]).tolist()
        method = "sessions with months' own levels; all jumps not refuted, t on months less three"
        ratio = Estimate(estimate=middle, low=low, high=high, method=method, **how)
        return LastingJump(ratio, int(self.places[place]), int(days[0]), int(days[-1]))
