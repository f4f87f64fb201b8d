"""Kaplan-Meier: by hand, against published values, against lifelines and statsmodels, and what may not matter."""

from fractions import Fraction

import lifelines
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from afterdip.errors import DataError
from afterdip.survival import (
    MIN_SESSIONS,
    at_risk_on,
    kaplan_meier,
    loss_at,
    median_days,
    survival_at,
    survival_influence,
    survival_on,
)
from afterdip.survival.limits import effective_sessions
from survival_data import CASES, expand, leukaemia, numerical_jackknife, sessions, weighted_rows


def test_by_hand_with_ties():
    # day 1: 1 of 10 dies, 1 removed; day 3: 2 of 8 die and 1 is removed (deaths first); day 7: 5 last seen alive
    curve = kaplan_meier([1, 1, 3, 3, 7], [1, 0, 2, 0, 0], [0, 1, 0, 1, 5])
    assert curve.days.tolist() == [0, 1, 3, 7]
    assert curve.at_risk.tolist() == [10, 10, 8, 5]
    assert curve.deaths.tolist() == [0, 1, 2, 0]
    assert curve.left.tolist() == [0, 1, 1, 5]
    s1, s3 = Fraction(9, 10), Fraction(9, 10) * Fraction(6, 8)
    np.testing.assert_allclose(curve.survival, [1, float(s1), float(s3), float(s3)], rtol=1e-15)
    greenwood = s3**2 * (Fraction(1, 10 * 9) + Fraction(2, 8 * 6))
    assert curve.standard_error[2] == pytest.approx(float(greenwood) ** 0.5, rel=1e-14)


def test_by_hand_two_sessions():
    # 4 pieces each, one death of the first on day 2: influence of a session on S = 7/8 is -(d_g - n_g / 8) / 8
    curve = kaplan_meier([2, 9, 9], [1, 0, 0], [0, 3, 4], session=["a", "a", "b"])
    influence = dict(zip(curve.sessions, survival_influence(curve, 5), strict=True))
    assert influence == {"a": pytest.approx(-1 / 16), "b": pytest.approx(1 / 16)}
    assert curve.standard_error[1] == pytest.approx((2 / 256) ** 0.5, rel=1e-14)


def test_leukaemia_as_r_prints_it():
    # Freireich et al. 1963 and Gehan 1965; values of R's survfit with conf.type "log-log" (A1). The published
    # .857 .807 .753 .690 .627 .538 .448 are from memory of textbooks.
    curve = kaplan_meier(*leukaemia("6-MP")[:3])
    at = {day: i for i, day in enumerate(curve.days.tolist())}
    published = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}
    for row in CASES["A1"]["recomputed"]["R"]["km_6MP"]:
        i = at[row["time"]]
        assert (curve.at_risk[i], curve.deaths[i]) == (row["n.risk"], row["n.event"])
        fields = {"survival": "surv", "standard_error": "se", "low": "lo_loglog", "high": "hi_loglog"}
        for ours, theirs in fields.items():
            assert getattr(curve, ours)[i] == pytest.approx(row[theirs], abs=1e-9)
        assert curve.survival[i] == pytest.approx(published[row["time"]], abs=5e-4)


def test_leukaemia_median_and_its_limits():
    # R 23 (13, NA) and 8 (4, 11) (A1)
    treated, control = (median_days(kaplan_meier(*leukaemia(arm)[:3])) for arm in ("6-MP", "control"))
    assert (treated.estimate, treated.low, treated.high) == (23, 13, None)
    assert (control.estimate, control.low, control.high) == (8, 4, 11)


def test_median_of_a_curve_that_rests_at_one_half():
    assert median_days(kaplan_meier([1, 3, 5], [2, 1, 1], [0, 0, 0])).estimate == 2  # S = 1/2 from day 1 to 3: midpoint
    assert "still alive" in median_days(kaplan_meier([1, 9], [1, 0], [0, 9])).reason


