"""Months as a level that wanders: the regression behind the forecast, part by part, each built another way."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from afterdip.calibrate.labour import FARMS, simulate_work
from afterdip.labour import monthly_work
from afterdip.labour.drift import MonthSeries, Prediction, mixture_quantile


def test_what_few_sessions_scatter_more_is_not_scaled_down():
    """By hand: five months on the dot but for 1 %, so that the fitted scale is far below 1; 4 degrees of freedom."""
    rows = MonthSeries(np.array([0.01, -0.01, 0.0, 0.01, -0.01]), np.arange(5.0), np.full(5, 0.01), 0.0, 0.02, 5.0)
    plain, wide = rows.predict(None, 0.0, 0.04), rows.predict(None, 0.0, 0.04, beyond=0.03)
    V = 0.01 * np.eye(5) + 0.02 * np.minimum.outer(np.arange(1, 6), np.arange(1, 6))
    scale = sm.GLS(rows.log_ratio, np.ones(5), sigma=V).fit().scale
    assert scale < 0.05
    assert wide.error**2 - plain.error**2 == pytest.approx(0.03 * (1 - scale) * 2 / 4)
    assert (wide.mean, wide.slope_error) == (plain.mean, plain.slope_error)


def test_prediction_is_the_conditional_normal_of_the_model():
    """The best linear prediction, built another way: contrasts of the joint normal; GLS against statsmodels."""
    rng = np.random.default_rng(3)
    n, lasting = 9, 0.004
    noise = rng.uniform(0.005, 0.02, n)
    z, x = rng.normal(0, 0.1, n), np.log(np.arange(1, n + 1) * 20.0)
    rows = MonthSeries(z, np.arange(float(n)), noise, 0.0, lasting, float(n))
    ahead = np.log((n + 1) * 20.0)
    mine = rows.predict(x, ahead, 0.01)
    steps = np.arange(1, n + 2)
    joint = lasting * np.minimum.outer(steps, steps) + np.diag([*noise, 0.01])
    V = joint[:n, :n]
    gls = sm.GLS(z, sm.add_constant(x), sigma=V).fit()
    assert mine.slope == pytest.approx(gls.params[1], rel=1e-9)
    assert mine.slope_error == pytest.approx(gls.bse[1], rel=1e-9)
    # residual contrasts A'z are free of beta; predict the future given them by ordinary conditioning
    full = np.column_stack([np.ones(n + 1), np.append(x, ahead)])
    A = np.linalg.svd(full[:n])[0][:, 2:]
    simple = np.linalg.lstsq(full[:n].T, full[n], rcond=None)[0]  # an unbiased guess simple'z of the future
    cov = joint[n, :n] @ A - simple @ V @ A
    mean = simple @ z + cov @ np.linalg.inv(A.T @ V @ A) @ (A.T @ z)
    spread = np.append(-simple, 1) @ joint @ np.append(-simple, 1)
    variance = spread - cov @ np.linalg.inv(A.T @ V @ A) @ cov
    assert mine.mean == pytest.approx(mean, rel=1e-9)
    assert mine.error == pytest.approx(np.sqrt(gls.scale * variance), rel=1e-9)


def test_sessions_of_a_month_tell_of_learning():
    """Least squares of statsmodels on the log of sessions' numbers, with a term per month: slope and its error."""
    made = simulate_work(FARMS["fast learning"], sessions=20, months=3, rng=np.random.default_rng(11))
    work = made.first(3, earlier_sessions=4)
    own, n = work.session_structure, len(made.month)
    y = np.log(made.minutes / (own[1] + own[2] * made.pieces))
    x = np.column_stack([np.log(np.arange(5, n + 5)), made.month[:, None] == np.arange(3)])
    fit = sm.OLS(y, x.astype(float)).fit()
    assert work.order_slope == pytest.approx(fit.params[0], rel=1e-9)
    assert work.order_variance == pytest.approx(fit.bse[0] ** 2, rel=1e-9)
    turned = np.arange(n)[::-1]
    again = monthly_work(
        made.month[turned], made.pieces[turned], made.written[turned], order=turned, earlier_sessions=4,
        done_minutes=np.bincount(made.month, made.written), shared_minutes=made.shared,
    )  # fmt: skip
    assert again.order_slope == pytest.approx(work.order_slope, rel=1e-9)
    assert not np.isfinite(made.first(3, settled=np.arange(n) < 2).order_variance)


