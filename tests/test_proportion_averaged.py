"""Limits averaged over how alike the units of a session may be: by other libraries, brute force and special cases."""

import numpy as np
import pytest
from scipy import optimize, special, stats

from afterdip import proportion as pr
from afterdip.proportion.averaged import WEIGHED_AT, average_chance, where_it_passes
from afterdip.proportion.counts import FALL, NO_SPREAD, TAKEN_OVER, count_limits, log_likelihood
from afterdip.proportion.rates import ALIKE, CLUMPED, SPREAD_WEIGHTS, SPREADS, _spreads_of_what_is_left
from afterdip.proportion.sessions import (
    CORRELATION_WEIGHTS,
    CORRELATIONS,
    SKEWED,
    SPARED,
    SPARED_SESSIONS,
    WEIGHED_IN_DIFFERENCE,
    WEIGHTS_IN_DIFFERENCE,
    beta_binomial,
)

EVENTS, TRIALS = np.array([[2.0, 0, 1, 5, 0, 0, 3, 1]]), np.array([[9.0, 4, 12, 7, 3, 20, 8, 5]])


# ---- the average and its crossing


def test_an_average_by_hand():
    """Weights 1 and 3: a quarter of 0.2 and three quarters of 0.6."""
    mine = average_chance(np.array([[-700.0, -700.0 + np.log(3)]]), np.array([[0.2, 0.6]]))
    assert mine == pytest.approx([0.5], abs=1e-12)


@pytest.mark.parametrize("target", [0.025, 0.5, 0.995])
@pytest.mark.parametrize("ends", [(0.02, 0.9), (0.2, 0.21), (1e-6, 1e-5)])  # around the crossing, or far from it
def test_a_crossing_is_the_quantile_of_a_known_distribution(target, ends):
    shapes = np.array([[2.0, 30.0], [7.5, 4.0]])
    low, high = (np.full(2, end) for end in ends)

    def chance(share, cells):
        return special.betainc(*shapes[cells].T, np.minimum(share, 1))

    expected = stats.beta.ppf(target, *shapes.T)
    assert where_it_passes(chance, target, low, high) == pytest.approx(expected, rel=1e-9)


# ---- shares


def test_the_likelihood_is_that_of_the_beta_binomial():
    """Differences between correlations, which are all that weighs, against scipy's distribution."""
    mine = beta_binomial(EVENTS, TRIALS)(np.array([0.2]), np.array([0]))[0]
    theirs = [stats.binom.logpmf(EVENTS, TRIALS, 0.2).sum()]
    for rho in CORRELATIONS[1:]:
        size = 1 / rho - 1
        theirs.append(stats.betabinom.logpmf(EVENTS, TRIALS, 0.2 * size, 0.8 * size).sum())
    assert mine - mine[0] == pytest.approx(np.array(theirs) - theirs[0], abs=1e-9)


@pytest.mark.parametrize("tail", [0.025, 0.05])
@pytest.mark.parametrize(
    "joined, before_looking, weighed_at",
    [(False, CORRELATION_WEIGHTS, WEIGHED_AT), (True, WEIGHTS_IN_DIFFERENCE, WEIGHED_IN_DIFFERENCE)],
)
def test_share_limits_by_brute_force(tail, joined, before_looking, weighed_at):
    """The whole recipe again, with scipy's distributions and its root finder."""
    events, trials = EVENTS[0], TRIALS[0]
    found, total = events.sum(), trials.sum()
    equal = total**2 / (trials**2).sum()
    counts = np.sqrt(equal / (equal - 1)) * (1 if joined else SKEWED)
    worth = total / (1 + ((trials**2).sum() / total - 1) * counts * CORRELATIONS)

    def chance(share):
        at = special.expit((1 - weighed_at) * special.logit(found / total) + weighed_at * special.logit(share))
        weights = [before_looking[0] * stats.binom.pmf(events, trials, at).prod()]
        for rho, weight in zip(CORRELATIONS[1:], before_looking[1:], strict=True):
            size = 1 / rho - 1
            weights.append(weight * stats.betabinom.pmf(events, trials, at * size, (1 - at) * size).prod())
        chances = stats.beta.cdf(share, found / total * worth + 0.5, (1 - found / total) * worth + 0.5)
        return np.average(chances, weights=weights)

    k = found**2 / (events**2).sum()
    more = 0 if joined else SPARED * (1 - 2 * found / total) * (1 - 1 / k) * np.exp(-k / SPARED_SESSIONS)
    more *= 1 - total / (trials**2).sum()
    tails = tail * (1 + more), 1 - tail
    expected = [optimize.brentq(lambda share, t=t: chance(share) - t, 1e-4, 0.9, xtol=1e-14) for t in tails]
    mine = pr.share_limits(events, trials, confidence_level=1 - 2 * tail, in_difference=joined)
    assert [float(limit) for limit in mine[1:]] == pytest.approx(expected, abs=1e-9)


