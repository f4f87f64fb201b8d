"""Limits of concentrations and shares, relative potency, and middles without a curve."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq, minimize
from scipy.special import expit, xlogy
from scipy.stats import chi2
from scipy.stats import t as student

from afterdip.dose_response import (
    concentration_at,
    delta_standard_error,
    fit_curve,
    interpolate_log,
    natural_response,
    ratio_limits,
    relative_potency,
    response_at,
    smooth,
    spearman_karber,
)
from afterdip.errors import DataError

PUBLISHED = json.loads((Path(__file__).parent / "reference" / "dose_response.json").read_text())
LOG2 = np.log10(2)


def beetles(link="logit"):
    data = PUBLISHED["B1"]["data"]
    return fit_curve(10 ** np.array(data["log10dose"]), data["n"], data["killed"], link=link)


def aphids(link):
    data = PUBLISHED["B3"]["data"]
    return fit_curve(data["dose"], data["n"], data["affected"], link=link)


def minnows(link="logit"):
    data = PUBLISHED["B7"]["data"]
    return fit_curve(data["strength"], data["n"], data["dead"], link=link)


def logs(value):
    return [np.log10(end) for end in (value.estimate, value.low, value.high)]


@pytest.mark.parametrize("link", ["logit", "probit", "cloglog"])
@pytest.mark.parametrize("level", [50, 90])
def test_fieller_limits_of_the_beetles(link, level):
    ours = PUBLISHED["B1"]["recomputed_Python"][link]
    assert logs(concentration_at(beetles(link), level, basis="binomial")) == pytest.approx(
        ours[f"LD{level}"][:3], abs=1e-8
    )
    if link != "cloglog":  # its factor is below 1, and a factor never narrows limits here
        wide = concentration_at(beetles(link), level, basis="heterogeneity")
        assert logs(wide) == pytest.approx(ours[f"LD{level}_het"][:3], abs=1e-8)


def test_aphids_on_rotenone():
    # Martin 1942, Ann Appl Biol 29:69; Finney's LD50 is quoted as 4.85 mg/L.
    curve, ours = aphids("probit"), PUBLISHED["B3"]["recomputed_R"]["probit"]
    found = concentration_at(curve, basis="binomial")
    assert found.estimate == pytest.approx(4.85, abs=0.005)
    assert (curve.intercept, curve.slope) == pytest.approx(ours["coef"], rel=1e-6)
    assert logs(found) == pytest.approx(PUBLISHED["B3"]["recomputed_Python"]["LD50"][:3], abs=1e-8)
    delta = concentration_at(curve, 90, method="delta", basis="binomial")
    assert logs(delta) == pytest.approx([ours["LD90"][k] for k in ("est", "delta_lo", "delta_hi")], abs=1e-6)
    error = delta_standard_error(curve.fit, np.log10(found.estimate))
    assert error == pytest.approx(ours["LD50"]["se_delta"], rel=1e-6)
    assert logs(concentration_at(aphids("logit")))[0] == pytest.approx(0.68384982569, abs=1e-8)


def test_budworms_concentrations_with_delta_errors():
    # Collett 1991, Modelling Binary Data, p. 75; Venables & Ripley 2002, sec. 7.2 (printed figures from memory).
    data = PUBLISHED["B4"]["data"]
    x = np.tile([1.0, 2, 4, 8, 16, 32], 2)
    both = relative_potency(x, [20] * 12, data["dead_F"] + data["dead_M"], [0] * 6 + [1] * 6, basis="binomial")
    assert both.parallel.deviance == pytest.approx(6.757, abs=5e-4)
    assert both.separate.deviance == pytest.approx(4.994, abs=5e-4)
    assert both.deviance_drop == pytest.approx(6.7570642322 - 4.9937273076, abs=1e-8)
    assert both.parallel.coefficients[:2] == pytest.approx([-3.4731553071, -2.3724119441], rel=1e-8)
    assert both.parallel.coefficients[2] * LOG2 == pytest.approx(1.0642139699, rel=1e-8)
    female = PUBLISHED["B4"]["recomputed_R"]["dosep_logit_F"]
    for p, at, error in zip((0.25, 0.5, 0.75), female["log2dose"], female["se"], strict=True):
        log2 = (np.log(p / (1 - p)) - both.parallel.coefficients[0]) / both.parallel.coefficients[2] / LOG2
        contrast = np.array([1, 0, log2 * LOG2, 0]) / both.parallel.coefficients[2]
        assert log2 == pytest.approx(at, abs=1e-8)
        assert np.sqrt(contrast @ both.parallel.covariance @ contrast) / LOG2 == pytest.approx(error, rel=1e-6)


def test_relative_potency_of_budworm_males_and_females():
    data = PUBLISHED["B4"]["data"]
    x = np.tile([1.0, 2, 4, 8, 16, 32], 2)
    hits, second = data["dead_F"] + data["dead_M"], [0] * 6 + [1] * 6
    found = relative_potency(x, [20] * 12, hits, second, basis="binomial").relative_potency
    ends = [np.log2(end) for end in (found.estimate, found.low, found.high)]
    assert ends == pytest.approx(PUBLISHED["B4"]["recomputed_Python"]["relpot_log2"], abs=1e-8)
    turned = relative_potency(x, [20] * 12, hits, [1] * 6 + [0] * 6, basis="binomial").relative_potency
    assert (turned.estimate, turned.low, turned.high) == pytest.approx(
        (1 / found.estimate, 1 / found.high, 1 / found.low), rel=1e-8
    )


def test_parallelism_is_refuted_and_said():
    x = np.tile([1.0, 2, 4, 8, 16], 2)
    steep, flat = expit(-4 + 8 * np.log10(x[:5])), expit(-1.5 + 1.5 * np.log10(x[:5]))
    n = np.full(10, 400.0)
    found = relative_potency(x, n, n * np.append(steep, flat), [0] * 5 + [1] * 5)
    assert found.parallel_p < 1e-4
    assert found.slope_difference.estimate == pytest.approx(1.5 - 8, rel=1e-6)
    assert "slopes differ" in found.relative_potency.reason
    same = relative_potency(x, n, n * np.append(steep, expit(-4 + 8 * np.log10(x[:5] / 2))), [0] * 5 + [1] * 5)
    assert same.relative_potency.estimate == pytest.approx(0.5, rel=1e-6)
    assert not same.relative_potency.reason


def test_shams_serve_both_agents_and_refusals_name_the_agent():
    x = [0, 0, 1, 2, 4, 8, 1, 2, 4, 8]
    hits = [2, 3, 3, 9, 25, 38, 2, 5, 14, 30]
    found = relative_potency(x, [40] * 10, hits, [0] * 6 + [1] * 4)
    assert found.relative_potency.estimate < 1  # the second needs more: it is the weaker
    assert found.parallel.natural_estimated
    none = relative_potency(x, [40] * 10, [2, 3, 3, 9, 25, 38, 0, 0, 0, 0], [0] * 6 + [1] * 4)
    assert none.relative_potency.reason.startswith("second agent: none responded")
    with pytest.raises(DataError, match="both agents"):
        relative_potency(x, [40] * 10, hits, [0] * 10)


def test_flat_data_get_open_limits_not_wild_ones():
    curve = fit_curve([1, 2, 4, 8] * 2, [12] * 8, [5, 6, 5, 7, 6, 5, 7, 6])
    assert not curve.refusal
    found = concentration_at(curve)
    assert (found.low, found.high) == (None, None)
    assert "too uncertain" in found.reason
    assert ratio_limits(1.0, 0.1, 1.0, 0.0, 1.0, 2.0)[:2] == (None, None)


def test_fieller_by_solving_the_test():
    # The limits are where |top - theta bottom| is exactly t standard errors.
    for cov in (-0.3, 0.0, 0.4):
        low, high, g = ratio_limits(2.0, 3.0, 0.5, cov, 0.6, 1.7)
        assert g == pytest.approx(1.7**2 * 0.6 / 9)
        for theta in (low, high):
            error = np.sqrt(0.5 - 2 * theta * cov + theta**2 * 0.6)
            assert abs(2.0 - theta * 3.0) == pytest.approx(1.7 * error, rel=1e-10)


def test_one_session_a_parameter_leaves_no_limits():
    curve = fit_curve([1, 4], [20, 20], [4, 15])
    assert curve.fit.df == 0
    assert curve.fit.heterogeneity is None
    assert curve.fit.heterogeneity_p is None
    for value in (concentration_at(curve), response_at(curve, 2), concentration_at(curve, basis="heterogeneity")):
        assert value.estimate > 0
        assert value.low is None
        assert "no session" in value.reason
    assert concentration_at(curve, basis="binomial").low < concentration_at(curve).estimate


def test_heterogeneity_factor_by_hand():
    curve = beetles()
    assert curve.fit.heterogeneity == pytest.approx(10.026817585637628 / 6, rel=1e-8)
    assert curve.fit.heterogeneity_p == pytest.approx(chi2.sf(10.026817585637628, 6), rel=1e-8)
    assert curve.fit.quantile("session", 0.9) == pytest.approx(student.ppf(0.95, 6), rel=1e-10)
    factor = 10.026817585637628 / 6
    assert curve.fit.spread("heterogeneity")[0] == pytest.approx(curve.fit.covariance * factor, rel=1e-8)
    assert len(curve.fit.spread("session")) == 3


def test_few_sessions_that_agree_prove_little():
    # Counts as even as these measure no correlation: what the model of correlated sessions has is the assumed 0.2,
    # weighing a quarter of a session beside those that had both a response and none to spare.
    few, none = fit_curve([1, 2, 4, 8], [30] * 4, [3, 10, 20, 27]), fit_curve([1, 2, 4, 8], [30] * 4, [0, 6, 22, 30])
    for curve, telling in ((few, 4), (none, 3)):
        assert curve.fit.pearson < curve.fit.df
        correlation = 0.2 * 0.25 / (telling + 0.25)
        assert curve.fit.modelled == pytest.approx(curve.fit.covariance * (1 + 29 * correlation), rel=1e-9)
    apart = fit_curve([1, 2, 4, 8] * 2, [30] * 8, [0, 2, 9, 18, 9, 19, 28, 30])  # far more than 0.2
    assert apart.fit.heterogeneity > 1 + 29 * 0.2
    residual = sum(
        (r - n * p) ** 2 / (n * p * (1 - p)) for n, r, p in zip(apart.n, apart.responded, _fitted(apart), strict=True)
    )
    assert residual / apart.fit.df == pytest.approx(_design_effect(apart.fit), rel=1e-6)


def _fitted(curve):
    return expit(curve.intercept + curve.slope * np.log10(curve.strength))


def _design_effect(fit):
    return fit.modelled[0, 0] / fit.covariance[0, 0]


def test_misuse():
    curve = beetles()
    for call in (
        lambda: concentration_at(curve, 0.5), lambda: concentration_at(curve, method="profile"),
        lambda: concentration_at(curve, basis="frag"), lambda: concentration_at(curve, confidence_level=95),
        lambda: spearman_karber([1, 2], [9, 9], [0, 9], trim=0.5),
        lambda: spearman_karber([1, 2], [9, 9], [0, 9], basis="bootstrap"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="must"):
            call()


def test_profile_limits_of_the_minnows():
    # At the ends of the profile limits of the log LC50 (an independent fit's), a share of one half is just not refuted.
    curve = minnows()
    low, high = np.exp(PUBLISHED["B7"]["recomputed_Python"]["logit"]["profile"])
    natural = natural_response(curve, basis="binomial")
    assert natural.low < curve.natural < natural.high
    for at, side in ((low, "high"), (high, "low")):
        share = _treated(curve, at)[{"low": 1, "high": 2}[side]]
        assert share == pytest.approx(0.5, abs=2e-4)


def _treated(curve, at):
    from afterdip.dose_response.profile import likelihood_limits

    points = np.array([[1.0], [np.log10(at)]])
    return [float(v[0]) for v in likelihood_limits(curve.fit, curve.rows(), points, confidence_level=0.95,
                                                   basis="binomial")]  # fmt: skip


def test_likelihood_limits_by_a_one_dimensional_search():
    curve = beetles()
    x, n, r = np.log10(curve.strength), curve.n, curve.responded

    def profile(eta, at):
        def loss(b):
            p = np.clip(expit(eta + b[0] * (x - at)), 1e-300, 1 - 1e-16)
            return -np.sum(xlogy(r, p) + xlogy(n - r, 1 - p))

        return 2 * (minimize(loss, [34.0], method="BFGS").fun + curve.fit.log_likelihood)

    for at in (1.72, 1.80, 1.87):
        top = curve.intercept + curve.slope * at
        ends = [brentq(lambda e, at=at: profile(e, at) - 3.841458820694124, *pair) for pair in
                ((top - 3, top - 1e-3), (top + 1e-3, top + 3))]  # fmt: skip
        found = response_at(curve, 10**at, basis="binomial")
        assert (found.low, found.high) == pytest.approx(expit(ends), abs=2e-4)


def test_a_natural_response_of_zero_changes_no_limit():
    x, n, hits = [1, 2, 4, 8] * 3, [30] * 12, [1, 8, 20, 28, 2, 6, 22, 29, 0, 9, 19, 28]
    bare = response_at(fit_curve(x, n, hits), 4, confidence_level=0.9)
    # df gains the shams' sessions, so compare without t: z limits
    with_sham = fit_curve([0] * 5 + x, [200] * 5 + n, [0] * 5 + hits)
    assert with_sham.natural == pytest.approx(0.0, abs=0.005)
    assert response_at(with_sham, 4, over_natural=True).estimate == pytest.approx(bare.estimate, abs=0.01)


def test_loss_over_sham_is_less_than_loss():
    curve = fit_curve([0] * 4 + [1, 2, 4, 8] * 3, [30] * 16, [3, 2, 4, 3, 4, 9, 20, 28, 5, 8, 22, 29, 3, 10, 19, 28])
    total, over = response_at(curve, 4), response_at(curve, 4, over_natural=True)
    assert over.estimate == pytest.approx(total.estimate - curve.natural, abs=1e-12)
    assert over.low < over.estimate < over.high < total.high
    assert response_at(curve, 9).reason == "outside the strengths tried"


def test_spearman_karber_with_control():
    # US EPA 2002, EPA-821-R-02-013, app. J: LC50 45.3 % (40.8, 50.4), log10 1.6565 (printed values from memory). The
    # variance divides by n - 1; limits there are 2 standard errors.
    data = PUBLISHED["B10"]["data"]
    found = spearman_karber(data["conc"], [data["n"]] * 6, data["dead"], basis="binomial")
    assert np.log10(found.estimate) == pytest.approx(1.6565, abs=5e-5)
    assert found.estimate == pytest.approx(45.34371054551805, rel=1e-10)
    error = np.log10(found.high / found.estimate) / 1.959963984540054
    assert error**2 == pytest.approx(0.0005346798, rel=1e-6)
    two = [10 ** (np.log10(found.estimate) + sign * 2 * error) for sign in (-1, 1)]
    assert two == pytest.approx([40.8, 50.4], abs=0.05)
    session = spearman_karber(data["conc"], [data["n"]] * 6, data["dead"])
    assert session.low is None
    assert "scatter" in session.reason


def test_spearman_karber_session_limits_are_wider_where_sessions_differ():
    x = np.repeat([1.0, 2, 4, 8, 16], 4)
    hits = [0, 0, 0, 0, 1, 9, 2, 8, 12, 4, 15, 9, 20, 11, 19, 18, 20, 20, 20, 20]
    piece = spearman_karber(x, [20] * 20, hits, basis="binomial")
    bath = spearman_karber(x, [20] * 20, hits)
    assert bath.estimate == piece.estimate
    assert bath.low < piece.low < piece.high < bath.high


def test_trimmed_mean_by_cutting_the_polygon():
    # The trimmed mean is the mean of the polygon between trim and 1 - trim, here cut into small pieces.
    x, share = np.log10([1.0, 2, 4, 8, 16]), np.array([0.15, 0.25, 0.5, 0.8, 0.9])
    for trim in (0.15, 0.2, 0.3):
        found = spearman_karber(10**x, [100] * 5, 100 * share, trim=trim, basis="binomial")
        level = np.linspace(trim, 1 - trim, 200_001)
        middle = (level[1:] + level[:-1]) / 2
        assert np.log10(found.estimate) == pytest.approx(np.interp(middle, share, x).mean(), abs=1e-8)
    free = spearman_karber(10**x, [100] * 5, 100 * share, trim=None, basis="binomial")
    assert free.estimate == spearman_karber(10**x, [100] * 5, 100 * share, trim=0.15, basis="binomial").estimate
    assert "needs a trim of 0.15" in spearman_karber(10**x, [100] * 5, 100 * share).reason


def test_middles_that_do_not_exist():
    assert "not bracketed" in spearman_karber([1, 2, 4], [10] * 3, [6, 7, 9], trim=None).reason
    assert "fewer than two" in spearman_karber([2, 2], [10] * 2, [3, 4]).reason
    assert "sham" in spearman_karber([0, 1, 2], [10] * 3, [10, 10, 10]).reason
    jump = spearman_karber([1, 2, 4, 8], [10] * 4, [0, 0, 10, 10])
    assert jump.estimate == pytest.approx(np.sqrt(8))
    assert jump.low is None
    assert "jump" in jump.reason


def test_log_linear_interpolation():
    # USACE/EPA Inland Testing Manual 1998, app. L: 44.9 %.
    data = PUBLISHED["B11"]["data"]
    found = interpolate_log([data["CL"], data["CU"]], [100, 100], [data["ML"], data["MU"]])
    assert found.estimate == pytest.approx(44.9, abs=0.05)
    assert found.estimate == pytest.approx(PUBLISHED["B11"]["recomputed_Python"], rel=1e-10)
    assert found.low is None
    assert found.reason
    assert interpolate_log([1, 2], [10, 10], [6, 7]).estimate is None
    assert interpolate_log([1, 2, 4], [10] * 3, [2, 5, 9]).estimate == pytest.approx(2.0)


def test_smoothing_pools_the_weighted_neighbours():
    assert smooth([0.1, 0.3, 0.2, 0.6], [1, 1, 3, 1]) == pytest.approx([0.1, 0.225, 0.225, 0.6])
    assert smooth([3.0, 2.0, 1.0], [1, 1, 1]) == pytest.approx([2, 2, 2])
