"""The four reductions with limits, each labelled with its formula and the control it used; arithmetic means.

Every arm keeps the session-level limits of its own ratio, and two arms are joined by `proportion.ratio_of`, so that a
zero on the treated side is a bound. A reduction below 0 (the sham did better) is shown, never clipped; where the sham
may have had none left the lower limit is open (None).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate, cannot_say
from ..proportion import (
    by_session,
    clumping_seen,
    ratio_influence,
    ratio_of,
    session_means,
    session_proportions,
    session_ratios,
)


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
    return before_after_reductions([(after, before, session)], confidence_level=confidence_level)[0]


def before_after_reductions(counts: Sequence[tuple], *, confidence_level: float = 0.95) -> list[Reduction]:
    """What `before_after_reduction` gives for each of `counts`, (after, before, session labels or None), in one go."""
    arms = [_summed(arm) for arm in counts]
    ratios = session_ratios(arms, confidence_level=confidence_level)
    formula, control = "1 - after/before", "none (the same pieces before)"
    return [
        _reduction("before/after", formula, control, ratio, (arm,), arm[1])
        for ratio, arm in zip(ratios, arms, strict=True)
    ]


def abbott_reduction(
    after, pieces, sham_after, sham_pieces, *, session=None, sham_session=None, confidence_level: float = 0.95
) -> Reduction:
    """1 - (living per piece after the agent)/(living per piece after the sham) (Abbott 1925).

    `after`: living pests on `pieces` examined. Assumes both arms were equally infested before, and as clumped.
    """
    arms = (after, pieces, session), (sham_after, sham_pieces, sham_session)
    return abbott_reductions([arms], confidence_level=confidence_level)[0]


def abbott_reductions(arms: Sequence[tuple], *, confidence_level: float = 0.95) -> list[Reduction]:
    """What `abbott_reduction` gives for each of `arms`: (after, pieces, session labels) of both sides."""
    agents, shams = _both_summed(arms)
    shaken = _each_once(session_means, shams, confidence_level=confidence_level)
    before = [sham.estimate or 0.0 for sham in shaken]
    clumping = _each_once(lambda distinct: [clumping_seen(top, pieces) for top, pieces, _ in distinct], shams)
    treated = session_means(agents, before=before, clumping=clumping, confidence_level=confidence_level)
    names = "Abbott", "1 - agent after/sham after", "sham after the dip"
    return _over_shams(names, agents, shams, treated, shaken, pests=0)


def henderson_tilton_reduction(
    after, before, sham_after, sham_before, *, session=None, sham_session=None, confidence_level: float = 0.95
) -> Reduction:
    """1 - (agent after/before)/(sham after/before), living pests on the same pieces (Henderson & Tilton 1955)."""
    arms = (after, before, session), (sham_after, sham_before, sham_session)
    return henderson_tilton_reductions([arms], confidence_level=confidence_level)[0]


def henderson_tilton_reductions(arms: Sequence[tuple], *, confidence_level: float = 0.95) -> list[Reduction]:
    """What `henderson_tilton_reduction` gives for each of `arms`: (after, before, session labels) of both sides."""
    agents, shams = _both_summed(arms)
    options = {"confidence_level": confidence_level, "in_ratio": True}
    treated, shaken = (_each_once(session_ratios, side, **options) for side in (agents, shams))
    names = "Henderson-Tilton", "1 - (agent after/before)/(sham after/before)", "sham before and after"
    return _over_shams(names, agents, shams, treated, shaken, pests=1)


def schneider_orelli_reduction(
    dead, found, sham_dead, sham_found, *, session=None, sham_session=None, confidence_level: float = 0.95
) -> Reduction:
    """(dead share of the agent - of the sham)/(1 - of the sham), over all found in each dip (Schneider-Orelli 1947)."""
    arms = (dead, found, session), (sham_dead, sham_found, sham_session)
    return schneider_orelli_reductions([arms], confidence_level=confidence_level)[0]


def schneider_orelli_reductions(arms: Sequence[tuple], *, confidence_level: float = 0.95) -> list[Reduction]:
    """What `schneider_orelli_reduction` gives for each of `arms`: (dead, found, session labels) of both sides."""
    agents, shams = ([(found - dead, found, None) for dead, found, _ in side] for side in _both_summed(arms))
    options = {"confidence_level": confidence_level, "in_difference": True}
    treated, shaken = (_each_once(session_proportions, side, **options) for side in (agents, shams))
    names = "Schneider-Orelli", "(agent dead - sham dead)/(1 - sham dead), shares of found", "sham's dead share"
    return _over_shams(names, agents, shams, treated, shaken, pests=1)


def log_ratio_standard_error(numerator, denominator, *, session=None) -> float | None:
    """Plain session-robust standard error of log(sum(numerator)/sum(denominator)); None where either sum is 0.

    Times sqrt(m/(m-1)) it is the delta-method error on paired counts of m sessions.
    """
    if not np.sum(numerator) or not np.sum(denominator):
        return None
    influence = ratio_influence(numerator, denominator, session=session)
    return float(np.sqrt((influence**2).sum()) / (np.sum(numerator) / np.sum(denominator)))


def _summed(arm: tuple) -> tuple:
    """One arm by session: numerator, denominator, and no more labels."""
    top, bottom, session = arm
    return (*by_session(session, top, bottom), None)


def _both_summed(arms: Sequence[tuple]) -> tuple[list[tuple], list[tuple]]:
    """The agents' arms and the shams', by session."""
    return [_summed(agent) for agent, _ in arms], [_summed(sham) for _, sham in arms]


def _each_once(read: Callable, arms: list[tuple], **options: float | bool) -> list:
    """What `read` gives for each arm, those of the same counts read once: one sham stands beside many agents."""
    keys = [(top.tobytes(), bottom.tobytes()) for top, bottom, _ in arms]
    distinct = dict(zip(keys, arms, strict=True))
    found = dict(zip(distinct, read(list(distinct.values()), **options), strict=True))
    return [found[key] for key in keys]


def _over_shams(
    names: tuple[str, str, str], agents: list[tuple], shams: list[tuple], treated: list[Estimate],
    shaken: list[Estimate], *, pests: int,
) -> list[Reduction]:  # fmt: skip
    """One reduction a pair of arms; `pests`: which column of the agent's counts them."""
    return [
        _reduction(*names, _over_sham(left, left_by_sham), (agent, sham), agent[pests])
        for agent, sham, left, left_by_sham in zip(agents, shams, treated, shaken, strict=True)
    ]


