"""Worked examples of survival from textbooks and other programs; source and standing beside each in textbook.json."""

import numpy as np
import pytest
from lifelines import datasets

from afterdip.survival import (
    cox,
    cumulative_incidence,
    kaplan_meier,
    logrank,
    median_days,
    rmst,
    rmst_difference,
    turnbull,
    weibull,
)
from textbook import by_piece, case, printed


def test_leukaemia_curve_and_medians():
    data, published = case("aml")
    days, died, left = by_piece(data["days"], data["died"])
    arms = [slice(0, data["maintained"]), slice(data["maintained"], None)]
    maintained, other = (kaplan_meier(days[arm], died[arm], left[arm]) for arm in arms)
    on = np.searchsorted(maintained.days, published["on_days"])
    assert maintained.survival[on].tolist() == printed(published["alive"], 3)
    assert maintained.standard_error[on].tolist() == printed(published["standard_error"], 4)
    assert [median_days(curve).estimate for curve in (maintained, other)] == published["medians"]


def test_leukaemia_log_rank_and_hazard_ratio():
    data, published = case("aml")
    rows = by_piece(data["days"], data["died"])
    other = np.arange(len(data["days"])) >= data["maintained"]
    test = logrank(*rows, group=other)
    assert test.expected.tolist() == printed(published["expected"], 2)
    assert test.chi_square == printed(published["chi_square"], 1)
    assert test.p_value == printed(published["p_value"], 4)
    fit = cox(*rows, covariates=other[:, None].astype(float))
    assert [fit.coefficients[0], fit.piece_error[0]] == printed(published["cox"], 4)


def test_lung_cancer_by_sex():
    _, published = case("lung")
    table = datasets.load_lung()
    rows, women = by_piece(table["time"], table["status"]), table["sex"].to_numpy() == 2
    test = logrank(*rows, group=women)
    assert test.observed.tolist() == published["observed"]
    assert test.expected.tolist() == printed(published["expected"], 1)
    assert test.chi_square == printed(published["chi_square"], 1)
    curves = [kaplan_meier(*(part[of] for part in rows)) for of in (~women, women)]
    assert [median_days(curve).estimate for curve in curves] == published["medians"]
    men = rmst(curves[0], 1022)
    assert [men.rmst_days, men.piece_error] == [
        printed(figure, digits) for figure, digits in zip(published["men_mean_days"], (4, 5), strict=True)
    ]
    fit = cox(*rows, covariates=women[:, None].astype(float))
    assert [fit.coefficients[0], fit.piece_error[0]] == printed(published["cox"], 4)


def test_a_group_that_left_before_anyone_died():
    data, published = case("aml")
    early, printed_there = case("dummy")
    days, died, left = by_piece(data["days"] + early["days"], data["died"] + [0] * len(early["days"]))
    group = np.repeat(["maintained", "other", "early"], [data["maintained"], 23 - data["maintained"], 7])
    test = logrank(days, died, left, group=group)
    assert test.observed.tolist() == printed_there["observed"]
    assert test.expected.tolist() == printed(printed_there["expected"], 2)
    assert test.chi_square == printed(printed_there["chi_square"], 1)
    assert test.degrees_of_freedom == printed_there["degrees_of_freedom"]
    assert test.p_value == printed(published["p_value"], 4)


def test_strata_of_eighteen_institutions():
    _, published = case("institutions")
    table = datasets.load_lung().dropna(subset=["inst", "pat.karno"])
    test = logrank(*by_piece(table["time"], table["status"]), group=table["pat.karno"], stratum=table["inst"])
    assert test.chi_square == printed(published["chi_square"], 1)
    assert test.degrees_of_freedom == published["degrees_of_freedom"]
    assert test.p_value == printed(published["p_value"], 5)


def test_weighted_rows_with_deaths_and_departures_on_a_day():
    data, published = case("tallied")
    pieces, died = np.array(data["pieces"], float), np.array(data["died"], float)
    covariates = np.array(data["covariate"], float)[:, None]
    fit = cox(data["days"], died * pieces, (1 - died) * pieces, covariates=covariates, ties="breslow")
    assert fit.coefficients[0] == printed(published["coefficient"], 4)
    assert fit.piece_error[0] == printed(published["standard_error"], 4)
    assert 2 * (fit.log_likelihood[1] - fit.log_likelihood[0]) == printed(published["likelihood_ratio"], 2)
    assert fit.score_test == printed(published["score_test"], 2)


def test_two_covariates_on_which_the_ratio_has_no_number():
    data, _ = case("monotone")
    died = np.array(data["died"], float)
    covariates = np.column_stack([np.tile([0.0, 1.0], 6), np.repeat([0.0, 1.0], 6)])
    fit = cox(np.arange(1.0, 13.0), died, 1 - died, covariates=covariates)
    assert fit.coefficients is None
    assert "no finite estimate" in fit.reason
    assert [ratio.estimate for ratio in fit.hazard_ratios] == [None, None]


def masses(curve):
    """Where the estimate has mass, and how much."""
    some = curve.mass > 1e-6
    return {"lower": curve.lower[some].tolist(), "upper": curve.upper[some].tolist()}, curve.mass[some].tolist()


