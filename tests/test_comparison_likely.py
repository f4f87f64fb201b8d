"""Limits averaged over correlations: by hand, independent, and what they are for."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import expit, logit
from scipy.stats import betabinom, binom, norm

from afterdip.comparison import crude_difference
from afterdip.comparison.cells import Arm
from afterdip.comparison.correlation import own_spread
from afterdip.comparison.likely import (
    _SPLINE,
    _STEPS,
    CORRELATION_WEIGHTS,
    CORRELATIONS,
    SHARED,
    WEIGHED_AT,
    Worth,
    averaged_limits,
    chance_below,
    worth_of,
)
from afterdip.proportion import miettinen_nurminen_difference, restricted_second


def one_stratum(total, events):
    """What one side's sessions, all of like pieces, are worth; a single farm as the only one of many."""
    total, events = (np.array(x, dtype=float)[None, :, None] for x in (total, events))
    p = np.array([[(events.sum() + 0.5) / (total.sum() + 1)]])
    return worth_of(Arm(total, events), total / total.sum(), np.ones((1, 1)), p)


TOTAL, EVENTS = [12, 20, 8, 15, 30, 11], [0, 5, 1, 0, 2, 0]


def test_the_spline_between_shares_follows_a_cubic_exactly():
    """By hand: not-a-knot, so that values of a cubic give back that cubic, on every step from its left end."""
    cubic = np.polynomial.Polynomial([0.7, -1.1, 0.4, 0.25])
    for place, weights in enumerate(_SPLINE):
        there = cubic(np.polynomial.Polynomial([_STEPS[place], 1.0]))
        np.testing.assert_allclose(weights @ cubic(_STEPS), there.coef[::-1], atol=1e-12)


def test_sessions_are_weighed_by_the_beta_binomial_part_of_the_way():
    """Independent: scipy's beta-binomial; within a tenth in log likelihood, the spline's own error."""
    worth, seen = one_stratum(TOTAL, EVENTS), (8 + 0.5) / (96 + 1)
    for share in (0.03, seen, 0.2, 0.4):
        at = expit(logit(seen) + WEIGHED_AT * (logit(share) - logit(seen)))
        log = [binom.logpmf(EVENTS, TOTAL, at).sum()]
        for rho in CORRELATIONS[1:]:
            size = 1 / rho - 1
            log.append(betabinom.logpmf(EVENTS, TOTAL, at * size, (1 - at) * size).sum())
        found = np.log(worth.likelihoods(np.array([share]))[0])
        assert found == pytest.approx(np.array(log) - max(log), abs=0.1)


def test_the_chance_is_the_average_over_pairs_of_correlations():
    """Independent: one pair at a time, the constrained shares by the scalar root."""
    sides = one_stratum(TOTAL, EVENTS), one_stratum([20] * 8, [1, 0, 3, 0, 0, 2, 0, 1])
    first, second, n_first, n_second, delta = 8 / 96, 7 / 160, 40.0, 90.0, 0.1
    other = restricted_second((first * n_first, n_first, second * n_second, n_second), delta)
    own = [w.likelihoods(np.array([share]))[0] for w, share in zip(sides, (other + delta, other), strict=True)]
    chance = whole = 0.0
    for i, (n, a) in enumerate(zip(sides[0].sizes[0], CORRELATION_WEIGHTS, strict=True)):
        for j, (m, b) in enumerate(zip(sides[1].sizes[0], CORRELATION_WEIGHTS, strict=True)):
            q = restricted_second((first * n, n, second * m, m), delta)
            error = np.sqrt((q + delta) * (1 - q - delta) / n + q * (1 - q) / m)
            weight = (SHARED * a * (i == j) + (1 - SHARED) * a * b) * own[0][i] * own[1][j]
            chance += weight * norm.cdf((delta - first + second) / error)
            whole += weight
    numbers = [np.array([x]) for x in (first, second, n_first, n_second)]
    assert chance_below(*numbers, sides, np.array([delta]))[0] == pytest.approx(chance / whole, abs=1e-9)
    assert chance_below(*numbers, sides, np.array([first - second]))[0] == pytest.approx(0.5, abs=1e-12)
    for level in (0.8, 0.99):
        limits = averaged_limits(*numbers, sides, level)
        tails = [chance_below(*numbers, sides, limit)[0] for limit in limits]
        assert tails == pytest.approx([0.5 - 0.5 * level, 0.5 + 0.5 * level], abs=1e-8)


