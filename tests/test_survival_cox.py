"""Proportional hazards: closed forms, published cluster-robust errors, other libraries, divergence."""

import lifelines
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.hazard_regression import PHReg

from afterdip.errors import DataError
from afterdip.survival import cox, cox_exact
from afterdip.survival.cox_exact import exact_likelihood
from afterdip.survival.cox_terms import build_strata
from survival_data import CASES, diabetic, expand, numerical_jackknife, sessions


def two_arms(seed, n_sessions=16, **options):
    """Rows of sessions with an arm by session and a covariate by row."""
    rows = sessions(n_sessions, seed=seed, **options)
    x = np.random.default_rng(seed).integers(0, 3, len(rows.days))
    return rows, np.column_stack([rows.session % 2, x]).astype(float)


@pytest.mark.parametrize("ties", ["breslow", "efron"])
def test_closed_form_of_tied_data(ties):
    # Therneau & Grambsch 2000, App. E, test data 1 (A4). Breslow: r^2 - 3 r - 6 = 0 for r = exp(beta), so
    # beta = log((3 + sqrt 33) / 2); Efron 1.676857 (from memory)
    data, r = CASES["A4"]["data"], CASES["A4"]["recomputed"]["R"][ties]
    time, status, x = (np.array(data[k]) for k in ("time", "status", "x"))
    fit = cox(time, status, 1 - status, covariates=x[:, None], ties=ties)
    closed = {"breslow": np.log((3 + np.sqrt(33)) / 2), "efron": 1.676857}[ties]
    assert fit.coefficients[0] == pytest.approx(closed, abs=5e-7)
    assert fit.coefficients[0] == pytest.approx(r["coef"], abs=1e-9)
    assert fit.log_likelihood == pytest.approx(tuple(r["loglik"]), abs=1e-9)
    assert fit.information[0, 0] == pytest.approx(r["imat"], abs=1e-9)
    assert fit.score_test == pytest.approx(r["score"], abs=1e-9)


def test_the_exact_likelihood_of_the_same_data_diverges_and_says_so():
    # A4: R returns 21.2 with an information of 1e-9; log likelihood -3.583519 at 0, tending to log(1 / 9) (recomputed)
    data, r = CASES["A4"]["data"], CASES["A4"]["recomputed"]["R"]["exact"]
    time, status, x = (np.array(data[k]) for k in ("time", "status", "x"))
    fit = cox_exact(time, status, 1 - status, covariates=x[:, None])
    assert fit.reason.startswith("the hazard ratio has no finite estimate")
    assert fit.coefficients is None
    strata = build_strata(time, status, 1 - status, x[:, None].astype(float), None, None, efron=False)
    at_zero, far = (exact_likelihood(strata, np.array([b])) for b in (0.0, 21.2028947313))
    assert at_zero[0] == pytest.approx(r["loglik"][0], abs=1e-9)
    assert at_zero[1][0] ** 2 / at_zero[2][0, 0] == pytest.approx(r["score"])
    assert far[0] == pytest.approx(r["loglik"][1], abs=1e-8) == np.log(1 / 9)


@pytest.mark.parametrize("seed", range(3))
def test_exact_likelihood_against_conditional_logistic_regression(seed):
    # the exact partial likelihood is that of a conditional logistic model with a stratum per day's risk set
    from statsmodels.discrete.conditional_models import ConditionalLogit

    rows, x = two_arms(seed, n_sessions=6, loss=0.3, pieces=(2, 5))
    fit = cox_exact(rows.days, rows.deaths, rows.left, covariates=x)
    time, dead = expand(rows.days, rows.deaths, rows.left), np.repeat([1, 0], [rows.deaths.sum(), rows.left.sum()])
    each = np.column_stack([expand(column, rows.deaths, rows.left) for column in x.T])
    sets = [(day, time >= day) for day in np.unique(time[dead == 1])]
    other = ConditionalLogit(
        np.concatenate([((time == day) & (dead == 1))[k].astype(int) for day, k in sets]),
        np.concatenate([each[k] for _, k in sets]),
        groups=np.concatenate([np.full(k.sum(), day) for day, k in sets]),
    ).fit(disp=False, method="newton")
    np.testing.assert_allclose(fit.coefficients, other.params, atol=1e-6)
    np.testing.assert_allclose(fit.piece_error, other.bse, rtol=1e-4)
    efron = cox(rows.days, rows.deaths, rows.left, covariates=x)
    np.testing.assert_allclose(fit.coefficients, efron.coefficients, rtol=0.35)  # Efron's is the approximation


