"""Month by month: the hours worked beside the hours the sessions of the month should have taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterdip.errors import DataError
from afterdip.proportion.columns import counts_in_step

from .rows import check_sessions, least_squares, session_weights


@dataclass(frozen=True, slots=True, eq=False)
class MonthlyWork:
    """A farm's months, oldest first; arrays of shape (n_months,) unless said otherwise.

    `sessions`, `pieces`: dipped in the month; `recorded_sessions`: those with labour rows. `minutes`: person-minutes
    of the whole month, the sessions without labour taken to have cost what the recorded ones did; `session_minutes`:
    the same without rows that name no session; `recorded_minutes`: what stands in the log, all of it. `expected`,
    `session_expected`: minutes that months of such sessions and pieces take, from `structure`, `session_structure`.
    `session_ratio`: minutes of the sessions with labour over what such sessions take. `dipped_before`: sessions dipped
    before the month, those before the log included. `usable`: months with labour written down.

    `structure`: minutes = month + fixed x sessions + per_piece x pieces, shape (3,); `session_structure`: the same for
    the sessions' own minutes, where month is 0. `structure_covariance`, `session_structure_covariance`: of the three,
    shape (3, 3). `session_variance`: relative variance one session adds to its month's total; `scatter_known`:
    whether enough sessions within months say so. `linked`: whether labour rows name their sessions; without, every
    session counts as recorded and what is said of sessions' own minutes is of all work.

    `order_slope`: change of log minutes with the log of a session's number, from sessions of the same month alone, so
    that what months differ by is not in it; `order_variance`: of that, infinite where it is not known.
    """

    sessions: NDArray[np.float64]
    pieces: NDArray[np.float64]
    recorded_sessions: NDArray[np.int64]
    minutes: NDArray[np.float64]
    recorded_minutes: NDArray[np.float64]
    session_minutes: NDArray[np.float64]
    expected: NDArray[np.float64]
    session_expected: NDArray[np.float64]
    session_ratio: NDArray[np.float64]
    dipped_before: NDArray[np.float64]
    usable: NDArray[np.bool_]
    structure: NDArray[np.float64]
    session_structure: NDArray[np.float64]
    structure_covariance: NDArray[np.float64]
    session_structure_covariance: NDArray[np.float64]
    session_variance: float
    scatter_known: bool
    order_slope: float = 0.0
    order_variance: float = np.inf
    linked: bool = True

    @property
    def log_order(self) -> NDArray[np.float64]:
        """Mean log of the numbers of each usable month's sessions, the farm's first being 1; shape (n_usable,)."""
        return mean_log_number(self.dipped_before[self.usable], self.sessions[self.usable])


def mean_log_number(before: ArrayLike, sessions: ArrayLike) -> NDArray[np.float64]:
    """Return the mean of log(before + 1) ... log(before + sessions): where a month stands on a learning curve.

    The log of the middle one would place a farm's first months too late. Fractions are allowed; `sessions` above 0.
    """
    from scipy.special import gammaln

    n = np.asarray(sessions, dtype=np.float64)
    first = np.asarray(before, dtype=np.float64) + 1
    return (gammaln(first + n) - gammaln(first)) / n


def monthly_work(
    month: ArrayLike,
    pieces: ArrayLike,
    minutes: ArrayLike,
    *,
    done_minutes: ArrayLike,
    shared_minutes: ArrayLike,
    carry: ArrayLike = (1.0,),
    earlier_sessions: int = 0,
    settled: ArrayLike | None = None,
    order: ArrayLike | None = None,
) -> MonthlyWork:
    """Set each month's labour against what its sessions and pieces lead one to expect.

    `month`: 0 to n_months - 1, shape (n_sessions,); `pieces`, `minutes`: of each session, minutes NaN where no labour
    was written down. `done_minutes`: shape (n_months,), person-minutes of sessions' rows by the month the work was
    done; `shared_minutes`: shape (n_months,), rows that name no session (cleaning, mixing for the day). `carry`: which
    share of a session's minutes is done in its own month, the next, ... `earlier_sessions`: dipped before month 0.
    `settled`: shape (n_sessions,), whether a session's work was all done by the end of the log; the others (last
    month's, still to be inspected) do not shape the split. `order`: shape (n_sessions,), sortable: when each was
    dipped; by default sessions come in that order.

    Sessions are split into fixed and per piece by weighted least squares, all agents together: the coming month's mix
    of agents is taken to vary as it did. Shared minutes are fitted by non-negative least squares on a constant per
    month and the expected session minutes, since some are spent whether or not much is dipped. Raises DataError.
    """
    y, n, known = check_sessions(minutes, pieces)
    done, shared = counts_in_step(done_minutes, shared_minutes, what="minutes of the months")
    m, months = np.asarray(month, dtype=np.int64), len(done)
    if m.shape != n.shape or (len(m) and not (m.min() >= 0 and m.max() < months)):
        raise ValueError("done_minutes and shared_minutes need one value for each month of the sessions")
    if not known.any():
        raise DataError("no session has labour written down")
    whole = known if settled is None else known & np.asarray(settled, dtype=bool)
    whole = whole if whole.any() else known
    coefficients, covariance = structure_of(y[whole], n[whole])
    sessions, all_pieces = np.bincount(m, minlength=months), np.bincount(m, n, months)
    recorded = np.bincount(m[known], minlength=months)
    each = np.column_stack([np.ones_like(n), n]) @ coefficients
    expected_all = _carried(np.bincount(m, each, months), carry)
    expected_known = _carried(np.bincount(m[known], each[known], months), carry)
    usable = (recorded > 0) & (done > 0) & (expected_known > 0)
    grossed = done * np.divide(expected_all, expected_known, out=np.ones(months), where=usable)
    (base, per_minute), shared_variance = _shared(expected_all[usable], shared[usable])
    structure = np.array([base, *(coefficients * (1 + per_minute))])
    own = np.zeros((3, 3))
    own[1:, 1:] = covariance
    turn = np.array([-expected_all[usable].mean(), *coefficients])  # of shared minutes, about the mean month
    scatter = _session_variance(y[whole], n[whole], m[whole], coefficients)
    place = np.arange(len(m)) if order is None else np.argsort(np.argsort(np.asarray(order), kind="stable"))
    logs = np.log(earlier_sessions + 1.0 + place)
    slope, slope_variance = _order_slope(y[whole] / each[whole], logs[whole], m[whole])
    return MonthlyWork(
        sessions=sessions.astype(np.float64),
        pieces=all_pieces,
        recorded_sessions=recorded,
        minutes=np.where(usable, grossed + shared, np.nan),
        recorded_minutes=done + shared,
        session_minutes=np.where(usable, grossed, np.nan),
        expected=base + (1 + per_minute) * expected_all,
        session_expected=expected_all,
        session_ratio=np.divide(done, expected_known, out=np.full(months, np.nan), where=usable),
        dipped_before=(earlier_sessions + np.cumsum(sessions) - sessions).astype(np.float64),
        usable=usable,
        structure=structure,
        session_structure=np.append(0.0, coefficients),
        structure_covariance=own * (1 + per_minute) ** 2 + shared_variance * np.outer(turn, turn),
        session_structure_covariance=own,
        session_variance=scatter if scatter is not None else 1.0,  # else the months' own spread sets all scale
        scatter_known=scatter is not None,
        order_slope=slope,
        order_variance=slope_variance,
    )


def monthly_work_unlinked(
    sessions: ArrayLike, pieces: ArrayLike, minutes: ArrayLike, *, earlier_sessions: int = 0
) -> MonthlyWork:
    """Set each month's labour against its sessions and pieces where no labour row names its session.

    `sessions`, `pieces`, `minutes`: totals of each month, shape (n_months,). The parts per month, session and piece are
    fitted to the months' totals by non-negative least squares, so they are blurred; the forecast's scale comes from
    how the months scatter about them all the same. Raises DataError where no month has both dips and labour.
    """
    m, n, y = (np.asarray(x, dtype=np.float64) for x in (sessions, pieces, minutes))
    usable = (m > 0) & (y > 0)
    if not usable.any():
        raise DataError("no month has both dips and labour written down")
    from scipy.optimize import nnls

    design = np.column_stack([np.ones_like(m), m, n])
    root = 1 / np.sqrt(m[usable])
    structure = nnls(design[usable] * root[:, None], y[usable] * root)[0]
    expected = design @ structure
    ratio = np.divide(y, expected, out=np.full(len(m), np.nan), where=usable)
    spread = float(np.square(ratio[usable] - 1).mean() * m[usable].mean())
    seen = np.where(usable, y, np.nan)
    used = structure > 0
    covariance, scaled = np.zeros((3, 3)), design[usable][:, used] * root[:, None]
    if len(scaled) > used.sum():
        residual = (y - expected)[usable] * root
        inverse = np.linalg.pinv(scaled.T @ scaled)
        covariance[np.ix_(used, used)] = inverse * (residual @ residual / (len(scaled) - used.sum()))
    return MonthlyWork(
        sessions=m,
        pieces=n,
        recorded_sessions=m.astype(np.int64),
        minutes=seen,
        recorded_minutes=y,
        session_minutes=seen,
        expected=expected,
        session_expected=expected,
        session_ratio=ratio,
        dipped_before=earlier_sessions + np.cumsum(m) - m,
        usable=usable,
        structure=structure,
        session_structure=structure,
        structure_covariance=covariance,
        session_structure_covariance=covariance,
        session_variance=max(spread, 1e-12),
        scatter_known=False,
        linked=False,
    )


def structure_of(y: NDArray, n: NDArray) -> tuple[NDArray, NDArray]:
    """Return (fixed, per piece), both 0 or more, and their covariance; all per piece where sizes do not differ."""
    if len(y) > 3 and np.ptp(n) > 0 and y.any():
        fit = least_squares(np.column_stack([np.ones_like(n), n]), y, session_weights(y, n))
        if (fit.coefficients >= 0).all():
            return fit.coefficients, fit.covariance
        if fit.coefficients[1] < 0:  # larger sessions do not take longer: the work goes by the session
            return np.array([y.mean(), 0.0]), fit.covariance
    return np.array([0.0, y.sum() / n.sum()]), np.zeros((2, 2))


def _carried(by_month: NDArray, carry: ArrayLike) -> NDArray[np.float64]:
    return np.convolve(by_month, np.asarray(carry, dtype=np.float64))[: len(by_month)]


def _shared(expected: NDArray, shared: NDArray) -> tuple[NDArray, float]:
    """Return shared minutes (per month, per expected session minute), both 0 or more, and the variance of the latter.

    The mean month's shared minutes are known well; how they split is not, and a month far from the mean feels it. The
    variance never exceeds that of a split of which nothing is known (uniform from none per month to all of it).
    """
    if not shared.any():
        return np.zeros(2), 0.0
    from scipy.optimize import nnls

    root = 1 / np.sqrt(expected)
    design = np.column_stack([np.ones_like(expected), expected]) * root[:, None]
    parts, distance = nnls(design, shared * root)
    unknown = (shared.sum() / expected.sum()) ** 2 / 12
    n, weights = len(expected), float((1 / expected).sum())
    apart = weights * expected.sum() - n**2  # determinant of the normal equations; 0 where all months are alike
    if n < 3 or apart < 1e-9 * n**2:
        return parts, float(unknown)
    return parts, float(min(weights / apart * distance**2 / (n - 2), unknown))


def _session_variance(y: NDArray, n: NDArray, month: NDArray, coefficients: NDArray) -> float | None:
    """Return the variance of a month's total relative to its mean, times its sessions, from spread within months.

    Months are left their own levels, so drift between months does not count as spread of sessions. None: too few.
    """
    expected = np.column_stack([np.ones_like(n), n]) @ coefficients
    level = np.bincount(month, y) / np.maximum(np.bincount(month, expected), 1e-300)
    freedom = len(y) - np.count_nonzero(np.bincount(month)) - 1
    if freedom < 3 or not y.any():
        return None
    residual = y - expected * level[month]
    return max(float(np.square(residual).sum() / freedom / expected.mean() ** 2), 1e-12)


def _order_slope(ratio: NDArray, logs: NDArray, month: NDArray) -> tuple[float, float]:
    """Return the slope of log ratio on `logs` inside the months, by least squares, and its variance; else (0, inf)."""
    some = ratio > 0
    ratio, logs, month = ratio[some], logs[some], month[some]
    sizes = np.maximum(np.bincount(month), 1)
    y, x = (v - (np.bincount(month, v) / sizes)[month] for v in (np.log(ratio), logs))
    spread, freedom = float(x @ x), len(y) - np.count_nonzero(np.bincount(month)) - 1
    if freedom < 3 or not spread > 0:
        return 0.0, np.inf
    slope = float(x @ y) / spread
    return slope, max(float(np.square(y - slope * x).sum()) / freedom / spread, 1e-12)
