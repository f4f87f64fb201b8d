"""What a fitted curve says: the strength at which a share responds, the share at a strength, each with limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate import Estimate, cannot_say
from ..proportion import session_proportion
from .curve import ConcentrationCurve
from .fit import DesignFit
from .links import LINKS, Floats

METHODS = ("fieller", "delta")
_NO_SPARE = "no session is left over to judge the scatter between sessions by"
_OPEN = "the curve is too uncertain here"
_BASIS_WORDS = {
    "session": "session-level", "heterogeneity": "heterogeneity factor", "binomial": "binomial, pieces independent",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of two linear functions of the coefficients with Fieller's limits; `reason` says why an end is open."""

    value: float
    low: float | None
    high: float | None
    reason: str


def ratio_limits(
    top: float, bottom: float, var_top: float, cov: float, var_bottom: float, t: float
) -> tuple[float | None, float | None, float]:
    """Return Fieller's limits of top / bottom, and g: t squared times the bottom's squared coefficient of variation.

    At g of 1 or more the bottom is not told from 0 and the set of ratios the data allow is unbounded: (None, None, g).
    Fieller 1954, JRSS B 16:175; Finney 1971, Probit Analysis, ch. 4.
    """
    g = t * t * var_bottom / (bottom * bottom)
    if not g < 1.0:
        return None, None, g
    a = bottom * bottom - t * t * var_bottom
    b = top * bottom - t * t * cov
    c = top * top - t * t * var_top
    root = float(np.sqrt(max(b * b - a * c, 0.0)))
    return (b - root) / a, (b + root) / a, g


def fieller_ratio(
    fit: DesignFit, top: Floats, bottom: Floats, *, shift: float = 0.0, basis: str, confidence_level: float
) -> Ratio:
    """Return (top . beta + shift) / (bottom . beta) with the Fieller limits that hold every matrix of the basis's."""
    beta = np.append(fit.coefficients, fit.natural)
    over, under = float(top @ beta) + shift, float(bottom @ beta)
    t = fit.quantile(basis, confidence_level)
    if t is None:
        return Ratio(over / under, None, None, _NO_SPARE)
    limits = [
        ratio_limits(over, under, float(top @ v @ top), float(top @ v @ bottom), float(bottom @ v @ bottom), t)
        for v in fit.spread(basis)
    ]
    if any(limit[0] is None for limit in limits):
        return Ratio(over / under, None, None, _OPEN)
    return Ratio(over / under, min(limit[0] for limit in limits), max(limit[1] for limit in limits), "")


def standard_errors(fit: DesignFit, contrast: Floats, basis: str) -> Floats:
    """Return the standard error of contrast (..., k + 1) . (coefficients, natural), the widest over the basis."""
    variances = [np.einsum("...i,ij,...j->...", contrast, v, contrast) for v in fit.spread(basis)]
    return np.sqrt(np.maximum(np.max(variances, axis=0), 0.0))


