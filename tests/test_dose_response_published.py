"""Assays with published answers that no formula here was written against, beside an independent fit of each."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.optimize import minimize
from scipy.stats import norm

from afterdip.dose_response import concentration_at, delta_standard_error, fit_curve, natural_response, relative_potency
from afterdip.dose_response.fit import fit_one

SELENIUM = {  # mg/L, flies, dead; the controls left out, as the published two-parameter curves do
    1: ([100, 200, 300, 400, 500], [146, 116, 159, 150, 140], [40, 31, 85, 102, 112]),
    2: ([100, 200, 300, 400, 500], [153, 142, 139, 154, 155], [30, 59, 82, 62, 85]),
    3: ([5, 25, 50, 100, 200, 400, 800], [106, 63, 145, 127, 140, 172, 188], [0, 11, 22, 31, 105, 166, 188]),
    4: ([5, 25, 50, 100], [152, 150, 153, 125], [7, 11, 45, 74]),
}
FILMS = [2.0, 2.64, 3.48, 4.59, 6.06, 8.0]
BEETLES = {
    "ddt": ([50, 49, 47, 50, 49, 50], [3, 5, 19, 19, 24, 35]),
    "gamma-bhc": ([50, 49, 50, 50, 50, 50], [2, 14, 20, 27, 41, 40]),
    "both": ([50] * 6, [28, 37, 46, 48, 48, 50]),
}


def side_by_side(log, n, hits, which):
    """One constant for each of `which` and a common slope, by this package and by statsmodels (logit)."""
    columns = [*(which == k for k in np.unique(which)), log]
    ours = fit_one(np.stack(columns).astype(float), n, hits, np.zeros(n.size, dtype=bool), link="logit")
    theirs = sm.GLM(np.column_stack([hits, n - hits]), np.column_stack(columns), family=sm.families.Binomial()).fit()
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-6)
    assert np.sqrt(np.diag(ours.covariance)[:-1]) == pytest.approx(theirs.bse, rel=1e-5)
    assert ours.deviance == pytest.approx(theirs.deviance, rel=1e-8)
    return ours


def whole(parts):
    return tuple(np.concatenate([np.asarray(part[i], float) for part in parts]) for i in range(len(parts[0])))


def test_four_forms_of_selenium():
    # Jeske et al. 2009, J Agric Biol Environ Stat 14:469, as in the documentation of R's drc, which prints 48.654 for
    # equal slopes; the concentrations and errors of its fit are from memory.
    printed = {1: (252.26, 13.83), 2: (378.46, 39.37), 3: (119.71, 5.91), 4: (88.81, 8.62)}
    curves = {kind: fit_curve(*rows) for kind, rows in SELENIUM.items()}
    for kind, (middle, error) in printed.items():
        found = concentration_at(curves[kind], basis="binomial")
        assert found.estimate == pytest.approx(middle, abs=0.005)
        log10 = delta_standard_error(curves[kind].fit, np.log10(found.estimate))
        assert found.estimate * np.log(10) * log10 == pytest.approx(error, abs=0.005)
    log, n, hits = whole([(np.log10(rows[0]), *rows[1:]) for rows in SELENIUM.values()])
    which = np.repeat(list(SELENIUM), [len(rows[0]) for rows in SELENIUM.values()])
    common = side_by_side(log, n, hits, which)
    assert common.deviance - sum(c.fit.deviance for c in curves.values()) == pytest.approx(48.654, abs=5e-4)


def test_parallel_lines_of_flour_beetles_on_insecticide_films():
    # Hewlett & Plackett 1950, Ann Appl Biol 37:527, as analysed by Collett 1991, Modelling Binary Data, ch. 4: all
    # from memory.
    n, hits = whole(list(BEETLES.values()))
    fit = side_by_side(np.log(np.tile(FILMS, 3)), n, hits, np.repeat([0, 1, 2], 6))
    assert fit.coefficients == pytest.approx([-4.555, -3.842, -1.425, 2.696], abs=6e-4)
    assert (fit.deviance, fit.df) == (pytest.approx(21.28, abs=5e-3), 14)
    # Two of them by the function for two agents: the ratio is exp(difference of constants / slope).
    pair = [BEETLES["ddt"], BEETLES["gamma-bhc"]]
    n, hits = whole(pair)
    found = relative_potency(FILMS * 2, n, hits, [0] * 6 + [1] * 6, basis="binomial")
    alone = side_by_side(np.log(np.tile(FILMS, 2)), n, hits, np.repeat([0, 1], 6))
    assert found.relative_potency.estimate == pytest.approx(
        np.exp((alone.coefficients[1] - alone.coefficients[0]) / alone.coefficients[2]), rel=1e-8
    )


def test_a_natural_response_estimated_along():
    # The introductory example of a statistics package's manual for probit analysis: 12 groups of 15; the data read
    # there, the printed estimates (errors in brackets) from memory: -4.1438 (1.3415), 6.2308 (1.8996), 0.2409 (0.0523).
    x = np.array([0, 1.1, 1.3, 2.0, 2.2, 2.8, 3.7, 3.9, 4.4, 4.8, 5.9, 6.8])
    hits = np.array([3, 4, 4, 3, 5, 4, 5, 9, 8, 11, 12, 13])
    curve = fit_curve(x, [15] * 12, hits, link="probit")
    assert (curve.intercept, curve.slope, curve.natural) == pytest.approx((-4.1438, 6.2308, 0.2409), abs=6e-5)
    assert np.sqrt(np.diag(curve.fit.covariance)) == pytest.approx([1.3415, 1.8996, 0.0523], abs=6e-5)

    def loss(b):
        share = b[2] + (1 - b[2]) * np.where(x > 0, norm.cdf(b[0] + b[1] * np.log10(np.maximum(x, 1e-9))), 0.0)
        return -np.sum(hits * np.log(share) + (15 - hits) * np.log1p(-share))

    best = minimize(
        loss, [-4.0, 6.0, 0.2], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 9999}
    )
    assert (curve.intercept, curve.slope, curve.natural) == pytest.approx(best.x, rel=1e-5)
    natural = natural_response(curve, basis="binomial")
    assert natural.low < 0.2409 < natural.high


def test_delta_limits_scaled_to_the_scatter():
    # Lancelot 2006, R-help, "Finney's fiducial confidence intervals of LD50": 140.8353 (103.3171, 191.9777), quasi-
    # binomial probit of three series of four strengths with 30.5 counted in each.
    x, hits = np.tile([10.0, 40.0, 160.0, 640.0], 3), [0, 7, 26, 27, 0, 5, 13, 29, 0, 4, 11, 25]
    curve = fit_curve(x, [30.5] * 12, hits, link="probit")
    middle = concentration_at(curve).estimate
    assert middle == pytest.approx(140.8353, abs=5e-5)
    error = delta_standard_error(curve.fit, np.log10(middle), basis="heterogeneity")
    ends = 10 ** (np.log10(middle) + np.array([-1.96, 1.96]) * error)
    assert ends == pytest.approx([103.3171, 191.9777], rel=3e-6)


def test_limits_of_a_dosage_example():
    # The first worked example of the same manual: doses 1 to 7, probit on log10, median 3.39096 (data and figure from
    # memory); Fieller's limits by solving the test of the median with statsmodels' fit.
    x, n, hits = np.arange(1.0, 8.0), np.array([10, 12, 10, 10, 12, 10, 10]), np.array([1, 2, 4, 5, 8, 8, 10])
    found = concentration_at(fit_curve(x, n, hits, link="probit"), basis="binomial")
    assert found.estimate == pytest.approx(3.39096, abs=5e-6)
    family = sm.families.Binomial(link=sm.families.links.Probit())
    fit = sm.GLM(np.column_stack([hits, n - hits]), sm.add_constant(np.log10(x)), family=family).fit(tol=1e-12)
    for end in (found.low, found.high):
        contrast = np.array([1.0, np.log10(end)])
        assert abs(contrast @ fit.params) == pytest.approx(
            norm.ppf(0.975) * np.sqrt(contrast @ fit.cov_params() @ contrast), rel=1e-5
        )
