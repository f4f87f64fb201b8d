"""Weighted least squares with limits that hold when the spread differs from row to row; shared by the estimators."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterdip.errors import DataError
from afterdip.estimate import Estimate

MIN_SESSIONS = 8  # below this neither the split into fixed and per piece nor its limits mean anything


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Coefficients, shape (k,), their HC3 covariance, shape (k, k), and rows less coefficients."""

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    degrees_of_freedom: int

    def combination(self, weights: ArrayLike, *, confidence_level: float, **counts) -> Estimate:
        """Return the Estimate of weights @ coefficients with t limits; `counts` are those of Estimate."""
        w = np.asarray(weights, dtype=np.float64)
        value, error = float(w @ self.coefficients), float(np.sqrt(max(w @ self.covariance @ w, 0.0)))
        reach = t_quantile(confidence_level, self.degrees_of_freedom) * error
        return Estimate(
            estimate=value, low=value - reach, high=value + reach, confidence_level=confidence_level, **counts
        )


def least_squares(design: NDArray, values: NDArray, weight: NDArray) -> Fit:
    """Fit by weighted least squares; the covariance is HC3 (MacKinnon & White 1985, J Econometrics 29:305-325).

    HC3 allows any spread of the rows and leans to the safe side with few of them. `design`: shape (n, k) of full
    column rank; `values`, `weight`: shape (n,), weights above 0. A row that alone decides a coefficient has no
    residual to speak of: its leverage is held just below 1.
    """
    root = np.sqrt(weight)
    x, y = design * root[:, None], values * root
    bread = np.linalg.inv(x.T @ x)
    coefficients = bread @ (x.T @ y)
    leverage = np.einsum("ij,jk,ik->i", x, bread, x)
    scores = x * ((y - x @ coefficients) / (1.0 - np.minimum(leverage, 1 - 1e-9)))[:, None]
    return Fit(coefficients, bread @ (scores.T @ scores) @ bread, len(values) - design.shape[1])


def session_weights(minutes: NDArray, pieces: NDArray) -> NDArray[np.float64]:
    """Return weights 1 / expected minutes, shape (n,): large sessions spread more, so they count less each.

    Expected minutes come from the fit itself, iterated from equal weights to three rounds; with these weights the
    fitted minutes add up to the observed ones. Expectations below a twentieth of the mean are held there.
    """
    design = np.column_stack([np.ones_like(pieces), pieces])
    floor = 0.05 * minutes.mean() if minutes.mean() > 0 else 1.0
    weight = np.ones_like(pieces)
    for _ in range(3):
        root = np.sqrt(weight)
        coefficients = np.linalg.lstsq(design * root[:, None], minutes * root, rcond=None)[0]
        weight = 1.0 / np.maximum(design @ coefficients, floor)
    return weight


def check_sessions(minutes: ArrayLike, pieces: ArrayLike) -> tuple[NDArray, NDArray, NDArray]:
    """Return minutes and pieces as floats and which sessions have minutes; DataError for impossible values."""
    y, n = np.asarray(minutes, dtype=np.float64), np.asarray(pieces, dtype=np.float64)
    if y.shape != n.shape or y.ndim != 1:
        raise ValueError(f"minutes and pieces must be of one shape (n_sessions,), got {y.shape} and {n.shape}")
    if not np.all(n >= 1):
        raise DataError("pieces: 1 or more in every session")
    if np.any(y < 0) or np.any(np.isinf(y)):
        raise DataError("minutes: finite and 0 or more, or NaN where no labour was written down")
    return y, n, ~np.isnan(y)


def t_quantile(confidence_level: float, degrees_of_freedom: float) -> float:
    """Return the two-sided Student quantile."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, 0.5 + confidence_level / 2))


def too_few(sessions: int) -> str:
    """Return the reason a figure is missing where too few sessions have labour."""
    return f"{sessions} session{'' if sessions == 1 else 's'} with labour written down, needs {MIN_SESSIONS}"