def concentration_at(
    curve: ConcentrationCurve, level: float = 50.0, *, method: str = "fieller", basis: str = "session",
    confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Return the strength at which `level` per cent respond of those the natural response leaves (LC50, EC90, ...).

    In the curve's own unit of strength; the limits are taken on log10 strength. `method` is fieller or delta. `basis`
    says what scatter the limits allow for: "session" that of baths, the widest of three measures (DesignFit.spread);
    "binomial" none, with normal quantiles, as programs print it for independent pests; "heterogeneity" Pearson's
    chi-square over its degrees of freedom where that is above 1, with t (Finney 1971; programs that test first print
    this where the chi-square is significant, and "binomial" elsewhere). Where Fieller's g is 1 or more, or no session
    is to spare, both limits are None and `reason` says why. The number may lie outside the strengths tried (see
    `inside_tried`): nothing there is known but by the shape of the curve. Raises ValueError for a level outside 1..99.
    """
    if not 1.0 <= level <= 99.0:
        raise ValueError(f"level must be a percentage from 1 to 99, got {level!r}")
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}, got {method!r}")
    if curve.refusal:
        return cannot_say(curve.refusal, confidence_level=confidence_level, **curve.counts())
    at = float(LINKS[curve.fit.link].predictor(level / 100.0))
    top, bottom = np.array([-1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    log = fieller_ratio(curve.fit, top, bottom, shift=at, basis=basis, confidence_level=confidence_level)
    t = curve.fit.quantile(basis, confidence_level)
    if method == "delta" and t is not None:
        reach = t * delta_standard_error(curve.fit, log.value, basis=basis)
        log = Ratio(log.value, log.value - reach, log.value + reach, "")
    words = f"{LINKS[curve.fit.link].label} on log10 strength, {method} limits, {_BASIS_WORDS[basis]}"
    return power_of_ten(log, method=words, confidence_level=confidence_level, counts=curve.counts())


def delta_standard_error(fit: DesignFit, log10_strength: float, *, basis: str = "binomial") -> float:
    """Return the delta-method standard error of a log10 concentration estimate (Venables & Ripley 2002, sec. 7.2)."""
    contrast = np.array([1.0, log10_strength, 0.0]) / fit.coefficients[1]
    return float(standard_errors(fit, contrast, basis))


def power_of_ten(log: Ratio, *, method: str, confidence_level: float, counts: dict[str, int]) -> Estimate:
    """Return a ratio on log10 as an Estimate on the scale of strength; refuse what no bath could be mixed to."""
    ends = [None if end is None or abs(end) > 300 else float(10.0**end) for end in (log.value, log.low, log.high)]
    if ends[0] is None:
        return cannot_say("response is too flat in strength", confidence_level=confidence_level, **counts)
    reason = log.reason or ("" if None not in ends else _OPEN)
    return Estimate(
        estimate=ends[0], low=ends[1], high=ends[2], confidence_level=confidence_level, method=method, reason=reason,
        **counts,
    )  # fmt: skip


def inside_tried(curve: ConcentrationCurve, strength: float) -> bool:
    """Whether a strength lies within those tried; outside, a curve is only its own shape."""
    low, high = curve.tried
    return bool(low * (1 - 1e-12) <= strength <= high * (1 + 1e-12))


def natural_response(curve: ConcentrationCurve, *, basis: str = "session", confidence_level: float = 0.95) -> Estimate:
    """Return the natural (sham) response estimated along with the curve, with limits on the logit scale.

    At 0 the upper limit is that of the sham sessions by themselves. `cannot_say` without sham sessions.
    """
    counts = curve.counts()
    if curve.refusal or not curve.fit.natural_estimated:
        reason = curve.refusal or "no sham session"
        return cannot_say(reason, confidence_level=confidence_level, **counts)
    c = curve.natural
    if c <= 0.0:
        sham = curve.strength == 0
        value = session_proportion(curve.responded[sham], curve.n[sham], confidence_level=confidence_level)
        if not value.known:
            return cannot_say(value.reason, confidence_level=confidence_level, **counts)
        method = "maximum likelihood at 0, upper limit of the sham sessions alone"
        return Estimate(
            estimate=0.0, low=0.0, high=value.high, confidence_level=confidence_level, method=method, **counts
        )
    t = curve.fit.quantile(basis, confidence_level)
    method = f"maximum likelihood, {_BASIS_WORDS[basis]} limits on the logit scale"
    if t is None:
        return Estimate(estimate=c, confidence_level=confidence_level, method=method, reason=_NO_SPARE, **counts)
    reach = t * float(standard_errors(curve.fit, np.array([0.0, 0.0, 1.0]), basis)) / (c * (1.0 - c))
    ends = [float(LINKS["logit"].below(np.array(np.log(c / (1.0 - c)) + sign * reach))) for sign in (-1.0, 1.0)]
    return Estimate(
        estimate=c, low=ends[0], high=ends[1], confidence_level=confidence_level, method=method, **counts
    )
