"""How strong one bottle's baths act: the factor on the written strength at which their outcome would be usual."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from ..dose_response import ratio_limits
from ..estimate import Estimate, cannot_say
from .cluster import MIN_EVENTS, cluster_logistic

MIN_EFFECTIVE = 4.0  # baths of the bottle that carry what is known of it
_MOST = 6.0  # powers of ten beyond which a factor means nothing


def strength_factor(
    strength: ArrayLike, apart: ArrayLike, design: ArrayLike, events: ArrayLike, trials: ArrayLike, *, bath: ArrayLike,
    spread: ArrayLike, confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Return by what factor the strength of the rows `apart` (bool) seems to differ from what was written.

    `strength`: above 0, one unit, shape (n_rows,); `design` (n_rows, p) holds a column of ones and what else matters.
    Parallel logistic curves on log10 strength: 10 to the ratio of the bottle's step to the slope, Fieller limits that
    hold both a jackknife over baths and a model of correlated pests (`ClusterFit`). 0.5: half of the written strength
    would explain it. Cannot say where only one strength was used, too few baths carry it, or the outcome does not rise
    with strength beyond doubt.
    """
    x, y, n = (np.asarray(a, float) for a in (strength, events, trials))
    labels = np.asarray(bath)
    silent = {
        "confidence_level": confidence_level, "sessions": int(np.unique(labels[n > 0]).size), "pests": round(n.sum()),
    }  # fmt: skip
    if not n.sum() or np.ptp(np.log10(x[n > 0])) < 0.1:
        return cannot_say("only one strength was used", **silent)
    if min(y.sum(), (n - y).sum()) < MIN_EVENTS:
        return cannot_say(f"too few events: needs {MIN_EVENTS:.0f}", **silent)
    X = np.column_stack([np.asarray(design, float), np.log10(x), np.asarray(apart, float)])
    fit = cluster_logistic(X, y, n, cluster=labels, spread=np.r_[np.asarray(spread, float), np.inf, np.inf])
    if fit.reason:
        return cannot_say(fit.reason, **silent)
    effective = float(fit.effective[-2:].min())
    if effective < MIN_EFFECTIVE:
        return cannot_say(f"too few baths: worth {effective:.1f}, needs {MIN_EFFECTIVE:.0f}", **silent)
    slope, step = fit.coefficients[-2:]
    t = float(stdtrit(effective - 1, 0.5 + 0.5 * confidence_level))
    ends = [
        ratio_limits(step, slope, v[-1, -1], v[-2, -1], v[-2, -2], t)[:2] for v in (fit.covariance, fit.modelled)
    ]  # fmt: skip
    if any(low is None for low, _ in ends):
        return cannot_say("the outcome is not shown to change with strength", **silent)
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    if max(abs(low), abs(high), abs(step / slope)) > _MOST:
        return cannot_say("the outcome is not shown to change with strength", **silent)
    value, low, high = (float(10**power) for power in (step / slope, low, high))
    method = "parallel logistic curves on log10 strength, Fieller limits at the level of baths"
    return Estimate(estimate=value, low=low, high=high, method=method, **silent)