def test_limits_alone_and_to_be_joined_come_of_one_search():
    """In a difference the far limit stands nearer and the near one farther out; none dead or all is the same bound."""
    counts = [([0, 1, 0, 4, 0, 0], [9] * 6, None), ([0] * 6, [9] * 6, None)]
    alone, none, joined, also_none = pr.session_proportions(counts * 2, in_difference=[False, False, True, True])
    assert (joined, also_none) == tuple(pr.session_proportions(counts, in_difference=True))
    assert joined.low < alone.low < alone.high
    assert joined.high < alone.high
    assert none == also_none


# Brown, Cai & DasGupta 2001, Stat Sci 16:101: Jeffreys' limits, beta quantiles of x + 1/2 and n - x + 1/2
@pytest.mark.parametrize("events, trials", [(1, 10), (5, 10), (20, 50)])
def test_sessions_of_one_unit_have_jeffreys_limits(events, trials):
    mine = pr.session_proportion([1] * events + [0] * (trials - events), [1] * trials)
    assert (mine.low, mine.high) == pytest.approx(stats.beta.ppf([0.025, 0.975], events + 0.5, trials - events + 0.5))


def test_alike_sessions_are_believed_and_unlike_ones_too():
    """Sixty sessions of ten: four dead in each is near the limits of independent pests, all or none far from them."""
    alike, unlike = pr.session_proportion([4] * 60, [10] * 60), pr.session_proportion([10] * 24 + [0] * 36, [10] * 60)
    exact = pr.clopper_pearson(240, 600)
    assert alike.high - alike.low < 1.05 * (exact.high - exact.low)
    assert unlike.high - unlike.low > 2.5 * (exact.high - exact.low)


def test_one_event_has_no_higher_upper_limit_than_five():
    """Of 48 in six sessions, one in a session: five tell more of how alike sessions are, but there are more of them."""
    one, five = (pr.session_proportion([1] * n + [0] * (6 - n), [8] * 6) for n in (1, 5))
    assert one.high < five.high


def test_the_lower_limit_takes_over_misses_only_where_few_sessions_had_the_event(monkeypatch):
    """Of a hundred sessions of two, one each: nearer with two events; as without this with one, and with forty."""
    counts = [([1] * n + [0] * (100 - n), [2] * 100, None) for n in (1, 2, 40)]
    mine = pr.session_proportions(counts)
    monkeypatch.setattr("afterdip.proportion.sessions.SPARED", 0)
    one, two, forty = (here.low / plain.low for here, plain in zip(mine, pr.session_proportions(counts), strict=True))
    assert (one, forty) == pytest.approx((1, 1), abs=1e-4)
    assert 1.05 < two < 1.3
    assert [here.high for here in mine] == [plain.high for plain in pr.session_proportions(counts)]


@pytest.mark.parametrize("rare", [1, 2])
def test_few_seen_is_no_narrower_than_none_seen(rare):
    """A bound of none does not fall below the upper limit of one or two."""
    none = pr.session_proportion([0] * 20, [8] * 20)
    some = pr.session_proportion([rare] + [0] * 19, [8] * 20)
    assert some.high > none.high


# ---- counts


@pytest.mark.parametrize("spread", [NO_SPREAD, 0.5, 6.0])
def test_the_likelihood_is_that_of_the_negative_binomial(spread):
    counts, pieces = np.array([0.0, 3, 11, 2]), np.array([5.0, 9, 30, 12])
    mine = log_likelihood(counts, pieces, np.full(4, 0.3), np.array([[spread]]), 1.0)[0]
    theirs = stats.nbinom.logpmf(counts, 1 / spread, 1 / (1 + 0.3 * pieces * spread))
    assert mine == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize("found", [1, 8, 60])
def test_counts_without_spread_have_jeffreys_limits_of_a_poisson(found):
    """Gamma quantiles of x + 1/2 (Brown, Cai & DasGupta 2003, Stat Sinica 13:19, from memory)."""
    counts, pieces = np.array([[found - 1.0, 1, 0]]), np.array([[20.0, 15, 5]])
    spreads = np.array([[NO_SPREAD / 1000]])
    low, high = count_limits(counts, pieces, lambda *_: spreads, np.ones(1), 0.025)
    assert (low[0], high[0]) == pytest.approx(stats.gamma.ppf([0.025, 0.975], found + 0.5) / 40, rel=1e-5)


