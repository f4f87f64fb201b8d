"""Proportions: published values, other libraries, hand cases, properties and edges."""

import csv
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from afterdip import proportion as pr
from afterdip.errors import DataError
from afterdip.estimate import Estimate, cannot_say

REFERENCE = Path(__file__).parent / "reference"
PUBLISHED = json.loads((REFERENCE / "proportion.json").read_text())
tables = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=4, max_size=12).filter(
    lambda rows: sum(a + b > 0 for a, b in rows) >= 4
)


def limits(estimate):
    return estimate.low, estimate.high


# Newcombe 1998, Stat Med 17:857, Table I; Altman et al. 2000 p. 47 (0.255-0.366 as quoted elsewhere, rest from memory)
@pytest.mark.parametrize(
    "events, trials, function, printed",
    [
        (81, 263, pr.clopper_pearson, (0.2527, 0.3676)),
        (81, 263, pr.wilson, (0.2553, 0.3662)),
        (0, 20, pr.wilson, (0.0, 0.1611)),
        (0, 20, pr.clopper_pearson, (0.0, 0.1684)),
        (1, 29, pr.wilson, (0.0061, 0.1718)),
        (1, 29, pr.clopper_pearson, (0.0009, 0.1776)),
    ],
)
def test_single_proportions_as_published(events, trials, function, printed):
    assert limits(function(events, trials)) == pytest.approx(printed, abs=5.1e-5)


def test_wilson_with_continuity_as_published():
    assert limits(pr.wilson(81, 263, continuity=True)) == pytest.approx((0.2535, 0.3682), abs=5e-5)


@pytest.mark.parametrize("case", sorted(PUBLISHED["D1"]["recomputed_Python"]))
def test_single_proportions_recomputed(case):
    events, trials = (int(part) for part in case.split("/"))
    expected = PUBLISHED["D1"]["recomputed_Python"][case]
    assert limits(pr.clopper_pearson(events, trials)) == pytest.approx(expected["clopper_pearson"], abs=1e-9)
    assert limits(pr.wilson(events, trials)) == pytest.approx(expected["wilson"], abs=1e-9)
    assert limits(pr.wilson(events, trials, continuity=True)) == pytest.approx(expected["wilson_cc"], abs=1e-9)


@pytest.mark.parametrize("events, trials", [(0, 7), (3, 10), (50, 50), (1, 1), (17, 1000)])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_single_proportions_against_scipy(events, trials, level):
    test = stats.binomtest(events, trials)
    for mine, method in (
        (pr.clopper_pearson(events, trials, confidence_level=level), "exact"),
        (pr.wilson(events, trials, confidence_level=level), "wilson"),
        (pr.wilson(events, trials, confidence_level=level, continuity=True), "wilsoncc"),
    ):
        theirs = test.proportion_ci(level, method=method)
        assert limits(mine) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


# Hanley & Lippman-Hand 1983, JAMA 249:1743 (figures from memory): 0/14 exact .193, n=30 .095, n=100 .0295, n=300 .00994
@pytest.mark.parametrize(
    "trials, printed, digit", [(14, 0.193, 3), (30, 0.095, 3), (100, 0.0295, 4), (300, 0.00994, 5)]
)
def test_rule_of_three_as_published(trials, printed, digit):
    bound = pr.upper_bound_when_none(trials)
    assert bound.high == pytest.approx(printed, abs=0.5 * 10**-digit)
    assert bound.high < 3 / trials


@pytest.mark.parametrize("trials", sorted(PUBLISHED["D5"]["recomputed_Python"], key=int))
def test_rule_of_three_recomputed(trials):
    expected = PUBLISHED["D5"]["recomputed_Python"][trials]["exact_upper95_onesided"]
    assert pr.upper_bound_when_none(int(trials)).high == pytest.approx(expected, abs=1e-12)


