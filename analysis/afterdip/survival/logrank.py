"""Log-rank test of independent pieces, stratified where asked; for shared baths see `session_tests`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from ..errors import DataError
from .rows import SessionCounts, label_codes, session_counts


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """Observed and expected deaths by group, shape (n_groups,), and what their difference says.

    `variance`: of observed minus expected, shape (n_groups, n_groups). `chi_square` is the test's statistic on
    `degrees_of_freedom`, with `p_value`. `chi_square_oe` is the sum over groups of (O - E)^2 / E, the conservative
    form some textbooks print (Bland & Altman 2004); it is kept apart because it is not the same statistic.
    """

    groups: tuple
    observed: NDArray[np.float64]
    expected: NDArray[np.float64]
    variance: NDArray[np.float64]
    chi_square: float
    chi_square_oe: float
    degrees_of_freedom: int
    p_value: float
    method: str


def logrank(
    days: ArrayLike, deaths: ArrayLike, left: ArrayLike, *, group: ArrayLike, stratum: ArrayLike | None = None
) -> LogRank:
    """Compare survival of groups of independent pieces.

    `days`, `deaths`, `left`, `group`, `stratum`: shape (n_rows,), weighted counts as for `kaplan_meier`. The variance
    is hypergeometric, so ties are exact; strata are summed (Mantel 1966; Peto & Peto 1972). For pieces that share a
    bath use `session_logrank`: this one counts each as independent. Raises DataError with fewer than two groups or no
    deaths, and where no group could be told from another (none at risk together).
    """
    strata = counts_by_stratum(days, deaths, left, group, stratum)
    groups = tuple(dict.fromkeys(label for counts in strata for label in counts.sessions))
    if len(groups) < 2:
        raise DataError(f"a log-rank test needs two groups, got {len(groups)}")
    observed, expected = np.zeros(len(groups)), np.zeros(len(groups))
    variance = np.zeros((len(groups), len(groups)))
    for counts in strata:
        place = np.array([groups.index(label) for label in counts.sessions])
        n, d = counts.at_risk.sum(axis=0), counts.ends[0].sum(axis=0)
        share = counts.at_risk / n
        observed[place] += counts.ends[0].sum(axis=1)
        expected[place] += share @ d
        weight = np.divide(d * (n - d), n - 1, out=np.zeros_like(n), where=n > 1)
        variance[np.ix_(place, place)] += np.diag(share @ weight) - (share * weight) @ share.T
    chi_square, df = _quadratic_form(observed - expected, variance)
    p = float(chdtrc(df, chi_square))
    oe = float(np.sum(np.divide((observed - expected) ** 2, expected, out=np.zeros_like(expected), where=expected > 0)))
    method = "log-rank, hypergeometric variance" + ("" if stratum is None else f", {len(strata)} strata")
    return LogRank(groups, observed, expected, variance, chi_square, oe, df, p, method)


def counts_by_stratum(
    days: ArrayLike, deaths: ArrayLike, left: ArrayLike, label: ArrayLike, stratum: ArrayLike | None
) -> list[SessionCounts]:
    """Tally each stratum, in order of appearance, its rows grouped by `label`; DataError where a row has no stratum."""
    arrays = [*(np.asarray(values, float) for values in (days, deaths, left)), np.asarray(label)]
    if stratum is None:
        day, died, gone, name = arrays
        return [session_counts(day, [died], gone, session=name)]
    if any(a.shape != np.shape(stratum) for a in arrays):
        raise ValueError("days, counts, group and stratum must be one-dimensional and of equal length")
    names, code = label_codes(stratum)
    tallied = []
    for place in range(len(names)):
        day, died, gone, name = (a[code == place] for a in arrays)
        if (died + gone).any():
            tallied.append(session_counts(day, [died], gone, session=name))
    if not tallied:
        raise DataError("no pieces were followed: every row is empty")
    return tallied


def _quadratic_form(difference: NDArray, variance: NDArray) -> tuple[float, int]:
    """Chi-square of a singular normal vector and its degrees of freedom: the rank of its variance."""
    values, vectors = np.linalg.eigh(variance)
    large = values > 1e-9 * max(float(values[-1]), 1e-300)
    if values[-1] <= 0:
        raise DataError("no deaths while two groups were at risk together: nothing to compare")
    projected = vectors[:, large].T @ difference
    return float(np.sum(projected**2 / values[large])), int(large.sum())
