"""Strength and minutes together: published scaling, recovery of n, and when a log cannot tell."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from afterdip.calibrate.dose_response import responses
from afterdip.dose_response import (
    chick_watson_minutes,
    chick_watson_survival,
    equivalent_strength,
    fit_strength_minutes,
    shares_at,
    strength_for,
    time_exponent,
    tried_together,
)
from afterdip.errors import DataError

PUBLISHED = json.loads((Path(__file__).parent / "reference" / "dose_response.json").read_text())
STRENGTHS, MINUTES = (150.0, 300.0, 600.0, 1200.0, 2400.0), (2.0, 5.0, 10.0, 20.0)


def grid(times=3):
    x, t = (axis.ravel() for axis in np.meshgrid(STRENGTHS, MINUTES))
    return np.tile(x, times), np.tile(t, times)


def kill(x, t, n=1.4):
    """Demo-like peroxide curve: EC50 600 at 5 minutes, log-logistic slope 2.5, C^n t."""
    return 1 / (1 + (600 / (x * (t / 5) ** (1 / n))) ** 2.5)


def test_chlorine_guideline_levels():
    # NRC 2004, AEGL vol. 4: AEGL-3 50, 28, 20, 10, 7.1 ppm for 10, 30, 60, 240, 480 minutes (n = 2, ten Berge et al.
    # 1986); 10 minutes computes to 48.99, printed as 50.
    data = PUBLISHED["F1"]["data"]
    found = equivalent_strength(data["C60"], 60, exponent=data["n"], other_minutes=data["t"])
    assert found == pytest.approx(PUBLISHED["F1"]["recomputed_R"]["n2"], rel=1e-9)
    assert [float(f"{v:.2g}") for v in found[1:]] == [28, 20, 10, 7.1]
    haber = equivalent_strength(data["C60"], 60, exponent=1, other_minutes=data["t"])
    assert haber == pytest.approx(PUBLISHED["F1"]["recomputed_R"]["n1"], rel=1e-9)
    with pytest.raises(ValueError, match="exponent"):
        equivalent_strength(1, 1, exponent=0, other_minutes=2)


def test_chick_watson_identity():
    ours = PUBLISHED["F2"]["recomputed_Python"]
    law = {"rate": ours["k"], "exponent": ours["n"]}
    for minutes, log10 in ours["log10S"].items():
        assert np.log10(chick_watson_survival(ours["C"], float(minutes), **law)) == pytest.approx(log10, rel=1e-9)
    assert chick_watson_minutes(ours["C"], 3, **law) == pytest.approx(ours["time_for_3log"], rel=1e-9)


@pytest.mark.parametrize("link", ["logit", "probit", "cloglog"])
def test_counts_without_noise_give_n_back(link):
    x, t = grid()
    n = np.full(x.size, 50.0)
    if link == "cloglog":  # Chick-Watson with n = 1.2: ln S = -k C^n t
        share = 1 - chick_watson_survival(x / 500, t, rate=0.15, exponent=1.2)
        fit = fit_strength_minutes(x / 500, t, n, n * share, link=link)
        assert fit.fit.coefficients[2] == pytest.approx(np.log(10), rel=1e-6)  # time to the power of one
        assert time_exponent(fit).estimate == pytest.approx(1.2, rel=1e-6)
        return
    if link == "logit":
        fit = fit_strength_minutes(x, t, n, n * kill(x, t))
        assert strength_for(fit, 50, 5).estimate == pytest.approx(600, rel=1e-6)
        assert strength_for(fit, 50, 20).estimate == pytest.approx(600 / 4 ** (1 / 1.4), rel=1e-6)
    else:
        from scipy.special import ndtr

        load = np.log(x) * 1.4 + np.log(t)
        fit = fit_strength_minutes(x, t, n, n * ndtr(-10 + load), link=link)
    assert time_exponent(fit).estimate == pytest.approx(1.4, rel=1e-6)


def test_limits_of_n_hold_when_pests_share_a_bath():
    rng = np.random.default_rng(21)
    held = said = 0
    for _ in range(150):
        x, t = grid(2)
        count = rng.integers(5, 30, x.size)
        sham = rng.integers(5, 30, 15)
        hits = responses(0.02 + 0.98 * kill(x, t), count, 0.15, rng)
        quiet = responses(np.full(15, 0.02), sham, 0.15, rng)
        fit = fit_strength_minutes(np.append(np.zeros(15), x), np.append(np.full(15, 10), t), np.append(sham, count),
                                   np.append(quiet, hits))  # fmt: skip
        n = time_exponent(fit)
        if n.low is not None:
            said += 1
            held += n.low <= 1.4 <= n.high
    assert said >= 140
    assert held / said >= 0.90  # 0.95 less three standard errors


@pytest.mark.parametrize(
    ("x", "t", "words"),
    [
        ([1, 1, 1, 1, 1, 1], [1, 2, 4, 1, 2, 4], "strength did not vary"),
        ([1, 2, 4, 1, 2, 4], [5] * 6, "minutes did not vary"),
        ([1, 2, 4, 1, 2, 4], [10, 20, 40, 10, 20, 40], "changed together (correlation 1.00)"),
        ([4, 2, 1, 4, 2, 1], [10, 20, 40, 10, 20, 40], "changed together (correlation -1.00)"),
    ],
)
def test_says_when_the_log_cannot_tell(x, t, words):
    fit = fit_strength_minutes(x, t, [20] * 6, [2, 8, 17, 3, 9, 18])
    assert words in fit.refusal
    for value in (time_exponent(fit), strength_for(fit, 50, 5)):
        assert value.estimate is None
        assert value.reason == fit.refusal
    assert np.isnan(shares_at(fit, [2.0], [10.0])[0]).all()


def test_time_that_does_nothing_is_not_identified():
    rng = np.random.default_rng(5)
    x, t = grid(2)
    n = np.full(x.size, 15)
    fit = fit_strength_minutes(x, t, n, rng.binomial(n, expit(-6 + 2.3 * np.log10(x))))
    found = time_exponent(fit)
    assert found.low is None
    assert "not identified" in found.reason or "do not do more" in found.reason


def test_all_dead_and_bad_minutes():
    x, t = grid(1)
    assert fit_strength_minutes(x, t, [9] * 20, [9] * 20).refusal.startswith("all responded")
    with pytest.raises(DataError, match="minutes"):
        fit_strength_minutes(x, np.zeros(20), [9] * 20, [3] * 20)
    with pytest.raises(DataError, match="session a: one bath"):
        fit_strength_minutes([1, 1], [5, 6], [9, 9], [3, 3], session=["a", "a"])


def test_nothing_is_said_outside_what_was_tried():
    x, t = np.array([100.0, 400, 100, 400, 1600]), np.array([2.0, 2, 20, 20, 2])
    hits = [2, 8, 7, 16, 17, 3, 6, 8, 17, 18, 1, 9, 6, 15, 16]
    fit = fit_strength_minutes(np.tile(x, 3), np.tile(t, 3), [20] * 15, hits)
    inside = tried_together(fit, [100, 400, 200, 1600, 1600, 90, 1000], [2, 20, 6, 2, 20, 5, 2])
    assert inside.tolist() == [True, True, True, True, False, False, True]
    share, low, high = shares_at(fit, [200, 1600], [6, 20])
    assert low[0] < share[0] < high[0]
    assert np.isnan([share[1], low[1], high[1]]).all()
    assert shares_at(fit, [[200.0], [400.0]], [[6.0], [6.0]])[0].shape == (2, 1)


def test_units_and_order_change_nothing():
    rng = np.random.default_rng(6)
    x, t = grid(1)
    n = rng.integers(10, 30, 20)
    hits = rng.binomial(n, kill(x, t))
    one = time_exponent(fit_strength_minutes(x, t, n, hits))
    order = rng.permutation(20)
    two = time_exponent(fit_strength_minutes(x[order] / 1000, 60 * t[order], n[order], hits[order]))
    assert (two.estimate, two.low, two.high) == pytest.approx((one.estimate, one.low, one.high), rel=1e-7)