def test_the_spline_passes_through_what_was_asked():
    at = np.array([[-1.0, 0.0, 0.5, 1.2, 2.0]])
    log = np.stack([np.zeros(5), np.array([-3.0, -1.0, -2.0, -4.0, -8.0])], axis=-1)
    cubics = np.moveaxis(CubicSpline([-1.5, -0.6, 0.0, 0.6, 1.5], log, axis=0).c, 0, 1)[None]
    worth = Worth(np.zeros(1), at, cubics, np.ones((1, 2)))
    for place, expected in zip(at[0][:-1], log[:, 1], strict=False):
        share = expit(np.array([place / WEIGHED_AT]))
        assert np.log(worth.likelihoods(share)[0, 1]) == pytest.approx(expected, abs=1e-9)


def test_fitted_means_take_spread_away():
    """By hand: m/(m - 1) for m equal sessions of one stratum; simulated ones of two strata, both fitted, more."""
    total = np.full((1, 6, 1), 10.0)
    _, found = own_spread(Arm(total, total * 0.1), total / total.sum(), np.array([[0.1]]))
    assert found == pytest.approx([6 / 5])
    both = np.array([[[10.0, 2], [0, 8], [9, 0], [3, 9], [12, 0], [0, 7]]])
    _, found = own_spread(Arm(both, both * 0), both / both.sum(axis=1, keepdims=True), np.array([[0.1, 0.1]]))
    assert found[0] > 6 / 5


def test_luck_in_few_outbreaks_is_not_steadiness():
    """Two of twelve baths lost pieces, forty each a few: taken piece by piece the first would be proven better."""
    events, total = np.array([6, 3] + [0] * 10 + [2, 1] * 20), np.full(52, 30)
    second, session = np.arange(52) >= 12, np.arange(52)
    found = crude_difference(second, session, total, events).difference
    plain = miettinen_nurminen_difference(9, 360, 60, 1200)
    assert plain.high < 0 < 0.1 < found.high
    steady = np.array([1] * 9 + [0] * 3 + [2, 1] * 20)
    assert crude_difference(second, session, total, steady).difference.high < 0  # as many, one a bath


def test_many_like_sessions_are_nearly_independent_pieces():
    rng = np.random.default_rng(5)
    events, second = rng.binomial(40, 0.1, 240), np.arange(240) >= 120
    found = crude_difference(second, np.arange(240), np.full(240, 40), events).difference
    plain = miettinen_nurminen_difference(events[:120].sum(), 4800, events[120:].sum(), 4800)
    assert 0.95 < (found.high - found.low) / (plain.high - plain.low) < 1.15


@pytest.mark.parametrize("dead", [0.0, 1.0])
def test_nothing_or_everything_died_on_either_side(dead):
    total = np.full(24, 15)
    found = crude_difference(np.arange(24) >= 12, np.arange(24), total, dead * total).difference
    assert -1 < found.low < 0 < found.high < 1
    assert found.low == pytest.approx(-found.high, abs=1e-9)


def test_all_on_one_side_and_none_on_the_other():
    total, second = np.full(24, 15), np.arange(24) >= 12
    found = crude_difference(second, np.arange(24), total, np.where(second, 0, total)).difference
    assert found.estimate == 1.0
    assert 0.3 < found.low < 1.0
    assert found.high == pytest.approx(1.0, abs=1e-9)
