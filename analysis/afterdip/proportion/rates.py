"""Counts per piece and after/before ratios with session-level limits that bound a zero.

Counts of a session are negative binomial (`counts`); how much sessions differ is not known, and the sessions themselves
weigh the possible spreads (`averaged`). Log-ratio limits with t held 86-95 % and have none at zero; the session
bootstrap held 38-95 %; Poisson limits at a measured design effect, never below that of spread 2 where few sessions
showed anything, held 92-100 % and were up to twice as wide: `calibrate/removal.py`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import gammaincinv

from ..estimate import Estimate, cannot_say
from .averaged import WEIGHED_AT
from .counts import NO_SPREAD, Spreads, count_limits, log_likelihood
from .ragged import stacked
from .sessions import ASSUMED_CORRELATION, MIN_SESSIONS, WEIGHED_IN_DIFFERENCE, by_session, share_limits

SPREADS = np.array([NO_SPREAD, 0.1, 0.25, 0.5, 1.0, 2.0, 3.0, 6.0])
"""Squared coefficients of variation between sessions of pests per piece that the limits reckon with."""
SPREAD_WEIGHTS = np.array([0.1, 0.1, 0.25, 0.5, 1.0, 2.0, 0.2, 0.01])
"""How the spreads weigh before looking: pests are clumped until many sessions say otherwise."""
CLUMPS = np.array([NO_SPREAD, 0.5, 1.0, 2.0, 4.0])
"""The same between infested pieces of one session, of the pests beyond the first; of one weight."""
CLUMPED, CLUMPED_WEIGHTS = SPREADS[1::2], SPREAD_WEIGHTS[1::2]
"""The spreads, and their weights, of the pests that there were where survivors are counted."""
SPEAKS_FOR = 0.3
"""How far sessions of another arm, as infested before, speak for these: the power of their likelihood.

