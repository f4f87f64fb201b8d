"""The exact partial likelihood of tied deaths: every choice of who died on a day, weighed against the one that did."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from .cox import CoxFit, fit_hazards
from .cox_terms import Stratum

MOST_TERMS = 2_000_000
"""Pieces at risk times deaths, summed over days, up to which the exact likelihood is computed."""


def cox_exact(
    days: ArrayLike,
    deaths: ArrayLike,
    left: ArrayLike,
    *,
    covariates: ArrayLike,
    names: Sequence[str] = (),
    stratum: ArrayLike | None = None,
    confidence_level: float = 0.95,
) -> CoxFit:
    """Fit the discrete model in which ties are real: log odds of dying on a day rise linearly (Cox 1972, sec. 6).

    Arguments as for `cox`, for independent pieces and whole counts: a check against which Efron's approximation can be
    held on small data. With heavy ties a maximum is often missing where Efron's has one; the fit then holds the
    reason. Raises DataError as `cox` does and where the days' deaths times pieces exceed MOST_TERMS.
    """
    return fit_hazards(
        days,
        deaths,
        left,
        covariates=covariates,
        names=names,
        stratum=stratum,
        confidence_level=confidence_level,
        ties="exact",
        likelihood=exact_likelihood,
    )


def exact_likelihood(strata: list[Stratum], beta: NDArray) -> tuple[float, NDArray, NDArray]:
    """Log likelihood, gradient (p,) and information (p, p): log of prod exp(x b) over the elementary symmetric sums."""
    if sum(float(s.deaths.sum(axis=0) @ s.at_risk.sum(axis=0)) for s in strata) > MOST_TERMS:
        raise DataError(f"more than {MOST_TERMS} pieces times deaths: use cox with Efron's ties")
    value, gradient, information = 0.0, np.zeros(len(beta)), np.zeros((len(beta), len(beta)))
    for s in strata:
        if (s.at_risk != np.round(s.at_risk)).any():
            raise DataError("the exact likelihood needs whole numbers of pieces")
        for died, at_risk in zip(s.deaths.T, s.at_risk.T, strict=True):
            log_sum, slope, curve = _symmetric_sum(s.covariates, at_risk, int(died.sum()), beta)
            value += float(died @ (s.covariates @ beta)) - log_sum
            gradient += died @ s.covariates - slope
            information += curve
    return value, gradient, information


def _symmetric_sum(x: NDArray, at_risk: NDArray, deaths: int, beta: NDArray) -> tuple[float, NDArray, NDArray]:
    """Log of the sum over all choices of `deaths` pieces of exp(sum x b), with its first and second derivatives.

    One piece after the other, each polynomial truncated at the number of deaths; derivatives travel along.
    """
    p, log_weight = x.shape[1], x @ beta
    shift = float(log_weight[at_risk > 0].max())
    e, g, h = np.zeros(deaths + 1), np.zeros((deaths + 1, p)), np.zeros((deaths + 1, p, p))
    e[0], log_scale = 1.0, 0.0
    for row, weight, times in zip(x, np.exp(log_weight - shift), at_risk.astype(int), strict=True):
        outer = np.outer(row, row)
        for _ in range(times):
            cross = g[:-1, :, None] * row
            add_h = weight * (h[:-1] + cross + cross.transpose(0, 2, 1) + outer * e[:-1, None, None])
            add_g, add_e = weight * (g[:-1] + row * e[:-1, None]), weight * e[:-1]
            h[1:] += add_h
            g[1:] += add_g
            e[1:] += add_e
            top = e.max()
            e, g, h, log_scale = e / top, g / top, h / top, log_scale + np.log(top)
    slope = g[-1] / e[-1]
    return float(np.log(e[-1]) + log_scale + deaths * shift), slope, h[-1] / e[-1] - np.outer(slope, slope)
