"""Differences between two agents: by hand, published, independent, properties, edges."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from afterdip.comparison import (
    Margins,
    adjusted_difference,
    crude_difference,
    fates_at,
    limits,
    logistic_difference,
    pairwise_level,
    session_logistic,
    unbeaten,
    verdict,
)
from afterdip.comparison.cells import arms
from afterdip.comparison.correlation import correlations, moments, working_proportions
from afterdip.comparison.likely import CORRELATIONS, Worth, averaged_limits
from afterdip.comparison.score import score_statistics, wilson_limits
from afterdip.errors import DataError
from afterdip.estimate import Estimate
from afterdip.proportion import intra_session_correlation, miettinen_nurminen_difference, restricted_second, wilson
from afterdip.survival import kaplan_meier

REFERENCE = Path(__file__).parent / "reference"
EXAMPLES = json.loads((REFERENCE / "comparison.json").read_text())
MARGINS = Margins(kill=0.05, loss=0.03)


# --- score limits -------------------------------------------------------------------------------------------------


def score_limits(p, q, m, n, z):
    """The limits where every correlation makes the sides worth `m` and `n` pieces: plain score limits."""
    at, flat = np.linspace(-1.0, 1.0, 5)[None], np.zeros((1, 4, 4, CORRELATIONS.size))
    worths = [Worth(np.zeros(1), at, flat, np.full((1, CORRELATIONS.size), size)) for size in (m, n)]
    numbers = (np.array([float(x)]) for x in (p, q, m, n))
    low, high = averaged_limits(*numbers, tuple(worths), float(2 * ndtr(z) - 1))
    return float(low[0]), float(high[0])


@pytest.mark.parametrize(
    ("counts", "published"),
    [
        # Newcombe 1998, Stat Med 17:873, Table II, method 5 (Mee's score limits without the n/(n-1) factor);
        # figures from memory.
        ((56, 70, 48, 80), (0.0533, 0.3377)),
        ((9, 10, 3, 10), (0.1821, 0.8370)),
    ],
)
def test_score_limits_match_the_published_ones(counts, published):
    x, m, y, n = counts
    assert score_limits(x / m, y / n, m, n, 1.959964) == pytest.approx(published, abs=5e-5)


def test_constrained_proportions_are_the_likelihood_maximum():
    # independent: a fine grid over all pairs with that difference
    q = restricted_second((12, 40, 3, 25), 0.05)
    grid = np.linspace(0.0501, 0.9499, 400001)
    loglik = 40 * (0.30 * np.log(grid) + 0.70 * np.log(1 - grid))
    loglik += 25 * (0.12 * np.log(grid - 0.05) + 0.88 * np.log(1.05 - grid))
    assert q + 0.05 == pytest.approx(grid[loglik.argmax()], abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0, 1), st.floats(0, 1), st.floats(2, 500), st.floats(2, 500), st.sampled_from([1.0, 1.96, 3.0])
)
def test_score_limits_hold_the_difference_and_turn_round(p, q, m, n, z):
    low, high = score_limits(p, q, m, n, z)
    assert -1 <= low <= p - q + 1e-9
    assert p - q - 1e-9 <= high <= 1
    assert score_limits(q, p, n, m, z) == pytest.approx((-high, -low), abs=1e-6)


def test_score_limits_agree_with_the_project_s_other_computation_of_them():
    # differences.py inverts the same test with the factor N/(N-1): at large N they meet
    ours = score_limits(0.031, 0.052, 1e7, 2e7, 1.959963984540054)
    theirs = miettinen_nurminen_difference(0.031e7, 1e7, 0.052 * 2e7, 2e7)
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    assert wilson_limits(0.1, 50, 1.959963984540054) == pytest.approx((wilson(5, 50).low, wilson(5, 50).high))


def test_nothing_died_on_either_side_still_has_limits():
    low, high = score_limits(0.0, 0.0, 20, 30, 1.96)
    assert low < 0 < high
    assert abs(score_statistics(*map(np.float64, (0.0, 0.0, 20, 30, high)))) == pytest.approx(1.96, abs=1e-3)


# --- published and independent: Mantel-Haenszel, correlation, logistic ----------------------------------------------


def mantel_haenszel_rows():
    """University Group Diabetes Program deaths by age group, as in Rothman, Modern Epidemiology; from memory."""
    table = {("<55", False): (8, 106), ("<55", True): (5, 120), ("55+", False): (22, 98), ("55+", True): (16, 85)}
    rows = [(s, age, int(i < d)) for (age, s), (d, n) in table.items() for i in range(n)]
    second, age, died = zip(*rows, strict=True)
    return np.array(second), np.arange(len(rows)), np.array(age), np.ones(len(rows)), np.array(died)


def test_mantel_haenszel_risk_difference():
    found = adjusted_difference(*mantel_haenszel_rows(), working_correlation=0.0)
    # by hand: weights 106*120/226 and 98*85/183
    w = np.array([106 * 120 / 226, 98 * 85 / 183])
    d = np.array([8 / 106 - 5 / 120, 22 / 98 - 16 / 85])
    assert found.difference.estimate == pytest.approx(w @ d / w.sum(), abs=1e-12)
    assert found.difference.estimate == pytest.approx(0.035, abs=5e-4)  # Rothman prints 0.035 (from memory)
    assert found.strata == ("55+", "<55")
    assert found.mix == pytest.approx(w[::-1] / w.sum())
    # Greenland & Robins 1985, Biometrics 41:55: standard error of the Mantel-Haenszel risk difference
    a, n1, b, n0 = np.array([8, 22.0]), np.array([106.0, 98]), np.array([5, 16.0]), np.array([120.0, 85])
    variance = (a * (n1 - a) * n0**3 + b * (n0 - b) * n1**3) / (n1 * n0 * (n1 + n0) ** 2)
    error = np.sqrt(variance.sum()) / w.sum()
    c = found.contrast
    ours = np.sqrt(c.first * (1 - c.first) / c.n_first + c.second * (1 - c.second) / c.n_second)
    assert ours == pytest.approx(error, rel=0.03)  # pieces on their own: correlation is held at or above nought
    assert max(c.correlation_first, c.correlation_second) < 0.2  # sessions of one piece cannot tell it


def test_independence_gee_on_the_published_cattle_data():
    """D7: Lesnoff et al. 2004, data in lme4 (from memory); independence GEE recomputed in two languages, to 1e-6."""
    with (REFERENCE / "cbpp.csv").open() as file:
        rows = list(csv.DictReader(file))
    period = np.array([int(r["period"]) for r in rows])
    design = np.column_stack([np.ones(len(rows)), *(period == k for k in (2, 3, 4))])
    y, n = (np.array([float(r[name]) for r in rows]) for name in ("incidence", "size"))
    fit = session_logistic(design, y, n, session=np.array([r["herd"] for r in rows]))
    for known in (EXAMPLES["D7"]["recomputed_R"]["gee_indep"], EXAMPLES["D7"]["recomputed_Python"]["sm_gee_indep"]):
        assert np.column_stack([fit.coefficients, fit.standard_error]) == pytest.approx(np.array(known), abs=1e-6)


def test_independence_gee_agrees_with_statsmodels_on_random_sessions():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    session = np.repeat(np.arange(20), 3)
    x, n = rng.normal(size=60), rng.integers(3, 20, 60)
    y = rng.binomial(n, 1 / (1 + np.exp(1 - x - rng.normal(size=20)[session])))
    fit = session_logistic(np.column_stack([np.ones(60), x]), y, n, session=session)
    long = [np.repeat(a, n) for a in (session, x)]
    outcome = np.concatenate([np.repeat([1, 0], [a, b - a]) for a, b in zip(y, n, strict=True)])
    theirs = sm.GEE(
        outcome, sm.add_constant(long[1]), groups=long[0], family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Independence(),
    ).fit()  # fmt: skip
    assert fit.coefficients == pytest.approx(theirs.params, abs=1e-7)
    assert fit.standard_error == pytest.approx(theirs.bse, abs=1e-7)


@pytest.mark.parametrize("rho", [0.0, 0.3])
def test_moments_expect_what_simulation_finds(rho):
    """Independent: a session's pieces all share one draw with probability rho, which makes their correlation rho."""
    rng = np.random.default_rng(11)
    total = np.array([[12, 0], [5, 7], [0, 9], [20, 4], [8, 8]])
    weight, p, found = total / total.sum(axis=0), np.full(2, 0.3), []
    rows = np.zeros(10, bool), np.repeat(range(5), 2), np.tile([0, 1], 5), total.ravel()
    for _ in range(8000):
        together, shared = rng.random((5, 1)) < rho, rng.random((5, 1)) < 0.3
        events = np.where(together, total * shared, rng.binomial(total, 0.3))
        found.append(moments(arms(*rows, events.ravel())[0], weight, p))
    observed, independent, common = np.mean(found, axis=0)
    assert observed == pytest.approx((1 - rho) * independent + rho * common, rel=0.04)


