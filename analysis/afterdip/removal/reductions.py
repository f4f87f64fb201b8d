"""The four reductions with limits, each labelled with its formula and the control it used; arithmetic means.

Every arm keeps the session-level limits of its own ratio, and two arms are joined by `proportion.ratio_of`, so that a
zero on the treated side is a bound. A reduction below 0 (the sham did better) is shown, never clipped; where the sham
may have had none left the lower limit is open (None).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate, cannot_say
from ..proportion import by_session, ratio_influence, ratio_of, session_mean, session_proportion, session_ratio


@dataclass(frozen=True, slots=True)
class Reduction:
    """One reduction: its name, the formula and the control in words, the estimate with limits.

    `log_standard_error` is the plain session-robust standard error of log(1 - reduction), None where nothing was left.
    """

    name: str
    formula: str
    control: str
    estimate: Estimate
    log_standard_error: float | None = None

    def to_json(self) -> dict:
        """Return the labels and the estimate."""
        labels = {"name": self.name, "formula": self.formula, "control": self.control}
        return labels | {"reduction": self.estimate.to_json()}


def before_after_reduction(after, before, *, session=None, confidence_level: float = 0.95) -> Reduction:
    """1 - after/before on the same pieces, living pests on them; all arrays of shape (n_rows,), labels in `session`.

    No control: handling, hiding and time are in it. None before is "no denominator".
    """
    ratio = session_ratio(after, before, session=session, confidence_level=confidence_level)
    error = log_ratio_standard_error(after, before, session=session)
    return _reduction("before/after", "1 - after/before", "none (the same pieces before)", ratio, error, np.sum(before))


def abbott_reduction(
    after, pieces, sham_after, sham_pieces, *, session=None, sham_session=None, confidence_level: float = 0.95
) -> Reduction:
    """1 - (living per piece after the agent)/(living per piece after the sham) (Abbott 1925).

    `after`: living pests on `pieces` examined. Assumes both arms were equally infested before.
    """
    options = {"confidence_level": confidence_level}
    sham = session_mean(sham_after, sham_pieces, session=sham_session, **options)
    treated = session_mean(after, pieces, session=session, before=sham.estimate or 0.0, **options)
    error = _joint_error((after, pieces, session), (sham_after, sham_pieces, sham_session))
    ratio = _over_sham(treated, sham)
    return _reduction("Abbott", "1 - agent after/sham after", "sham after the dip", ratio, error, np.sum(after))


def henderson_tilton_reduction(
    after, before, sham_after, sham_before, *, session=None, sham_session=None, confidence_level: float = 0.95
) -> Reduction:
    """1 - (agent after/before)/(sham after/before), living pests on the same pieces (Henderson & Tilton 1955)."""
    options = {"confidence_level": confidence_level}
    treated = session_ratio(after, before, session=session, **options)
    sham = session_ratio(sham_after, sham_before, session=sham_session, **options)
    error = _joint_error((after, before, session), (sham_after, sham_before, sham_session))
    formula, control = "1 - (agent after/before)/(sham after/before)", "sham before and after"
    return _reduction("Henderson-Tilton", formula, control, _over_sham(treated, sham), error, np.sum(before))


def schneider_orelli_reduction(
    dead, found, sham_dead, sham_found, *, session=None, sham_session=None, confidence_level: float = 0.95
) -> Reduction:
    """(dead share of the agent - of the sham)/(1 - of the sham), over all found in each dip (Schneider-Orelli 1947)."""
    options = {"confidence_level": confidence_level}
    dead, found = by_session(session, dead, found)
    sham_dead, sham_found = by_session(sham_session, sham_dead, sham_found)
    treated = session_proportion(found - dead, found, **options)
    sham = session_proportion(sham_found - sham_dead, sham_found, **options)
    error = _joint_error((found - dead, found, None), (sham_found - sham_dead, sham_found, None))
    formula, control = "(agent dead - sham dead)/(1 - sham dead), shares of found", "sham's dead share"
    return _reduction("Schneider-Orelli", formula, control, _over_sham(treated, sham), error, np.sum(found))


def log_ratio_standard_error(numerator, denominator, *, session=None) -> float | None:
    """Plain session-robust standard error of log(sum(numerator)/sum(denominator)); None where either sum is 0.

    Times sqrt(m/(m-1)) it is the delta-method error on paired counts of m sessions.
    """
    if not np.sum(numerator) or not np.sum(denominator):
        return None
    influence = ratio_influence(numerator, denominator, session=session)
    return float(np.sqrt((influence**2).sum()) / (np.sum(numerator) / np.sum(denominator)))


def _joint_error(*arms) -> float | None:
    """Error of the difference of the arms' logs; each arm is numerator, denominator, session labels."""
    errors = [log_ratio_standard_error(top, bottom, session=session) for top, bottom, session in arms]
    return None if None in errors else math.hypot(*errors)


def _over_sham(treated: Estimate, sham: Estimate) -> Estimate:
    """Join the arms, saying which of them cannot be told."""
    if treated.known and not sham.known:
        reason = "no sham dip with a count" if sham.sessions == 0 else f"sham: {sham.reason}"
        sham = replace(sham, reason=reason)
    elif treated.known and sham.estimate == 0:
        return cannot_say("no denominator: nothing left after the sham either", confidence_level=sham.confidence_level)
    return ratio_of(treated, sham)


def _reduction(name: str, formula: str, control: str, ratio: Estimate, error: float | None, pests: float) -> Reduction:
    """Turn what is left into what is gone."""
    if not ratio.known:
        return Reduction(name, formula, control, replace(ratio, method=f"{name}: {formula}"))
    estimate = replace(
        ratio, estimate=1 - ratio.estimate, low=None if ratio.high is None else 1 - ratio.high, high=1 - ratio.low,
        pests=round(float(pests)), method=f"{name}: {formula}; arithmetic means, session-level limits",
    )
    return Reduction(name, formula, control, estimate, error)