@pytest.mark.parametrize("none", [0.1, 3.7 / 40, 0.02])
def test_a_lower_limit_takes_over_below_the_bound_of_none(none):
    """By scipy's gamma and a root, where the limit lies below the bound, about it and far beyond; the other stays."""
    spreads, counts, pieces = np.array([[NO_SPREAD / 1000]]), np.array([[7.0, 1, 0]]), np.array([[20.0, 15, 5]])
    low, high = count_limits(counts, pieces, lambda *_: spreads, np.ones(1), 0.025, none=none)

    def left_over(mean):
        return stats.gamma.cdf(40 * mean, 8.5) - 0.025 * (1 + TAKEN_OVER * min(none / mean, 1) ** FALL)

    expected = optimize.brentq(left_over, 1e-3, 1, xtol=1e-14), stats.gamma.ppf(0.975, 8.5) / 40
    assert (low[0], high[0]) == pytest.approx(expected, rel=1e-5)


def test_clumping_seen_is_the_negative_binomial_likelihood():
    """scipy's own negative binomial, sessions padded with none of no pieces, two logs at once."""
    counts, pieces = np.array([[0, 3, 11, 0], [4, 5, 3, 2]]), np.array([[20, 25, 40, 0], [20, 25, 15, 10]])
    mean = counts.sum(-1) / pieces.sum(-1)
    shape = 1 / CLUMPED
    expected = [
        [stats.nbinom.logpmf(k[n > 0], r, 1 / (1 + m * n[n > 0] / r)).sum() for r in shape]
        for k, n, m in zip(counts, pieces, mean, strict=True)
    ]
    assert pr.clumping_seen(counts, pieces) == pytest.approx(np.array(expected), rel=1e-10)
    assert pr.clumping_seen([], []).tolist() == [0.0] * len(CLUMPED)  # no session tells nothing


def test_clumping_of_like_sessions_moves_limits_of_few_survivors():
    """Three survivors do not tell how clumped the pests were; thirty sessions as infested do."""
    left, pieces = np.zeros(30), np.full(30, 30)
    left[[2, 11, 20]] = 1
    rng = np.random.default_rng(8)
    even, clumped = (rng.poisson(15 * rng.gamma(1 / c, c, 30)) for c in (0.05, 4.0))
    ratio = {}
    for name, sham in (("even", even), ("clumped", clumped)):
        _, low, high = pr.mean_limits(left, pieces, 0.5, pr.clumping_seen(sham, pieces))
        ratio[name] = high / low
    _, low, high = pr.mean_limits(left, pieces, 0.5)
    assert ratio["even"] < high / low < ratio["clumped"]


def test_mean_limits_by_brute_force():
    counts, pieces = np.array([7.0, 0, 2, 15, 1]), np.array([20.0, 12, 30, 41, 9])
    found, total = counts.sum(), pieces.sum()

    def chance(mean):
        at = (found / total) ** (1 - WEIGHED_AT) * mean**WEIGHED_AT
        weights = [
            weight * stats.nbinom.pmf(counts, 1 / spread, 1 / (1 + at * pieces * spread)).prod()
            for spread, weight in zip(SPREADS, SPREAD_WEIGHTS, strict=True)
        ]
        shape = total**2 / (SPREADS * (pieces**2).sum())
        return np.average(stats.beta.cdf(mean * total / (mean * total + shape), found + 0.5, shape), weights=weights)

    expected = [optimize.brentq(lambda mean, t=t: chance(mean) - t, 1e-3, 1e3, xtol=1e-14) for t in (0.025, 0.975)]
    assert [float(limit) for limit in pr.mean_limits(counts, pieces)[1:]] == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(
    "pests, kill, correlation", [(0.5, 0.8, 0.3), (2.0, 0.8, 0.3), (2.0, 0.95, 0.3), (6.0, 0.5, 0.3)]
)
def test_what_a_negative_binomial_makes_of_clumps_that_survive_alike(pests, kill, correlation):
    """Its spread at the greatest likelihood, by scipy, in 20,000 simulated sessions of clumped pests and survival."""
    rng = np.random.default_rng(6)
    pieces, size = rng.integers(10, 61, 20_000), 1 / correlation - 1
    there = rng.poisson(0.5 * pieces * rng.gamma(1 / pests, pests, pieces.size))
    left = rng.binomial(there, rng.beta((1 - kill) * size, kill * size, pieces.size))
    mean = 0.5 * (1 - kill)

    def lack(log_spread):
        shape = np.exp(-log_spread)
        return -stats.nbinom.logpmf(left, shape, 1 / (1 + mean * pieces / shape)).sum()

    fitted = np.exp(optimize.minimize_scalar(lack, bounds=(-3, 4), method="bounded").x)
    joint, _, seen_as = _spreads_of_what_is_left(np.array([0.5]), np.zeros((1, len(CLUMPED))))
    one = np.array([mean]), np.array([0]), np.array([1.0])
    place = 5 * list(CLUMPED).index(pests) + list(ALIKE).index(correlation)
    assert seen_as(*one)[place, 0] == pytest.approx(fitted, rel=0.15)
    assert joint(*one)[place, 0] == pytest.approx((1 + pests) * (1 + correlation * kill / (1 - kill)) - 1)


