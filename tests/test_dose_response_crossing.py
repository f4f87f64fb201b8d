"""Where many rising functions reach a value, and the likelihood limits that are found so, far from the estimate."""

import numpy as np
import pytest
from scipy.optimize import brentq, minimize
from scipy.special import expit, logit, xlogy
from scipy.stats import norm

from afterdip.dose_response import fit_curve
from afterdip.dose_response.crossing import crossing
from afterdip.dose_response.profile import likelihood_limits


def test_straight_bent_and_stepped_functions_cross_where_they_should():
    functions = [lambda x: 2.0 * x, np.sqrt, np.square, np.expm1, lambda x: np.where(x > 0.7, 9.0, x), np.tanh]
    seen = []

    def function(which, at):
        seen.append(which.size)
        return np.array([float(functions[i](x)) for i, x in zip(which, at, strict=True)])

    value, most = np.array([3.0, 3.0, 3.0, 3.0, 3.0, 0.9]), np.full(6, 20.0)
    found = crossing(function, value, np.array([1.5, 1.0, 9.0, 19.0, 1.0, 0.1]), most)
    truth = [1.5, 9.0, np.sqrt(3.0), np.log(4.0), 0.7, np.arctanh(0.9)]
    assert found == pytest.approx(truth, rel=1e-4)
    assert seen[0] == 6
    assert seen[-1] <= 1  # the others have left the search


def test_a_function_that_stays_below_goes_to_the_end():
    found = crossing(
        lambda which, at: np.array([0.1, 0.0, 2.0])[which] * at, np.ones(3), np.full(3, 0.2), np.full(3, 4.0)
    )
    assert found == pytest.approx([4.0, 4.0, 0.5])
    assert (found[:2] == 4.0).all()


@pytest.mark.parametrize("alone", [0, 1, 2])
def test_a_crossing_is_the_same_beside_others(alone):
    rate, value = np.array([1.0, 3.0, 0.2]), np.array([1.0, 2.0, 3.0])
    whole = crossing(lambda which, at: np.expm1(rate[which] * at), value, np.ones(3), np.full(3, 50.0))
    one = [alone]
    single = crossing(lambda which, at: np.expm1(rate[one][which] * at), value[one], np.ones(1), np.full(1, 50.0))
    assert single[0] == whole[alone]


STRENGTH = [0.0] * 8 + [150.0] * 3 + [600.0] * 7 + [1200.0] * 2 + [2400.0] * 2
N = [1, 3, 4, 5, 5, 7, 8, 12, 13, 27, 7, 1, 5, 6, 1, 9, 2, 4, 9, 4, 3, 5]
RESPONDED = [0, 0, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 1, 5, 1, 4, 1, 1, 7, 3, 3, 5]


@pytest.mark.parametrize(("at", "side"), [(1400.0, 1), (2400.0, 1), (150.0, -1), (2400.0, -1)])
def test_limits_far_from_the_estimate_by_an_independent_profile(at, side):
    # Where the slope has to grow several times over before the likelihood refutes the share, a search that starts the
    # slope from its estimate loses its way and finds a limit too near.
    curve = fit_curve(STRENGTH, N, RESPONDED)
    log, n, responded = np.log10(np.where(curve.strength > 0, curve.strength, 1.0)), curve.n, curve.responded

    def rise(eta):
        def loss(parameters):
            slope, natural = parameters[0], expit(parameters[1])
            share = np.where(curve.strength > 0, expit(eta + slope * (log - np.log10(at))), 0.0)
            p = np.clip(natural + (1.0 - natural) * share, 1e-300, 1.0 - 1e-16)
            return -np.sum(xlogy(responded, p) + xlogy(n - responded, 1.0 - p))

        starts = [(slope, rare) for slope in (1.0, 4.0, 12.0, 40.0) for rare in (-9.0, -3.0)]
        best = min(minimize(loss, s, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-11}).fun for s in starts)
        return 2.0 * (best + curve.fit.log_likelihood)

    top = curve.intercept + curve.slope * np.log10(at)
    level = 0.999
    wanted = brentq(lambda eta: rise(eta) - norm.ppf(0.9995) ** 2, *sorted((top + side * 0.05, side * 16.0)), xtol=1e-5)
    points = np.array([[1.0], [np.log10(at)]])
    found = likelihood_limits(curve.fit, curve.rows(), points, confidence_level=level, basis="binomial")
    assert logit(found[1 if side < 0 else 2][0]) == pytest.approx(wanted, abs=2e-3)