def test_correlation_by_moments_is_near_the_analysis_of_variance_estimate():
    rng = np.random.default_rng(8)
    n = rng.integers(20, 40, 400)
    p = rng.beta(0.1 * 4, 0.9 * 4, 400)  # correlation 1/(1+4) = 0.2
    y = rng.binomial(n, p)
    found = crude_difference(np.arange(400) >= 200, np.arange(400), n, y)
    theirs = intra_session_correlation(y, n, session=np.arange(400))
    assert min(found.contrast.correlation_first, found.contrast.correlation_second) == pytest.approx(theirs, abs=0.02)


# --- by hand -------------------------------------------------------------------------------------------------------


def confounded():
    """Eight sessions a side, like corals losing alike; the first agent got the poor ones: 10 % good, 50 % poor."""
    rows = []
    for s in range(16):
        second = s >= 8
        poor, good = (12, 4) if not second else (4, 12)
        rows += [(second, s, "good", 10 * good, good), (second, s, "poor", 10 * poor, 5 * poor)]
    second, session, stratum, total, events = zip(*rows, strict=True)
    return np.array(second), np.array(session), np.array(stratum), np.array(total), np.array(events)


def test_confounding_by_condition_is_taken_out():
    second, session, stratum, total, events = confounded()
    crude = crude_difference(second, session, total, events)
    adjusted = adjusted_difference(second, session, stratum, total, events)
    assert crude.difference.estimate == pytest.approx((4 + 60) / 160 - (12 + 20) / 160)
    assert crude.difference.low > 0.1
    assert adjusted.difference.estimate == pytest.approx(0.0, abs=1e-12)
    assert adjusted.first.estimate == pytest.approx(adjusted.second.estimate)


