"""Limits of a share at a strength from the likelihood itself, scaled to the scatter between sessions.

Where nearly none or nearly all respond, limits drawn symmetrically about the predictor run wild: a loss of 0.3 % may
get an upper limit of 20 % from a slope that is hardly known, although hundreds of pieces came through at that strength.
The likelihood-ratio limits ask instead which shares at that strength the data rule out, whatever the slope.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from ..proportion import ASSUMED_CORRELATION
from .crossing import crossing
from .fit import DesignFit
from .levels import standard_errors
from .likelihood import Ints, Rows, joined, state_at
from .links import LINKS, Floats
from .scoring import maximise

_ENOUGH = 8.0  # effective sessions showing the rarer outcome from which the measured scatter is believed
_FARTHEST = {"logit": 16.0, "probit": 5.4, "cloglog": 16.0}  # predictor of a share of 1e-7, the end of the search


class Asked(NamedTuple):
    """One fitted cell, the sessions it was fitted to, the points (k, points) whose shares are asked for, which limits.

    `sides`: -1 for the lower limits, 1 for the upper ones; a side not asked for is NaN.
    """

    fit: DesignFit
    rows: Rows
    points: Floats
    sides: tuple[int, ...] = (-1, 1)


def likelihood_limits(
    fit: DesignFit, rows: Rows, points: Floats, *, confidence_level: float, basis: str = "session"
) -> tuple[Floats, Floats, Floats]:
    """Return F, the share responding beyond the natural response, with its limits at `points` (k, points).

    `rows` are the sessions fitted, one cell. A limit is where the deviance, profiled over slope and natural response,
    has risen by t squared times the scale of `session_scale` (an adjusted likelihood ratio: Rotnitzky & Jewell 1990,
    Biometrika 77:485); `basis="binomial"` takes z and a scale of 1. NaN where no session is to spare; 0 or 1 where the
    data rule out no share on that side.
    """
    return likelihood_limits_of([Asked(fit, rows, points)], confidence_level=confidence_level, basis=basis)[0]


def likelihood_limits_of(
    asked: Sequence[Asked], *, confidence_level: float, basis: str = "session"
) -> list[tuple[Floats, Floats, Floats]]:
    """Return what `likelihood_limits` gives for each, to the same digits, in a fraction of the time.

    A search is a few dozen operations on all its rows, so that many small searches side by side cost little more than
    one.
    """
    found = []
    searches: dict[tuple, list[_Search]] = {}
    for fit, rows, points, sides in asked:
        share = LINKS[fit.link].below(fit.coefficients @ points)
        t = fit.quantile(basis, confidence_level)
        found.append([share, np.full(share.size, np.nan), np.full(share.size, np.nan)])
        if t is None:
            continue
        plain = np.maximum(standard_errors(fit, _contrast(points), "binomial"), 1e-12)
        scale = np.ones(share.size) if basis == "binomial" else session_scale(fit, rows, points)
        alike = searches.setdefault((fit.link, fit.coefficients.size, fit.natural_estimated), [])
        pooled, threshold = _pooled(rows), t * np.sqrt(scale)
        alike += [_Search(fit, pooled, points, side, threshold, threshold * plain, found[-1]) for side in sides]
    for alike in searches.values():
        for search, ends in zip(alike, _limits(alike), strict=True):
            search.answer[1 if search.side < 0 else 2] = ends
    return [tuple(lines) for lines in found]


class _Search(NamedTuple):
    """The limits of one fit's shares on one side; `answer` is the list of lines they go into.

    `threshold` is how far the root of the deviance's rise may go; about `reach` from the estimate it gets there.
    """

    fit: DesignFit
    rows: Rows
    points: Floats
    side: int
    threshold: Floats
    reach: Floats
    answer: list[Floats]


def _pooled(rows: Rows) -> Rows:
    """Add up baths of one design: the likelihood sees no more of them than their sum."""
    keys = np.concatenate([rows.design, rows.control[None].astype(float)])
    _, first, back = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    n, responded = (np.bincount(back.ravel(), weights=values) for values in (rows.n, rows.responded))
    return Rows(rows.start, rows.design[:, first], n, responded, rows.control[first])


def _limits(searches: Sequence[_Search]) -> list[Floats]:
    """Return the shares where the root of the deviance's rise meets the threshold at each point of each search.

    All searches are of one link, one number of coefficients, and all with or all without a natural response.
    """
    link, sizes = searches[0].fit.link, [search.threshold.size for search in searches]
    far, side = _FARTHEST[link], np.repeat([float(search.side) for search in searches], sizes)
    threshold, reach = (
        np.concatenate([getattr(search, name) for search in searches]) for name in ("threshold", "reach")
    )
    centre = np.concatenate([np.clip(search.fit.coefficients @ search.points, -far, far) for search in searches])
    root = _root_of_rise(searches, sizes)
    most = far - side * centre
    went = crossing(lambda which, at: root(which, centre[which] + side[which] * at), threshold, reach, most)
    ends = np.where(went >= most, 0.5 + 0.5 * side, LINKS[link].below(centre + side * went))
    return np.split(ends, np.cumsum(sizes)[:-1])


def _root_of_rise(searches: Sequence[_Search], sizes: Sequence[int]) -> Callable[[Ints, Floats], Floats]:
    """Return the function that gives the root of how far the deviance rises at some points with these predictors there.

    It takes which points, of those of all searches end to end, and the predictors (some,).
    """
    link, natural = LINKS[searches[0].fit.link], searches[0].fit.natural_estimated
    batch = joined([_at_points(search) for search in searches])
    together = np.repeat(np.arange(len(searches)), sizes)
    best = np.repeat([search.fit.log_likelihood for search in searches], sizes)
    threshold = np.concatenate([search.threshold for search in searches])
    estimate, turn, here = (np.concatenate(parts, axis=1) for parts in zip(*map(_others, searches), strict=True))

    def root(which: Ints, eta: Floats) -> Floats:
        rows = batch if which.size == best.size else batch.keep(np.bincount(which, minlength=best.size) > 0)
        start = estimate[:, which] + turn[:, which] * (eta - here[0, which])
        if natural:
            start[-1] = np.clip(start[-1], 1e-3, 0.95)
        found = maximise(
            replace(rows, offset=rows.spread(eta)), start, link=link, tolerance=1e-4, steps=30,
            natural_free=np.ones(which.size, dtype=bool) if natural else None, together=together[which],
        )  # fmt: skip
        risen = np.sqrt(np.maximum(2.0 * (best[which] - found.log_likelihood), 0.0))
        near = found.converged & (risen < threshold[which])
        on = which[near]
        turn[:, on] = (found.parameters[:, near] - estimate[:, on]) / (eta[near] - here[0, on])
        return risen

    return root


def _others(search: _Search) -> tuple[Floats, Floats, Floats]:
    """Return the other parameters' estimates, how they go with the predictor at each point, and that, (rows, points).

    As they go beside the estimate: from the estimates themselves the way to a far predictor is too long for some.
    """
    fit, points = search.fit, search.points
    beta = np.append(fit.coefficients, [fit.natural] if fit.natural_estimated else [])[:, None]
    covariance = (fit.covariance @ _contrast(points).T)[: beta.size]
    turn = covariance / (points * covariance[: points.shape[0]]).sum(axis=0)
    return np.repeat(beta[1:], points.shape[1], axis=1), turn[1:], (fit.coefficients @ points)[None]


def _at_points(search: _Search) -> Rows:
    """Return the sessions once for every point, less the predictor at that point."""
    rows, points = search.rows, search.points
    cells, sessions = points.shape[1], rows.n.size
    columns = np.where(rows.control, 0.0, rows.design[1:, None, :] - points[1:, :, None])
    return Rows(
        np.arange(cells) * sessions, columns.reshape(-1, cells * sessions), np.tile(rows.n, cells),
        np.tile(rows.responded, cells), np.tile(rows.control, cells), np.zeros(cells * sessions),
    )  # fmt: skip


def _contrast(points: Floats) -> Floats:
    """Return points (k, points) as rows of what DesignFit's matrices take, the natural response left out."""
    return np.concatenate([points, np.zeros((1, points.shape[1]))]).T


