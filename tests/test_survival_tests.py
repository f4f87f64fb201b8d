"""Log-rank tests, by hand, published, against other libraries, and with sessions as units; restricted means."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from lifelines.statistics import multivariate_logrank_test
from statsmodels.duration.survfunc import survdiff

from afterdip.errors import DataError
from afterdip.survival import (
    cox,
    kaplan_meier,
    logrank,
    permute,
    permuted_logrank,
    rmst,
    rmst_difference,
    session_logrank,
)
from survival_data import CASES, diabetic, expand, leukaemia, numerical_jackknife, sessions, weighted_rows


def test_logrank_by_hand():
    # a: dies on day 1 and 3; b: dies on day 2, one left on day 3. E(a) = 2/4 + 1/3 + 1/2, V = 1/4 + 2/9 + 1/4
    found = logrank([1, 3, 2, 3], [1, 1, 1, 0], [0, 0, 0, 1], group=["a", "a", "b", "b"])
    assert found.expected == pytest.approx([4 / 3, 5 / 3])
    assert found.chi_square == pytest.approx((2 - 4 / 3) ** 2 / (1 / 4 + 2 / 9 + 1 / 4))
    assert found.degrees_of_freedom == 1


def test_leukaemia_as_published():
    # O 9 and 21, E 19.25 and 10.75, chi-square 16.79 (A2: printed in Venables & Ripley ch. 13; quoted from memory)
    days, deaths, left, arm = leukaemia()
    found, r = logrank(days, deaths, left, group=arm), CASES["A2"]["recomputed"]["R"]
    order = [found.groups.index(name) for name in ("6-MP", "control")]
    np.testing.assert_allclose(found.observed[order], r["obs"], atol=1e-8)
    np.testing.assert_allclose(found.expected[order], r["exp"], atol=1e-8)
    np.testing.assert_allclose(found.variance[np.ix_(order, order)], r["var"], atol=1e-8)
    assert found.chi_square == pytest.approx(r["chisq"], abs=1e-8)
    assert found.p_value == pytest.approx(r["p"], rel=1e-8)
    np.testing.assert_allclose(found.expected[order], [19.25, 10.75], atol=0.005)
    assert found.chi_square == pytest.approx(16.79, abs=0.005)


def test_gliomas_in_both_forms():
    # Bland & Altman 2004, BMJ 328:1073: 6.88 is sum (O - E)^2 / E (A5; data and E from memory), 7.4966 the usual form
    data = CASES["A5"]["data"]
    t, e = np.array(data["t"]), np.array(data["e"])
    found = logrank(t, e, 1 - e, group=data["grp"])
    assert found.observed.tolist() == [14, 28]
    np.testing.assert_allclose(found.expected, [22.48, 19.52], atol=0.005)
    assert found.chi_square_oe == pytest.approx(6.88, abs=0.005)
    assert found.chi_square_oe == pytest.approx(6.8847275812, abs=1e-8)
    assert found.chi_square == pytest.approx(7.4965941685, abs=1e-8)


def test_diabetic_eyes_plain_and_stratified_by_patient():
    # Huster et al. 1989 data; R survdiff 22.2457 and, stratified by patient, 27.2523 (A9)
    time, status, treated, patient = diabetic()
    r = CASES["A9"]["recomputed"]["R"]
    assert logrank(time, status, 1 - status, group=treated).chi_square == pytest.approx(r["logrank"], abs=1e-8)
    stratified = logrank(time, status, 1 - status, group=treated, stratum=patient)
    assert stratified.chi_square == pytest.approx(r["stratified_logrank"], abs=1e-8)
    assert stratified.observed.sum() == 155


@pytest.mark.parametrize("seed", range(3))
def test_three_groups_against_lifelines_and_strata_against_statsmodels(seed):
    rows = sessions(18, seed=seed)
    group, stratum = rows.session % 3, rows.session // 3 % 2
    time, status = expand(rows.days, rows.deaths, rows.left), np.repeat([1, 0], [rows.deaths.sum(), rows.left.sum()])
    found = logrank(rows.days, rows.deaths, rows.left, group=group)
    other = multivariate_logrank_test(time, expand(group, rows.deaths, rows.left), status)
    assert (found.chi_square, found.p_value) == pytest.approx((other.test_statistic, other.p_value), rel=1e-9)
    assert found.degrees_of_freedom == 2
    stratified = logrank(rows.days, rows.deaths, rows.left, group=group, stratum=stratum)
    chi2, p = survdiff(
        time, status, expand(group, rows.deaths, rows.left), strata=expand(stratum, rows.deaths, rows.left)
    )
    assert (stratified.chi_square, stratified.p_value) == pytest.approx((chi2, p), rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(weighted_rows(least_sessions=2))
def test_observed_and_expected_agree_in_sum(rows):
    days, deaths, left, session = rows
    try:
        found = logrank(days, deaths, left, group=session)
    except DataError:
        return
    assert found.observed.sum() == pytest.approx(found.expected.sum()) == deaths.sum()
    np.testing.assert_allclose(found.variance.sum(axis=0), 0, atol=1e-10)


def test_logrank_refuses():
    with pytest.raises(DataError, match="two groups"):
        logrank([1, 2], [1, 1], [0, 0], group=["a", "a"])
    with pytest.raises(DataError, match="nothing to compare"):
        logrank([1, 2], [0, 0], [5, 5], group=["a", "b"])


def test_session_score_is_the_logrank_score_and_its_error_the_cox_sandwich_at_no_effect():
    rows = sessions(12, seed=3)
    group = rows.session % 2
    found = session_logrank(rows.days, rows.deaths, rows.left, group=group, session=rows.session)
    plain = logrank(rows.days, rows.deaths, rows.left, group=group)
    assert found.score == pytest.approx(plain.observed[0] - plain.expected[0])

    def score(w):
        other = logrank(rows.days, rows.deaths * w, rows.left * w, group=group)
        return other.observed[0] - other.expected[0]

    influence = numerical_jackknife(score, rows.session)
    assert found.standard_error == pytest.approx(np.sqrt((influence**2).sum()), abs=1e-7)
    assert found.t == pytest.approx(found.score / found.standard_error * np.sqrt(11 / 12))
    assert found.degrees_of_freedom == 10


def test_identical_copies_of_every_piece_in_its_session_prove_nothing_new():
    rows = sessions(12, seed=4)
    group = rows.session % 2
    one, two = (session_logrank(rows.days, rows.deaths * k, rows.left * k, group=group, session=rows.session)
                for k in (1, 10))  # fmt: skip
    assert one.t == pytest.approx(two.t)
    plain = [logrank(rows.days, rows.deaths * k, rows.left * k, group=group).chi_square for k in (1, 10)]
    assert plain[1] > 9 * plain[0]  # what the piece-level test would make of it


def test_permutation_counts_every_way_to_deal_the_arms():
    rows = sessions(7, seed=6, loss=0.3, correlation=0.3)
    group = np.where(np.isin(rows.session, [0, 1, 2]), "a", "b")
    found = permuted_logrank(rows.days, rows.deaths, rows.left, group=group, session=rows.session)
    reached = total = 0
    for order in set(permutations("aaabbbb")):
        dealt = np.array(order)[rows.session]
        other = logrank(rows.days, rows.deaths, rows.left, group=dealt)
        a = other.groups.index("a")
        total += 1
        reached += abs(_centred(rows, dealt, other, a)) >= abs(_centred(rows, group, None, 0)) - 1e-9
    assert (found.arrangements, found.exact) == (35, True) == (total, True)
    assert found.p_value == pytest.approx(reached / 35)
    assert found.p_value >= 1 / 35


def _centred(rows, group, other, a):
    other = other or logrank(rows.days, rows.deaths, rows.left, group=group)
    a = other.groups.index("a")
    return other.observed[a] - other.expected[a]


def test_permutation_by_hand():
    # scores 3, 1, 0, 0 with the first two dealt to arm one: 4 or more by 1 of 6, and as far below the mean by 1 of 6
    found = permute([3, 1, -2, -2], [True, True, False, False])
    assert found.score == 4
    assert found.p_value == pytest.approx(2 / 6)
    assert found.z == pytest.approx(4 / np.sqrt(2 * 2 / (4 * 3) * 18))


def test_many_arrangements_are_drawn_with_the_callers_generator():
    a, first = np.random.default_rng(1).normal(size=60), np.arange(60) < 30
    assert permute(a, first).p_value is None
    drawn = permute(a, first, rng=np.random.default_rng(2), draws=4999)
    assert (drawn.exact, drawn.arrangements) == (False, 4999)
    assert drawn.p_value == pytest.approx(drawn.p_asymptotic, abs=0.03)
    assert drawn == permute(a, first, rng=np.random.default_rng(2), draws=4999)


def test_session_tests_refuse():
    rows = sessions(4, seed=1)
    arms = {"group": np.where(rows.session == 0, "a", "b"), "session": rows.session}
    with pytest.raises(DataError, match="has one session"):
        session_logrank(rows.days, rows.deaths, rows.left, **arms)
    with pytest.raises(DataError, match="needs two groups"):
        session_logrank(rows.days, rows.deaths, rows.left, group=rows.session, session=rows.session)
    mixed = {"group": np.arange(len(rows.days)) % 2, "session": rows.session}
    with pytest.raises(DataError, match="holds pieces of both groups"):
        permuted_logrank(rows.days, rows.deaths, rows.left, **mixed)
    with pytest.raises(DataError, match="units that differ"):
        permute([1, 1, 1], [True, False, False])


def test_restricted_mean_as_r_prints_it():
    # R survfit(print rmean), Klein & Moeschberger 2003 sec. 4.5 (A7)
    treated, control = (kaplan_meier(*leukaemia(arm)[:3]) for arm in ("6-MP", "control"))
    for row in CASES["A7"]["recomputed"]["R"]:
        one, two = rmst(treated, row["tau"]), rmst(control, row["tau"])
        assert (one.rmst_days, one.standard_error) == pytest.approx(row["mp6"], abs=1e-8)
        assert (two.rmst_days, two.standard_error) == pytest.approx(row["ctl"], abs=1e-8)
        gain = rmst_difference(one, two)
        assert gain.estimate == pytest.approx(row["diff"], abs=1e-8)
        assert (gain.high - gain.low) / 2 / 1.959963984540054 == pytest.approx(row["se"], abs=1e-8)


def test_restricted_mean_by_hand_and_in_hours():
    curve = kaplan_meier([2, 4, 10], [1, 1, 0], [0, 0, 2])  # 1 to day 2, 3/4 to day 4, 1/2 after
    assert rmst(curve, 8).rmst_days == pytest.approx(2 + 1.5 + 2)
    assert rmst(curve, 2).rmst_days == 2
    hours = kaplan_meier([48, 96, 240], [1, 1, 0], [0, 0, 2])
    assert rmst(hours, 192).rmst_days == pytest.approx(24 * 5.5)
    assert rmst(hours, 192).standard_error == pytest.approx(24 * rmst(curve, 8).standard_error)


@pytest.mark.parametrize("seed", range(3))
def test_restricted_mean_error_by_sessions_is_the_numerical_jackknife(seed):
    rows = sessions(9, seed=seed, correlation=0.3)
    found = rmst(kaplan_meier(rows.days, rows.deaths, rows.left, session=rows.session), 20)
    influence = numerical_jackknife(
        lambda w: rmst(kaplan_meier(rows.days, rows.deaths * w, rows.left * w), 20).rmst_days, rows.session
    )
    np.testing.assert_allclose(found.influence, influence, atol=1e-7)
    assert found.standard_error == pytest.approx(np.sqrt((influence**2).sum()), abs=1e-7)
    assert 0 <= found.estimate.low <= found.rmst_days <= found.estimate.high <= 20


def test_restricted_mean_refuses_and_bounds():
    none = kaplan_meier([30] * 6, [0] * 6, [20] * 6, session=range(6))
    assert rmst(none, 30).estimate.high == 30
    assert 0 < rmst(none, 30).estimate.low < 30
    others = kaplan_meier([30] * 6, [0] * 6, [20] * 6, session=list("uvwxyz"))
    bound = rmst_difference(rmst(none, 30), rmst(others, 30))
    assert (bound.estimate, bound.low) == (0, pytest.approx(rmst(none, 30).estimate.low - 30))
    assert bound.high == -bound.low
    alone = kaplan_meier([30], [0], [20])
    assert "no death" in rmst_difference(rmst(alone, 30), rmst(alone, 30)).reason
    one = kaplan_meier([3, *[30] * 6], [4, *[0] * 6], [0, *[20] * 6], session=[0, 0, 1, 2, 3, 4, 5])
    found = rmst(one, 30).estimate  # 4 of 124 died on day 3, all in one session: the correlation is the assumed one
    assert found.estimate == pytest.approx(30 - 27 * 4 / 124)
    assert 30 - found.estimate < found.estimate - found.low < 30
    with pytest.raises(ValueError, match="confidence_level"):
        rmst_difference(rmst(none, 30), rmst(none, 30), confidence_level=0.9)
    with pytest.raises(ValueError, match="within the 30 days"):
        rmst(none, 31)
    with pytest.raises(ValueError, match="same tau_days"):
        rmst_difference(rmst(none, 30), rmst(none, 20))


def test_the_death_of_all_at_one_look_is_a_bound():
    alone, shared = (kaplan_meier([3] * 6, [5] * 6, [0] * 6, session=s) for s in (None, range(6)))
    for curve, pieces in ((alone, 30), (shared, 30 / 1.8)):  # sessions of 5 at the assumed 0.2: 1 + 4 * 0.2
        others, found = 1 - 0.05 ** (1 / pieces), rmst(curve, 30).estimate
        assert found.estimate == pytest.approx(3)
        assert (found.low, found.high) == pytest.approx(((1 - others) * 3, (1 - others) * 3 + others * 30))


def test_shared_sessions_enter_the_difference_of_means_by_their_covariance():
    a, b = sessions(10, seed=7, correlation=0.3), sessions(10, seed=8, correlation=0.3)
    one = rmst(kaplan_meier(a.days, a.deaths, a.left, session=a.session), 30)
    same = rmst_difference(one, one)
    apart = rmst_difference(one, rmst(kaplan_meier(b.days, b.deaths, b.left, session=b.session + 100), 30))
    assert same.estimate == 0
    assert same.sessions == 10
    lost = one.lost_in_difference
    # the same sessions on both sides: what is left is the asymmetry of the limits
    assert same.high == pytest.approx(30 * abs(lost.high + lost.low - 2 * lost.estimate))
    assert same.high - same.low < 0.7 * (apart.high - apart.low)
    assert apart.low < apart.estimate < apart.high
    assert apart.sessions == 20


def test_score_test_of_cox_is_the_logrank_without_ties():
    days, deaths = np.arange(1, 21), np.tile([1, 1, 0, 1], 5)
    group = np.tile([0, 1, 1, 0, 1], 4)
    score = cox(days, deaths, 1 - deaths, covariates=group[:, None]).score_test
    assert score == pytest.approx(logrank(days, deaths, 1 - deaths, group=group).chi_square, rel=1e-9)
