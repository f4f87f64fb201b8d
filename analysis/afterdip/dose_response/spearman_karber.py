"""A middle strength without a curve: Spearman-Karber, trimmed where the ends are not reached, and interpolation."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..estimate import Estimate, cannot_say
from .links import Floats
from .rows import check_counted, counts_of, one_cell

_LARGEST_TRIM = 0.4999


def smooth(share: ArrayLike, weight: ArrayLike) -> Floats:
    """Pool adjacent violators: the closest non-decreasing shares; `share`, `weight` (strengths,), weakest first."""
    blocks: list[list[float]] = []
    for value, w in zip(np.asarray(share, dtype=float), np.asarray(weight, dtype=float), strict=True):
        blocks.append([value, w, 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (v1, w1, c1), (v2, w2, c2) = blocks[-2:]
            blocks[-2:] = [[(v1 * w1 + v2 * w2) / (w1 + w2), w1 + w2, c1 + c2]]
    return np.concatenate([np.full(int(count), value) for value, _, count in blocks])


def spearman_karber(
    strength: ArrayLike, n: ArrayLike, responded: ArrayLike, *, session: ArrayLike | None = None,
    trim: float | None = 0.0, basis: str = "session", counted: str = "pests", confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Return the (trimmed) Spearman-Karber LC50 or EC50: the mean of log10 tolerance, no curve assumed.

    Rows as in fit_curve. Shares are made non-decreasing from the sham up, corrected for the sham (Abbott 1925) and the
    part between `trim` and 1 - `trim` is averaged; `trim=None` takes the least trim the data allow. The variance of
    log10 LC50 divides by n - 1 untrimmed (US EPA 2002, EPA-821-R-02-013, app. J) and by n trimmed (Hamilton, Russo &
    Thurston 1977, ES&T 11:714), the sham's error left out. `basis="session"` multiplies it by the scatter between
    sessions at one strength (never below 1) and takes t limits on those degrees of freedom; `"binomial"` takes z limits
    as published. The EPA programs print 2 standard errors, not 1.96; the one for trimmed means divides by n untrimmed
    too, and has a term with the wrong sign where a single strength lies between the trims. Says why where the shares do
    not reach from `trim` to 1 - `trim`, or no strength was tried twice so that nothing shows the scatter between
    sessions.
    """
    check_counted(counted)
    if basis not in ("session", "binomial"):
        raise ValueError(f"basis must be session or binomial, got {basis!r}")
    if trim is not None and not 0.0 <= trim < 0.5:
        raise ValueError(f"trim must be at least 0 and under 0.5, got {trim!r}")
    baths = one_cell(strength, n, responded, session=session)
    counts = counts_of(*baths[1:], counted)
    x, total, hits = _by_strength(*baths)
    dosed = x > 0
    if dosed.sum() < 2:
        return cannot_say("fewer than two strengths tried", confidence_level=confidence_level, **counts)
    share = smooth(hits / total, total)
    natural = share[0] if x[0] == 0 else 0.0
    if natural >= 1.0:
        return cannot_say("all responded in the sham", confidence_level=confidence_level, **counts)
    share, log, total = np.clip((share[dosed] - natural) / (1.0 - natural), 0.0, 1.0), np.log10(x[dosed]), total[dosed]
    needed = max(share[0], 1.0 - share[-1])
    used = needed if trim is None else trim
    if used > _LARGEST_TRIM or needed > used + 1e-12:
        reached = f"shares run from {share[0]:.3g} to {share[-1]:.3g}"
        why = "half is not bracketed" if used > _LARGEST_TRIM else f"needs a trim of {needed:.3g}"
        return cannot_say(f"{reached}: {why}", confidence_level=confidence_level, **counts)
    mean = _mean_log(share, log, used)
    factor, t, reason = _scatter(*baths, basis, confidence_level)
    variance = _variance(share, log, total, used)
    if variance == 0.0:
        t, reason = None, "responses jump from none to all: somewhere between two strengths tried"
    reach = t * np.sqrt(factor * variance) if t is not None else None
    low, high = (None, None) if reach is None else (float(10.0 ** (mean - reach)), float(10.0 ** (mean + reach)))
    name = "Spearman-Karber" if used == 0 else f"Spearman-Karber trimmed by {used:.3g}"
    return Estimate(
        estimate=float(10.0**mean), low=low, high=high, confidence_level=confidence_level, reason=reason,
        method=f"{name}, {basis} limits", **counts,
    )  # fmt: skip


def _by_strength(x: Floats, n: Floats, hits: Floats) -> tuple[Floats, Floats, Floats]:
    values, code = np.unique(x, return_inverse=True)
    return values, np.bincount(code.ravel(), weights=n), np.bincount(code.ravel(), weights=hits)