At 1 limits held 90 % where the other arm was less clumped after all, at 0.3 93 % (`calibrate/removal.py`).
"""
ALIKE = np.array([0.0, 0.05, 0.15, 0.3, 0.6])
"""Correlations of the survivors of a session that the limits of counts of them reckon with."""
ALIKE_WEIGHTS = np.array([6.0, 1.0, 1.0, 2.0, 0.1])
"""How these weigh where survivors are set against the pieces they are on, and `AGAIN_WEIGHTS` where against a count."""
AGAIN_WEIGHTS = np.array([8.0, 1.0, 2.0, 2.0, 0.02])
RAGGED = (0.25, 0.5, 1.0, 2.0)
"""Variance over mean of what is left where sessions do not differ: below 1 if mostly the same pests are seen again."""
_UNLIKELY = 1e-9  # no spread is ruled out, lest no weight be left
_ASSUMED_SPREAD = 2.0  # where no pest was seen to tell


def session_mean(
    counts, pieces, *, session=None, before: float = 0.0, confidence_level: float = 0.95,
    min_sessions: int = MIN_SESSIONS,
) -> Estimate:
    """Mean count per piece, with limits by `mean_limits`; arguments as `session_proportion`, counts without a ceiling.

    No count at all gives a bound. No pieces or too few sessions is "cannot say".
    """
    options = {"before": [before], "confidence_level": confidence_level, "min_sessions": min_sessions}
    return session_means([(counts, pieces, session)], **options)[0]


def session_means(
    counts: Sequence[tuple], *, before: Sequence[float] | None = None, clumping: Sequence[np.ndarray] | None = None,
    confidence_level: float = 0.95, min_sessions: int = MIN_SESSIONS,
) -> list[Estimate]:
    """What `session_mean` gives for each of `counts`, (counts, pieces, session labels or None), in one search.

    `before`, `clumping`: see `mean_limits`, one of each for each of `counts`.
    """
    before = np.zeros(len(counts)) if before is None else np.asarray(before, float)
    clumping = np.zeros((len(counts), len(CLUMPED))) if clumping is None else np.reshape(clumping, (-1, len(CLUMPED)))
    words = "mean per piece (ratio of sums)"
    return _estimates(mean_limits, counts, min_sessions, words, before, clumping, confidence_level=confidence_level)


def session_ratio(
    after, before, *, session=None, confidence_level: float = 0.95, min_sessions: int = MIN_SESSIONS
) -> Estimate:
    """What is left of what was there, sum(after)/sum(before) on the same pieces; may exceed 1.

    Limits by `ratio_limits`; arguments and "cannot say" as `session_mean`.
    """
    options = {"confidence_level": confidence_level, "min_sessions": min_sessions}
    return session_ratios([(after, before, session)], **options)[0]


def session_ratios(
    counts: Sequence[tuple], *, confidence_level: float = 0.95, min_sessions: int = MIN_SESSIONS,
    in_ratio: bool = False,
) -> list[Estimate]:
    """What `session_ratio` gives for each of `counts`, (after, before, session labels or None), in one search.

    `in_ratio`: limits to be joined with another arm's.
    """
    options = {"confidence_level": confidence_level, "in_ratio": in_ratio}
    return _estimates(ratio_limits, counts, min_sessions, "ratio of sums", **options)


def session_intensity(
    pests, infested, *, session=None, confidence_level: float = 0.95, min_sessions: int = MIN_SESSIONS
) -> Estimate:
    """Pests per infested piece, limits by `intensity_limits`; arguments and "cannot say" as `session_mean`."""
    options = {"confidence_level": confidence_level, "min_sessions": min_sessions}
    return session_intensities([(pests, infested, session)], **options)[0]


def session_intensities(
    counts: Sequence[tuple], *, confidence_level: float = 0.95, min_sessions: int = MIN_SESSIONS
) -> list[Estimate]:
    """What `session_intensity` gives for each of `counts`, (pests, infested, session labels or None), in one search."""
    words = "mean per infested piece (ratio of sums)"
    return _estimates(intensity_limits, counts, min_sessions, words, confidence_level=confidence_level)


def clumping_seen(counts, pieces) -> np.ndarray:
    """Log likelihood of each of `CLUMPED` at the sessions' own mean, shape (..., n_spreads).

    For arrays of shape (..., n_sessions), sessions without pieces not counted.
    """
    counts, pieces = np.asarray(counts, float), np.asarray(pieces, float)
    mean = counts.sum(-1, keepdims=True) / np.maximum(pieces.sum(-1, keepdims=True), 1e-300)
    rows = (x.ravel() for x in np.broadcast_arrays(counts, pieces, mean))
    seen = log_likelihood(*rows, CLUMPED[:, None], 1.0).reshape(len(CLUMPED), *counts.shape)
    return np.moveaxis(seen.sum(-1), 0, -1)


def mean_limits(
    counts, pieces, before=0.0, clumping=0.0, *, confidence_level: float = 0.95
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean, lower and upper limit for arrays of shape (..., n_sessions).

    Sessions' means spread by one of `SPREADS`. No counts: the negative binomial bound with a spread of 2. `before`,
    shape (...): pests a piece that the counts are what is left of, if that is known; survival then spreads too, as
    `ALIKE` of the survivors of a session have it, and the bound is no less than `ratio_limits` would have it.
    `clumping`, shape (..., n_spreads): what `clumping_seen` says of sessions as infested as these were before, in part
    (`SPEAKS_FOR`); few survivors say little of how clumped the pests were. Their lower limit takes over the misses that
    the upper one cannot have (`counts.TAKEN_OVER`); done for all pests six clumped sessions came to 93 %.
    """
    counts, pieces = np.asarray(counts, float), np.asarray(pieces, float)
    total, found, tail = pieces.sum(-1), counts.sum(-1), (1 - confidence_level) / 2
    before = np.broadcast_to(np.asarray(before, float), total.shape)
    survivors = 1 + np.maximum((pieces**2).sum(-1) / total * before - 1, 0) * ASSUMED_CORRELATION
    few = gammaincinv(1.0, 1 - tail) * survivors / total
    low, high = np.zeros(total.shape), np.array(np.maximum(_none_bound(pieces, tail), few))
    none = np.where(before > 0, high, 0.0)
    clumping = SPEAKS_FOR * np.broadcast_to(clumping, (*total.shape, len(CLUMPED)))
    for part, law in (((found > 0) & (before <= 0), _spreads), ((found > 0) & (before > 0), _spreads_of_what_is_left)):
        if part.any():
            spreads, weights, seen_as = law(before[part], clumping[part])
            low[part], high[part] = count_limits(
                counts[part], pieces[part], spreads, weights, tail, seen_as=seen_as, none=none[part]
            )
    return found / total, low, high


