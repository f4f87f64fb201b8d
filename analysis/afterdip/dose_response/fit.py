"""From rows to fitted cells: start values, covariance three ways, goodness of fit, and why a cell cannot be fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate import check_level
from ..proportion import ASSUMED_CORRELATION
from .likelihood import (
    Bools,
    Ints,
    Rows,
    State,
    expected_information,
    log_likelihood,
    observed_information,
    pull,
    state_at,
    summed_products,
)
from .links import Floats, Link, link_named
from .scoring import invert, maximise

_LARGEST_LEVERAGE = 0.98
_MOST_CORRELATION = 0.95
_HALVINGS = 40
PRIOR_SESSIONS = 0.25
"""What the assumed correlation weighs beside the sessions that can tell of one, as in the comparison of agents.

Without it 95 % limits of the strength at the end of a loss curve held 92.2 % with 6 sessions and skewed baths; twice as
much widens those of a dozen uncorrelated sessions by up to 8 %.
"""
_TINY = 1e-100
BASES = ("session", "heterogeneity", "binomial")


@dataclass(frozen=True, slots=True)
class DesignFit:
    """One fitted cell: share = natural + (1 - natural) F(design . coefficients); matrices have the natural one last.

    `covariance` is the inverse information: expected for a plain binomial regression, as every such program prints,
    observed where a natural response was estimated along. `sandwich` is the plain session-robust covariance,
    `jackknife` the same with each session's residual divided by one minus its leverage (HC3). `modelled` is the
    covariance if whatever shares a session is correlated as `_correlations` has it. `df` is sessions less parameters.
    """

    link: str
    coefficients: Floats
    natural: float
    natural_estimated: bool
    covariance: Floats
    sandwich: Floats
    jackknife: Floats
    modelled: Floats
    log_likelihood: float
    deviance: float
    pearson: float
    df: int
    sessions: int
    refusal: str = ""

    @property
    def heterogeneity(self) -> float | None:
        """Pearson chi-square over its degrees of freedom; None where no session is to spare."""
        return self.pearson / self.df if self.df > 0 else None

    @property
    def heterogeneity_p(self) -> float | None:
        """P value of the Pearson chi-square as a test of more scatter between sessions than binomial; None at 0 df."""
        from scipy.special import gammaincc

        return float(gammaincc(0.5 * self.df, 0.5 * self.pearson)) if self.df > 0 else None

    def spread(self, basis: str) -> tuple[Floats, ...]:
        """Return the covariance matrices limits rest on: of several, the wider for each quantity counts.

        `binomial`: as if pieces were independent. `heterogeneity`: times the factor, never below 1 (Finney 1971).
        `session`: the widest of the heterogeneity, the jackknife and the modelled one. The first falls short where
        tray sizes differ and correlation is high, the second with few sessions and responses near 0 or 1, and both
        together held 92 % where few sessions lose most (calibrate/dose_response.py).
        """
        if basis not in BASES:
            raise ValueError(f"basis must be one of {', '.join(BASES)}, got {basis!r}")
        if basis == "binomial":
            return (self.covariance,)
        scaled = self.covariance * max(1.0, self.heterogeneity or 1.0)
        return (scaled,) if basis == "heterogeneity" else (scaled, self.jackknife, self.modelled)

    def quantile(self, basis: str, confidence_level: float) -> float | None:
        """Return the normal or t quantile of two-sided limits; None where t would have no degrees of freedom."""
        from scipy.special import ndtri, stdtrit

        check_level(confidence_level)
        upper = 0.5 * (1.0 + confidence_level)
        if basis == "binomial":
            return float(ndtri(upper))
        return float(stdtrit(self.df, upper)) if self.df > 0 else None


@dataclass(frozen=True, slots=True)
class DesignFits:
    """Fitted cells side by side, arrays as in DesignFit with a leading axis of cells; `refusal` (cells,) of str."""

    link: str
    parameters: Floats
    natural_estimated: Bools
    covariance: Floats
    sandwich: Floats
    jackknife: Floats
    modelled: Floats
    log_likelihood: Floats
    deviance: Floats
    pearson: Floats
    df: Ints
    sessions: Ints
    refusal: tuple[str, ...]

    def cell(self, i: int) -> DesignFit:
        """Return one cell."""
        return DesignFit(
            self.link, self.parameters[i, :-1], float(self.parameters[i, -1]), bool(self.natural_estimated[i]),
            self.covariance[i], self.sandwich[i], self.jackknife[i], self.modelled[i],
            float(self.log_likelihood[i]), float(self.deviance[i]), float(self.pearson[i]), int(self.df[i]),
            int(self.sessions[i]), self.refusal[i],
        )  # fmt: skip


def fit_designs(rows: Rows, *, link: str, refusal: list[str]) -> DesignFits:
    """Fit every cell whose `refusal` is empty; refused cells get NaN coefficients and keep their reason.

    The natural response is estimated in cells with control rows and is 0 elsewhere.
    """
    chosen = link_named(link)
    width = rows.design.shape[0] + 1
    wanted = np.array([not reason for reason in refusal], dtype=bool)
    out = _nothing(rows.start.size, width)
    reasons = list(refusal)
    if wanted.any():
        fitted, sound = _fit_part(rows if wanted.all() else rows.keep(wanted), chosen)
        for name, values in fitted.items():  # cells last in the arithmetic, first in results
            k = values.shape[0]
            if values.ndim == 3:
                out[name][wanted, :k, :k] = np.moveaxis(values, -1, 0)
            elif values.ndim == 2:
                out[name][wanted, :k] = values.T
            else:
                out[name][wanted] = values
        for i in np.flatnonzero(wanted)[~sound]:
            reasons[i] = "the fit did not settle: too little lies between none and all responding"
    return DesignFits(link=link, sessions=rows.sizes(), refusal=tuple(reasons), **out)


def fit_one(design: Floats, n: Floats, responded: Floats, control: Bools, *, link: str, refusal: str = "") -> DesignFit:
    """Fit a single cell of `design` (k, sessions); columns must be 0 in control rows."""
    rows = Rows(np.zeros(1, dtype=np.int64), design, n, responded, control)
    return fit_designs(rows, link=link, refusal=[refusal]).cell(0)


def _nothing(cells: int, width: int) -> dict[str, Floats]:
    """Return the arrays of cells not fitted; a fit without natural response leaves its last row and column at 0."""
    squares = {name: np.zeros((cells, width, width)) for name in ("covariance", "sandwich", "jackknife", "modelled")}
    lines = {name: np.full(cells, np.nan) for name in ("log_likelihood", "deviance", "pearson")}
    parameters = np.full((cells, width), np.nan)
    parameters[:, -1] = 0.0
    free, df = np.zeros(cells, dtype=bool), np.zeros(cells, dtype=np.int64)
    return {"parameters": parameters, "natural_estimated": free, "df": df, **squares, **lines}


def _fit_part(rows: Rows, link: Link) -> tuple[dict[str, Floats], Bools]:
    """Fit cells and return what DesignFits holds, columns first and cells last, and which fits are sound."""
    free = rows.total(rows.control.astype(float)) > 0
    natural = bool(free.any())
    fit = maximise(rows, _start(rows, link, free), link=link, natural_free=free if natural else None)
    state = state_at(rows, fit.parameters, link)
    held = np.zeros(fit.parameters.shape, dtype=bool)
    if natural:
        held[-1] = ~free | (fit.parameters[-1] <= 0.0)
    covariance, sound = invert(expected_information(rows, state), held)
    if natural:
        seen, seen_sound = invert(observed_information(rows, state, link), held)
        covariance = np.where(seen_sound & ~held[-1], seen, covariance)
    variance = rows.n * np.maximum(state.p * state.q, 1e-290)
    miss = rows.responded - rows.n * state.p
    squares = np.where(np.abs(miss) > 1e-12 * rows.n, miss * miss / variance, 0.0)
    df = rows.sizes() - (~held).sum(axis=0)
    plain, jackknife, modelled = _sandwiches(rows, state, covariance, held, _correlations(rows, squares, df))
    return {
        "parameters": fit.parameters, "natural_estimated": free, "covariance": covariance, "sandwich": plain,
        "jackknife": jackknife, "modelled": modelled, "log_likelihood": fit.log_likelihood,
        "deviance": 2.0 * (_saturated(rows) - log_likelihood(rows, state)), "pearson": rows.total(squares), "df": df,
    }, sound & fit.converged  # fmt: skip


def _correlations(rows: Rows, squares: Floats, df: Ints) -> Floats:
    """Return the correlation within sessions of each cell, a small part of it assumed.

    By moments, moved up towards the assumed one as `PRIOR_SESSIONS` weighs beside the fewer of the sessions with and of
    those without a response to spare: a few sessions that agree prove little.
    """
    measured = _by_moments(rows, squares, df)
    telling = np.minimum(rows.total((rows.responded > 0) * 1.0), rows.total((rows.responded < rows.n) * 1.0))
    gap = np.maximum(ASSUMED_CORRELATION - measured, 0.0)
    return measured + gap * PRIOR_SESSIONS / (telling + PRIOR_SESSIONS)


def _by_moments(rows: Rows, squares: Floats, df: Ints) -> Floats:
    """Return the correlation within sessions at which Pearson's chi-square of each cell is its df, 0 where it is less.

    Williams 1982, Appl Stat 31:144.
    """
    wider = ~(rows.total(squares) <= df)
    found = np.zeros(rows.start.size)
    if not wider.any():
        return found
    squares, rows, df = squares[rows.spread(wider)], rows.keep(wider), df[wider]
    others = np.maximum(rows.n - 1.0, 0.0)
    low, high = np.zeros(df.size), np.full(df.size, _MOST_CORRELATION)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = rows.total(squares / (1.0 + others * rows.spread(middle))) > df
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    found[wider] = high
    return found


def _sandwiches(rows: Rows, state: State, bread: Floats, held: Bools, correlation: Floats) -> list[Floats]:
    """Return the plain sandwich, that with residuals over one minus leverage (HC3), and that of correlated sessions."""
    columns = [np.where(rows.spread(h), 0.0, d) for h, d in zip(held, state.derivative, strict=True)]
    at_row = [[rows.spread(line) for line in lines] for lines in bread]
    leverage = sum(a * b * at_row[i][j] for i, a in enumerate(columns) for j, b in enumerate(columns))
    leverage = leverage * rows.n / np.maximum(state.p * state.q, 1e-290)
    squared = pull(rows, state) ** 2
    freed = 1.0 - np.clip(leverage, 0.0, _LARGEST_LEVERAGE)
    expected = rows.n / np.maximum(state.p * state.q, _TINY)
    expected = expected * (1.0 + np.maximum(rows.n - 1.0, 0.0) * rows.spread(correlation))
    meats = (summed_products(rows, weight, columns) for weight in (squared, squared / freed**2, expected))
    return [np.einsum("abc,bdc,dec->aec", bread, meat, bread) for meat in meats]


def _saturated(rows: Rows) -> Floats:
    from scipy.special import xlogy

    left = rows.n - rows.responded
    return rows.total(xlogy(rows.responded, rows.responded / rows.n) + xlogy(left, left / rows.n))


def _start(rows: Rows, link: Link, free: Bools) -> Floats:
    """Start flat: the sham's own rate, and one level for all strengths above it (the first column is the constant)."""
    k = rows.design.shape[0]
    in_bath = (~rows.control).astype(float)
    hits, n = rows.total(rows.responded * in_bath), rows.total(rows.n * in_bath)
    sham_hits, sham_n = rows.total(rows.responded) - hits, rows.total(rows.n) - n
    natural = np.where(free, np.minimum((sham_hits + 0.5) / (sham_n + 1.0), 0.95), 0.0)
    above = np.clip((hits / np.maximum(n, 1e-9) - natural) / (1.0 - natural), 0.1, 0.9)
    start = np.zeros((k + bool(free.any()), rows.start.size))
    start[0] = link.predictor(above) if np.all(rows.design[0][~rows.control] == 1.0) else 0.0
    if free.any():
        start[-1] = natural
    return start
