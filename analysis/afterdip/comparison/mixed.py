"""Another model asked the same question: logistic regression in which every session has a random level of its own.

Its odds ratio is that of a piece in one bath under either agent, not that of the farm's totals: the more baths differ,
the further it lies from 1. It stands beside the standardised difference and does not enter the verdict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logsumexp, stdtrit

from ..estimate import Estimate, cannot_say
from .design import agent_design, rows_of_design, telling_rows, two_agents
from .difference import MINIMUM_SESSIONS

Floats = NDArray[np.float64]

_STEPS = 60
_STEP_SIZE = 3e-4  # of the differences that give slopes and curvatures: errors near 1e-8 and 1e-6
_FLAT = 1e-6  # curvatures below this are taken for this: they are noise
_GAIN = 1e-9  # of log likelihood, by which the last step may fall short of the top
_AT_NOUGHT = 0.01  # an SD below this is 0: it moves odds by less than 1 %
_FURTHEST = 20.0  # a coefficient or spread beyond this on the logit scale has run away: the data do not hold it


@dataclass(frozen=True, slots=True)
class MixedFit:
    """Coefficients, their standard errors and covariance, shape (p,) and (p, p), and the sessions' SD in log odds.

    `reason` says why there is no fit (all numbers NaN then): nothing died, all died, one session, or a likelihood that
    rises without end. An SD of 0 is an answer: sessions differ no more than so few pieces make them differ.
    """

    coefficients: Floats
    standard_error: Floats
    covariance: Floats
    session_sd: float
    sessions: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Data:
    """Rows in order of session: design, events, totals, and where each session begins."""

    X: Floats
    y: Floats
    n: Floats
    place: NDArray[np.intp]
    start: NDArray[np.intp]

    def by_session(self, rows: Floats) -> Floats:
        """Add up the last axis within sessions."""
        return np.add.reduceat(rows, self.start, axis=-1)


def mixed_logistic(
    design: ArrayLike, events: ArrayLike, total: ArrayLike, *, session: ArrayLike, nodes: int = 1
) -> MixedFit:
    """Fit events out of total on the logit scale with a normal random intercept per session, by maximum likelihood.

    `design`: shape (n_rows, p), its own column of ones included; the rest shape (n_rows,), fractions allowed. One node
    is Laplace's approximation, more are adaptive Gauss-Hermite quadrature about each session's mode (Pinheiro & Bates
    1995, J Comput Graph Stat 4:12). Standard errors come from the curvature of the log likelihood in coefficients
    and SD together, at an SD of 0 in the coefficients alone. Raises DataError when events exceed totals.
    """
    X, y, n, labels, place = rows_of_design(design, events, total, session)
    if reason := _lacking(X, y, n, labels.size):
        return _none(X.shape[1], labels.size, reason)
    rows, like = np.unique(np.column_stack([place, X]), axis=0, return_inverse=True)  # trays alike count as one
    merged = (np.bincount(like.ravel(), counts, len(rows)) for counts in (y, n))
    place = rows[:, 0].astype(np.intp)
    data = _Data(rows[:, 1:], *merged, place, np.flatnonzero(np.diff(place, prepend=-1)))
    unbounded = "these counts have no finite best fit: some group had all or none dead"
    theta, curvature = _climb(data, nodes)
    if theta is None:
        return _none(X.shape[1], labels.size, unbounded)
    sd = float(abs(theta[-1]))
    inside = slice(None) if sd > _AT_NOUGHT else slice(-1)  # at nought the SD has no curvature to speak of
    covariance = np.linalg.inv(-curvature[inside, inside])[: X.shape[1], : X.shape[1]]
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if errors.max() > _FURTHEST:
        return _none(X.shape[1], labels.size, unbounded)
    return MixedFit(theta[:-1], errors, covariance, sd if sd > _AT_NOUGHT else 0.0, labels.size)


def session_odds_ratio(
    second: ArrayLike,
    session: ArrayLike,
    factors: ArrayLike,
    total: ArrayLike,
    events: ArrayLike,
    *,
    confidence_level: float = 0.95,
) -> Estimate:
    """Odds of the event under the first agent over those under the second, sessions differing at random.

    `factors`: labels, shape (n_rows, k), each adding its own step in log odds. Levels in which nothing or everything
    died tell nothing of a ratio and are left out. Limits on the log scale with t on sessions - 2 degrees of freedom.
    Cannot say under 6 sessions a side, or where one agent had no event.
    """
    second, session, factors, n, y = two_agents(second, session, factors, total, events)
    keep = telling_rows(factors, n, y)
    second, session, factors, n, y = second[keep], session[keep], factors[keep], n[keep], y[keep]
    have = [np.unique(session[side]).size for side in (~second, second)]
    counts = {"sessions": sum(have), "pieces": round(n.sum())}
    if min(have) < MINIMUM_SESSIONS:
        why = f"{have[0]} and {have[1]} sessions that tell of odds, needs {MINIMUM_SESSIONS} of each"
        return cannot_say(why, confidence_level=confidence_level, **counts)
    if any(not y[side].sum() or not (n - y)[side].sum() for side in (~second, second)):
        why = "all or none dead under one agent: its odds have no number"
        return cannot_say(why, confidence_level=confidence_level, **counts)
    design = agent_design(second, factors)
    if design is None:
        why = "agents and groups cannot be told apart: no group had both"
        return cannot_say(why, confidence_level=confidence_level, **counts)
    fit = mixed_logistic(design, y, n, session=session)
    if fit.reason:
        return cannot_say(fit.reason, confidence_level=confidence_level, **counts)
    reach = float(stdtrit(fit.sessions - 2, 0.5 + 0.5 * confidence_level) * fit.standard_error[-1])
    low, middle, high = np.exp(fit.coefficients[-1] + np.array([-reach, 0.0, reach]))
    return Estimate(
        estimate=float(middle),
        low=float(low),
        high=float(high),
        confidence_level=confidence_level,
        method="odds ratio, logistic regression with a random level per session (Laplace), t limits",
        **counts,
    )


def _lacking(X: Floats, y: Floats, n: Floats, sessions: int) -> str:
    """Return why there is nothing to fit, or nothing."""
    if sessions < 2:
        return f"{sessions} session, needs 2 to see how sessions differ"
    if not y.sum() or not (n - y).sum():
        return "nothing died" if not y.sum() else "everything died"
    if np.linalg.matrix_rank(X[n > 0]) < X.shape[1]:
        return "groups repeat each other"
    return ""


def _none(size: int, sessions: int, reason: str) -> MixedFit:
    """Return a fit that says why there is none."""
    nothing = np.full(size, np.nan)
    return MixedFit(nothing, nothing, np.full((size, size), np.nan), np.nan, sessions, reason)


def _modes(eta: Floats, sd: Floats, data: _Data, near: Floats) -> tuple[Floats, Floats]:
    """Return each session's most likely standard normal level and its curvature there, shape (n_points, m)."""
    u = np.broadcast_to(near, (eta.shape[0], data.start.size))
    for _ in range(_STEPS):
        mean = expit(eta + sd * u[:, data.place])
        slope = sd * data.by_session(data.y - data.n * mean) - u
        curvature = 1.0 + sd**2 * data.by_session(data.n * mean * (1.0 - mean))
        step = np.clip(slope / curvature, -1.5, 1.5)
        u = u + step
        if np.abs(step).max() < 1e-9:  # Newton doubles the digits: the next would be beyond double precision
            break
    return u, curvature


