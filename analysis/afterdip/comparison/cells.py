"""Counts per session and group of like pieces, the shape in which two agents are compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from ..proportion.columns import events_among, in_step, label_places

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Arm:
    """One agent's sessions: `total` and `events` have shape (n_sessions, n_strata), or (n_farms, n_sessions, n_strata).

    What is reckoned from arms works along the last two axes, so that many farms of one size can be reckoned at once;
    a session without any pieces then counts for nothing.
    """

    total: Floats
    events: Floats

    @property
    def sessions(self) -> NDArray[np.int64]:
        """How many sessions with pieces there are."""
        return (self.total.sum(axis=-1) > 0).sum(axis=-1)

    @property
    def rate(self) -> Floats:
        """Events per piece in each cell; 0 where a session had no such pieces."""
        return np.divide(self.events, self.total, out=np.zeros_like(self.total), where=self.total > 0)

    def restricted(self, kept: NDArray[np.bool_]) -> Arm:
        """Return the arm with the strata `kept` only, and the sessions that had any of them."""
        total, events = self.total[:, kept], self.events[:, kept]
        some = total.sum(axis=1) > 0
        return Arm(total[some], events[some])


def arms(
    second: ArrayLike, session: ArrayLike, stratum: ArrayLike, total: ArrayLike, events: ArrayLike
) -> tuple[Arm, Arm, NDArray]:
    """Return the first agent's arm, the second's, and the stratum labels in column order (sorted).

    All five arrays have shape (n_rows,): whether the row is the second agent's (bool), its session label, its stratum
    label, the pieces (or pests) looked at, and how many of them died. Rows of one session and stratum add up; rows
    with nothing looked at are passed over. `total` and `events` may be fractional, because pieces whose fate is partly
    known count in part. Raises DataError when counts are negative, events exceed the total, a label is missing, or one
    session has both agents; ValueError when the shapes differ.
    """
    second, (events, total) = np.asarray(second, dtype=bool), events_among(events, total, of="total")
    (names, session), (strata, column) = label_places(session), label_places(stratum)
    in_step(second, session, column, total, what="second, session, stratum, total and events")
    both = np.intersect1d(session[second], session[~second])
    if both.size:
        raise DataError(f"session {names[both[0]]} has both agents: a session is one bath")
    made = [_arm(session[rows], column[rows], total[rows], events[rows], strata.size) for rows in (~second, second)]
    return made[0], made[1], strata


def _arm(session: NDArray, column: NDArray, total: Floats, events: Floats, n_strata: int) -> Arm:
    """Add one agent's rows up into a table of sessions by strata."""
    labels, row = np.unique(session, return_inverse=True)
    shape = (labels.size, n_strata)
    flat = row * n_strata + column
    size = labels.size * n_strata
    totals = np.bincount(flat, total, size).reshape(shape)
    some = totals.sum(axis=1) > 0
    return Arm(totals[some], np.bincount(flat, events, size).reshape(shape)[some])