# Newcombe 1998, Stat Med 17:2635, method 10; Altman et al. 2000 p. 53 prints 0.011 to 0.226
def test_paired_difference_as_published():
    mine = pr.paired_difference(14, 5, 0, 22)
    assert limits(mine) == pytest.approx((0.011, 0.226), abs=5.1e-4)
    assert (mine.estimate, mine.low, mine.high) == pytest.approx(PUBLISHED["D3"]["recomputed_Python"][:3], abs=1e-9)
    assert mine.low != pytest.approx(0.0222, abs=1e-3)  # what phi without its continuity correction gives


def test_paired_difference_with_an_empty_margin_takes_phi_as_zero():
    mine = pr.paired_difference(0, 0, 6, 14)
    alone = pr.newcombe_difference(0, 20, 6, 20)
    assert limits(mine) == pytest.approx(limits(alone), abs=1e-12)


# Newcombe 1998, Stat Med 17:873, Table II, methods 10 and 6 (figures from memory)
@pytest.mark.parametrize("row", range(3))
def test_independent_differences_as_published(row):
    counts, printed = PUBLISHED["MN"]["data"][row], PUBLISHED["MN"]["published"]
    assert limits(pr.newcombe_difference(*counts)) == pytest.approx(printed["method_10"][row], abs=5.1e-5)
    mine = pr.miettinen_nurminen_difference(*counts)
    assert limits(mine) == pytest.approx(printed["miettinen_nurminen"][row], abs=5.1e-5)


@pytest.mark.parametrize("counts", [(56, 70, 48, 80), (9, 10, 3, 10), (0, 15, 4, 17), (5, 5, 1, 30), (0, 9, 0, 12)])
def test_miettinen_nurminen_against_a_numerical_maximum(counts):
    """At each limit the score with numerically constrained proportions equals the normal quantile."""
    x1, n1, x2, n2 = counts

    def score_squared(delta):
        def loss(second):
            first = second + delta
            return -(stats.binom.logpmf(x1, n1, first) + stats.binom.logpmf(x2, n2, second))

        inside = (max(0, -delta) + 1e-12, min(1, 1 - delta) - 1e-12)
        second = optimize.minimize_scalar(loss, bounds=inside, method="bounded", options={"xatol": 1e-13}).x
        first = second + delta
        variance = (first * (1 - first) / n1 + second * (1 - second) / n2) * (n1 + n2) / (n1 + n2 - 1)
        return (x1 / n1 - x2 / n2 - delta) ** 2 / variance

    mine = pr.miettinen_nurminen_difference(*counts)
    for limit in limits(mine):
        if abs(limit) < 1:
            assert score_squared(limit) == pytest.approx(stats.norm.ppf(0.975) ** 2, rel=1e-4)


# cbpp, herds as sessions: GEE with independence (lme4 documentation; R and statsmodels agree to the digits given)
def test_session_robust_error_is_that_of_gee_with_independence():
    with (REFERENCE / "cbpp.csv").open() as file:
        rows = list(csv.DictReader(file))
    herds = sorted({row["herd"] for row in rows})
    logit, pull = [], []
    for period in "1234":
        part = [row for row in rows if row["period"] == period]
        events, trials = ([float(row[name]) for row in part] for name in ("incidence", "size"))
        share = sum(events) / sum(trials)
        influence = np.zeros(len(herds))
        labels = [row["herd"] for row in part]
        influence[np.searchsorted(herds, sorted(set(labels)))] = pr.ratio_influence(events, trials, session=labels)
        logit.append(np.log(share / (1 - share)))
        pull.append(influence / (share * (1 - share)))
    expected = PUBLISHED["D7"]["recomputed_R"]["gee_indep"]
    mine = [(logit[0], np.sqrt((pull[0] ** 2).sum()))]
    mine += [(logit[i] - logit[0], np.sqrt(((pull[i] - pull[0]) ** 2).sum())) for i in (1, 2, 3)]
    assert np.array(mine) == pytest.approx(np.array(expected), abs=1e-6)


