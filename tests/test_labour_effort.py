"""Minutes per session and per piece: by hand, against statsmodels, and what must not change a figure."""

import numpy as np
import pytest
import statsmodels.api as sm

from afterdip.calibrate.labour import FARMS, effort_coverage
from afterdip.errors import DataError
from afterdip.labour import crew_effort, extra_rinse, hours_per_thousand, session_effort, task_effort
from afterdip.labour.rows import least_squares, session_weights


def some_sessions(n=40, seed=5):
    rng = np.random.default_rng(seed)
    pieces = rng.integers(4, 60, n).astype(float)
    minutes = (20 + 0.8 * pieces) * np.exp(rng.normal(0, 0.3, n))
    return minutes, pieces, rng


def test_exact_minutes_are_found_exactly():
    pieces = np.array([10, 20, 30, 40, 12, 25, 33, 41])
    effort = session_effort(18 + 0.5 * pieces, pieces)
    assert effort.fixed.estimate == pytest.approx(18)
    assert effort.per_piece.estimate == pytest.approx(0.5)
    assert effort.per_session.estimate == pytest.approx((18 * 8 + 0.5 * 211) / 8)
    assert effort.hours_per_thousand.estimate == pytest.approx((18 * 8 + 0.5 * 211) / 211 * 1000 / 60)
    assert (effort.sessions, effort.unrecorded) == (8, 0)


def test_ratio_by_hand():
    """Eight sessions, 10 or 20 pieces and 20 or 30 minutes: 200/120; residuals 20 - 50/3 = 10/3 and 30 - 100/3.

    Without one of them 110 or 100 pieces are left, so the residuals count 12/11 and 12/10 times. Log scale.
    """
    hours = hours_per_thousand([20, 20, 20, 20, 30, 30, 30, 30], [10, 10, 10, 10, 20, 20, 20, 20])
    scale = 1000 / 60
    error = np.sqrt(7 / 8 * 4 * (10 / 3) ** 2 * ((12 / 11) ** 2 + (12 / 10) ** 2)) / 120
    factor = np.exp(2.364624251592785 * error / (5 / 3))  # t, 7 degrees of freedom
    assert hours.estimate == pytest.approx(scale * 5 / 3)
    assert hours.high == pytest.approx(scale * 5 / 3 * factor)
    assert hours.low == pytest.approx(scale * 5 / 3 * (1 - np.log(factor) / 2) ** 2)  # on the scale of the root


def test_ratio_of_nothing_spent():
    assert hours_per_thousand([0.0] * 8, [5] * 8).high == 0.0


def test_mean_session_by_hand():
    """Minutes 10, 20, 40 and so on: the logs vary by more than the minutes do where none is very long."""
    minutes = np.array([10.0, 20, 40, 10, 20, 40, 10, 40])
    mean = session_effort(minutes, np.arange(8) + 5).per_session
    by_logs = np.sqrt(np.exp(np.log(minutes).var(ddof=1)) - 1)
    assert by_logs > minutes.std(ddof=1) / minutes.mean()
    reach = 2.364624251592785 * by_logs / np.sqrt(8)
    assert np.log(mean.high / mean.estimate) == pytest.approx(reach)
    assert np.sqrt(mean.low / mean.estimate) == pytest.approx(1 - reach / 2)


def test_same_as_statsmodels():
    """WLS with HC2 errors, statsmodels; the estimates and standard errors to 1e-9."""
    minutes, pieces, _ = some_sessions()
    weight = session_weights(minutes, pieces)
    other = sm.WLS(minutes, sm.add_constant(pieces), weights=weight).fit(cov_type="HC2")
    mine = least_squares(sm.add_constant(pieces), minutes, weight)
    assert mine.coefficients == pytest.approx(other.params, rel=1e-10)
    assert np.sqrt(np.diag(mine.covariance)) == pytest.approx(other.bse, rel=1e-9)


def test_degrees_of_freedom_by_brute_force():
    """Bell & McCaffrey 2002: trace(M)^2 / trace(M M), M = G (I - H) G' written out in full."""
    minutes, pieces, _ = some_sessions(12)
    weight = session_weights(minutes, pieces)
    fit = least_squares(sm.add_constant(pieces), minutes, weight)
    x = fit.design
    hat = x @ np.linalg.inv(x.T @ x) @ x.T
    for pick in ([1.0, 0.0], [0.0, 1.0], [1.0, 20.0]):
        g = x @ np.linalg.inv(x.T @ x) @ pick / np.sqrt(1 - np.diag(hat))
        m = np.diag(g) @ (np.eye(12) - hat) @ np.diag(g)
        assert fit.freedom(pick) == pytest.approx(np.trace(m) ** 2 / np.trace(m @ m), rel=1e-9)
    # one mean over n equal rows has the n - 1 everyone knows
    assert least_squares(np.ones((9, 1)), minutes[:9], np.ones(9)).freedom([1.0]) == pytest.approx(8)