def test_what_only_one_agent_had_is_left_out_and_counted():
    second, session, stratum, total, events = confounded()
    extra = (np.append(second, False), np.append(session, 0), np.append(stratum, "soft"), np.append(total, 7))
    found = adjusted_difference(*extra, np.append(events, 7))
    plain = adjusted_difference(second, session, stratum, total, events)
    assert found.pieces_left_out == (7.0, 0.0)
    assert found.strata == ("good", "poor")
    assert found.difference == plain.difference


def test_the_unit_is_the_session_not_the_piece():
    """The same counts in one piece a session or in ten a session: the second is worth much less when they agree."""
    alone = crude_difference(np.arange(800) >= 400, np.arange(800), np.ones(800), np.arange(800) % 10 == 0)
    whole = crude_difference(np.arange(80) >= 40, np.arange(80), np.full(80, 10), 10 * (np.arange(80) % 10 == 0))
    width = [f.difference.high - f.difference.low for f in (alone, whole)]
    assert width[1] > 2.5 * width[0]
    assert whole.contrast.correlation_first == pytest.approx(0.95, abs=0.06)


# --- properties ----------------------------------------------------------------------------------------------------


def sample(rng, sessions=20, rho=0.1):
    session = np.repeat(np.arange(sessions), 3)
    total = rng.integers(5, 20, session.size)
    base = rng.beta(0.1 / rho - 0.1, 0.9 / rho - 0.9, sessions)[session]
    stratum = rng.integers(0, 3, session.size)
    return session % 2 == 1, session, stratum, total, rng.binomial(total, base)


