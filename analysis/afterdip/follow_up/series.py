"""Dips as a series: how far apart, until when, and what is left after so many.

A dip is taken to end the laying of the pests it finds, and to leave every egg alive. Eggs laid up to the day of a dip
hatch up to the latest hatch H days on; a hatchling lays no earlier than L days old. If dips are fewer than L days
apart and the last comes more than H days after the first, every hatchling meets a dip before it can lay. Days are
whole calendar days while dips fall at any hour, so the longest gap is the whole days of L less one, and the last dip
comes on the day after the whole days that H fills.

Pests that outlive a dip go on laying, so a dip that left pests able to lay does not begin the series: the next does.
The same goes for a dip that came after a gap too long. Days are integers on any common calendar.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from ..estimate import Estimate, cannot_say
from .life_cycle import LifeCycle

JOINED = 0.93
"""What is left of the distance to the limits of several agents' kills, joined by squares.

Each agent's limits are cautious, for nobody knows how alike its pests are, and that seldom misleads in all at once.
Joined as they are they held up to 98.3 % from thirty sessions of each up; so 94.2-97.5 % (`calibrate/follow_up.py`).
"""
STATUSES = ("overdue", "not dipped", "due", "planned", "unknown", "complete")  # most pressing first


@dataclass(frozen=True, slots=True)
class Series:
    """The dips of some pieces so far.

    `anchor`: the dip up to which eggs may have been laid, None without a dip; `last`: the last dip; `met`: dips from
    the anchor on; `layers`: pests that may lay are known to live since the last dip; `late`: dips after too long a gap.
    """

    anchor: int | None
    last: int | None
    met: int
    layers: bool
    late: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedDip:
    """A dip to come: the day planned, and the last day that keeps the gap short enough."""

    day: int
    latest: int


@dataclass(frozen=True, slots=True)
class Plan:
    """What is still to do.

    `status`: one of STATUSES; `dips`: in order, none where complete or unknown; `hatched_by`: the first day on which
    no egg is left unhatched, if the plan is kept; None where the latest hatch is not known. `ends`: whether the plan's
    last dip is known to be the last one needed. `latest`: the last day on which the next dip kept the gap, None without
    a dip so far.
    """

    status: str
    dips: tuple[PlannedDip, ...]
    hatched_by: int | None
    ends: bool
    latest: int | None


def longest_gap(life: LifeCycle) -> int | None:
    """Return the most days from one dip to the next that let no hatchling lay between; None if unknown or below 1."""
    if life.laying_days_earliest is None:
        return None
    gap = math.floor(life.laying_days_earliest) - 1
    return gap if gap >= 1 else None


def days_until_hatched(life: LifeCycle) -> int | None:
    """Return after how many days a dip, the last of a series, meets every hatchling; None if not known."""
    return None if life.hatch_days_latest is None else math.ceil(life.hatch_days_latest) + 1


def read_series(
    dips: Sequence[int], layers: Sequence[bool], living: Sequence[bool], *, life: LifeCycle
) -> Series:
    """Read the dips of some pieces, in order, shape (n_dips,).

    `layers`: pests able to lay were seen alive after each dip and before the next; `living`: any stage was. Living
    pests after a dip that should have ended the series count as layers: it did not.
    """
    if len(dips) != len(layers) or len(dips) != len(living) or any(b < a for a, b in pairwise(dips)):
        raise ValueError("dips must be in order, with one entry each in layers and living")
    gap, until = longest_gap(life), days_until_hatched(life)
    anchor, first, laying, late = None, 0, False, []
    for i, day in enumerate(dips):
        too_late = i > 0 and gap is not None and day - dips[i - 1] > gap
        if too_late:
            late.append(day)
        if anchor is None or laying or too_late:
            anchor, first = day, i
        ended = until is not None and day >= anchor + until
        laying = bool(layers[i]) or (ended and bool(living[i]))
    return Series(anchor, dips[-1] if len(dips) else None, len(dips) - first if len(dips) else 0, laying, tuple(late))


def plan_series(series: Series, *, as_of: int, life: LifeCycle) -> Plan:
    """Plan the dips still needed from `as_of` on, evenly spaced, none further from the one before than the gap allows.

    Where the latest hatch is not known the plan runs to the day before which it cannot be over, or one gap on.
    """
    gap = longest_gap(life)
    if gap is None:
        return Plan("unknown", (), None, False, None)
    until = days_until_hatched(life)
    least = until if until is not None else math.ceil(life.hatch_days_at_least or 0) + 1
    if series.last is None:
        dips = (PlannedDip(as_of, as_of), *_evenly(as_of, as_of + least, gap, as_of))
        return Plan("not dipped", dips, as_of + until if until else None, until is not None, None)
    latest = series.last + gap
    anchor, last, dips = series.anchor, series.last, []
    if until is not None and not series.layers and last >= anchor + until:
        return Plan("complete", (), anchor + until, True, None)
    overdue = as_of > latest
    if overdue or series.layers:  # whoever may have laid since ends with the next dip, and the count begins anew
        dips.append(PlannedDip(as_of, max(latest, as_of)))
        anchor = last = as_of
    end = anchor + least if anchor + least > last else last + gap
    dips += _evenly(last, end, gap, as_of)
    status = "overdue" if overdue else "due" if dips[0].day <= as_of else "planned"
    return Plan(status, tuple(dips), anchor + until if until is not None else None, until is not None, latest)


def _evenly(last: int, end: int, gap: int, as_of: int) -> list[PlannedDip]:
    """Return the fewest dips after `last` that reach `end`, no gap longer than `gap`, none before `as_of`."""
    dips = []
    while last < end:
        left = math.ceil((end - last) / gap)
        day = max(last + math.ceil((end - last) / left), as_of)
        dips.append(PlannedDip(day, last + gap))
        last = day
    return dips


def residual_risk(kills: Sequence[Estimate], *, confidence_level: float = 0.95) -> Estimate:
    """Chance that one animal that met every one of these dips lives: the product of 1 - kill, one entry a dip.

    Taken: a dip does to the survivors of the last what it does to any, each dip for itself. Hatchlings met fewer dips.
    Each kill comes with limits at `confidence_level`; dips of one agent hand in the same object, and then the limits
    are powers of its own. Several agents' kills rest on different sessions: their distances to the limits are joined
    by squares (Zou & Donner 2008, Stat Med 27:1693), below on the log scale, above on that of the chances, where a
    kill of all seen still counts with its bound; JOINED of it is taken. Cannot say where any dip's kill cannot be said.
    """
    silent = [kill for kill in kills if not kill.known or kill.low is None or kill.high is None]
    if not kills:
        return cannot_say("no dip yet", confidence_level=confidence_level)
    if silent:
        return cannot_say(silent[0].reason or "no limits of the kill", confidence_level=confidence_level)
    different = list({id(kill): kill for kill in kills}.values())
    times = np.array([sum(kill is other for other in kills) for kill in different], dtype=np.float64)
    lives, least, most = (
        np.array([1.0 - getattr(kill, end) for kill in different]) for end in ("estimate", "high", "low")
    )
    estimate = float(np.prod(lives**times))
    reach = JOINED if np.count_nonzero(most > least) > 1 else 1.0
    return Estimate(
        estimate=estimate,
        low=_least_product(lives, least, times, reach),
        high=_most_product(lives, most, times, reach),
        confidence_level=confidence_level,
        sessions=sum(kill.sessions or 0 for kill in different),
        pests=sum(kill.pests or 0 for kill in different),
        method="product over dips of 1 - kill; dips independent, survivors no hardier",
    )


def _least_product(lives: NDArray, least: NDArray, times: NDArray, reach: float) -> float:
    """Return the lower limit of prod lives^times, shape (n_estimates,) each; 0 where one of them may be 0."""
    if (least <= 0).any():
        return 0.0
    return float(np.prod(lives**times) * np.exp(-reach * np.linalg.norm(times * np.log(lives / least))))


def _most_product(lives: NDArray, most: NDArray, times: NDArray, reach: float) -> float:
    """Return the largest product over chances lives + c (most - lives), the squares of the c / `reach` adding up to 1.

    Where the product cannot grow any more, times x width / chance is c over a number common to all, `s`; the squares
    grow with it.
    """
    width = reach * (most - lives)
    if not (width > 0).any():
        return float(np.prod(lives**times))
    lives, width, times, fixed = lives[width > 0], width[width > 0], times[width > 0], (lives**times)[width <= 0]

    def steps(s: float) -> NDArray[np.float64]:
        return (np.sqrt(lives**2 + 4 * width**2 * times * s) - lives) / (2 * width)

    high = 1.0
    while np.square(steps(high)).sum() < 1:
        high *= 2
    s = brentq(lambda s: np.square(steps(s)).sum() - 1, 0.0, high, xtol=1e-14, rtol=1e-14)
    return float(np.prod((lives + width * steps(s)) ** times) * np.prod(fixed))