@pytest.mark.parametrize("seed", range(4))
def test_equal_to_lifelines_and_statsmodels(seed):
    rows = sessions(15, seed=seed)
    curve = kaplan_meier(rows.days, rows.deaths, rows.left)
    time = expand(rows.days, rows.deaths, rows.left)
    status = np.repeat([1, 0], [rows.deaths.sum(), rows.left.sum()])
    other = lifelines.KaplanMeierFitter().fit(time, status, ci_labels=["low", "high"])
    np.testing.assert_allclose(curve.survival, other.survival_function_at_times(curve.days), atol=1e-12)
    limits = other.confidence_interval_survival_function_.loc[curve.days[1:]]  # lifelines: log-log by default
    np.testing.assert_allclose(curve.low[1:], limits["low"], atol=1e-9)
    np.testing.assert_allclose(curve.high[1:], limits["high"], atol=1e-9)
    third = SurvfuncRight(time, status)
    died = np.isin(curve.days, third.surv_times)
    np.testing.assert_allclose(curve.standard_error[died], third.surv_prob_se, atol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_session_error_is_the_numerical_jackknife(seed):
    rows = sessions(9, seed=seed, correlation=0.3)
    curve = kaplan_meier(rows.days, rows.deaths, rows.left, session=rows.session)
    influence = numerical_jackknife(
        lambda w: kaplan_meier(rows.days, rows.deaths * w, rows.left * w).survival, rows.session
    )
    np.testing.assert_allclose(curve.standard_error, np.sqrt((influence**2).sum(axis=0)), atol=1e-8)
    np.testing.assert_allclose(survival_influence(curve, 14), influence[:, curve.days == 14].ravel(), atol=1e-8)


def test_one_piece_a_session_gives_greenwood():
    days, deaths, left, _ = leukaemia()
    alone = kaplan_meier(days, deaths, left, session=np.arange(len(days)))
    np.testing.assert_allclose(alone.standard_error, alone.piece_error, atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(weighted_rows(), st.randoms(use_true_random=False))
def test_order_merging_and_splitting_change_nothing(rows, random):
    days, deaths, left, session = rows
    curve = kaplan_meier(days, deaths, left, session=session)
    order = list(range(len(days)))
    random.shuffle(order)
    shuffled = kaplan_meier(days[order], deaths[order], left[order], session=session[order])
    halves = kaplan_meier(*(np.concatenate([a, b]) for a, b in (
        (days, days), (deaths // 2, deaths - deaths // 2), (left // 2, left - left // 2),
    )), session=np.concatenate([session, session]))  # fmt: skip
    for other in (shuffled, halves):
        for field in ("days", "at_risk", "deaths", "survival", "standard_error", "low", "high"):
            np.testing.assert_allclose(getattr(other, field), getattr(curve, field), atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(weighted_rows(least_sessions=2))
def test_limits_hold_the_estimate_and_stay_within_0_and_1(rows):
    curve = kaplan_meier(*rows[:3], session=rows[3])
    assert ((curve.low >= 0) & (curve.low <= curve.survival) & (curve.survival <= curve.high) & (curve.high <= 1)).all()
    assert (np.diff(curve.survival) <= 0).all()
    alive = curve.deaths.cumsum() == 0
    assert (curve.low[alive] == 1).all()


def test_hours_instead_of_days_change_only_the_axis():
    rows = sessions(8, seed=1)
    days, hours = (kaplan_meier(rows.days * k, rows.deaths, rows.left, session=rows.session) for k in (1, 24))
    np.testing.assert_array_equal(days.low, hours.low)
    np.testing.assert_allclose(days.days * 24, hours.days)


def test_no_death_is_a_bound_not_certainty():
    alone = kaplan_meier([30], [0], [19])
    found = loss_at(alone, 30)
    assert (found.estimate, found.low) == (0, 0)
    assert found.high == pytest.approx(1 - 0.05 ** (1 / 19))  # one-sided exact limit of 0 of 19
    shared = kaplan_meier([30] * 10, [0] * 10, [40] * 10, session=range(10))
    # 400 pieces, 10 baths, correlation 0.2: worth 400 / (1 + 39 * 0.2) = 45.5
    assert loss_at(shared, 30).high == pytest.approx(1 - 0.05 ** (8.8 / 400))
    assert loss_at(shared, 30, intra_session_correlation=0).high == pytest.approx(1 - 0.05 ** (1 / 400))
    assert shared.low[-1] == 1  # the band itself starts with the first death
    assert "bound" in survival_at(shared, 30).method


def test_all_dead_keeps_an_upper_limit():
    for session in (None, list("abcdef")):
        curve = kaplan_meier([1] * 6, [5] * 6, [0] * 6, session=session)
        assert curve.survival[-1] == 0
        assert curve.low[-1] == 0
        assert 0 < curve.high[-1] < 0.5
        assert survival_at(curve, 400).estimate == 0  # the dead stay dead beyond the last check
    assert kaplan_meier([1, 2], [9, 1], [0, 0]).high[-1] <= kaplan_meier([1, 2], [9, 1], [0, 0]).high[-2]


def test_refusals_say_why():
    rows = sessions(MIN_SESSIONS - 1, seed=2)
    few = kaplan_meier(rows.days, rows.deaths, rows.left, session=rows.session)
    assert survival_at(few, 30).reason == "too few: 4 sessions followed to day 30, needs 5"
    assert survival_at(few, 30).sessions == MIN_SESSIONS - 1
    rows = sessions(MIN_SESSIONS, seed=2)
    enough = kaplan_meier(rows.days, rows.deaths, rows.left, session=rows.session)
    assert survival_at(enough, 30).known
    assert survival_at(enough, 31).reason == "followed to day 30 only"
    early = kaplan_meier([7] * 9 + [30], [1] * 10, [5] * 10, session=range(10))
    assert survival_at(early, 30).reason.startswith("too few: 1 session followed to day 30")
    assert survival_at(early, 7).known


def test_printed_number_is_the_band():
    rows = sessions(10, seed=3)
    curve = kaplan_meier(rows.days, rows.deaths, rows.left, session=rows.session, confidence_level=0.9)
    for i, day in enumerate(curve.days):
        if curve.deaths[: i + 1].sum():
            found = survival_at(curve, day + 0.5) if day < curve.last_day else survival_at(curve, day)
            assert (found.estimate, found.low, found.high) == (curve.survival[i], curve.low[i], curve.high[i])
            assert found.confidence_level == 0.9
            assert found.deaths == curve.deaths[: i + 1].sum()
            assert loss_at(curve, day).high == 1 - found.low
    assert survival_at(curve, 30).pieces == (rows.deaths + rows.left).sum()


def by_hand(deaths, pieces, level, in_difference):
    """Limits of loss in sessions of equally many pieces, all looked at on one day, written out anew."""
    d, m, upper = np.asarray(deaths, float), len(deaths), (1 + level) / 2
    p, n = d.sum() / (m * pieces), m * pieces
    off = d - d.mean()
    k, behind = d.sum() ** 2 / (d**2).sum(), (off**2).sum() ** 2 / max((off**4).sum(), 1e-300)
    measured = (off**2).sum() * m / (m - 1) / (n * p * (1 - p))
    clumped = (d.sum() - k + 0.35) / (d.sum() - 1 + 0.35)
    prior, known = (clumped, k - 1) if in_difference else (clumped * 0.5 * m, (k - 1) ** 2)
    averaged = max((prior * (1 + 0.2 * (pieces - 1)) + known * measured) / (prior + known), 1)

    def sized(effect, df):
        free = df * np.sqrt(effect / max(effect - 1, 1e-6))
        return effect * (stats.t.ppf(upper, free) / stats.norm.ppf(upper)) ** 2

    far = sized(averaged, max(4, min(behind, m - 1)) if k > 1 else 30)
    near = sized(max(measured, 1), m - 1)
    below, above = n / (p * far + (1 - p) * near), n / ((1 - p) * far + p * near)
    x, y = p * below, (1 - p) * above
    a, b = (1 - p) * x / (x + 1), p * y / (y + 1)
    tails = [(1 - upper) * (1 + share * np.exp(-seen / 4)) for share, seen in ((1 - p, x), (p, y))]
    if in_difference:
        a, b, tails = a / 2 + p / far, b / 2 + (1 - p) / far, [1 - upper] * 2
    low = stats.beta.ppf(tails[0], x + a, below - x + 1 - a)
    return low, stats.beta.ppf(1 - tails[1], p * above + 1 - b, y + b)


@pytest.mark.parametrize(
    "deaths", [[2] * 12, [1, 0, 0, 6, 0, 2], [5, 0, 0, 0, 0], [1, 1, 0, 0, 9, 0, 0, 0], [18, 20, 11, 20, 17]]
)
@pytest.mark.parametrize("level", [0.95, 0.9])
def test_session_limits_by_hand(deaths, level):
    curve = kaplan_meier(
        [30] * len(deaths), deaths, [20 - d for d in deaths], session=range(len(deaths)), confidence_level=level
    )
    for joined in (False, True):
        found = loss_at(curve, 30, in_difference=joined)
        assert (found.low, found.high) == pytest.approx(by_hand(deaths, 20, level, joined), abs=1e-9)


def test_deaths_that_share_no_session_speak_against_the_assumed_correlation():
    alone, shared = (
        loss_at(kaplan_meier([30] * 30, deaths, [20 - d for d in deaths], session=range(30)), 30)
        for deaths in ([1] * 6 + [0] * 24, [3, 3] + [0] * 28)
    )
    assert alone.estimate == shared.estimate
    exact = stats.binomtest(6, 600).proportion_ci()
    assert alone.high == pytest.approx(exact.high, rel=0.01)  # as if pieces were independent
    assert shared.high > 2 * exact.high


def test_one_death_is_hardly_more_than_none_and_its_lower_limit_one_sided():
    # where the far limit cannot be missed the near one may take all 5 %; for independent pieces 1 - 0.95^(1/n)
    deaths = [1] + [0] * 29
    found = loss_at(kaplan_meier([30] * 30, deaths, [20 - d for d in deaths], session=range(30)), 30)
    exact, one_sided = stats.binomtest(1, 600).proportion_ci().low, 1 - 0.95 ** (1 / 600)
    assert exact < one_sided < found.low < found.estimate


def test_clumped_deaths_widen_the_far_limit_most():
    one, two = (
        loss_at(kaplan_meier([30] * 10, deaths, [30 - d for d in deaths], session=range(10)), 30)
        for deaths in ([3] * 10, [21, 3, 3, 3, 0, 0, 0, 0, 0, 0])
    )
    assert one.estimate == pytest.approx(two.estimate)
    assert two.high - two.estimate > 2 * (one.high - one.estimate)
    assert two.high - two.estimate > 2.5 * (two.estimate - two.low)


def test_effective_sessions_count_equal_ones_and_no_others():
    assert effective_sessions(np.array([[4.0], [4], [4]])).tolist() == [3]
    assert effective_sessions(np.array([[9.0, 0], [0, 0], [0, 0]])).tolist() == [1, 0]
    assert effective_sessions(np.array([[[9.0], [1]]])).shape == (1, 1)
    assert effective_sessions(np.array([[9.0], [1]]))[0] == pytest.approx(100 / 82)


def test_next_to_no_pieces_leave_both_limits_open():
    few = kaplan_meier([1, 2, 3], [1e-9, 1e-9, 0], [0, 1e-9, 5e-9])
    assert few.low.tolist() == [1, 0, 0, 0]
    assert few.high.tolist() == pytest.approx([1, 1, 1, 1])


def test_reading_between_days():
    curve = kaplan_meier([2, 5, 9], [1, 1, 0], [0, 0, 2])
    np.testing.assert_allclose(survival_on(curve, [0, 1.9, 2, 5, 9]), [1, 1, 0.75, 0.5, 0.5])
    assert np.isnan(survival_on(curve, [9.1])).all()
    assert at_risk_on(curve, [0, 2, 2.1, 9, 10]).tolist() == [4, 4, 3, 2, 0]


@pytest.mark.parametrize("days, deaths, left, session", [
    ([], [], [], None), ([1], [0], [0], None), ([-1], [1], [0], None), ([1], [-1], [2], None),
    ([np.nan], [1], [0], None), ([1], [np.inf], [0], None), ([1, 2], [1, 1], [0, 0], ["a", None]),
    ([1, 2], [1, 1], [0, 0], [1.0, np.nan]),
])  # fmt: skip
def test_impossible_data(days, deaths, left, session):
    with pytest.raises(DataError):
        kaplan_meier(days, deaths, left, session=session)


def test_every_reason_is_named_at_once():
    with pytest.raises(DataError) as caught:
        kaplan_meier([-1], [-1], [0])
    assert len(caught.value.problems) == 2


def test_misuse():
    with pytest.raises(ValueError, match="equal length"):
        kaplan_meier([1, 2], [1], [0, 0])
    with pytest.raises(ValueError, match="day must be 0 or more"):
        survival_at(kaplan_meier([1], [1], [1]), -1)
