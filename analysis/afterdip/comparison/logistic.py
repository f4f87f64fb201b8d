"""A second opinion on the adjusted difference: a logistic regression whose errors respect sessions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, stdtrit

from ..estimate import Estimate, cannot_say
from .design import agent_design, rows_of_design, telling_rows, two_agents

_STEPS = 50
_FLAT = 1e-10


@dataclass(frozen=True, slots=True)
class LogisticFit:
    """Coefficients, their session-robust standard errors (plain sandwich) and covariance, shape (p,) and (p, p).

    `reason` says why there is no fit (all arrays NaN then): nothing died, all died, or the design separates them.
    """

    coefficients: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    covariance: NDArray[np.float64]
    sessions: int
    reason: str = ""


def session_logistic(design: ArrayLike, events: ArrayLike, total: ArrayLike, *, session: ArrayLike) -> LogisticFit:
    """Fit events out of total on the logit scale, session by session robust.

    `design`: shape (n_rows, p), its own column of ones included; the rest shape (n_rows,). Estimates are those of
    independent pieces; the errors are the sandwich of session totals (Liang & Zeger 1986, Biometrika 73:13, working
    independence), without small-sample factor. Raises DataError when events exceed totals.
    """
    X, y, n, labels, place = rows_of_design(design, events, total, session)
    p = X.shape[1]
    nothing = np.full(p, np.nan)
    if not y.sum() or not (n - y).sum():
        why = "nothing died" if not y.sum() else "everything died"
        return LogisticFit(nothing, nothing, np.full((p, p), np.nan), labels.size, why)
    beta = np.zeros(p)
    for _ in range(_STEPS):
        mean = expit(X @ beta)
        information = (X * (n * mean * (1.0 - mean))[:, None]).T @ X
        if np.linalg.cond(information) > 1.0 / _FLAT:
            why = "some group of pieces or pests had all or none dead, or groups repeat each other"
            return LogisticFit(nothing, nothing, np.full((p, p), np.nan), labels.size, why)
        step = np.linalg.solve(information, X.T @ (y - n * mean))
        beta = beta + step
        if np.abs(step).max() < 1e-12:
            break
    mean = expit(X @ beta)
    bread = np.linalg.inv((X * (n * mean * (1.0 - mean))[:, None]).T @ X)
    scores = np.zeros((labels.size, p))
    np.add.at(scores, place, X * (y - n * mean)[:, None])
    covariance = bread @ (scores.T @ scores) @ bread
    return LogisticFit(beta, np.sqrt(np.maximum(np.diag(covariance), 0.0)), covariance, labels.size)


def logistic_difference(
    second: ArrayLike,
    session: ArrayLike,
    factors: ArrayLike,
    total: ArrayLike,
    events: ArrayLike,
    *,
    confidence_level: float = 0.95,
) -> Estimate:
    """Difference (first minus second) over all pieces of both agents, each factor adding its own step in log odds.

    `factors`: labels, shape (n_rows, k). It keeps pieces of which only one agent had the like, by assuming that the
    steps add up: a different assumption from `adjusted_difference`, offered beside it. Both agents' proportions are
    averaged over all pieces (Lane & Nelder 1982, Biometrics 38:613), those of a level in which nothing or everything
    died counting as no different; delta-method limits with the factor m/(m-1) and t on m - p degrees of freedom, m
    sessions and p coefficients.
    """
    second, session, factors, n, y = two_agents(second, session, factors, total, events)
    counts = {"sessions": np.unique(session).size, "pieces": round(n.sum())}
    keep, whole = telling_rows(factors, n, y), n.sum()
    if not keep.any():
        return cannot_say(_untold(n, y), confidence_level=confidence_level, **counts)
    X, n, y, session = agent_design(second[keep], factors[keep]), n[keep], y[keep], session[keep]
    if X is None:
        why = "agents and groups cannot be told apart: no group had both"
        return cannot_say(why, confidence_level=confidence_level, **counts)
    fit = session_logistic(X, y, n, session=session)
    m, freedom = fit.sessions, fit.sessions - X.shape[1]
    reason = fit.reason or ("" if freedom >= 4 else f"{m} sessions, needs {X.shape[1] + 4} for so many kinds of pieces")
    if reason:
        return cannot_say(reason, confidence_level=confidence_level, **counts)
    averages, slopes = [], []
    for is_first in (1.0, 0.0):
        like = X.copy()
        like[:, -1] = is_first
        mean = expit(like @ fit.coefficients)
        averages.append(float(n @ mean / whole))
        slopes.append((n * mean * (1.0 - mean)) @ like / whole)
    slope = slopes[0] - slopes[1]
    error = float(np.sqrt(max(0.0, slope @ fit.covariance @ slope) * m / (m - 1)))
    if error < _FLAT:  # limits of no width would claim what no log can show
        alike = "every session came out alike: no spread to go by"
        return cannot_say(alike, confidence_level=confidence_level, **counts)
    reach = float(stdtrit(freedom, 0.5 + 0.5 * confidence_level)) * error
    return Estimate(
        estimate=averages[0] - averages[1],
        low=max(-1.0, averages[0] - averages[1] - reach),
        high=min(1.0, averages[0] - averages[1] + reach),
        confidence_level=confidence_level,
        method="logistic regression averaged over all pieces, session-robust, t limits",
        **counts,
    )


def _untold(total: NDArray, events: NDArray) -> str:
    """Return why no row tells of a ratio."""
    if not events.sum():
        return "nothing died"
    return "everything died" if not (total - events).sum() else "nothing or everything died in every group"
