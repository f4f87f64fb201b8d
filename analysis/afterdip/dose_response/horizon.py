"""Session tallies at a horizon: how many of a session's pieces, and how many of them dead by the day."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..proportion.columns import counts_in_step, in_step
from .likelihood import Ints
from .links import Floats


def counts_at_horizon(
    group: Ints, since: ArrayLike, days: ArrayLike, deaths: ArrayLike, left: ArrayLike, *, horizon: float,
    grace: float = 0.0,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return n and responded of every group 0 .. max(group), as a curve takes them; n = 0: not followed so far.

    `group` (n_rows,) says which session (or session and coral) a row belongs to; `deaths` were found at `days`, the
    pieces having been alive at `since`; `left` were censored at `days`. Kaplan & Meier (1958) per group, deaths before
    censorings; deaths found at a look that straddles the horizon count in proportion to the days before it. `responded`
    is the number of deaths by the horizon and n the number of pieces that gives Kaplan-Meier's loss with them, which
    lies between the pieces whose fate is known and all pieces: censored pieces weigh as much as they were seen. With no
    death, n is the pieces known alive at the horizon. A group of which nobody was seen at or after the horizon, alive
    or dead, does not count. Pieces last seen alive up to `grace` days before the horizon count as alive at it. Raises
    DataError for days or counts that are not finite or below 0.
    """
    since, days, deaths, left = counts_in_step(since, days, deaths, left, what="days and counts of pieces")
    group = np.asarray(group, dtype=np.int64)
    in_step(group, days, what="group, days and counts of pieces")
    days = np.where((left > 0) & (days >= horizon - grace), np.maximum(days, horizon), days)
    size = int(group.max(initial=-1)) + 1
    early = _share_before(since, days, horizon)
    by_then = np.where(deaths > 0, deaths * early, 0.0)
    known_later = deaths - by_then + np.where(days >= horizon, left, 0.0)
    alive = np.bincount(group, weights=known_later, minlength=size)
    died = np.bincount(group, weights=by_then, minlength=size)
    loss = 1.0 - _kaplan_meier(group, np.minimum(days, horizon), by_then, np.where(days < horizon, left, 0.0),
                               np.bincount(group, weights=deaths + left, minlength=size))  # fmt: skip
    n = np.where(died > 0, died / np.maximum(loss, 1e-300), alive)
    followed = (alive > 0) | (loss >= 1.0 - 1e-12)
    return np.where(followed, n, 0.0), np.where(followed, np.minimum(died, n), 0.0)


def _share_before(since: Floats, days: Floats, horizon: float) -> Floats:
    """Return the part of (since, day] that lies by the horizon: 1 for looks by then, 0 for spells after it."""
    span = np.maximum(days - since, 1e-9)
    return np.clip((horizon - since) / span, 0.0, 1.0) * (days > horizon) + 1.0 * (days <= horizon)


def _kaplan_meier(group: Ints, days: Floats, deaths: Floats, left: Floats, size: Floats) -> Floats:
    """Return survival to the last day of each group by the product of 1 - deaths / at risk over its days."""
    keys, place = np.unique(np.stack([group, days]), axis=1, return_inverse=True)
    place = place.ravel()
    owner = keys[0].astype(np.int64)
    d = np.bincount(place, weights=deaths, minlength=owner.size)
    gone = d + np.bincount(place, weights=left, minlength=owner.size)
    before = np.cumsum(gone) - gone
    first = np.searchsorted(owner, np.arange(size.size))
    base = np.append(before, 0.0)[np.minimum(first, before.size)]
    at_risk = size[owner] - (before - base[owner])
    factor = np.where(d > 0, 1.0 - d / np.maximum(at_risk, 1e-300), 1.0)
    survival = np.ones(size.size)
    np.multiply.at(survival, owner, np.clip(factor, 0.0, 1.0))
    return survival
