"""Dead and detached as competing ends, and loss over sham."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from scipy import stats
from statsmodels.duration.survfunc import CumIncidenceRight

from afterdip.errors import DataError
from afterdip.survival import (
    cumulative_incidence,
    difference_limits,
    incidence_at,
    kaplan_meier,
    loss_at,
    loss_over_sham,
    survival_influence,
)
from survival_data import numerical_jackknife, sessions, weighted_rows


def two_causes(seed, n=240, n_sessions=12):
    """Days, ends (dead, detached) and left of single pieces with many ties."""
    rng = np.random.default_rng(seed)
    days, status = rng.integers(0, 12, n), rng.integers(0, 3, n)
    return days, np.stack([status == 1, status == 2], axis=1), status == 0, rng.integers(0, n_sessions, n), status


def test_by_hand():
    # day 1: of 10, 1 dies and 2 come off; day 4: of 7, 1 dies; 6 are last seen in place
    found = cumulative_incidence([1, 4, 4], [[1, 2], [1, 0], [0, 0]], [0, 0, 6])
    dead, detached = Fraction(1, 10) + Fraction(7, 10) * Fraction(1, 7), Fraction(2, 10)
    np.testing.assert_allclose(found.incidence[:, -1], [float(dead), float(detached)], rtol=1e-14)
    assert found.remaining[-1] == pytest.approx(0.6)
    assert found.events.tolist() == [[0, 1, 1], [0, 2, 0]]
    # without censoring it is a plain proportion, its variance binomial
    np.testing.assert_allclose(found.piece_error[:, -1], [(0.2 * 0.8 / 10) ** 0.5] * 2, rtol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_equal_to_statsmodels(seed):
    days, ends, left, _, status = two_causes(seed)
    found, other = cumulative_incidence(days, ends, left), CumIncidenceRight(days, status)
    at = np.searchsorted(found.days, other.times)
    for k in range(2):
        np.testing.assert_allclose(found.incidence[k, at], other.cinc[k], atol=1e-12)
        np.testing.assert_allclose(found.piece_error[k, at], other.cinc_se[k], atol=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_session_error_is_the_numerical_jackknife(seed):
    days, ends, left, session, _ = two_causes(seed)
    found = cumulative_incidence(days, ends, left, session=session)
    influence = numerical_jackknife(
        lambda w: cumulative_incidence(days, ends * w[:, None], left * w).incidence, session
    )
    np.testing.assert_allclose(found.standard_error, np.sqrt((influence**2).sum(axis=0)), atol=1e-8)
    alone = cumulative_incidence(days, ends, left, session=np.arange(len(days)))
    np.testing.assert_allclose(alone.standard_error, alone.piece_error, atol=1e-12)


def test_one_cause_is_kaplan_meier():
    rows = sessions(10, seed=5)
    curve = kaplan_meier(rows.days, rows.deaths, rows.left, session=rows.session)
    found = cumulative_incidence(
        rows.days, rows.deaths[:, None], rows.left, causes=("dead",), session=rows.session
    )
    for ours, theirs in (
        (found.incidence[0], 1 - curve.survival), (found.piece_error[0], curve.piece_error),
        (found.standard_error[0], curve.standard_error), (found.low[0], 1 - curve.high), (found.high[0], 1 - curve.low),
    ):  # fmt: skip
        np.testing.assert_allclose(ours, theirs, atol=1e-12)
    assert incidence_at(found, "dead", 30).to_json()["high"] == pytest.approx(loss_at(curve, 30).high)


@settings(max_examples=60, deadline=None)
@given(weighted_rows(least_sessions=2))
def test_incidences_and_the_rest_sum_to_one(rows):
    days, dead, detached, session = rows
    found = cumulative_incidence(days, np.stack([dead, detached], axis=1), np.ones(len(days)), session=session)
    np.testing.assert_allclose(found.incidence.sum(axis=0) + found.remaining, 1, atol=1e-12)
    assert ((found.low <= found.incidence) & (found.incidence <= found.high)).all()
    assert (np.diff(found.incidence, axis=1) >= 0).all()


def test_none_detached_is_a_bound_and_all_dead_is_one_too():
    found = cumulative_incidence([30] * 8, [[1, 0]] * 8, [19] * 8, session=range(8))
    bound = incidence_at(found, "detached", 30)
    assert (bound.estimate, bound.low) == (0, 0)
    assert bound.high == pytest.approx(1 - 0.05 ** ((1 + 19 * 0.2) / 160))
    assert bound.deaths is None
    gone = cumulative_incidence([1] * 8, [[20, 0]] * 8, [0] * 8, session=range(8))
    lost = incidence_at(gone, "dead", 30)
    assert (lost.estimate, lost.high, lost.deaths) == (1, 1, 160)
    assert 0.8 < lost.low < 1


def test_none_came_off_where_every_piece_died_first():
    """What died can no longer come off: six sessions of six, all dead on day 1, are bounded as survival is."""
    session = [f"s{i}" for i in range(6)]
    result = cumulative_incidence([1] * 6, [[6, 0]] * 6, [0] * 6, session=session)
    dead, off = incidence_at(result, "dead", 30), incidence_at(result, "detached", 30)
    effective = 36 / (1 + 5 * 0.2)
    assert (off.estimate, off.low) == (0.0, 0.0)
    assert off.high == pytest.approx(1 - 0.05 ** (1 / effective), rel=1e-12)
    assert dead.low == pytest.approx(1 - off.high, rel=1e-12)


def test_incidence_refuses():
    found = cumulative_incidence([7] * 3, [[1, 0]] * 3, [9] * 3, session=list("abc"))
    assert incidence_at(found, "dead", 7).reason == "too few: 3 sessions followed to day 7, needs 5"
    assert incidence_at(found, "dead", 8).reason == "followed to day 7 only"
    with pytest.raises(ValueError, match="causes are dead, detached"):
        incidence_at(found, "eaten", 7)
    with pytest.raises(ValueError, match="one column per cause"):
        cumulative_incidence([7], [[1]], [9])
    with pytest.raises(DataError):
        cumulative_incidence([7], [[0, 0]], [0])


def arm(deaths, pieces, names):
    return kaplan_meier([30] * len(deaths), deaths, [pieces - d for d in deaths], session=list(names))


def test_loss_over_sham_is_a_difference_and_may_be_negative():
    agent, sham = arm([0, 1, 0, 1, 0, 1], 20, "abcdef"), arm([3, 2, 4, 3, 2, 4], 20, "uvwxyz")
    found = loss_over_sham(agent, sham, 30)
    assert found.estimate == pytest.approx(3 / 120 - 18 / 120)
    assert found.high < 0
    assert (found.sessions, found.pieces, found.deaths) == (12, 240, 21)
    turned = loss_over_sham(sham, agent, 30)
    assert (turned.low, turned.high) == pytest.approx((-found.high, -found.low))


def test_loss_over_sham_by_hand_from_the_two_losses():
    agent, sham = arm([5, 2, 0, 7, 3], 20, "abcde"), arm([1, 0, 0, 1, 0], 20, "vwxyz")
    one, two = (loss_at(curve, 30, in_difference=True) for curve in (agent, sham))
    found = loss_over_sham(agent, sham, 30)
    gap = one.estimate - two.estimate
    assert found.low == pytest.approx(gap - np.hypot(one.estimate - one.low, two.high - two.estimate))
    assert found.high == pytest.approx(gap + np.hypot(one.high - one.estimate, two.estimate - two.low))


def test_newcombe_limits_for_independent_pieces():
    # Newcombe 1998, Stat Med 17:873, method 10 (Wilson limits), 56/70 - 48/80: 0.0524 to 0.3339; from memory
    from afterdip.estimate import Estimate

    def wilson(x, n):
        low, high = stats.binomtest(x, n).proportion_ci(method="wilson")
        return Estimate(estimate=x / n, low=low, high=high)

    assert difference_limits(wilson(56, 70), wilson(48, 80)) == pytest.approx((0.0524, 0.3339), abs=5e-5)


def test_loss_over_sham_says_which_arm_cannot_be_said():
    agent, sham = arm([1] * 6, 20, "abcdef"), arm([0] * 2, 20, "yz")
    assert loss_over_sham(agent, sham, 30).reason == "sham: too few: 2 sessions followed to day 30, needs 5"
    assert loss_over_sham(agent, sham, 40).reason == "agent: followed to day 30 only"
    with pytest.raises(ValueError, match="same confidence level"):
        loss_over_sham(agent, kaplan_meier([30], [1], [1], confidence_level=0.9), 30)


def test_no_death_in_either_arm_is_bounded_on_both_sides():
    found = loss_over_sham(arm([0] * 6, 20, "abcdef"), arm([0] * 6, 20, "uvwxyz"), 30)
    assert found.estimate == 0
    assert found.low == -found.high < -0.05


def test_shared_sessions_narrow_the_difference_by_their_covariance():
    deaths = [6, 0, 4, 1, 8, 2]
    agent, same, others = arm(deaths, 20, "abcdef"), arm(deaths, 20, "abcdef"), arm(deaths, 20, "uvwxyz")
    paired, apart = loss_over_sham(agent, same, 30), loss_over_sham(agent, others, 30)
    assert paired.sessions == 6
    assert apart.sessions == 12
    one, two = survival_influence(agent, 30), survival_influence(same, 30)
    assert one @ two / np.sqrt(one @ one * (two @ two)) == pytest.approx(1)
    loss = loss_at(agent, 30, in_difference=True)
    # the same sessions on both sides: what is left is the asymmetry of the limits
    assert paired.high - paired.estimate == pytest.approx(abs((loss.high - loss.estimate) - (loss.estimate - loss.low)))
    assert paired.high - paired.low < 0.6 * (apart.high - apart.low)