def test_without_ties_all_methods_agree():
    days, deaths = np.arange(1, 21), np.tile([1, 1, 0, 1], 5)
    x = np.random.default_rng(1).normal(size=(20, 2))
    fits = [cox_exact(days, deaths, 1 - deaths, covariates=x)]
    fits += [cox(days, deaths, 1 - deaths, covariates=x, ties=ties) for ties in ("efron", "breslow")]
    for other in fits[1:]:
        np.testing.assert_allclose(other.coefficients, fits[0].coefficients, atol=1e-8)
        np.testing.assert_allclose(other.information, fits[0].information, atol=1e-8)


def test_paired_eyes_with_patients_as_clusters():
    # Huster, Brookmeyer & Self 1989, Biometrics 45:145; R coxph(..., cluster = id) (A9)
    time, status, treated, patient = diabetic()
    r = CASES["A9"]["recomputed"]["R"]["cluster"][0]
    fit = cox(time, status, 1 - status, covariates=treated[:, None], session=patient)
    assert fit.coefficients[0] == pytest.approx(r["coef"], abs=1e-9)
    assert fit.piece_error[0] == pytest.approx(r["se(coef)"], abs=1e-9)
    assert fit.standard_error[0] == pytest.approx(r["robust se"], abs=1e-9)
    assert 0.147 < fit.standard_error[0] < 0.149  # the published range, from memory
    assert fit.jackknife_error[0] == pytest.approx(fit.standard_error[0], rel=0.02)
    assert fit.hazard_ratios[0].sessions == 197


