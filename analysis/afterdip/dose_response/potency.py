"""Which link, and two agents on one scale: comparison of links, parallelism, relative potency."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from ..proportion.columns import label_places
from .curve import ConcentrationCurve, fit_curve
from .fit import DesignFit, fit_one
from .levels import concentration_at, fieller_ratio, power_of_ten, standard_errors
from .links import LINKS, Floats
from .rows import check_counted, checked_counts, counts_of, merge_sessions


@dataclass(frozen=True, slots=True)
class LinkComparison:
    """The same rows under each link: `curves`, and each link's LC/EC at `level` per cent, by name of link."""

    curves: dict[str, ConcentrationCurve]
    level: float
    concentration: dict[str, Estimate]

    @property
    def likeliest(self) -> str | None:
        """Link with the largest likelihood (all have as many parameters); None where no link could be fitted."""
        fitted = {name: c.fit.log_likelihood for name, c in self.curves.items() if not c.refusal}
        return max(fitted, key=fitted.__getitem__) if fitted else None

    @property
    def fold(self) -> float | None:
        """Largest over smallest concentration among the links: how much the choice of link matters at this level."""
        known = [e.estimate for e in self.concentration.values() if e.estimate is not None]
        return max(known) / min(known) if known else None


def compare_links(
    strength: ArrayLike, n: ArrayLike, responded: ArrayLike, *, session: ArrayLike | None = None, level: float = 50.0,
    counted: str = "pests", confidence_level: float = 0.95,
) -> LinkComparison:  # fmt: skip
    """Fit all three links and put the concentration at `level` per cent beside each other; rows as in fit_curve.

    For showing how far a figure hangs on the link. Picking the likeliest link and then quoting its limits as if it had
    been given makes them too narrow.
    """
    curves = {name: fit_curve(strength, n, responded, session=session, link=name, counted=counted) for name in LINKS}
    at = {name: concentration_at(c, level, confidence_level=confidence_level) for name, c in curves.items()}
    return LinkComparison(curves, level, at)


@dataclass(frozen=True, slots=True)
class Potency:
    """Two agents under parallel curves and under curves of their own.

    `relative_potency` is how many times weaker a bath of the second agent may be than one of the first for the same
    response (strengths in the same unit). `slope_difference` (second less first) with its limits and `parallel_p` test
    parallelism at session level; `deviance_drop` is the likelihood-ratio statistic on 1 degree of freedom.
    """

    parallel: DesignFit
    separate: DesignFit
    relative_potency: Estimate
    slope_difference: Estimate
    parallel_p: float | None
    deviance_drop: float | None


def relative_potency(
    strength: ArrayLike, n: ArrayLike, responded: ArrayLike, second: ArrayLike, *, session: ArrayLike | None = None,
    link: str = "logit", basis: str = "session", counted: str = "pests", confidence_level: float = 0.95,
) -> Potency:  # fmt: skip
    """Compare two agents on one scale by parallel curves of log10 strength; `second` (n_rows,) marks the second agent.

    The ratio is the first agent's strength over the second's for one response: above 1 the second is the stronger.
    Sham rows (strength 0) serve both: their natural response is common. Limits are Fieller's (Finney 1971, ch. 6),
    `basis` as for `concentration_at`. Where slopes differ the ratio depends on the share compared at, and `reason` says
    so. `parallel_p` is Wald's on that basis, `deviance_drop` the likelihood ratio's statistic on one degree of freedom.
    Raises DataError where an agent has no session.
    """
    check_counted(counted)
    x, total, hits = checked_counts(strength, n, responded)
    mark = np.asarray(second, dtype=bool) & (x > 0)
    _, (x, mark), (total, hits) = merge_sessions(
        np.zeros(x.size, dtype=np.int64), (x, mark), (total, hits), _apart(x, mark, session)
    )
    dosed = x > 0
    one, two, log = dosed & ~mark, dosed & mark, np.log10(np.where(dosed, x, 1.0))
    if not one.any() or not two.any():
        raise DataError("both agents need a session with the agent")
    counts = counts_of(total, hits, counted)
    refusal = _either_refuses(x, total, hits, mark, link)
    parallel = fit_one(np.stack([one, two, log * dosed]).astype(float), total, hits, ~dosed, link=link, refusal=refusal)
    separate = fit_one(np.stack([one, two, one * log, two * log]), total, hits, ~dosed, link=link, refusal=refusal)
    refusal = parallel.refusal or separate.refusal
    if refusal:
        nothing = cannot_say(refusal, confidence_level=confidence_level, **counts)
        return Potency(parallel, separate, nothing, nothing, None, None)
    difference, p = _slope_difference(separate, basis, confidence_level, counts)
    ratio = _ratio(parallel, p, basis, confidence_level, counts)
    return Potency(parallel, separate, ratio, difference, p, parallel.deviance - separate.deviance)


def _apart(x: np.ndarray, mark: np.ndarray, session: ArrayLike | None) -> np.ndarray | None:
    """Label sessions so that two agents' sessions of one name stay two and a sham session stays one."""
    if session is None:
        return None
    sides = np.where(x > 0, np.where(mark, "second ", "first "), "sham ")
    names, place = label_places(session)
    return np.char.add(sides, names.astype(str)[place])


def _either_refuses(x: Floats, n: Floats, hits: Floats, mark: np.ndarray, link: str) -> str:
    """Say which agent has no curve of its own, and why."""
    for name, rows in (("first", ~mark), ("second", mark | (x == 0))):
        alone = fit_curve(x[rows], n[rows], hits[rows], link=link)
        if alone.refusal:
            return f"{name} agent: {alone.refusal}"
    return ""


def _slope_difference(
    fit: DesignFit, basis: str, level: float, counts: dict[str, int]
) -> tuple[Estimate, float | None]:
    from scipy.special import ndtr, stdtr

    contrast = np.array([0.0, 0.0, -1.0, 1.0, 0.0])
    value = float(contrast[:-1] @ fit.coefficients)
    t = fit.quantile(basis, level)
    if t is None:
        reason = "no session is left over to judge the scatter between sessions by"
        return Estimate(estimate=value, confidence_level=level, reason=reason, **counts), None
    error = float(standard_errors(fit, contrast, basis))
    z = -abs(value) / error
    p = 2.0 * float(ndtr(z) if basis == "binomial" else stdtr(fit.df, z))
    method = f"Wald, {basis} limits, second less first"
    return Estimate(
        estimate=value, low=value - t * error, high=value + t * error, confidence_level=level, method=method, **counts
    ), p


def _ratio(fit: DesignFit, parallel_p: float | None, basis: str, level: float, counts: dict[str, int]) -> Estimate:
    top, bottom = np.array([-1.0, 1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0, 0.0])
    log = fieller_ratio(fit, top, bottom, basis=basis, confidence_level=level)
    if parallel_p is not None and parallel_p < 0.05:
        why = "slopes differ: how much stronger depends on the share compared at"
        log = replace(log, reason="; ".join(filter(None, (why, log.reason))))
    method = f"parallel {LINKS[fit.link].label} lines, Fieller limits, {basis}"
    return power_of_ten(log, method=method, confidence_level=level, counts=counts)