def test_intervals_with_candidates_that_hold_nothing():
    _, published = case("intervals")
    lower = [0] * 100 + [1] * 200 + [100, 200, 210, 220] + [365] * 100 + [366] * 5 + list(range(731, 742))
    upper = [*range(3, 301, 3), *range(11, 111), *[365] * 60, *[366] * 40, np.inf, 500, np.inf, 450, *[730] * 90]
    upper += [*[np.inf] * 10, 528, 571, 691, 730, 731, np.inf, *range(1095, 1100), np.inf, 1400, 1200, 772, 1461]
    curve = turnbull(lower, upper)
    where, mass = masses(curve)
    assert curve.converged
    assert where == {end: published[end] for end in where}
    assert mass == printed(published["mass"], 4)


def test_intervals_of_radiotherapy():
    data, published = case("radiotherapy")
    where, mass = masses(turnbull(data["lower"], [np.inf if end is None else end for end in data["upper"]]))
    assert where == {end: published[end] for end in where}
    assert mass == printed(published["mass"], 4)


def test_larynx_by_a_weibull_law():
    _, published = case("larynx_weibull")
    table = datasets.load_larynx()
    day, died = table["time"].to_numpy(float), table["death"] == 1
    covariates = table[["Stage_II", "Stage_III", "Stage_IV", "age"]].to_numpy(float)
    fit = weibull(day, np.where(died, day, np.inf), covariates=covariates)
    assert fit.coefficients.tolist() == printed(published["coefficients"], 2)
    assert fit.piece_error[:-1].tolist() == printed(published["standard_errors"], 2)
    assert fit.scale == printed(published["scale"], 2)


def test_three_causes_with_departures_among_them():
    data, published = case("three_causes")
    cause = np.array(data["cause"])
    ends = np.column_stack([cause == k for k in (1, 2, 3)])
    found = cumulative_incidence(data["days"], ends, cause == 0, causes=("one", "two", "three"))
    assert found.incidence[:, -1].tolist() == printed(published["last"], 8)
    on = np.searchsorted(found.days, published["on_days"])
    assert found.incidence[2, on].tolist() == printed(published["third"], 8)
    assert found.piece_error[:, -1].tolist() == printed(published["last_errors"], 8)


@pytest.mark.parametrize("ties", ["breslow", "efron"])
def test_larynx_by_stage_and_age(ties):
    _, published = case("larynx")
    table = datasets.load_larynx()
    covariates = table[["Stage_II", "Stage_III", "Stage_IV", "age"]].to_numpy(float)
    fit = cox(*by_piece(table["time"], table["death"]), covariates=covariates, ties=ties)
    assert fit.coefficients.tolist() == printed(published[ties]["coefficients"], 4)
    assert fit.piece_error.tolist() == printed(published[ties]["standard_errors"], 4)


def test_rearrest_with_seven_covariates():
    _, published = case("rossi")
    table = datasets.load_rossi()
    covariates = table[["fin", "age", "race", "wexp", "mar", "paro", "prio"]].to_numpy(float)
    fit = cox(*by_piece(table["week"], table["arrest"]), covariates=covariates)
    assert fit.coefficients.tolist() == printed(published["coefficients"], 4)
    assert fit.piece_error.tolist() == printed(published["standard_errors"], 4)
    assert 2 * (fit.log_likelihood[1] - fit.log_likelihood[0]) == printed(published["likelihood_ratio"], 2)
    assert fit.score_test == printed(published["score_test"], 2)


def test_recurrences_of_a_patient_in_a_stratum_each():
    data, published = case("bladder")
    day, died, patient, stratum, columns = [], [], [], [], []
    for who, (treatment, number, size, last, *recurred) in enumerate(data["rows"]):
        for k in range(4):
            day.append(recurred[k] if k < len(recurred) else last)
            died.append(float(k < len(recurred)))
            patient.append(who)
            stratum.append(k)
            columns.append(np.kron(np.arange(4) == k, [treatment, size, number]))
    died = np.array(died)
    fit = cox(day, died, 1 - died, covariates=columns, session=patient, stratum=stratum, ties="breslow")
    assert fit.coefficients[::3].tolist() == printed(published["treatment"], 7)
    assert np.square(fit.standard_error[::3]).tolist() == printed(published["robust_variance"], 7)
    first = published["first"]
    assert fit.coefficients[:3].tolist() == printed(first["coefficients"], 4)
    assert fit.piece_error[:3].tolist() == printed(first["errors"], 3)
    assert fit.standard_error[:3].tolist() == printed(first["robust_errors"], 4)
    assert 2 * (fit.log_likelihood[1] - fit.log_likelihood[0]) == printed(published["likelihood_ratio"], 1)


def test_years_lived_of_ten_and_their_difference():
    data, published = case("cirrhosis")
    means = {}
    for arm in ("treated", "placebo"):
        days, died, left = by_piece(data[arm]["days"], data[arm]["died"])
        mean = means[arm] = rmst(kaplan_meier(days / 365.25, died, left), 10)
        assert [mean.rmst_days, mean.piece_error] == printed([published[arm]["mean"], published[arm]["error"]], 3)
        assert [mean.estimate.low, mean.estimate.high] == printed(published[arm]["limits"], 3)
    found = rmst_difference(means["treated"], means["placebo"])
    assert [found.estimate, found.low, found.high] == printed(published["difference"], 3)