def test_paired_eyes_stratified_by_patient():
    time, status, treated, patient = diabetic()
    r = CASES["A9"]["recomputed"]["R"]["stratified_by_id"][0]
    fit = cox(time, status, 1 - status, covariates=treated[:, None], stratum=patient)
    assert (fit.coefficients[0], fit.piece_error[0]) == pytest.approx((r["coef"], r["se(coef)"]), abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_breslow_with_sessions_against_statsmodels(seed):
    rows, x = two_arms(seed)
    fit = cox(rows.days, rows.deaths, rows.left, covariates=x, session=rows.session, ties="breslow")
    each = np.column_stack([expand(column, rows.deaths, rows.left) for column in x.T])
    status = np.repeat([1, 0], [rows.deaths.sum(), rows.left.sum()])
    time, groups = (expand(v, rows.deaths, rows.left) for v in (rows.days, rows.session))
    other = PHReg(time, each, status=status, ties="breslow").fit(groups=groups)
    np.testing.assert_allclose(fit.coefficients, other.params, atol=1e-8)
    np.testing.assert_allclose(fit.standard_error, other.bse, atol=1e-8)


@pytest.mark.parametrize("seed", range(3))
def test_efron_coefficients_against_lifelines_and_statsmodels(seed):
    import pandas as pd

    rows, x = two_arms(seed)
    stratum = rows.session // 2 % 2
    fit = cox(rows.days, rows.deaths, rows.left, covariates=x, stratum=stratum)
    columns = {"t": rows.days, "a": x[:, 0], "b": x[:, 1], "stratum": stratum}
    frame = pd.DataFrame({name: expand(v, rows.deaths, rows.left) for name, v in columns.items()})
    frame["e"] = np.repeat([1, 0], [rows.deaths.sum(), rows.left.sum()])
    other = lifelines.CoxPHFitter().fit(frame, "t", "e", strata=["stratum"])
    np.testing.assert_allclose(fit.coefficients, other.params_, atol=1e-4)  # lifelines stops early
    third = PHReg(frame["t"], frame[["a", "b"]], status=frame["e"], ties="efron", strata=frame["stratum"]).fit()
    np.testing.assert_allclose(fit.coefficients, third.params, atol=1e-7)
    np.testing.assert_allclose(fit.piece_error, third.bse, rtol=1e-6)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_session_error_is_the_numerical_jackknife(ties):
    # Efron's terms depend on whole counts, so its sessions are weighted by leaving one copy of many out
    rows, x = two_arms(5, n_sessions=8, loss=0.3)
    if ties == "breslow":
        fit = cox(rows.days, rows.deaths, rows.left, covariates=x, session=rows.session, ties=ties)
        influence = numerical_jackknife(
            lambda w: cox(rows.days, rows.deaths * w, rows.left * w, covariates=x, ties=ties).coefficients,
            rows.session, step=1e-4,
        )  # fmt: skip
        np.testing.assert_allclose(fit.standard_error, np.sqrt((influence**2).sum(axis=0)), rtol=1e-5)
        return
    copies = 200
    fit = cox(rows.days, rows.deaths * copies, rows.left * copies, covariates=x, session=rows.session)
    up, down = (
        np.array([cox(rows.days, rows.deaths * w, rows.left * w, covariates=x).coefficients
                  for s in range(8) for w in [np.where(rows.session == s, copies + step, copies)]])
        for step in (1, -1)
    )  # fmt: skip
    influence = (up - down) / 2 * copies
    np.testing.assert_allclose(fit.standard_error, np.sqrt((influence**2).sum(axis=0)), rtol=1e-3)


def test_limits_come_from_refits_without_each_session():
    from scipy import stats

    rows, x = two_arms(6, n_sessions=12, loss=0.3)
    fit = cox(rows.days, rows.deaths, rows.left, covariates=x[:, :1], session=rows.session)
    without = []
    for s in range(12):
        k = rows.session != s
        without.append(cox(rows.days[k], rows.deaths[k], rows.left[k], covariates=x[k, :1]).coefficients[0])
    error = np.sqrt(11 / 12 * np.sum((np.array(without) - fit.coefficients[0]) ** 2))
    assert fit.jackknife_error[0] == pytest.approx(error, rel=1e-6)
    dying = sum(rows.deaths[rows.session == s].any() for s in range(12))
    squares = (np.array(without) - fit.coefficients[0]) ** 2
    effect = max((error / fit.piece_error[0]) ** 2, 1)
    behind = max(squares.sum() ** 2 / (squares**2).sum(), 4) * np.sqrt(effect / (effect - 1))
    assert behind < dying - 2  # one arm dies in few sessions: fewer degrees of freedom than sessions with deaths
    width = stats.t.ppf(0.975, behind) * error
    found = fit.hazard_ratios[0]
    assert (np.log(found.low), np.log(found.high)) == pytest.approx(
        (fit.coefficients[0] - width, fit.coefficients[0] + width), abs=1e-6
    )


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10**6), st.randoms(use_true_random=False))
def test_tallying_order_and_splitting_change_nothing(seed, random):
    rows, x = two_arms(seed, n_sessions=8, loss=0.3)
    fit = cox(rows.days, rows.deaths, rows.left, covariates=x, session=rows.session)
    order = np.array(random.sample(range(len(rows.days)), len(rows.days)))
    each = [expand(v, rows.deaths, rows.left) for v in (rows.days, rows.session, x[:, 0], x[:, 1])]
    status = np.repeat([1, 0], [rows.deaths.sum(), rows.left.sum()])
    for other in (
        cox(rows.days[order], rows.deaths[order], rows.left[order], covariates=x[order], session=rows.session[order]),
        cox(each[0], status, 1 - status, covariates=np.column_stack(each[2:]), session=each[1]),
        cox(rows.days * 24, rows.deaths, rows.left, covariates=x, session=rows.session),
    ):
        np.testing.assert_allclose(other.coefficients, fit.coefficients, atol=1e-8)
        np.testing.assert_allclose(other.standard_error, fit.standard_error, atol=1e-8)
    scaled = cox(rows.days, rows.deaths, rows.left, covariates=x * [10, 1] + [0, 7], session=rows.session)
    np.testing.assert_allclose(scaled.coefficients * [10, 1], fit.coefficients, atol=1e-8)


