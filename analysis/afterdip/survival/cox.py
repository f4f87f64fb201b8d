"""Proportional hazards on weighted rows: Efron or Breslow ties, strata, session-robust errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from .cox_terms import Stratum, build_strata, partial_likelihood, score_residuals, without_session
from .limits import LEAST_DF, MIN_SESSIONS, MOST_REFITS, effective_sessions

Likelihood = Callable[[list[Stratum], NDArray], tuple[float, NDArray, NDArray]]

_TOLERANCE = 1e-10
_WIDE = 8.0  # a spread of log hazards (3000-fold) beyond which monotone likelihood is looked for


@dataclass(frozen=True, slots=True, eq=False)
class CoxFit:
    """A fitted proportional hazards model; p covariates.

    `coefficients`, `piece_error`, `standard_error`: log hazard ratios and their errors, shape (p,), `piece_error` from
    the information, `standard_error` the plain session sandwich where sessions were given. `log_likelihood`: at no
    effect and at the fit. `score_test`: at no effect, chi-square on p. `information`: shape (p, p). All are None where
    `reason` says why nothing can be estimated. `jackknife_error`: from refits without each session in turn, None where
    not computed. `hazard_ratios`: one Estimate per covariate, the numbers to print.
    """

    names: tuple[str, ...]
    coefficients: NDArray[np.float64] | None
    piece_error: NDArray[np.float64] | None
    standard_error: NDArray[np.float64] | None
    jackknife_error: NDArray[np.float64] | None
    information: NDArray[np.float64] | None
    log_likelihood: tuple[float, float] | None
    score_test: float | None
    hazard_ratios: tuple[Estimate, ...]
    reason: str
    method: str


def cox(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    *,
    covariates: ArrayLike,
    names: Sequence[str] = (),
    session: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    ties: str = "efron",
    confidence_level: float = 0.95,
) -> CoxFit:
    """Hazard ratios of a proportional hazards model (Cox 1972) with a baseline of its own in each stratum.

    `days`, `deaths`, `left`, `session`, `stratum`: shape (n_rows,), weighted counts as for `kaplan_meier`;
    `covariates`: shape (n_rows, p). A row of many deaths is as many tied deaths: tallying changes nothing. Ties by
    Efron 1977, JASA 72:557 (needs whole counts) or "breslow".

    With sessions `standard_error` is the root of summed squares of sessions' score residuals through the inverse
    information (Lin & Wei 1989, JASA 84:1074), as R's coxph(cluster=) prints it. Limits made of it miss the truth up to
    three times too often at 10-60 sessions. Those printed (tests/reference/calibration/survival_page_coverage.csv) rest
    on the delete-one-session jackknife (Lipsitz, Dear & Zhao 1994, Biometrics 50:842); beyond MOST_REFITS sessions on
    the sandwich with the factor m / (m - 1). t has k - p - 1 degrees of freedom, k the sessions with deaths, or fewer
    where a few sessions carry the error: their effective number, at least LEAST_DF, times the root of
    effect / (effect - 1), the design effect being its square over the pieces' (see `limits`). They cannot say where k
    is below MIN_SESSIONS + p or where the estimate hangs on a single session.

    Where some direction of the coefficients raises the likelihood without end (in one group nobody, or always the
    next, died) or changes nothing, the fit holds no numbers but the reason. Raises DataError where nothing was followed
    or nothing died, ValueError for arrays that do not fit together.
    """
    if ties not in ("efron", "breslow"):
        raise ValueError(f"ties must be 'efron' or 'breslow', got {ties!r}")
    return fit_hazards(
        days,
        deaths,
        left,
        covariates=covariates,
        names=names,
        session=session,
        stratum=stratum,
        ties=ties,
        confidence_level=confidence_level,
    )


def fit_hazards(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    *,
    covariates: ArrayLike,
    names: Sequence[str],
    ties: str,
    confidence_level: float,
    session: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    likelihood: Likelihood = partial_likelihood,
) -> CoxFit:
    """Maximise one of the partial likelihoods; see `cox` and `cox_exact`."""
    x = np.asarray(covariates, float)
    names = tuple(names) or tuple(f"x{j + 1}" for j in range(x.shape[1] if x.ndim == 2 else 0))
    if x.ndim != 2 or x.shape[1] != len(names) or not len(names):
        raise ValueError("covariates must have shape (n_rows, p), with one name per column")
    strata = build_strata(days, deaths, left, x, session, stratum, efron=ties == "efron")
    if not any(s.deaths.any() for s in strata):
        raise DataError("no deaths: hazards cannot be compared")
    m = len({name for s in strata for name in s.session}) if session is not None else 0
    died = float(np.sum(deaths))
    counts = {"sessions": m or None, "pieces": round(died + float(np.sum(left))), "deaths": round(died)}
    method = f"Cox model, {ties.capitalize()} ties" + (", stratified" if stratum is not None else "")
    beta, null, fitted, reason = _fit(strata, len(names), likelihood)
    if reason:
        unknown = cannot_say(reason, confidence_level=confidence_level, **counts)
        return CoxFit(names, None, None, None, None, None, None, None, (unknown,) * len(names), reason, method)
    inverse = np.linalg.inv(fitted[2])
    piece_error = np.sqrt(np.diag(inverse))
    moved = None if not m else _influence(strata, beta, inverse)
    error, again = piece_error if moved is None else np.sqrt(np.square(moved).sum(axis=0)), None
    if 1 < m <= MOST_REFITS:
        moved = _refits(strata, beta, efron=ties == "efron")
        again = None if moved is None else np.sqrt(np.square(moved).sum(axis=0) * (m - 1) / m)
    limit_error, df, refusal = _for_limits(strata, piece_error, error, again, moved, m)
    ratios = _hazard_ratios(beta, limit_error, df, refusal, method, counts, confidence_level)
    score_test = float(null[1] @ np.linalg.solve(null[2], null[1]))
    likelihoods = (null[0], fitted[0])
    return CoxFit(names, beta, piece_error, error, again, fitted[2], likelihoods, score_test, ratios, "", method)


def _fit(
    strata: list[Stratum], p: int, likelihood: Likelihood = partial_likelihood, *, start: NDArray | None = None
) -> tuple[NDArray, tuple, tuple, str]:
    """Newton-Raphson with step halving, from no effect or `start`; the reason is empty where a maximum exists."""
    null = likelihood(strata, np.zeros(p))
    scale = np.sqrt(np.clip(np.diag(null[2]), 0, None))
    if (scale == 0).any() or np.linalg.cond(null[2] / np.outer(scale, scale)) > 1e10:
        return np.zeros(p), null, null, "a covariate does not vary, or repeats others, among pieces at risk together"
    beta = np.zeros(p) if start is None else start
    now = null if start is None else likelihood(strata, start)
    for _ in range(60):
        step = np.linalg.lstsq(now[2], now[1], rcond=None)[0]
        for _ in range(30):
            trial = likelihood(strata, beta + step)
            if np.isfinite(trial[0]) and trial[0] >= now[0] - 1e-12 * abs(now[0]):
                break
            step = step / 2
        beta, gain, now = beta + step, trial[0] - now[0], trial
        if abs(gain) <= _TOLERANCE * (abs(now[0]) + 1) and np.abs(now[1] / scale).max() < 1e-7:
            break
    spread = max(float(np.ptp(s.covariates @ beta)) for s in strata if len(s.term_day))
    if spread > _WIDE and monotone(strata, exact=likelihood is not partial_likelihood):
        return beta, null, now, "the hazard ratio has no finite estimate: deaths are all on one side of a covariate"
    return beta, null, now, ""


def monotone(strata: list[Stratum], *, exact: bool = False) -> bool:
    """Whether some direction raises the likelihood without end: every death the highest of those at risk, some above.

    Linear program over a direction b within [-1, 1]^p and each day's threshold t: b x <= t at risk, b x >= t dead; the
    sum of all slack is 0 at best exactly where the maximum is finite (Bryson & Johnson 1981, Technometrics 23:381).
    `exact`: for the exact likelihood, where the dead need only stand above those that lived.
    """
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix, hstack

    rows, columns, signs, day = [], [], [], 0
    for s in strata:
        for j in np.flatnonzero(s.deaths.sum(axis=0) > 0):
            below = s.at_risk[:, j] - s.deaths[:, j] if exact else s.at_risk[:, j]
            if not below.any():
                continue  # all died: nothing to compare on that day
            for values, sign in ((below > 0, 1.0), (s.deaths[:, j] > 0, -1.0)):
                x = np.unique(s.covariates[values], axis=0)
                rows.append(sign * x)
                columns.append(np.full(len(x), day))
                signs.append(np.full(len(x), -sign))
            day += 1
    x, column, sign = np.vstack(rows), np.concatenate(columns), np.concatenate(signs)
    tops = csr_matrix((sign, (np.arange(len(column)), column)), shape=(len(column), day))
    scale = np.maximum(np.abs(x).max(axis=0), 1e-300)
    constraints = hstack([csr_matrix(x / scale), tops]).tocsr()
    gain = np.asarray(constraints.sum(axis=0)).ravel()  # minus the sum of all slack
    bounds = [(-1, 1)] * x.shape[1] + [(None, None)] * day
    found = linprog(gain, A_ub=constraints, b_ub=np.zeros(len(column)), bounds=bounds, method="highs")
    return bool(found.status == 0 and found.fun < -1e-7)


def _influence(strata: list[Stratum], beta: NDArray, inverse: NDArray) -> NDArray[np.float64]:
    """Score residuals summed by session, through the inverse information, shape (n_sessions, p)."""
    labels = {name: i for i, name in enumerate(dict.fromkeys(name for s in strata for name in s.session))}
    total = np.zeros((len(labels), len(beta)))
    for s in strata:
        np.add.at(total, [labels[name] for name in s.session], score_residuals(s, beta))
    return total @ inverse


def _refits(strata: list[Stratum], beta: NDArray, *, efron: bool) -> NDArray | None:
    """What the estimate moves by without each session, shape (n_sessions, p); None where one has no finite estimate."""
    sessions = list(dict.fromkeys(name for s in strata for name in s.session))
    moved = np.zeros((len(sessions), len(beta)))
    for row, name in zip(moved, sessions, strict=True):
        rest = without_session(strata, name, efron=efron)
        if not any(len(s.term_day) for s in rest):
            return None
        refit, _, _, reason = _fit(rest, len(beta), start=beta)
        if reason:
            return None
        row[:] = refit - beta
    return moved


def _for_limits(
    strata: list[Stratum], piece_error: NDArray, error: NDArray, again: NDArray | None, moved: NDArray | None, m: int
) -> tuple[NDArray, NDArray, str]:
    """Standard error and degrees of freedom of the limits (infinite for independent pieces), or why there are none."""
    p, endless = len(error), np.full(len(error), np.inf)
    if not m:
        return error, endless, ""
    k = len({name for s in strata for name, died in zip(s.session, s.deaths.sum(axis=1), strict=True) if died > 0})
    if k < MIN_SESSIONS + p:
        reason = f"too few: {k} sessions with deaths, a model of {p} covariates needs {MIN_SESSIONS + p}"
        return error, endless, reason
    if moved is None:
        return error, endless, "the hazard ratio hangs on a single session: without it there is none"
    used = error * np.sqrt(m / (m - 1)) if again is None else again
    effect = np.maximum(np.square(used / piece_error), 1)
    behind = np.maximum(effective_sessions(np.square(moved)), LEAST_DF)
    return used, np.minimum(behind * np.sqrt(effect / np.maximum(effect - 1, 1e-6)), k - p - 1), ""


def _hazard_ratios(
    beta: NDArray, error: NDArray, df: NDArray, refusal: str, method: str, counts: dict, level: float
) -> tuple[Estimate, ...]:
    """Exponentiated coefficients with their limits; sessions as units where there are any."""
    if refusal:
        return (cannot_say(refusal, confidence_level=level, **counts),) * len(beta)
    upper = 0.5 + level / 2
    alone = bool(np.isinf(df).all())
    width = error * (ndtri(upper) if alone else stdtrit(df, upper))
    method = f"hazard ratio, {method}" + (", pieces taken as independent" if alone else ", sessions as units")
    return tuple(
        Estimate(
            estimate=float(np.exp(b)),
            low=float(np.exp(b - w)),
            high=float(np.exp(b + w)),
            confidence_level=level,
            method=method,
            **counts,
        )
        for b, w in zip(beta, width, strict=True)
    )