# Bennett et al. 1991, World Health Stat Q 44:98, p. 102: D = 1 + (20 - 1) x 0.02 = 1.38 and 17 clusters
def test_design_effect():
    effect = pr.design_effect(0.02, 20)
    assert effect == pytest.approx(1.38)
    assert 0.2 * 0.8 * effect * stats.norm.ppf(0.975) ** 2 / (20 * 0.05**2) == pytest.approx(
        PUBLISHED["G3"]["recomputed_Python"]["calc"], abs=1e-6
    )
    assert pr.design_effect(0.05, 20, size_cv=0.4) == pytest.approx(2.11)
    with pytest.raises(ValueError, match="no design effect"):
        pr.design_effect(0.1, 0)


def test_intra_session_correlation_by_hand():
    """Two sessions of two: 2 and 0 of them, alike within, so 1; 1 and 1, as unlike as can be, so -1."""
    assert pr.intra_session_correlation([2, 0], [2, 2]) == pytest.approx(1)
    assert pr.intra_session_correlation([1, 1], [2, 2]) == pytest.approx(-1)
    between, within, size = Fraction(9, 8), Fraction(1, 8), Fraction(4)  # 3 of 4, 0 of 4
    expected = (between - within) / (between + (size - 1) * within)
    assert pr.intra_session_correlation([3, 0], [4, 4]) == pytest.approx(float(expected))


@pytest.mark.parametrize(
    "events, trials", [([0, 0], [5, 5]), ([5, 5], [5, 5]), ([1], [9]), ([1, 0, 1], [1, 1, 1]), ([], [])]
)
def test_intra_session_correlation_not_estimable(events, trials):
    assert pr.intra_session_correlation(events, trials) is None


def test_intra_session_correlation_recovers_the_simulated_one():
    rng = np.random.default_rng(7)
    share = rng.beta(0.3 * 4, 0.7 * 4, 4000)  # correlation 1 / (1 + 4)
    trials = rng.integers(5, 40, 4000)
    assert pr.intra_session_correlation(rng.binomial(trials, share), trials) == pytest.approx(0.2, abs=0.015)


# ---- session-level limits


def test_sessions_of_one_piece_are_clopper_pearson_when_nothing_is_found():
    mine = pr.session_proportion([0] * 19, [1] * 19)
    assert limits(mine) == pytest.approx(limits(pr.clopper_pearson(0, 19)), abs=1e-12)


def test_zero_and_all_are_bounds_and_mirror_each_other():
    none, all_ = pr.session_proportion([0] * 6, [8] * 6), pr.session_proportion([8] * 6, [8] * 6)
    assert (none.estimate, none.low, all_.estimate, all_.high) == (0, 0, 1, 1)
    assert none.high == pytest.approx(1 - all_.low, abs=1e-12)
    # 48 units at correlation 0.2 in eights are worth 48/2.4 = 20: the published 0.1684 of 0 of 20
    assert none.high == pytest.approx(0.16843347098308534, abs=1e-9)
    assert "0.2" in none.method


@pytest.mark.parametrize("pairs", [2, 3, 5, 7, 14])
def test_sessions_of_all_or_none_keep_their_limits_between_0_and_1(pairs):
    """Half of the sessions kill all, half kill none: both outcomes are alike, so the limits mirror each other."""
    share = pr.session_proportion([5] * pairs + [0] * pairs, [5] * (2 * pairs))
    assert 0 < share.low < 0.5 < share.high < 1
    assert share.low == pytest.approx(1 - share.high, rel=1e-6)
    most = pr.session_proportion([8] * pairs + [0], [8] * (pairs + 1), min_sessions=3)
    assert 0 < most.low < most.estimate < most.high < 1