@pytest.mark.parametrize("seed", range(4))
def test_order_labels_merging_and_sides_do_not_matter(seed):
    rng = np.random.default_rng(seed)
    rows = sample(rng)
    base = adjusted_difference(*rows).difference
    mixed = rng.permutation(rows[0].size)
    assert adjusted_difference(*(a[mixed] for a in rows)).difference == base
    named = adjusted_difference(rows[0], [f"s{s:03d}" for s in rows[1]], [f"g{g}" for g in rows[2]], *rows[3:])
    assert named.difference == base
    split = [np.concatenate([a, a]) for a in rows]
    split[3] = np.concatenate([rows[3] - 2, np.full(rows[3].size, 2)])
    split[4] = np.concatenate([np.maximum(rows[4] - 1, 0), np.minimum(rows[4], 1)])
    ok = split[4] <= split[3]
    if ok.all():
        assert adjusted_difference(*split).difference.estimate == pytest.approx(base.estimate, abs=1e-12)
    mirrored = (-base.estimate, -base.high, -base.low)
    turned = adjusted_difference(~rows[0], *rows[1:]).difference
    assert (turned.estimate, turned.low, turned.high) == pytest.approx(mirrored, abs=1e-9)
    alive = adjusted_difference(*rows[:4], rows[3] - rows[4]).difference
    assert (alive.estimate, alive.low, alive.high) == pytest.approx(mirrored, abs=1e-3)


def test_wider_at_a_higher_level():
    found = adjusted_difference(*sample(np.random.default_rng(1)))
    narrow, wide = limits(found.contrast, 0.8), limits(found.contrast, 0.99)
    assert wide[0] < narrow[0] < found.difference.estimate < narrow[1] < wide[1]
    assert limits(found.contrast, 0.95) == (found.difference.low, found.difference.high)


# --- edges ---------------------------------------------------------------------------------------------------------


def test_few_sessions_and_no_like_pieces_say_so():
    five = crude_difference(np.arange(10) >= 5, np.arange(10), np.full(10, 20), np.full(10, 1))
    assert five.difference.reason == "5 and 5 sessions with like pieces, needs 6 of each"
    assert five.contrast is None
    arm = np.arange(20) >= 10
    apart = adjusted_difference(arm, np.arange(20), arm.astype(int), np.full(20, 20), np.full(20, 1))
    assert apart.difference.reason == "no group of like pieces had both agents"
    assert apart.pieces_left_out == (200.0, 200.0)
    none = crude_difference([], [], [], [])
    assert not none.difference.known
    heavy = np.where(np.arange(20) % 10 == 0, 2000, 2)
    found = crude_difference(arm, np.arange(20), heavy, np.ones(20))
    assert found.difference.reason == "nearly all weight lies on fewer than 3 sessions of an agent"


@pytest.mark.parametrize("events", [0, 30])
def test_none_died_and_all_died_are_bounds(events):
    found = crude_difference(np.arange(16) >= 8, np.arange(16), np.full(16, 30), np.full(16, events))
    assert found.difference.estimate == 0.0
    assert -0.35 < found.difference.low < 0 < found.difference.high < 0.35
    assert found.first.high - found.first.low > 0.02


def test_wrong_counts_are_refused():
    with pytest.raises(DataError, match="0 <= events <= total"):
        crude_difference([True, False], [0, 1], [3, 3], [4, 1])
    with pytest.raises(DataError, match="has both agents"):
        crude_difference([True, False], [0, 0], [3, 3], [1, 1])
    with pytest.raises(ValueError, match="equal length"):
        crude_difference([True], [0, 0], [3, 3], [1, 1])


def test_working_proportions_meet_the_arm_s_own_deaths():
    rows = sample(np.random.default_rng(2))
    sides = arms(*rows)[:2]
    for side, p in zip(sides, working_proportions(sides), strict=True):
        expected = (side.total.sum(axis=0) * p).sum() / side.total.sum()
        assert expected == pytest.approx((side.events.sum() + 0.5) / (side.total.sum() + 1), abs=1e-9)


# --- fates ---------------------------------------------------------------------------------------------------------