def test_what_is_left_of_many_is_known_better_than_what_is_there():
    """Survivors cannot exceed what was there: told what that was, an upper limit comes down towards it."""
    counts, pieces = [4, 0, 1, 0, 2, 0], [20] * 6
    alone, left = pr.session_mean(counts, pieces), pr.session_mean(counts, pieces, before=0.1)
    assert left.high < 1.05 * alone.high
    assert pr.session_mean(counts, pieces, before=5.0).high > left.high  # one in eighty-five survived: who knows where


def test_few_survivors_have_a_nearer_lower_limit_and_many_the_same(monkeypatch):
    """Of thirty sessions of 35 pieces; pests that are not known to be left of any have the limits that they had."""
    few, many = [1, 0, 0] * 10, [6, 9, 0, 4, 12] * 6
    asked, before = [(counts, [35] * 30, None) for counts in (few, many, few)], [0.5, 0.5, 0.0]
    mine = pr.session_means(asked, before=before)
    monkeypatch.setattr("afterdip.proportion.counts.TAKEN_OVER", 0)
    plain = pr.session_means(asked, before=before)
    nearer, *same = (here.low / there.low for here, there in zip(mine, plain, strict=True))
    assert 1.05 < nearer < 1.3
    assert same == pytest.approx([1, 1], abs=1e-3)
    assert [here.high for here in mine] == pytest.approx([there.high for there in plain], rel=1e-9)


def test_what_is_left_is_a_share_unless_something_came():
    before = [10, 12, 8, 15, 9]
    thinned, share = pr.session_ratio([3, 2, 4, 0, 1], before), pr.session_proportion([3, 2, 4, 0, 1], before)
    assert (thinned.low, thinned.high) == (share.low, share.high)
    grown = pr.session_ratio([3, 2, 4, 0, 10], before)
    assert grown.low < grown.estimate < grown.high


def test_intensity_counts_pests_beyond_the_first():
    one_each = pr.session_intensity([2, 3, 1, 4], [2, 3, 1, 4])
    assert (one_each.estimate, one_each.low) == (1, 1)
    assert one_each.high > 1.3
    more = pr.session_intensity([3, 5, 1, 9], [2, 3, 1, 4])
    assert 1 < more.low < 1.8 < more.high
    dead = pr.session_intensity([1, 2, 1, 9], [2, 3, 1, 4])  # more infested than living pests: some held dead ones
    assert dead.low < 1


# ---- many at once


def _farms(rng, n=60):
    """Part and whole of 0 to 40 sessions each, of none, few or many pests; every third farm's counts are fractions."""
    for i in range(n):
        whole = rng.poisson(rng.choice([0.2, 3, 40]), rng.integers(0, 41)) * (0.75 if i % 3 == 0 else 1.0)
        yield np.floor(whole * rng.choice([0, 0.1, 0.7, 1])), whole, rng.integers(0, 12, whole.size)


@pytest.mark.parametrize("what", ["proportion", "mean", "ratio", "intensity"])
def test_many_at_once_are_what_each_is_alone(what):
    """Cells of any number of sessions, with bounds and silences among them, share a search and nothing else."""
    alone, together = {
        "proportion": (pr.session_proportion, pr.session_proportions),
        "mean": (pr.session_mean, pr.session_means),
        "ratio": (pr.session_ratio, pr.session_ratios),
        "intensity": (pr.session_intensity, pr.session_intensities),
    }[what]
    farms = list(_farms(np.random.default_rng(5)))
    if what in ("ratio", "intensity"):  # more than there was, here and there
        farms = [(part + (labels == 3), whole, labels) for part, whole, labels in farms]
    each, many = [alone(*farm[:2], session=farm[2]) for farm in farms], together(farms)
    assert {one.known for one in each} == {True, False}
    for one, same in zip(each, many, strict=True):
        assert (same.reason, same.method, same.sessions) == (one.reason, one.method, one.sessions)
        if one.known:
            numbers = [(x.estimate, x.low, x.high) for x in (one, same)]
            assert numbers[1] == pytest.approx(numbers[0], rel=1e-9, abs=1e-12)


def test_what_was_there_before_goes_with_its_own_mean():
    counts, pieces = [4, 0, 1, 0, 2, 0], [20] * 6
    many = pr.session_means([(counts, pieces, None), ([1], [9], None), (counts, pieces, None)], before=[0.1, 9.0, 5.0])
    alone = [pr.session_mean(counts, pieces, before=before) for before in (0.1, 5.0)]
    assert [many[0].high, many[2].high] == pytest.approx([one.high for one in alone], rel=1e-9)
    assert not many[1].known


def test_none_asked_none_answered():
    assert pr.session_proportions([]) == pr.session_means([]) == pr.session_ratios([]) == []