def test_session_limits_are_wider_than_exact_ones_when_sessions_differ():
    events, trials = [10, 0, 9, 1, 10, 0, 8, 2], [10] * 8
    mine, naive = pr.session_proportion(events, trials), pr.clopper_pearson(40, 80)
    assert mine.low < naive.low - 0.1
    assert mine.high > naive.high + 0.1


@pytest.mark.parametrize(
    "events, trials, reason",
    [
        ([], [], "no denominator"),
        ([0, 0], [0, 0], "no denominator"),
        ([3, 4, 5], [5, 5, 5], "too few sessions: 3, needs 4"),
        ([3, 4, 5, 0], [5, 5, 5, 0], "too few sessions: 3, needs 4"),
    ],
)
def test_session_proportion_cannot_say(events, trials, reason):
    mine = pr.session_proportion(events, trials)
    assert not mine.known
    assert mine.reason.startswith(reason)


@pytest.mark.parametrize("events, trials", [([6], [5]), ([-1], [5]), ([float("nan")], [5])])
def test_impossible_counts_are_refused(events, trials):
    with pytest.raises(DataError):
        pr.session_proportion(events, trials)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="equal length"):
        pr.session_proportion([1, 2], [3])
    with pytest.raises(ValueError, match="differ in length"):
        pr.session_proportion([1, 2], [3, 3], session=["a"])
    with pytest.raises(DataError, match="0 <= events <= trials"):
        pr.clopper_pearson(4, 3)
    with pytest.raises(ValueError, match="confidence levels differ"):
        pr.difference_of(pr.clopper_pearson(1, 3), pr.clopper_pearson(1, 3, confidence_level=0.9))


@settings(deadline=None, max_examples=60)
@given(tables, st.randoms(use_true_random=False))
def test_order_splitting_and_empty_sessions_change_nothing(rows, random):
    events, trials = [a for a, _ in rows], [a + b for a, b in rows]
    labels = [f"s{i}" for i in range(len(rows))]
    whole = pr.session_proportion(events, trials, session=labels)
    # each session in two rows (two trays of one bath), an empty session added, and all rows shuffled
    split = [row for x, n, label in zip(events, trials, labels, strict=True)
             for row in ((x // 2, n // 2 + n % 2, label), (x - x // 2, n // 2, label)) ]
    split = [(min(x, n), n, s) for x, n, s in split]
    if sum(x for x, _, _ in split) != sum(events):
        split = list(zip(events, trials, labels, strict=True))
    split.append((0, 0, "nothing"))
    random.shuffle(split)
    again = pr.session_proportion(*([row[i] for row in split] for i in (0, 1)), session=[row[2] for row in split])
    assert (again.estimate, again.low, again.high) == pytest.approx((whole.estimate, whole.low, whole.high), abs=1e-9)
    assert whole.low <= whole.estimate <= whole.high


@settings(deadline=None, max_examples=60)
@given(tables)
def test_the_other_outcome_has_mirrored_limits(rows):
    events, rest, trials = [a for a, _ in rows], [b for _, b in rows], [a + b for a, b in rows]
    mine, other = pr.session_proportion(events, trials), pr.session_proportion(rest, trials)
    if sum(events) != sum(rest):  # at exactly one half the rarer outcome is a matter of naming
        assert (mine.low, mine.high) == pytest.approx((1 - other.high, 1 - other.low), abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(tables)
def test_vectorised_limits_are_those_of_one_cell(rows):
    events, trials = np.array([a for a, _ in rows], float), np.array([a + b for a, b in rows], float)
    many = pr.share_limits(np.stack([events, trials - events]), np.stack([trials, trials]))
    one = pr.share_limits(events, trials)
    assert [float(part[0]) for part in many] == pytest.approx([float(part) for part in one], abs=1e-12)


# ---- counts per piece and after over before


def test_mean_and_ratio_bounds_when_none_is_left():
    mean, ratio = pr.session_mean([0] * 6, [20] * 6), pr.session_ratio([0] * 6, [20] * 6)
    assert (mean.estimate, mean.low, ratio.estimate, ratio.low) == (0, 0, 0, 0)
    # the bound's own equation: six sessions of 20 pieces, frailty variance 2
    assert (1 + 2 * mean.high * 20) ** (-6 / 2) == pytest.approx(0.025, abs=1e-9)
    assert ratio.high == pytest.approx(-np.log(0.025) * (1 + 19 * 0.2) / 120, abs=1e-9)


def test_many_poisson_sessions_give_garwoods_limits():
    rng = np.random.default_rng(3)
    counts = rng.poisson(2.0, 4000)
    mine = pr.session_mean(counts, np.ones(4000))
    total = counts.sum()
    assert mine.low == pytest.approx(stats.chi2.ppf(0.025, 2 * total) / 2 / 4000, rel=5e-3)
    assert mine.high == pytest.approx(stats.chi2.ppf(0.975, 2 * total + 2) / 2 / 4000, rel=5e-3)


def test_more_after_than_before_is_said_not_clipped():
    mine = pr.session_ratio([12, 15, 11, 14, 13], [10, 10, 10, 10, 10])
    assert mine.estimate == pytest.approx(1.3)
    assert mine.high > 1.3


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 60)), min_size=4, max_size=12), st.integers(2, 9))
def test_mean_scales_with_its_unit_only_where_it_must(rows, times):
    """Trays merged or doubled in a session keep the mean; the order of sessions does not matter."""
    counts, pieces = [a for a, _ in rows], [b for _, b in rows]
    mine = pr.session_mean(counts, pieces)
    again = pr.session_mean(counts[::-1], pieces[::-1])
    assert (again.estimate, again.low, again.high) == pytest.approx((mine.estimate, mine.low, mine.high), rel=1e-9)
    assert mine.low <= mine.estimate <= mine.high
    per_many = pr.session_mean(counts, [n * times for n in pieces])  # the same counts per part of a piece
    assert per_many.estimate * times == pytest.approx(mine.estimate, rel=1e-9)
    assert per_many.high * times == pytest.approx(mine.high, rel=1e-6)


