"""Removed and killed, two outcomes that are never mixed, each as a share of all pests found in the dip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from ..proportion import by_session, session_proportions

MIN_PESTS = 5  # fewer found than this and even a clean sweep could be half as good


@dataclass(frozen=True, slots=True)
class Shares:
    """Shares of all pests found (bath + rinse + still on): off the piece alive or dead, and dead wherever found."""

    removed: Estimate
    killed: Estimate


def shares_of_found(removed, killed, found, *, session=None, confidence_level: float = 0.95) -> Shares:
    """Removed and killed over found, each as `shares_of_pests` has it.

    `removed`, `killed`, `found`: shape (n_rows,), pests (fractions allowed); `session`: labels, shape (n_rows,).
    """
    both = [(removed, found, session), (killed, found, session)]
    return Shares(*shares_of_pests(both, confidence_level=confidence_level))


def shares_of_pests(
    counts: Sequence[tuple], *, confidence_level: float = 0.95, in_difference: ArrayLike = False
) -> list[Estimate]:
    """One share for each of `counts`, (removed or killed, found, session labels or None), all in one search.

    Limits at session level (see `proportion.share_limits`), `in_difference` (for all or each) those to be joined with
    another arm's. None found is "no denominator", fewer than MIN_PESTS or than `proportion.MIN_SESSIONS` sessions with
    any "cannot say". Raises DataError where more were removed or killed than found.
    """
    summed = [by_session(session, gone, found) for gone, found, session in counts]
    if any((gone > found * (1 + 1e-12)).any() for gone, found in summed):
        raise DataError("more pests removed or killed than found")
    totals = [float(found.sum()) for _, found in summed]
    enough = np.flatnonzero(np.array(totals) >= MIN_PESTS)
    joined = np.broadcast_to(in_difference, len(summed))[enough]
    many = [(*summed[i], None) for i in enough]
    known = iter(session_proportions(many, confidence_level=confidence_level, in_difference=joined))

    def share(found: np.ndarray, total: float) -> Estimate:
        if total >= MIN_PESTS:
            return _named(next(known), round(total))
        reason = f"too few pests: {total:g} found, needs {MIN_PESTS}" if total else "no denominator: no pest was found"
        counts = {"sessions": int(np.count_nonzero(found)), "pests": round(total)}
        return cannot_say(reason, confidence_level=confidence_level, **counts)

    return [share(found, total) for (_, found), total in zip(summed, totals, strict=True)]


def _named(share: Estimate, pests: int) -> Estimate:
    """One share with the pests behind it."""
    reason = share.reason.replace("too few sessions:", "too few sessions with pests:")
    return replace(share, pests=pests, reason=reason)
