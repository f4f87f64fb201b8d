"""Removed and killed, two outcomes that are never mixed, each as a share of all pests found in the dip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

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
    """Removed and killed over found, limits at session level (see `proportion.share_limits`).

    `removed`, `killed`, `found`: shape (n_rows,), pests (fractions allowed); `session`: labels, shape (n_rows,). None
    found is "no denominator", fewer than MIN_PESTS or than `proportion.MIN_SESSIONS` sessions with any "cannot say".
    Raises DataError where more were removed or killed than found.
    """
    removed, killed, found = by_session(session, removed, killed, found)
    if (np.maximum(removed, killed) > found * (1 + 1e-12)).any():
        raise DataError("more pests removed or killed than found")
    total, sessions = float(found.sum()), int(np.count_nonzero(found))
    counts = {"sessions": sessions, "pests": round(total)}
    reason = ""
    if total == 0:
        reason = "no denominator: no pest was found"
    elif total < MIN_PESTS:
        reason = f"too few pests: {total:g} found, needs {MIN_PESTS}"
    if reason:
        silent = cannot_say(reason, confidence_level=confidence_level, **counts)
        return Shares(silent, silent)
    both = session_proportions([removed, killed], found, confidence_level=confidence_level)
    return Shares(*(_named(share, counts["pests"]) for share in both))


def _named(share: Estimate, pests: int) -> Estimate:
    """One share with the pests behind it."""
    reason = share.reason.replace("too few sessions:", "too few sessions with pests:")
    return replace(share, pests=pests, reason=reason)