def test_fates_give_back_kaplan_meier():
    rng = np.random.default_rng(5)
    day = rng.choice([3, 7, 14, 21, 30, 45], 200)
    dead, left = rng.integers(0, 3, 200), rng.integers(0, 4, 200)
    found = fates_at(day, dead, left, rng.integers(0, 10, 200), np.zeros(200), horizon=30, n_cells=10)
    curve = kaplan_meier(day, dead, left)
    expected = 1 - curve.survival[curve.days <= 30][-1]
    pieces = np.zeros(10)
    rng = np.random.default_rng(5)
    rng.choice([3, 7, 14, 21, 30, 45], 200), rng.integers(0, 3, 200), rng.integers(0, 4, 200)
    np.add.at(pieces, rng.integers(0, 10, 200), dead + left)
    rate = found.events / found.total
    assert (rate * pieces).sum() / pieces.sum() == pytest.approx(expected, abs=1e-12)
    assert found.deaths.sum() == dead[day <= 30].sum()


def test_a_piece_sold_half_way_counts_in_part_and_one_never_seen_not_at_all():
    # ten pieces: one dies on day 10, five are sold on day 20, four live to 30; by hand S = 9/10 from day 10 on
    full = fates_at([10, 20, 30], [1, 0, 0], [0, 5, 4], [0, 0, 0], [0, 0, 0], horizon=30, n_cells=1)
    assert full.total[0] == pytest.approx(10)  # after day 10 nobody died: those sold on day 20 tell all there was
    assert full.events[0] == pytest.approx(1)
    early = fates_at([10, 5, 30], [1, 0, 0], [0, 5, 4], [0, 0, 0], [0, 0, 0], horizon=30, n_cells=1)
    assert early.total[0] == pytest.approx(5)  # sold before the only death day: they tell nothing of it
    assert early.events[0] / early.total[0] == pytest.approx(0.2)  # 1 of the 5 seen
    never = fates_at([10, 0, 30], [1, 0, 0], [0, 50, 9], [0, 1, 0], [0, 0, 0], horizon=30, n_cells=2)
    assert never.total.tolist() == [10.0, 0.0]
    assert fates_at([10], [0], [5], [0], [0], horizon=30, n_cells=1).followed == {0: False}
    assert fates_at([10], [0], [5], [0], [0], horizon=30, n_cells=1).total[0] == pytest.approx(5 / 3)


# --- verdict and ranking -------------------------------------------------------------------------------------------


def outcome(first, second, sessions=60, pieces=40, rng=None):
    arm = np.repeat([False, True], sessions)
    rate = np.where(arm, second, first)
    return crude_difference(arm, np.arange(2 * sessions), np.full(2 * sessions, pieces), rate * pieces)


@pytest.mark.parametrize(
    ("kill", "loss", "word"),
    [
        ((0.95, 0.75), (0.05, 0.05), "first"),
        ((0.75, 0.95), (0.05, 0.05), "second"),
        ((0.95, 0.95), (0.05, 0.15), "first"),
        ((0.95, 0.95), (0.15, 0.05), "second"),
        ((0.95, 0.75), (0.05, 0.15), "first"),
        ((0.95, 0.75), (0.15, 0.05), "undecided"),
        ((0.95, 0.95), (0.05, 0.05), "equivalent"),
        ((0.96, 0.94), (0.05, 0.05), "equivalent"),
    ],
)
def test_the_rule(kill, loss, word):
    found = verdict(outcome(*kill), outcome(*loss), margins=MARGINS)
    assert found.word == word


def test_an_outcome_that_cannot_say_leaves_it_undecided():
    found = verdict(outcome(0.95, 0.5, sessions=4), outcome(0.02, 0.3), margins=MARGINS)
    assert found.word == "undecided"
    assert not found.kill.known
    assert found.loss.first_better


def test_margins_must_be_margins():
    with pytest.raises(ValueError, match="margins"):
        Margins(kill=0.0, loss=0.03)


def test_many_pairs_share_the_error():
    assert pairwise_level(1) == pairwise_level(2) == pytest.approx(0.99)
    assert pairwise_level(10) == pytest.approx(0.9975)
    weak = outcome(0.95, 0.90, sessions=20), outcome(0.05, 0.05, sessions=20)
    assert verdict(*weak, margins=MARGINS).word == "first"
    assert verdict(*weak, margins=MARGINS, superior_level=pairwise_level(10**5)).word == "undecided"


