"""Limits of a share at a strength from the likelihood itself, scaled to the scatter between sessions.

Where nearly none or nearly all respond, limits drawn symmetrically about the predictor run wild: a loss of 0.3 % may
get an upper limit of 20 % from a slope that is hardly known, although hundreds of pieces came through at that strength.
The likelihood-ratio limits ask instead which shares at that strength the data rule out, whatever the slope.
"""

from __future__ import annotations

import numpy as np

from ..proportion import ASSUMED_CORRELATION
from .fit import DesignFit
from .levels import standard_errors
from .likelihood import Rows, log_likelihood, state_at
from .links import LINKS, Floats
from .scoring import maximise

_TRIALS = 6  # predictors tried on each side of the estimate in one batch
_PASSES = 3
_ENOUGH = 16.0  # effective sessions showing the rarer outcome from which the measured scatter is believed
_FARTHEST = {"logit": 16.0, "probit": 5.4, "cloglog": 16.0}  # predictor of a share of 1e-7, the end of the search


def likelihood_limits(
    fit: DesignFit, rows: Rows, points: Floats, *, confidence_level: float, basis: str = "session"
) -> tuple[Floats, Floats, Floats]:
    """Return F, the share responding beyond the natural response, with its limits at `points` (k, points).

    `rows` are the sessions fitted, one cell. A limit is where the deviance, profiled over slope and natural response,
    has risen by t squared times the scale of `session_scale` (an adjusted likelihood ratio: Rotnitzky & Jewell 1990,
    Biometrika 77:485); `basis="binomial"` takes z and a scale of 1. NaN where no session is to spare; 0 or 1 where the
    data rule out no share on that side.
    """
    link = LINKS[fit.link]
    eta = fit.coefficients @ points
    t = fit.quantile(basis, confidence_level)
    if t is None:
        return link.below(eta), np.full(eta.size, np.nan), np.full(eta.size, np.nan)
    scale = np.ones(eta.size) if basis == "binomial" else session_scale(fit, rows, points)
    pooled = _pooled(rows)
    ends = [_limit(fit, pooled, points, sign, t * np.sqrt(scale)) for sign in (-1.0, 1.0)]
    return link.below(eta), ends[0], ends[1]


def _pooled(rows: Rows) -> Rows:
    """Add up baths of one design: the likelihood sees no more of them than their sum."""
    keys = np.concatenate([rows.design, rows.control[None].astype(float)])
    _, first, back = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    n, responded = (np.bincount(back.ravel(), weights=values) for values in (rows.n, rows.responded))
    return Rows(rows.start, rows.design[:, first], n, responded, rows.control[first])


def _limit(fit: DesignFit, rows: Rows, points: Floats, sign: float, threshold: Floats) -> Floats:
    """Return the share on one side where the signed root of the deviance's rise meets the threshold at each point."""
    far, here = _FARTHEST[fit.link], np.arange(points.shape[1])
    start = np.clip(fit.coefficients @ points, -far, far)
    stop = np.full(start.size, sign * far)
    for _ in range(_PASSES):  # each pass narrows the bracket by _TRIALS
        tried = start + (stop - start) * np.linspace(0.0, 1.0, _TRIALS + 1)[:, None]
        root = np.sqrt(np.maximum(_rise(fit, rows, points, tried), 0.0))
        root[0] = np.minimum(root[0], threshold * (1 - 1e-9))
        first = np.where((root > threshold).any(axis=0), (root > threshold).argmax(axis=0), _TRIALS)
        start, stop = tried[first - 1, here], tried[first, here]
    gap = root[first, here] - root[first - 1, here]  # the root of the rise is nearly straight in the predictor
    part = (threshold - root[first - 1, here]) / np.where(gap > 0, gap, 1.0)
    end = start + (stop - start) * np.where(root[first, here] > threshold, np.clip(part, 0.0, 1.0), 1.0)
    return np.where(np.abs(end) >= far * (1 - 1e-9), 0.5 + 0.5 * sign, LINKS[fit.link].below(end))


def _rise(fit: DesignFit, rows: Rows, points: Floats, eta: Floats) -> Floats:
    """Return how far the deviance rises when the predictor at each point is `eta` (trials, points), in one batch."""
    cells, sessions = eta.size, rows.n.size
    about = np.broadcast_to(points[1:, None, :], (points.shape[0] - 1, *eta.shape)).reshape(-1, cells)
    columns = np.where(rows.control, 0.0, rows.design[1:, None, :] - about[:, :, None])
    batch = Rows(
        np.arange(cells) * sessions, columns.reshape(-1, cells * sessions), np.tile(rows.n, cells),
        np.tile(rows.responded, cells), np.tile(rows.control, cells), np.repeat(eta.ravel(), sessions),
    )  # fmt: skip
    start = np.append(fit.coefficients[1:], max(fit.natural, 1e-3) if fit.natural_estimated else [])
    found = maximise(
        batch, np.repeat(start[:, None], cells, axis=1), link=LINKS[fit.link], tolerance=1e-4, steps=30,
        natural_free=np.ones(cells, dtype=bool) if fit.natural_estimated else None,
    )  # fmt: skip
    best = log_likelihood(batch, state_at(batch, found.parameters, LINKS[fit.link]))
    return 2.0 * (fit.log_likelihood - best).reshape(eta.shape)


def session_scale(fit: DesignFit, rows: Rows, points: Floats) -> Floats:
    """Return how many times the binomial variance the predictor at each point has, shape (points,).

    Measured as in DesignFit.spread. Where the rarer outcome shows up in few of the sessions that carry the estimate at
    a point, the measured value is too small, and part of it is replaced by the design effect of an assumed correlation,
    as `proportion.share_limits` does and for the same reason.
    """
    contrast = np.concatenate([points, np.zeros((1, points.shape[1]))]).T
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