def test_the_slope_of_sessions_is_one_more_row():
    """Generalised least squares of statsmodels with the row written out; models without a slope pay by their score."""
    z, x, n = np.array([0.3, 0.12, 0.05]), np.array([2.1, 3.4, 3.9]), 3
    rows = MonthSeries(z, np.arange(3.0), np.full(3, 0.004), 0.0, 0.01, 3.0, -0.2, 0.005)
    V = 0.004 * np.eye(n) + 0.01 * np.minimum.outer(np.arange(1, 4), np.arange(1, 4))
    whole = np.block([[V, np.zeros((3, 1))], [np.zeros((1, 3)), np.array([[0.005]])]])
    fit = sm.GLS(np.append(z, -0.2), np.column_stack([[1, 1, 1, 0], np.append(x, 1)]), sigma=whole).fit()
    mine = rows.predict(x, 4.25, 0.004, by_order=True)
    assert (mine.slope, mine.slope_error) == pytest.approx((fit.params[1], fit.bse[1]), rel=1e-9)
    assert mine.freedom == 2
    blind = MonthSeries(*(getattr(rows, f) for f in ("log_ratio", "time", "noise", "between", "lasting", "coming")))
    assert rows.predict(None, 0.0, 0.004).score - blind.predict(None, 0.0, 0.004).score == pytest.approx(0.04 / 0.005)
    assert blind.predict(x, 4.25, 0.004, by_order=True).freedom == 1


def test_a_trend_that_turns():
    """The covariance built another way: a level that adds up a trend that adds up independent turns."""
    rows = MonthSeries(np.zeros(5), np.arange(5.0), np.full(5, 0.02), 0.02, 0.03, 5.0)
    among, shared, own = rows._wandering(0.01)
    sums = np.tril(np.ones((6, 6)))
    turns = sums @ np.vstack([np.zeros(6), sums[:-1]])  # a turn in one month moves the level from the next month on
    joint = 0.03 * sums @ sums.T + 0.01 * turns @ turns.T
    assert among == pytest.approx(joint[:5, :5] + 0.02 * np.eye(5))
    assert np.append(shared, own) == pytest.approx(joint[5])


def test_spread_between_months_solves_its_equation():
    """Paule & Mandel 1982: at the estimate the weighted squares equal their degrees of freedom (scipy's regression)."""
    rng = np.random.default_rng(8)
    made = simulate_work(FARMS["unequal months"], sessions=40, months=11, rng=rng)
    work = made.first(11)
    rows = MonthSeries.of(work, work.minutes, work.expected)
    assert rows.between > 0
    within = work.session_variance / work.recorded_sessions
    fit = sm.WLS(rows.log_ratio, sm.add_constant(rows.time), weights=1 / (within + rows.between)).fit()
    assert fit.ssr == pytest.approx(9, rel=1e-6)


def test_mixture_quantile_against_scipy():
    one, two = (Prediction(m, s, f, 0, 0, 0) for m, s, f in ((0.0, 1.0, 5), (3.0, 0.5, 9)))
    q = mixture_quantile([(0.3, one), (0.7, two)], 0.025)
    assert 0.3 * stats.t.cdf(q, 5) + 0.7 * stats.t.cdf((q - 3) / 0.5, 9) == pytest.approx(0.025, abs=1e-9)
    assert mixture_quantile([(1.0, two)], 0.975) == pytest.approx(3 + 0.5 * stats.t.ppf(0.975, 9))