def test_unbeaten_agents():
    kill = [Estimate(estimate=k) for k in (0.9, 0.8, 0.95, 0.9)] + [Estimate(estimate=None, reason="none")]
    loss = [Estimate(estimate=x) for x in (0.05, 0.02, 0.10, 0.06, 0.01)]
    assert unbeaten(kill, loss) == (True, True, True, False, False)


def test_the_second_opinion_agrees_where_the_steps_add_up():
    second, session, stratum, total, events = confounded()
    alike = logistic_difference(second, session, stratum[:, None], total, events)
    assert alike.reason == "every session came out alike: no spread to go by"
    shaken = events + np.where(session % 2 == 0, 1, -1)  # as many up as down in every group of like corals
    found = logistic_difference(second, session, stratum[:, None], total, shaken)
    assert found.estimate == pytest.approx(0.0, abs=1e-9)
    assert found.low < 0 < found.high
    assert found.high - found.low > 0.02
    few = logistic_difference(second[:10], session[:10], stratum[:10, None], total[:10], events[:10])
    assert not few.known
    none = logistic_difference(second, session, stratum[:, None], total, 0 * events)
    assert none.reason == "nothing died"
    apart = logistic_difference(second, session, stratum[:, None], total, np.where(second, total, 0))
    assert "all or none dead" in apart.reason


def test_the_second_opinion_bears_kinds_that_repeat_others_and_kinds_in_which_nothing_died():
    """A stage counted of one pest only repeats that pest; both used to leave the regression without a number."""
    second, session, stratum, total, events = confounded()
    shaken = events + np.where(session % 2 == 0, 1, -1)
    plain = logistic_difference(second, session, stratum[:, None], total, shaken)
    twice = np.column_stack([stratum, np.char.add("kind ", stratum)])
    again = logistic_difference(second, session, twice, total, shaken)
    assert (again.estimate, again.low, again.high) == pytest.approx((plain.estimate, plain.low, plain.high), abs=1e-9)
    # as many pieces again of a kind that never dies, under both agents: by hand, half the difference, half the error
    tilted = shaken + second.astype(int)
    base = logistic_difference(second, session, stratum[:, None], total, tilted)
    more = [np.append(a, b) for a, b in ((second, second), (session, session), (stratum, np.repeat("hardy", 32)))]
    counts = np.append(total, total), np.append(tilted, 0 * total)
    halved = logistic_difference(more[0], more[1], more[2][:, None], *counts)
    assert (2 * halved.estimate, 2 * halved.low, 2 * halved.high) == pytest.approx(
        (base.estimate, base.low, base.high), abs=1e-9
    )
    apart = logistic_difference(second, session, second[:, None], total, shaken)
    assert apart.reason == "agents and groups cannot be told apart: no group had both"


def test_an_agent_s_own_sessions_raise_its_correlation_and_hardly_lower_it():
    """By hand: pooled r, own s, t sessions that had a death: the gap s - r times 1 + 5/t upwards, over it downwards."""
    events = np.array([0, 0, 0, 20, 0, 12, 0, 0, 3, 2, 4, 3, 3, 2, 4, 3])
    sides = arms(np.arange(16) >= 8, np.arange(16), np.zeros(16), np.full(16, 40), events)[:2]
    weights = tuple(side.total / side.total.sum() for side in sides)
    p = working_proportions(sides)
    parts = np.array([moments(*each) for each in zip(sides, weights, p, strict=True)])
    solved = [(a - b) / (c - b) for a, b, c in (*parts, parts.sum(axis=0))]
    assert solved[0] > solved[2] > 0 > solved[1]
    pooled = (10 * solved[2] + 0.25 * max(0.2, solved[2])) / 10.25  # 2 and 8 sessions had a death
    found = correlations(sides, weights, p)
    assert found[0] == pytest.approx(pooled + (solved[0] - pooled) * (1 + 5 / 2))
    assert found[1] == pytest.approx(pooled / (1 + 8 / 5))
