"""Who was still followed on a day, and when that is too few to say anything."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .limits import MIN_SESSIONS
from .rows import SessionCounts


def followed_to(counts: SessionCounts, day: float) -> NDArray[np.float64]:
    """Pieces of each session seen on `day` or later, shape (n_sessions,)."""
    j = int(np.searchsorted(counts.days, day, side="left"))
    return counts.at_risk[:, j] if j < len(counts.days) else np.zeros(len(counts.at_risk))


def known_on(counts: SessionCounts, day: float) -> NDArray[np.float64]:
    """Pieces of each session whose fate on `day` is known, shape (n_sessions,): still followed, or ended before it."""
    return followed_to(counts, day) + counts.ends[:, :, counts.days < day].sum(axis=(0, 2))


def sessions_followed(counts: SessionCounts, day: float) -> int:
    """Sessions that say something about `day`: a piece of theirs was seen on it or later, or none is left to see."""
    earlier = counts.days < day
    all_ended = counts.ends[:, :, earlier].sum(axis=(0, 2)) >= counts.at_risk[:, 0]
    return int(((followed_to(counts, day) > 0) | all_ended).sum())


def followup_refusal(counts: SessionCounts, day: float, *, remaining: float) -> str:
    """Why nothing can be said about `day`, in words; empty where it can. `remaining`: the curve's last value."""
    if day > counts.days[-1] and remaining > 0:
        return f"followed to day {counts.days[-1]:g} only"
    if not counts.sessions:
        return ""
    followed = sessions_followed(counts, day)
    if followed >= MIN_SESSIONS:
        return ""
    sessions = "1 session" if followed == 1 else f"{followed} sessions"
    return f"too few: {sessions} followed to day {day:g}, needs {MIN_SESSIONS}"