def _spreads(_before: np.ndarray, _clumping: np.ndarray) -> tuple[Spreads, np.ndarray, None]:
    """The spreads of pests on pieces, whatever their mean, and their weights."""
    return lambda *_: SPREADS[:, None], SPREAD_WEIGHTS, None


def _spreads_of_what_is_left(before: np.ndarray, clumping: np.ndarray) -> tuple[Spreads, np.ndarray, Spreads]:
    """Spreads, and their weights, of a mean of which `before` was there: pests differ between sessions, and survival.

    The survival of a session varies by the correlation of its survivors times the odds of being gone. What varies by
    both has a shorter tail than a negative binomial as variable: fitted to many simulated sessions, that makes of the
    product of the two 2/(2 + c) where the pests vary by c. Not allowed for, sixty such sessions hold 92 %.
    """
    pests = CLUMPED[:, None, None]

    def spreads(mean: np.ndarray, cells: np.ndarray, _exposure: np.ndarray, part: np.ndarray | float = 1) -> np.ndarray:
        survival = np.maximum(before[cells] / mean - 1, 0.0) * ALIKE[:, None]
        return (pests + survival + part * pests * survival).reshape(-1, mean.size)

    def seen_as(*sessions: np.ndarray) -> np.ndarray:
        return spreads(*sessions, part=2 / (2 + pests))

    likely = CLUMPED_WEIGHTS * np.maximum(np.exp(clumping - clumping.max(-1, keepdims=True)), _UNLIKELY)
    return spreads, (likely[:, :, None] * ALIKE_WEIGHTS).reshape(len(likely), -1), seen_as