@pytest.mark.parametrize("days, deaths, x", [
    ([1, 2, 3, 4, 5, 6], [1, 1, 1, 0, 0, 0], [1, 1, 1, 0, 0, 0]),  # only one group dies
    ([1, 2, 3, 4, 5, 6], [1, 1, 1, 1, 1, 1], [6, 5, 4, 3, 2, 1]),  # always the highest at risk
    ([1, 1, 1, 9, 9, 9], [1, 1, 0, 0, 0, 0], [1, 1, 1, 0, 0, 0]),  # the zeros never die
])  # fmt: skip
@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_a_likelihood_without_maximum_gives_no_number(days, deaths, x, ties):
    deaths = np.array(deaths)
    fit = cox(days, deaths, 1 - deaths, covariates=np.array(x)[:, None], ties=ties)
    assert fit.reason.startswith("the hazard ratio has no finite estimate")
    assert fit.coefficients is None
    assert fit.hazard_ratios[0].estimate is None


def test_divergence_along_a_combination_of_covariates_is_found():
    # neither covariate alone separates, their sum does
    x = np.array([[2, 0], [0, 2], [1, 1], [0, 1], [1, 0], [0, 0]], float)
    deaths = np.array([1, 1, 1, 0, 0, 0])
    assert cox([1, 1, 1, 2, 2, 2], deaths, 1 - deaths, covariates=x).reason.startswith("the hazard ratio has no finite")
    near = np.array([1, 1, 1, 1, 0, 0])
    assert not cox([1, 1, 1, 1.5, 2, 2], near, 1 - near, covariates=x[:, :1]).reason


def test_large_but_finite_effects_are_numbers():
    # 1 of 1000 against 999 of 1000 within a day: a hazard ratio near a thousand is finite
    fit = cox([1, 1, 2, 2], [999, 1, 0, 0], [0, 0, 1, 999], covariates=[[1.0], [0], [1], [0]])
    assert fit.reason == ""
    assert fit.hazard_ratios[0].estimate > 300


def test_refusals():
    rows, x = two_arms(1, n_sessions=5, loss=0.3)
    few = cox(rows.days, rows.deaths, rows.left, covariates=x[:, :1], session=rows.session)
    assert few.hazard_ratios[0].reason == "too few: 4 sessions with deaths, a model of 1 covariates needs 6"
    assert few.standard_error is not None
    alone = cox([1, 1, 1, 1, 1, 1, 9], [1] * 6 + [0], [5] * 6 + [9], covariates=[[1.0]] + [[0]] * 6, session=range(7))
    assert "single session" in alone.hazard_ratios[0].reason
    assert "does not vary" in cox([1, 2], [1, 1], [1, 1], covariates=[[1.0], [1.0]]).reason
    twice = np.array([[1.0, 2], [0, 0], [1, 2], [0, 0]])
    assert "repeats others" in cox([1, 2, 3, 4], [1, 1, 1, 1], [1] * 4, covariates=twice).reason
    with pytest.raises(DataError, match="no deaths"):
        cox([1, 2], [0, 0], [1, 1], covariates=[[1.0], [0]])
    with pytest.raises(DataError, match="whole numbers"):
        cox([1, 2], [0.5, 1], [1, 1], covariates=[[1.0], [0]])
    with pytest.raises(DataError, match="missing"):
        cox([1, 2], [1, 1], [1, 1], covariates=[[np.nan], [0]])
    with pytest.raises(ValueError, match="ties must be"):
        cox([1], [1], [1], covariates=[[1.0]], ties="exact")
    with pytest.raises(ValueError, match="one name per column"):
        cox([1], [1], [1], covariates=[1.0])