def test_tasks_add_up_to_the_session():
    minutes, pieces, rng = some_sessions()
    share = rng.uniform(0.2, 0.6, len(minutes))
    minutes[3] = np.nan
    tasks = task_effort({"dip": share * minutes, "rinse": (1 - share) * minutes}, pieces)
    whole = session_effort(minutes, pieces)
    for name in ("fixed", "per_piece", "per_session", "hours_per_thousand"):
        parts = [getattr(tasks[task], name).estimate for task in ("dip", "rinse")]
        assert sum(parts) == pytest.approx(getattr(whole, name).estimate)
    assert whole.unrecorded == tasks["dip"].unrecorded == 1


def test_order_and_units_change_nothing():
    minutes, pieces, rng = some_sessions()
    whole, order = session_effort(minutes, pieces), rng.permutation(len(minutes))
    mixed, hours = session_effort(minutes[order], pieces[order]), session_effort(minutes / 60, pieces)
    for name in ("fixed", "per_piece", "hours_per_thousand"):
        a, b, c = (getattr(effort, name) for effort in (whole, mixed, hours))
        assert (b.estimate, b.low, b.high) == pytest.approx((a.estimate, a.low, a.high))
        assert (c.estimate * 60, c.low * 60, c.high * 60) == pytest.approx((a.estimate, a.low, a.high))


def test_sessions_without_labour_are_left_out_and_counted():
    minutes, pieces, _ = some_sessions()
    more = session_effort([*minutes, np.nan, np.nan], [*pieces, 500, 600])
    assert more.per_piece == session_effort(minutes, pieces).per_piece
    assert more.unrecorded == 2


def test_what_cannot_be_said():
    few = session_effort([20, 30, np.nan], [10, 20, 30])
    assert few.fixed.estimate is None
    assert few.fixed.reason == "2 sessions written down, needs 8"
    same = session_effort(np.linspace(20, 40, 10), np.full(10, 12))
    assert same.fixed.reason == "every session had the same number of pieces"
    assert same.per_session.estimate == pytest.approx(30)
    assert same.hours_per_thousand.estimate == pytest.approx(2.5 * 1000 / 60)
    with pytest.raises(DataError, match="pieces"):
        session_effort([20.0], [0])
    with pytest.raises(DataError, match="minutes"):
        session_effort([-1.0], [5])


def test_extra_rinse_exactly_and_not_at_all():
    pieces = np.array([10, 20, 30, 40, 12, 25, 33, 41.0])
    rinses = np.array([1, 2, 3, 1, 2, 3, 1, 2.0])
    each, thousand = extra_rinse(rinses * (1.5 + 0.1 * pieces), pieces, rinses)
    assert each.estimate == pytest.approx(1.5 + 0.1 * pieces.mean())
    assert thousand.estimate == pytest.approx((1.5 / pieces.mean() + 0.1) * 1000 / 60)
    silent, _ = extra_rinse(np.zeros(8), pieces, rinses)
    assert silent.reason == "no rinse minutes written down"
    unknown, _ = extra_rinse(rinses, pieces, np.full(8, np.nan))
    assert unknown.reason == "0 sessions written down, needs 8"


def test_crews_at_one_size_and_one_mix_of_agents():
    """A crew of three takes 1.2 times the person-minutes, on larger sessions of the slower agent: adjusted exactly."""
    pieces = np.tile([10.0, 15, 20, 25, 30, 35, 40, 45, 50, 55], 4) + np.repeat([0, 0, 9, 9], 10)
    crew = np.repeat([1.0, 1, 3, 3], 10)
    agent = np.tile(["slow", "quick"], 20)
    base = 15 + 0.6 * pieces + 8 * (agent == "slow")
    minutes = base + 9 * (crew == 3)
    rows = crew_effort(minutes, minutes / crew, pieces, crew, agent)
    assert [row.crew for row in rows] == [1, 3]
    middle = 15 + 0.6 * pieces.mean() + 8 * 0.5
    assert rows[0].person_minutes.estimate == pytest.approx(middle)
    assert rows[1].person_minutes.estimate == pytest.approx(middle + 9)
    assert rows[1].person_minutes_ratio.estimate == pytest.approx((middle + 9) / middle)
    assert rows[1].clock_minutes.estimate < rows[0].clock_minutes.estimate


def test_a_crew_seen_too_seldom_is_listed_with_the_reason():
    minutes, pieces, _ = some_sessions(20)
    crew = np.array([1.0] * 17 + [2.0] * 3)
    rows = crew_effort(minutes, minutes, pieces, crew, np.full(20, "a"))
    assert rows[1].person_minutes.reason == "3 sessions written down, needs 8"
    assert rows[0].person_minutes.known
    assert crew_effort(minutes, minutes, pieces, np.full(20, np.nan), np.full(20, "a")) == ()


def test_limits_cover_planted_minutes():
    """A short run of the calibration: 250 farms, binomial error 1.4 %, so 0.90 is 3.5 errors under 0.95."""
    rng = np.random.default_rng(11)
    assert min(effort_coverage(FARMS["unequal sessions"], sessions=20, replicates=250, rng=rng).values()) > 0.90