# ---- joining two estimates


def test_difference_of_wilson_limits_is_newcombes():
    joined = pr.difference_of(pr.wilson(56, 70), pr.wilson(48, 80))
    assert limits(joined) == pytest.approx(limits(pr.newcombe_difference(56, 70, 48, 80)), abs=1e-12)


def test_ratio_by_fieller_when_limits_are_normal():
    """With symmetric limits the recovered ones are Fieller's (Donner & Zou 2012)."""
    a, b, da, db = 3.0, 2.0, 0.8, 0.5
    mine = pr.ratio_of(Estimate(estimate=a, low=a - da, high=a + da), Estimate(estimate=b, low=b - db, high=b + db))
    roots = np.roots([b * b - db * db, -2 * a * b, a * a - da * da])
    assert limits(mine) == pytest.approx(sorted(roots.real), abs=1e-9)


def test_ratio_edges():
    some = Estimate(estimate=0.5, low=0.2, high=0.9)
    nothing = Estimate(estimate=0.0, low=0.0, high=0.3)
    assert pr.ratio_of(some, Estimate(estimate=0.4, low=0.0, high=0.9)).high is None
    assert pr.ratio_of(some, nothing).reason.startswith("no denominator")
    bound = pr.ratio_of(nothing, some)
    assert (bound.estimate, bound.low) == (0, 0)
    assert bound.high == pytest.approx(0.3 / np.sqrt(0.2 * 0.8))
    assert pr.ratio_of(cannot_say("too few sessions: 2, needs 4"), some).reason == "too few sessions: 2, needs 4"


def test_counts_travel_with_the_joined_estimate():
    one, two = pr.session_proportion([3] * 5, [9] * 5), pr.session_proportion([2] * 7, [9] * 7)
    assert pr.difference_of(one, two).sessions == 12
