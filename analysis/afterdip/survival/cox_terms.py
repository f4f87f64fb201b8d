"""The partial likelihood's sums over days, for rows tallied by covariate pattern and session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from .logrank import counts_by_stratum
from .rows import paired


@dataclass(frozen=True, slots=True, eq=False)
class Stratum:
    """One stratum's patterns: `covariates` (n_patterns, p), `session` labels, counts (n_patterns, n_days).

    `term_day`, `fraction`, `times`: the terms of the likelihood, shape (n_terms,): the day, the share of the dying
    already taken from those at risk (Efron's l / d; 0 for Breslow), and how often the term occurs.
    """

    covariates: NDArray[np.float64]
    session: tuple
    deaths: NDArray[np.float64]
    at_risk: NDArray[np.float64]
    term_day: NDArray[np.intp]
    fraction: NDArray[np.float64]
    times: NDArray[np.float64]


def build_strata(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    x: NDArray,
    session: ArrayLike | None,
    stratum: ArrayLike | None,
    *,
    efron: bool,
) -> list[Stratum]:
    """Tally rows by stratum and by (session, covariate pattern). Raises DataError for missing covariates."""
    if len(x) != len(np.atleast_1d(np.asarray(days))):
        raise ValueError("covariates must have as many rows as days")
    if not np.isfinite(x).all():
        raise DataError("covariates must be finite; some are missing")
    patterns, which = np.unique(x, axis=0, return_inverse=True)
    labels = paired(np.zeros(len(x), int) if session is None else session, which.reshape(-1))
    return [
        _stratum(patterns, counts.sessions, counts.ends[0], counts.at_risk, efron=efron)
        for counts in counts_by_stratum(days, deaths, left, labels, stratum)
    ]


def _stratum(patterns: NDArray, labels: tuple, deaths: NDArray, at_risk: NDArray, *, efron: bool) -> Stratum:
    """One stratum from its tally."""
    total = deaths.sum(axis=0)
    if efron and (total != np.round(total)).any():
        raise DataError("Efron's method needs whole numbers of deaths; use ties='breslow' for weights")
    covariates = patterns[[which for _, which in labels]]
    return _with_terms(covariates, tuple(name for name, _ in labels), deaths, at_risk, efron=efron)


def without_session(strata: list[Stratum], session: object, *, efron: bool) -> list[Stratum]:
    """Return the strata with one session's pieces left out."""
    left = []
    for s in strata:
        keep = np.array([name != session for name in s.session])
        names = tuple(name for name in s.session if name != session)
        if keep.all():
            left.append(s)
        elif keep.any():
            left.append(_with_terms(s.covariates[keep], names, s.deaths[keep], s.at_risk[keep], efron=efron))
    return left


def _with_terms(covariates: NDArray, sessions: tuple, deaths: NDArray, at_risk: NDArray, *, efron: bool) -> Stratum:
    """Keep the days with deaths and list the likelihood's terms on them."""
    total = deaths.sum(axis=0)
    seen = total > 0
    deaths, at_risk, total = deaths[:, seen], at_risk[:, seen], total[seen]
    if not efron:
        return Stratum(covariates, sessions, deaths, at_risk, np.arange(len(total)), np.zeros(len(total)), total)
    each = total.astype(np.intp)
    term_day = np.repeat(np.arange(len(each)), each)
    taken = np.arange(len(term_day)) - np.repeat(np.cumsum(each) - each, each)
    return Stratum(covariates, sessions, deaths, at_risk, term_day, taken / total[term_day], np.ones(len(term_day)))


def _risk_sums(s: Stratum, beta: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Hazards relative to a shift, and per term the sum of them at risk and their mean covariates (n_terms, p)."""
    log_hazard = s.covariates @ beta
    hazard = np.exp(log_hazard - log_hazard.max())
    dying, all_ = s.deaths * hazard[:, None], s.at_risk * hazard[:, None]
    s0 = all_.sum(axis=0)[s.term_day] - s.fraction * dying.sum(axis=0)[s.term_day]
    s1 = (all_.T @ s.covariates)[s.term_day] - s.fraction[:, None] * (dying.T @ s.covariates)[s.term_day]
    return hazard, s0, s1 / s0[:, None]


def partial_likelihood(strata: list[Stratum], beta: NDArray) -> tuple[float, NDArray, NDArray]:
    """Log partial likelihood, its gradient (p,) and information (p, p)."""
    value, gradient, information = 0.0, np.zeros(len(beta)), np.zeros((len(beta), len(beta)))
    for s in strata:
        if not len(s.term_day):
            continue
        hazard, s0, mean = _risk_sums(s, beta)
        died = s.deaths.sum(axis=1)
        shift = float((s.covariates @ beta).max())
        value += float(died @ (s.covariates @ beta) - s.times @ (np.log(s0) + shift))
        gradient += died @ s.covariates - s.times @ mean
        weight_all = np.bincount(s.term_day, s.times / s0, minlength=s.deaths.shape[1])
        weight_dead = np.bincount(s.term_day, s.times * s.fraction / s0, minlength=s.deaths.shape[1])
        per_pattern = hazard * (s.at_risk @ weight_all - s.deaths @ weight_dead)
        information += (s.covariates * per_pattern[:, None]).T @ s.covariates - (mean * s.times[:, None]).T @ mean
    return value, gradient, information


def score_residuals(s: Stratum, beta: NDArray) -> NDArray[np.float64]:
    """Score residual of each pattern, its pieces together, shape (n_patterns, p); they sum to the gradient.

    A dying piece leaves the risk set of Efron's l-th term by its share l / d and is compared with the mean of the
    terms of its day (Therneau & Grambsch 2000, Modeling Survival Data, sec. 4.2 and 3.3).
    """
    n_days = s.deaths.shape[1]
    if not len(s.term_day):
        return np.zeros((len(s.covariates), len(beta)))
    hazard, s0, mean = _risk_sums(s, beta)

    def by_day(values: NDArray) -> NDArray:
        columns = [np.bincount(s.term_day, column, minlength=n_days) for column in values.T]
        return np.stack(columns, axis=1)

    weight = np.stack([s.times / s0, s.times * s.fraction / s0], axis=1)
    a, b = by_day(weight).T
    a1, b1 = by_day(mean * weight[:, :1]), by_day(mean * weight[:, 1:])
    day_mean = by_day(mean * s.times[:, None]) / by_day(s.times[:, None])
    expected = (s.at_risk @ a - s.deaths @ b)[:, None] * s.covariates - (s.at_risk @ a1 - s.deaths @ b1)
    return s.deaths.sum(axis=1)[:, None] * s.covariates - s.deaths @ day_mean - hazard[:, None] * expected