def _log_likelihood(theta: Floats, data: _Data, nodes: int, near: Floats) -> Floats:
    """Return the log likelihood, up to a constant, at each row of `theta` (coefficients, then SD).

    `near`: levels of the sessions, shape (m,), to begin the search for each row's from.
    """
    eta, sd = theta[:, :-1] @ data.X.T, theta[:, -1:]
    u, curvature = _modes(eta, sd, data, near)
    points, weights = np.polynomial.hermite.hermgauss(nodes)
    parts = []
    for x, weight in zip(points, weights, strict=True):
        z = u + np.sqrt(2.0 / curvature) * x
        line = eta + sd * z[:, data.place]
        given = data.by_session(data.y * line - data.n * np.logaddexp(0.0, line))
        parts.append(given - 0.5 * z**2 + x**2 + np.log(weight))
    return (logsumexp(parts, axis=0) - 0.5 * np.log(curvature)).sum(axis=1)


def _shape(theta: Floats, data: _Data, nodes: int, near: Floats) -> tuple[float, Floats, Floats]:
    """Return the log likelihood at one point, its slope and its curvature, by central differences."""
    size = theta.size
    steps = _STEP_SIZE * np.eye(size)
    i, j = np.triu_indices(size, 1)
    moves = np.concatenate([steps, steps[i] + steps[j]])
    values = _log_likelihood(theta + np.concatenate([np.zeros((1, size)), moves, -moves]), data, nodes, near)
    middle, up, down = values[0], values[1 : 1 + len(moves)], values[1 + len(moves) :]
    slope = (up - down)[:size] / (2.0 * _STEP_SIZE)
    bend = (up + down - 2.0 * middle) / _STEP_SIZE**2
    curvature = np.diag(bend[:size])
    curvature[i, j] = curvature[j, i] = 0.5 * (bend[size:] - bend[i] - bend[j])
    return float(middle), slope, curvature


def _climb(data: _Data, nodes: int) -> tuple[Floats, Floats] | tuple[None, None]:
    """Return the maximum and the curvature there; nothing where it lies at no finite place."""
    theta, near = np.zeros(data.X.shape[1] + 1), np.zeros(data.start.size)
    theta[-1] = 0.7
    for _ in range(_STEPS):
        near = _modes(theta[None, :-1] @ data.X.T, theta[None, -1:], data, near)[0][0]
        here, slope, curvature = _shape(theta, data, nodes, near)
        values, vectors = np.linalg.eigh(-curvature)
        step = vectors @ ((vectors.T @ slope) / np.maximum(np.abs(values), _FLAT))
        if 0.5 * slope @ step < _GAIN:  # the last step, but for long ones: there is nothing to climb, near an SD of 0
            return np.where(np.abs(step) < 1e-3, theta + step, theta), curvature
        step *= min(1.0, 2.0 / np.abs(step).max())
        tries = theta + step * 0.5 ** np.arange(12.0)[:, None]
        if _log_likelihood(tries[:1], data, nodes, near)[0] >= here:
            theta = tries[0]
        else:
            theta = tries[np.argmax(_log_likelihood(tries, data, nodes, near))]
        if np.abs(theta).max() > _FURTHEST:
            break
    return None, None