def session_scale(fit: DesignFit, rows: Rows, points: Floats) -> Floats:
    """Return how many times the binomial variance the predictor at each point has, shape (points,).

    Measured as in DesignFit.spread. Where the rarer outcome shows up in few of the sessions that carry the estimate at
    a point, the measured value is too small, and part of it is replaced by the design effect of an assumed correlation,
    as `proportion.share_limits` does and for the same reason.
    """
    contrast = _contrast(points)
    plain = np.maximum(standard_errors(fit, contrast, "binomial"), 1e-12)
    measured = (standard_errors(fit, contrast, "session") / plain) ** 2
    link, k = LINKS[fit.link], fit.coefficients.size
    parameters = np.append(fit.coefficients, fit.natural if fit.natural_estimated else [])[:, None]
    state = state_at(rows, parameters, link)
    pull = contrast[:, : len(parameters)] @ fit.covariance[: len(parameters), : len(parameters)]
    carried = np.abs(pull @ np.stack(state.derivative)) / np.maximum(state.p * state.q, 1e-100)  # (points, sessions)
    most = (fit.coefficients @ points[:k] > link.predictor(np.array(0.5)))[:, None]
    rarer = carried * np.where(most, rows.n - rows.responded, rows.responded)
    seen = rarer.sum(axis=1) ** 2 / np.maximum((rarer**2).sum(axis=1), 1e-300)
    weight = np.minimum(seen, _ENOUGH) / _ENOUGH
    size = (carried * rows.n**2).sum(axis=1) / np.maximum((carried * rows.n).sum(axis=1), 1e-300)
    assumed = 1.0 + np.maximum(size - 1.0, 0.0) * ASSUMED_CORRELATION
    return weight * measured + (1.0 - weight) * np.maximum(assumed, measured)


def join_natural(
    fit: DesignFit, limits: tuple[Floats, Floats, Floats], natural: tuple[float, float], *, over_natural: bool
) -> tuple[Floats, Floats, Floats]:
    """Turn F and its limits into the share responding, C + (1 - C) F, or the share over the natural one, (1 - C) F.

    `natural` are the limits of C; distances to limits are squared and added (Zou & Donner 2008, Stat Med 27:1693).
    """
    below, low, high = limits
    rest = 1.0 - fit.natural
    by_natural = -below if over_natural else 1.0 - below
    share = rest * below if over_natural else fit.natural + rest * below
    down, up = (by_natural * (end - fit.natural) for end in (natural if not over_natural else natural[::-1]))
    return share, share - np.hypot(rest * (below - low), down), share + np.hypot(rest * (high - below), up)