def _over_sham(treated: Estimate, sham: Estimate) -> Estimate:
    """Join the arms, saying which of them cannot be told."""
    if treated.known and not sham.known:
        reason = "no sham dip with a count" if sham.sessions == 0 else f"sham: {sham.reason}"
        sham = replace(sham, reason=reason)
    elif treated.known and sham.estimate == 0:
        return cannot_say("no denominator: nothing left after the sham either", confidence_level=sham.confidence_level)
    return ratio_of(treated, sham)


def _reduction(
    name: str, formula: str, control: str, ratio: Estimate, arms: tuple[tuple, ...], pests: np.ndarray
) -> Reduction:
    """Turn what is left into what is gone; `arms`: numerator, denominator and labels of each."""
    if not ratio.known:
        return Reduction(name, formula, control, replace(ratio, method=f"{name}: {formula}"))
    estimate = replace(
        ratio, estimate=1 - ratio.estimate, low=None if ratio.high is None else 1 - ratio.high, high=1 - ratio.low,
        pests=round(float(np.sum(pests))), method=f"{name}: {formula}; arithmetic means, session-level limits",
    )
    errors = [log_ratio_standard_error(top, bottom, session=session) for top, bottom, session in arms]
    return Reduction(name, formula, control, estimate, None if None in errors else math.hypot(*errors))
