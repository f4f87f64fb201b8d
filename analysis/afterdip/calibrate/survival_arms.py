"""Many simulated arms read at once: the survival limits of thousands of farms in arrays.

The Kaplan-Meier curve, its errors and the days lived are computed here for all farms together, the limits by
`afterdip.survival.limits` itself; `tests/test_survival_calibration.py` holds every figure to the estimators'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..survival.limits import (
    INTRA_SESSION_CORRELATION,
    effective_sessions,
    loglog_limits,
    session_limits,
    zero_bound,
)
from .farms import simulate_sessions

LEVEL = 0.95
Limits = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True, slots=True, eq=False)
class Arms:
    """Simulated arms: `deaths` and `left` of shape (n_farms, n_sessions, n_checks), `days` of shape (n_checks,)."""

    days: NDArray[np.float64]
    deaths: NDArray[np.float64]
    left: NDArray[np.float64]

    @property
    def at_risk(self) -> NDArray[np.float64]:
        """Pieces followed to at least each check."""
        return (self.deaths + self.left)[:, :, ::-1].cumsum(axis=2)[:, :, ::-1]


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """One proportion per farm, shape (n_farms,): its two errors, its events, the effective sessions, what it assumes.

    `assumed`: design effect at the assumed correlation; `bound`: upper limit where nothing was lost.
    """

    proportion: NDArray[np.float64]
    piece_error: NDArray[np.float64]
    session_error: NDArray[np.float64]
    events: NDArray[np.float64]
    event_sessions: NDArray[np.float64]
    error_sessions: NDArray[np.float64]
    assumed: NDArray[np.float64]
    bound: NDArray[np.float64]
    pieces_bound: NDArray[np.float64]
    sessions: int

    def limits(self, *, in_difference: bool = False) -> Limits:
        """Return proportion, low and high with sessions as units, alone or to be joined with another arm's."""
        low, high = session_limits(
            self.proportion,
            self.piece_error,
            self.session_error,
            sessions=self.sessions,
            events=self.events,
            event_sessions=self.event_sessions,
            error_sessions=self.error_sessions,
            assumed_design_effect=self.assumed,
            confidence_level=LEVEL,
            in_difference=in_difference,
        )
        return self.proportion, low, np.where(self.proportion == 0, self.bound, high)

    def piece_limits(self) -> Limits:
        """Return proportion, low and high as if pieces were independent."""
        above, below = loglog_limits(1 - self.proportion, self.piece_error, confidence_level=LEVEL)
        return self.proportion, 1 - below, np.where(self.proportion == 0, self.pieces_bound, 1 - above)


def simulate_arms(n_farms: int, n_sessions: int, **simulation) -> Arms:
    """Return the arms of so many farms; `simulation` is that of `simulate_sessions`."""
    rows = simulate_sessions(n_farms * n_sessions, **simulation)
    shape = (n_farms, n_sessions, len(rows.days) // (n_farms * n_sessions))
    return Arms(rows.days[: shape[2]], rows.deaths.reshape(shape).astype(float), rows.left.reshape(shape).astype(float))


def read_loss(arms: Arms, day: float) -> Readings:
    """Loss by `day`, a day of a check: `loss_at` for every farm."""
    upto = int(np.searchsorted(arms.days, day, side="right"))
    hazard, survival, survivors, at_risk = _curve(arms)
    scores = (arms.deaths - at_risk * hazard[:, None, :]) * survivors[:, None, :]
    influence = scores[:, :, :upto].sum(axis=2) * survival[:, [upto - 1]]
    piece_error = survival[:, upto - 1] * np.sqrt((hazard * survivors)[:, :upto].sum(axis=1))
    lost = 1 - survival[:, upto - 1]
    return _readings(arms, lost, piece_error, influence, upto, at_risk, at_risk[:, :, upto - 1])


def read_days_lost(arms: Arms) -> Readings:
    """Share of the days to the last check that was not lived: `rmst` for every farm."""
    hazard, survival, survivors, at_risk = _curve(arms)
    tau = arms.days[-1]
    pieces = survival[:, :-1] * np.diff(arms.days)
    after = pieces[:, ::-1].cumsum(axis=1)[:, ::-1] / tau
    lost = 1 - arms.days[0] / tau - after[:, 0]
    inner, weight = slice(0, -1), after * survivors[:, :-1]
    influence = ((arms.deaths - at_risk * hazard[:, None, :])[:, :, inner] * weight[:, None, :]).sum(axis=2)
    piece_error = np.sqrt((after**2 * (hazard * survivors)[:, inner]).sum(axis=1))
    upto = len(arms.days) - 1
    found = _readings(arms, lost, piece_error, influence, upto, at_risk, at_risk[:, :, -1])
    none = arms.deaths[:, :, inner].sum(axis=(1, 2)) == 0
    if not none.any():
        return found
    last = read_loss(arms, tau)  # no death before the last day: the bound is that of the loss by then
    bound = np.where(none, last.limits()[2], found.bound)
    return Readings(*(bound if name == "bound" else getattr(found, name) for name in Readings.__slots__))


def joined(one: Limits, two: Limits) -> Limits:
    """`one` minus `two`, limits joined by squares, the arms independent: `difference_limits` for every farm."""
    difference = one[0] - two[0]
    low = difference - np.hypot(one[0] - one[1], two[2] - two[0])
    high = difference + np.hypot(one[2] - one[0], two[0] - two[1])
    return difference, np.maximum(low, -1), np.minimum(high, 1)


def _curve(arms: Arms) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Hazard, survival, 1 / survivors at each check, shape (n_farms, n_checks), and the pieces at risk by session."""
    at_risk = arms.at_risk
    n, d = at_risk.sum(axis=1), arms.deaths.sum(axis=1)
    hazard = np.divide(d, n, out=np.zeros_like(n), where=n > 0)
    survivors = np.divide(1.0, n - d, out=np.zeros_like(n), where=n > d)
    return hazard, np.cumprod(1 - hazard, axis=1), survivors, at_risk


def _readings(
    arms: Arms, lost: NDArray, piece_error: NDArray, influence: NDArray, upto: int, at_risk: NDArray, followed: NDArray
) -> Readings:
    """Put together what the limits need; `followed`: pieces seen at the end by session, which bound a loss of none."""
    deaths = arms.deaths[:, :, :upto].sum(axis=2)
    squares, followed_pieces = np.square(influence), followed.sum(axis=1)
    return Readings(
        np.where(deaths.sum(axis=1) == 0, 0.0, lost),
        piece_error,
        np.sqrt(squares.sum(axis=1)),
        deaths.sum(axis=1),
        effective_sessions(deaths[:, :, None])[:, 0],
        effective_sessions(squares[:, :, None])[:, 0],
        _assumed(at_risk[:, :, 0]),
        zero_bound(followed_pieces / _assumed(followed), confidence_level=LEVEL),
        zero_bound(followed_pieces, confidence_level=LEVEL),
        deaths.shape[1],
    )


def _assumed(pieces: NDArray) -> NDArray:
    """Design effect of each farm's sessions at the assumed correlation; pieces of shape (n_farms, n_sessions)."""
    met = np.square(pieces).sum(axis=1) / pieces.sum(axis=1)
    return 1 + np.maximum(met - 1, 0) * INTRA_SESSION_CORRELATION
