"""Deaths between two checks: Turnbull's curve, interval log-rank, Weibull fit."""

import lifelines
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterdip.calibrate.farms import CHECK_DAYS
from afterdip.errors import DataError
from afterdip.survival import (
    interval_logrank,
    kaplan_meier,
    logrank,
    survival_bounds,
    turnbull,
    weibull,
    weibull_survival,
)
from survival_data import CASES, cosmesis, numerical_jackknife, sessions


def as_intervals(rows):
    """Lower, upper, pieces and session of simulated rows: deaths since the check before, the rest seen alive."""
    before = np.tile(np.append(0.0, CHECK_DAYS[:-1]), len(rows.days) // len(CHECK_DAYS))
    lower, upper = np.append(before, rows.days), np.append(rows.days, np.full(len(rows.days), np.inf))
    return lower, upper, np.append(rows.deaths, rows.left), np.tile(rows.session, 2)


def test_turnbull_1974():
    # Turnbull 1974, JASA 69:169; R survival's tests/turnbull: .538 .295 .210 .095 (A15, read)
    case = CASES["A15"]
    t, kind = np.array(case["data"]["time"], float), np.array(case["data"]["status_1exact_0right_2left"])
    curve = turnbull(np.where(kind == 2, 0, t), np.where(kind == 0, np.inf, t), weights=case["data"]["n"])
    at = [float(curve.survival[curve.upper <= day][-1]) for day in (1, 2, 3, 4)]
    np.testing.assert_allclose(at, [0.538, 0.295, 0.210, 0.095], atol=5e-4)
    np.testing.assert_allclose(at, case["recomputed"]["R"], atol=1e-6)
    np.testing.assert_allclose(at, case["recomputed"]["Python"], atol=1e-10)
    assert curve.converged
    assert curve.pieces == 44


def test_turnbull_is_kaplan_meier_where_days_are_known():
    rows = sessions(8, seed=1)
    died = np.flatnonzero(rows.deaths)
    lower = np.concatenate([rows.days[died], rows.days])
    upper = np.concatenate([rows.days[died], np.full(len(rows.days), np.inf)])
    curve = turnbull(lower, upper, weights=np.concatenate([rows.deaths[died], rows.left]))
    other = kaplan_meier(rows.days, rows.deaths, rows.left)
    for day in CHECK_DAYS[:-1]:
        here = other.survival[other.days == day].item()
        assert survival_bounds(curve, day) == pytest.approx((here, here), abs=1e-8)


def test_turnbull_of_regular_checks_is_kaplan_meier_on_check_days():
    lower, upper, pieces, _ = as_intervals(sessions(8, seed=2))
    rows = sessions(8, seed=2)
    other = kaplan_meier(rows.days, rows.deaths, rows.left)
    curve = turnbull(lower, upper, weights=pieces)
    for day in CHECK_DAYS[:-1]:
        assert survival_bounds(curve, day) == pytest.approx([other.survival[other.days == day].item()] * 2, abs=1e-8)
    loosest = survival_bounds(curve, 10)  # between checks on days 7 and 14 it may be either's
    assert loosest == pytest.approx((survival_bounds(curve, 14)[0], survival_bounds(curve, 7)[0]))


@st.composite
def intervals(draw):
    n = draw(st.integers(2, 25))
    lower = np.array(draw(st.lists(st.integers(0, 12), min_size=n, max_size=n)), float)
    length = np.array(draw(st.lists(st.sampled_from([0, 1, 2, 5, np.inf]), min_size=n, max_size=n)))
    upper = lower + length
    weights = np.array(draw(st.lists(st.integers(1, 9), min_size=n, max_size=n)), float)
    return lower, np.where(upper > 0, upper, 1.0), weights


@settings(max_examples=80, deadline=None)
@given(intervals())
def test_turnbull_satisfies_the_kuhn_tucker_conditions(rows):
    lower, upper, weights = rows
    curve = turnbull(lower, upper, weights=weights)
    assert curve.converged
    assert curve.mass.sum() == pytest.approx(1)
    assert (curve.mass >= 0).all()
    # written out anew: the likelihood's gradient to each mass, at most the pieces and equal to them where mass is
    inside = np.array([
        [(low < a or (low == a and (low == up) == (a == b))) and b <= up
         for a, b in zip(curve.lower, curve.upper, strict=True)]
        for low, up in zip(lower, upper, strict=True)
    ], float)  # fmt: skip
    gradient = inside.T @ (weights / (inside @ curve.mass)) / weights.sum()
    assert gradient.max() <= 1 + 1e-8
    assert np.abs(gradient - 1)[curve.mass > 1e-6].max() < 1e-4
    assert float(weights @ np.log(inside @ curve.mass)) == pytest.approx(curve.log_likelihood)


def test_order_and_merging_change_nothing():
    lower, upper, pieces, _ = as_intervals(sessions(6, seed=3))
    curve, whole = turnbull(lower, upper, weights=pieces), pieces > 0
    each = turnbull(np.repeat(lower, pieces)[::-1], np.repeat(upper, pieces)[::-1])
    np.testing.assert_allclose(each.survival, curve.survival, atol=1e-8)
    same = turnbull(lower[whole] * 24, upper[whole] * 24, weights=pieces[whole])
    np.testing.assert_allclose(same.survival, curve.survival, atol=1e-10)


def test_turnbull_of_unequal_sources():
    # nobody died; everybody died in one gap
    assert turnbull([5, 9], [np.inf, np.inf]).survival.tolist() == [0]
    assert survival_bounds(turnbull([5, 9], [np.inf, np.inf]), 9) == (1, 1)
    gap = turnbull([0, 0], [4, 4])
    assert (gap.lower.tolist(), gap.upper.tolist(), gap.mass.tolist()) == ([0], [4], [1])
    assert survival_bounds(gap, 2) == (0, 1)


@pytest.mark.parametrize("lower, upper", [
    ([], []), ([2], [1]), ([-1], [3]), ([0], [0]), ([np.inf], [np.inf]), ([np.nan], [3]),
])  # fmt: skip
def test_impossible_intervals(lower, upper):
    with pytest.raises(DataError):
        turnbull(lower, upper)


@pytest.mark.parametrize("scores, z, p", [("sun", -2.6684, 0.007622), ("finkelstein", -2.6839, 0.007277)])
def test_breast_cosmesis_as_published(scores, z, p):
    # Fay & Shaw 2010, J Stat Softw 36(2), asymptotic permutation form (A13, read); U from the recomputation
    lower, upper, arm = cosmesis()
    found = interval_logrank(lower, upper, group=arm, scores=scores)
    assert found.group == "Rad"
    assert (found.z, found.p_asymptotic) == (pytest.approx(z, abs=5e-5), pytest.approx(p, abs=5e-7))
    exact = CASES["A13"]["recomputed"]["R"][{"sun": "logrank1", "finkelstein": "logrank2"}[scores]]
    assert (found.score, found.z) == pytest.approx((exact["U"], exact["Z"]), abs=1e-7)
    assert found.units == 94


def test_interval_logrank_of_known_days_is_the_logrank_score():
    # Sun's scores sum to observed less expected deaths when all days are known (Sun 1996)
    days, deaths = np.arange(1, 13), np.tile([1, 0, 1, 1], 3)
    group = np.tile([0, 1, 1], 4)
    found = interval_logrank(days, np.where(deaths, days, np.inf), group=group)
    plain = logrank(days, deaths, 1 - deaths, group=group)
    assert found.score == pytest.approx(plain.observed[0] - plain.expected[0], abs=1e-7)


def test_interval_logrank_with_sessions_deals_whole_sessions():
    rows = sessions(8, seed=5, correlation=0.3)
    lower, upper, pieces, session = as_intervals(rows)
    group = np.where(session < 4, "a", "b")
    whole = interval_logrank(lower, upper, group=group, weights=pieces, session=session)
    assert (whole.units, whole.arrangements, whole.exact) == (8, 70, True)
    each = interval_logrank(lower, upper, group=group, weights=pieces)
    assert each.units == pieces.sum()
    assert whole.score == pytest.approx(each.score)
    tenfold = interval_logrank(lower, upper, group=group, weights=pieces * 10, session=session)
    assert tenfold.p_value == whole.p_value  # ten copies of every piece in the same baths prove nothing new
    with pytest.raises(DataError, match="both groups"):
        interval_logrank(lower, upper, group=np.arange(len(lower)) % 2, weights=pieces, session=session)
    with pytest.raises(DataError, match="two groups"):
        interval_logrank(lower, upper, group=session, weights=pieces)


def test_weibull_as_r_survreg_fits_it():
    # R survreg(Surv(left, right, type = "interval2")) on the cosmesis data, both arms and each alone (A14)
    lower, upper, arm = cosmesis()
    r = CASES["A14"]["recomputed"]["R"]
    fit = weibull(lower, upper, covariates=(arm == "RadChem")[:, None], names=["RadChem"])
    np.testing.assert_allclose(fit.coefficients, list(r["weibull"]["coef"].values()), atol=1e-8)
    np.testing.assert_allclose(fit.piece_error, r["weibull"]["se"], atol=1e-8)
    assert fit.scale == pytest.approx(r["weibull"]["scale"], abs=1e-8)
    assert fit.log_likelihood == pytest.approx(r["weibull"]["loglik"][1], abs=1e-8)
    assert weibull(lower, upper).log_likelihood == pytest.approx(r["weibull"]["loglik"][0], abs=1e-8)
    assert fit.hazard_ratios[0].estimate == pytest.approx(r["weibull"]["HR"], abs=1e-8)
    for name, alone in zip(("Rad", "RadChem"), r["by_arm"], strict=True):
        own = weibull(lower[arm == name], upper[arm == name])
        assert (own.coefficients[0], own.scale) == pytest.approx((alone["intercept"], alone["scale"]), abs=1e-7)
        assert own.log_likelihood == pytest.approx(alone["loglik"], abs=1e-8)


def test_weibull_with_known_days_against_lifelines():
    rng = np.random.default_rng(3)
    days, died = np.round(10 * rng.weibull(1.4, 80), 2) + 0.01, rng.random(80) < 0.7
    fit = weibull(days, np.where(died, days, np.inf))
    other = lifelines.WeibullFitter().fit(days, died)
    assert np.exp(fit.coefficients[0]) == pytest.approx(other.lambda_, rel=1e-5)
    assert 1 / fit.scale == pytest.approx(other.rho_, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-6)
    there = other.survival_function_at_times([0, 3, 9])  # lifelines stops its search early
    np.testing.assert_allclose(weibull_survival(fit, [0, 3, 9]), there, atol=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_weibull_session_error_is_the_numerical_jackknife(seed):
    lower, upper, pieces, session = as_intervals(sessions(10, seed=seed, loss=0.3))
    x = (session % 2)[:, None]
    fit = weibull(lower, upper, covariates=x, weights=pieces, session=session)
    influence = numerical_jackknife(
        lambda w: weibull(lower, upper, covariates=x, weights=pieces * w).coefficients, session, step=1e-4
    )
    np.testing.assert_allclose(fit.standard_error[:-1], np.sqrt((influence**2).sum(axis=0)), rtol=1e-5)
    found = fit.hazard_ratios[0]
    assert found.known
    assert found.low < found.estimate < found.high


def test_weibull_in_hours_and_tallied():
    lower, upper, pieces, session = as_intervals(sessions(10, seed=4, loss=0.3))
    x = (session % 2)[:, None]
    fit = weibull(lower, upper, covariates=x, weights=pieces)
    hours = weibull(lower * 24, upper * 24, covariates=x, weights=pieces)
    np.testing.assert_allclose(hours.coefficients - fit.coefficients, [np.log(24), 0], atol=1e-7)
    assert hours.scale == pytest.approx(fit.scale, abs=1e-7)
    each = weibull(*(np.repeat(a, pieces) for a in (lower, upper)), covariates=np.repeat(x, pieces, axis=0))
    np.testing.assert_allclose(each.coefficients, fit.coefficients, atol=1e-8)


def test_weibull_says_why_it_cannot():
    assert "no deaths" in weibull([5, 9], [np.inf, np.inf]).reason
    assert "one interval" in weibull([3, 3], [7, 7], weights=[5, 5]).reason
    lower, upper, x = [0, 3, 7, 9, 9], [3, 7, 9, np.inf, np.inf], [[1], [1], [1], [1], [0]]
    fit = weibull(lower, upper, covariates=x, weights=[2, 3, 1, 20, 30])
    assert "a group has none" in fit.reason
    assert fit.coefficients is None
    assert not fit.hazard_ratios[0].known
    assert "does not vary" in weibull(lower, upper, covariates=np.ones((5, 1))).reason
    with pytest.raises(ValueError, match="no fit to read"):
        weibull_survival(fit, [3], covariates=[0])
    few = as_intervals(sessions(5, seed=4, loss=0.3))
    found = weibull(*few[:2], covariates=(few[3] % 2)[:, None], weights=few[2], session=few[3]).hazard_ratios[0]
    assert found.reason.startswith("too few: 5 sessions with deaths")