def ratio_limits(
    after, before, *, confidence_level: float = 0.95, in_ratio: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ratio, lower and upper limit for arrays of shape (..., n_sessions).

    Where no session had more after than before, what is left is a share of what was there and has `share_limits`. Else
    both were counts: the later one is `RAGGED` about its mean, and sessions differ as `ALIKE` of the survivors
    of a session would have it, a quarter at least having gone or come. Nothing left: the Poisson bound at the assumed
    correlation. `in_ratio`: limits to be joined with another arm's.
    """
    after, before = np.asarray(after, float), np.asarray(before, float)
    total, tail = before.sum(-1), (1 - confidence_level) / 2
    ratio = after.sum(-1) / total
    assumed = 1 + np.maximum((before**2).sum(-1) / total - 1, 0) * ASSUMED_CORRELATION
    low, high = np.zeros(total.shape), np.array(gammaincinv(1.0, 1 - tail) * assumed / total)
    thinned = (after <= before * (1 + 1e-12)).all(-1) & (ratio > 0) & (ratio < 1)
    if thinned.any():
        options = {"confidence_level": confidence_level, "in_difference": in_ratio}
        limits = share_limits(after[thinned], before[thinned], **options)
        low[thinned], high[thinned] = limits[1:]
    if (grown := (ratio > 0) & ~thinned).any():
        changed = np.maximum(np.abs(1 - ratio[grown]), 0.25) / ratio[grown]
        spreads = np.maximum(changed * ALIKE[:, None], NO_SPREAD)
        law = (lambda _mean, cells, _exposure: spreads[:, cells], AGAIN_WEIGHTS)
        at = WEIGHED_IN_DIFFERENCE if in_ratio else WEIGHED_AT
        low[grown], high[grown] = count_limits(after[grown], before[grown], *law, tail, scales=RAGGED, weighed_at=at)
    return ratio, low, high


def intensity_limits(pests, infested, *, confidence_level: float = 0.95) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pests per infested piece, lower and upper limit for arrays of shape (..., n_sessions).

    An infested piece has one pest; those beyond it are counted, clumped on pieces (`CLUMPS`) and perhaps between
    sessions, so no limit is below 1. No piece with a second pest: the bound of `mean_limits`. Where a session has fewer
    pests than infested pieces (some were infested by dead ones), all pests are counted, and limits may be below 1.
    """
    pests, infested = np.asarray(pests, float), np.asarray(infested, float)
    tail, least = (1 - confidence_level) / 2, (pests >= infested).all(-1).astype(float)
    further = pests - infested * least[..., None]
    low, high = np.zeros(least.shape), np.array(_none_bound(infested, tail))
    if (some := further.sum(-1) > 0).any():
        law = (_spreads_on_pieces, np.ones(2 * len(CLUMPS)))
        low[some], high[some] = count_limits(further[some], infested[some], *law, tail)
    return pests.sum(-1) / infested.sum(-1), least + low, least + high


def _spreads_on_pieces(_mean: np.ndarray, _cells: np.ndarray, infested: np.ndarray) -> np.ndarray:
    """Clumps on each infested piece weigh less the more pieces a session has; sessions may differ besides."""
    on_pieces = CLUMPS[:, None] / np.maximum(infested, 1.0)
    return np.concatenate([on_pieces, on_pieces + 0.5])


def _none_bound(pieces: np.ndarray, tail: float) -> np.ndarray:
    """Largest mean per piece at which no count at all keeps a chance of `tail`, sessions varying as gamma frailties.

    Solves sum(log(1 + c mu n))/c = -log(tail) by Newton's method from the Poisson bound below, which converges upwards
    because the left side is concave.
    """
    target = -np.log(tail)
    mean = np.asarray(target / pieces.sum(-1))
    for _ in range(60):  # a safeguard: about six are used
        grown = 1 + _ASSUMED_SPREAD * mean[..., None] * pieces
        step = (target - np.log(grown).sum(-1) / _ASSUMED_SPREAD) / (pieces / grown).sum(-1)
        mean = mean + step
        if np.all(np.abs(step) <= 1e-13 * mean):
            break
    return mean


def _estimates(
    limits, counts, min_sessions: int, words: str, *each: np.ndarray, confidence_level: float, **options: bool
) -> list[Estimate]:
    """Sum to sessions, refuse too few, and dress the limits as Estimates; `each`: one value for each of `counts`.

    `options` of the limits besides their level.
    """
    summed = [by_session(session, top, bottom) for top, bottom, session in counts]
    used = [(top[bottom + top > 0], bottom[bottom + top > 0]) for top, bottom in summed]
    some = [bottom.any() for _, bottom in used]
    enough = np.flatnonzero([any_ and len(top) >= min_sessions for any_, (top, _) in zip(some, used, strict=True)])
    top, bottom = (stacked([used[i][k] for i in enough]) for k in (0, 1))
    options = options | {"confidence_level": confidence_level}
    found = zip(*limits(top, bottom, *(x[enough] for x in each), **options), strict=True)

    def estimate(any_: bool, n: int) -> Estimate:
        if not any_:
            return cannot_say("no denominator: none to begin with", confidence_level=confidence_level, sessions=0)
        if n < min_sessions:
            reason = f"too few sessions: {n}, needs {min_sessions}"
            return cannot_say(reason, confidence_level=confidence_level, sessions=n)
        value, low, high = map(float, next(found))
        return Estimate(
            estimate=value, low=low, high=high, confidence_level=confidence_level, sessions=n,
            method=f"{words}, limits at session level",
        )  # fmt: skip

    return [estimate(any_, len(top)) for any_, (top, _) in zip(some, used, strict=True)]