def _mean_log(share: Floats, log: Floats, trim: float) -> float:
    """Return the mean of log strength under the polygon of `share` between trim and 1 - trim."""
    cut = np.clip((share - trim) / (1.0 - 2.0 * trim), 0.0, 1.0)
    if trim > 0.0:  # the polygon meets the trim between two strengths
        bounds = [trim, 1.0 - trim]
        inside = (share > trim) & (share < 1.0 - trim)
        ends = np.array([_crossing(share, log, level, last=level == trim) for level in bounds])
        log = np.concatenate([ends[:1], log[inside], ends[1:]])
        cut = np.concatenate([[0.0], cut[inside], [1.0]])
    return float(np.sum(np.diff(cut) * 0.5 * (log[:-1] + log[1:])))


def _crossing(share: Floats, log: Floats, level: float, *, last: bool) -> float:
    """Return where the polygon crosses a level: the last point at it for the lower trim, the first for the upper."""
    at = np.flatnonzero(np.isclose(share, level, rtol=0.0, atol=1e-12))
    if at.size:
        return float(log[at[-1] if last else at[0]])
    i = int(np.searchsorted(share, level))
    part = (level - share[i - 1]) / (share[i] - share[i - 1])
    return float(log[i - 1] + part * (log[i] - log[i - 1]))


def _variance(share: Floats, log: Floats, total: Floats, trim: float) -> float:
    """Return the variance of the mean log by the delta method: sum of (dmean / dshare)^2 p (1 - p) / divisor.

    Of each stretch between neighbours the part from u to v of its rise lies between trim and 1 - trim. A stretch that
    is level at the trim lies outside, as it does for the mean.
    """
    low, high, edge = share[:-1], share[1:], 1e-12
    inside = (high > trim + edge) & (low < 1.0 - trim - edge)
    rise = np.where(high > low, high - low, 1.0)
    u = np.clip((trim - low) / rise, 0.0, 1.0)
    v = np.where(high > low, np.clip((1.0 - trim - low) / rise, 0.0, 1.0), 1.0)
    half = np.where(inside, 0.5 * np.diff(log), 0.0)
    slopes = np.append(half * ((1.0 - v) ** 2 - (1.0 - u) ** 2), 0.0) - np.append(0.0, half * (v**2 - u**2))
    divisor = np.maximum(total - 1.0, 1.0) if trim == 0.0 else total
    return float(np.sum((slopes / (1.0 - 2.0 * trim)) ** 2 * share * (1.0 - share) / divisor))


def _scatter(x: Floats, n: Floats, hits: Floats, basis: str, level: float) -> tuple[float, float | None, str]:
    """Return the scatter factor between sessions of one strength, the quantile and, where there is none, the reason."""
    from scipy.special import ndtri, stdtrit

    upper = 0.5 * (1.0 + level)
    if basis == "binomial":
        return 1.0, float(ndtri(upper)), ""
    _, code = np.unique(x, return_inverse=True)
    pooled = np.bincount(code.ravel(), weights=hits) / np.bincount(code.ravel(), weights=n)
    p = pooled[code.ravel()]
    open_ = (p > 0.0) & (p < 1.0)
    groups = np.unique(code.ravel()[open_]).size
    df = int(open_.sum()) - groups
    if df < 1:
        return 1.0, None, "no strength was tried in two sessions: the scatter between sessions does not show"
    chi = float(np.sum((hits - n * p)[open_] ** 2 / (n * p * (1.0 - p))[open_]))
    return max(1.0, chi / df), float(stdtrit(df, upper)), ""


def interpolate_log(
    strength: ArrayLike, n: ArrayLike, responded: ArrayLike, *, level: float = 50.0, session: ArrayLike | None = None,
    counted: str = "pests", confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Return the strength at `level` per cent by a straight line between neighbours on log10 strength; no limits.

    The graphical method (USACE/EPA Inland Testing Manual 1998, app. L): the last resort, and it says so. Shares are
    made non-decreasing first; not corrected for a sham.
    """
    check_counted(counted)
    strength, n, responded = one_cell(strength, n, responded, session=session)
    dosed = strength > 0
    counts = counts_of(n, responded, counted)
    if not dosed.any():
        return cannot_say("no session with the agent", confidence_level=confidence_level, **counts)
    x, total, hits = _by_strength(strength[dosed], n[dosed], responded[dosed])
    share, target = smooth(hits / total, total), level / 100.0
    if not share[0] <= target <= share[-1] or x.size < 2:
        reason = f"{level:g} % is not bracketed by the strengths tried"
        return cannot_say(reason, confidence_level=confidence_level, **counts)
    at = np.flatnonzero(np.isclose(share, target, rtol=0.0, atol=1e-12))
    log = np.log10(x)
    middle = float(log[at].mean()) if at.size else _crossing(share, log, target, last=True)
    return Estimate(
        estimate=10.0**middle, confidence_level=confidence_level, method="log-linear interpolation",
        reason="read off between two strengths: no limits", **counts,
    )  # fmt: skip
