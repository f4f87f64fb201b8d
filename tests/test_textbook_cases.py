"""Worked examples of textbooks and of other programs' manuals; source and standing beside each in textbook.json."""

import numpy as np
import pytest
from scipy.stats import norm

from afterdip.comparison import mixed_logistic
from afterdip.dose_response import (
    concentration_at,
    delta_standard_error,
    fit_curve,
    fit_strength_minutes,
    response_at,
    smooth,
    spearman_karber,
    time_exponent,
)
from afterdip.follow_up import pieces_needed
from afterdip.labour import shift_standard_time, unit_time
from afterdip.monitoring import ewma, p_chart
from afterdip.proportion import (
    miettinen_nurminen_difference,
    newcombe_difference,
    paired_difference,
    ratio_influence,
)
from afterdip.trial import deaths_for_hazard_ratio, sessions_for_precision
from textbook import case, printed


@pytest.mark.parametrize("counts, limits", list(zip(*case("newcombe"), strict=True)))
def test_differences_with_empty_cells(counts, limits):
    difference = newcombe_difference(*counts)
    assert [difference.low, difference.high] == printed(limits, 4)


def test_differences_of_rare_shares():
    data, published = case("fagerland")
    score, squares = (f(*data["independent"]) for f in (miettinen_nurminen_difference, newcombe_difference))
    assert [score.low, score.high] == printed(published["score"], 7)
    assert [squares.low, squares.high] == printed(published["method_10"], 3)
    paired = paired_difference(*data["paired"])
    assert [paired.low, paired.high] == printed(published["paired"], 3)


@pytest.mark.parametrize("link", ["logit", "probit", "cloglog"])
def test_insects_under_three_links(link):
    data, published = case("insects")
    curve = fit_curve(data["strength"], [data["insects"]] * 5, data["killed"], link=link)
    assert curve.fit.coefficients.tolist() == printed(published[link]["coefficients"], 4)
    fitted = [response_at(curve, strength).estimate for strength in data["strength"]]
    assert fitted == printed(published[link]["fitted"], 4)


def test_lethal_concentrations_of_insects():
    data, published = case("insects")
    curve, figures = fit_curve(data["strength"], [data["insects"]] * 5, data["killed"]), published["logit"]
    assert np.log10(concentration_at(curve, 50).estimate) == pytest.approx(figures["ld50"], abs=1e-6)
    assert np.log10(concentration_at(curve, 90).estimate) == printed(figures["ld90"], 4)
    assert delta_standard_error(curve.fit, figures["ld50"]) == printed(figures["ld50_error"], 3)


def test_ages_of_many_girls():
    data, published = case("menarche")
    curve = fit_curve(10.0 ** np.array(data["age"]), data["girls"], data["responded"])
    assert curve.fit.coefficients.tolist() == printed(published["coefficients"], 4)
    assert np.sqrt(np.diag(curve.fit.covariance))[:2].tolist() == printed(published["standard_errors"], 4)
    assert (curve.fit.deviance, curve.fit.df) == (printed(published["deviance"], 3), published["df"])
    assert np.log10(concentration_at(curve).estimate) == printed(published["half"], 2)


def test_a_reflex_by_volume_and_rate():
    data, published = case("reflex")
    fit = fit_strength_minutes(data["volume"], data["rate"], [1] * 39, data["response"])
    natural = np.array([1.0, np.log(10), np.log(10)])  # the logarithms here are decimal
    assert (fit.fit.coefficients / natural).tolist() == printed(published["coefficients"], 3)
    assert (np.sqrt(np.diag(fit.fit.covariance))[:3] / natural).tolist() == printed(published["standard_errors"], 3)
    assert (fit.fit.deviance, fit.fit.df) == (printed(published["deviance"], 2), published["df"])
    _, volume, rate = published["coefficients"]
    assert time_exponent(fit, basis="binomial").estimate == pytest.approx(volume / rate, abs=3e-4)


def test_seeds_of_plates_that_differ_at_random():
    data, published = case("seeds")
    plates = data["plates"]
    kind, extract = np.repeat([0.0, 0, 1, 1], plates), np.repeat([0.0, 1, 0, 1], plates)
    design = np.column_stack([np.ones(21), kind, extract, kind * extract])
    fit = mixed_logistic(design, data["germinated"], data["seeds"], session=np.arange(21), nodes=15)
    assert fit.coefficients.tolist() == printed(published["coefficients"], 2)
    assert fit.standard_error.tolist() == printed(published["standard_errors"], 2)
    assert fit.session_sd == printed(published["sd"], 2)


TWO_ERRORS = float(2 * norm.cdf(2) - 1)
TRIMMED = [(table, i, j) for table in "14" for i in range(5) for j in range(4)]


def trimmed(table, i, j):
    """The set and trim, the estimate at two standard errors, and what was printed."""
    data, published = case("trimmed")
    rows = data[table]
    trim, dead, printed = data["trims"][j], rows["dead"][i], {k: v[j] for k, v in published[table][i].items()}
    arguments = {"basis": "binomial", "confidence_level": TWO_ERRORS}
    found = spearman_karber(rows["strength"], rows["n"], dead, trim=trim, **arguments)
    return np.array(rows["n"], float), np.array(dead, float), np.log10(rows["strength"]), trim, found, printed


@pytest.mark.parametrize("which", TRIMMED)
def test_trimmed_spearman_karber(which):
    n, dead, _, trim, found, printed = trimmed(*which)
    assert found.estimate == pytest.approx(printed["lc50"], abs=0.006)
    share = smooth(dead / n, n)
    one_between = np.sum((share > trim) & (share < 1 - trim)) == 1
    if printed["low"] is None or (trim and one_between):  # there the program has a wrong sign: the test below
        return
    # Untrimmed the variance divides by n - 1 here (US EPA 2002) and by n there.
    scale = 1 if trim else np.sqrt(1 - 1 / n.mean())
    ends = [found.estimate * (end / found.estimate) ** scale for end in (found.low, found.high)]
    assert ends == pytest.approx([printed["low"], printed["high"]], abs=0.006 if np.ptp(n) == 0 or trim else 0.05)


@pytest.mark.parametrize("which", [w for w in TRIMMED if w[2]])
def test_trimmed_error_by_moving_each_share(which):
    n, dead, log, trim, found, _ = trimmed(*which)
    share = smooth(dead / n, n)
    level = np.linspace(trim, 1 - trim, 400_001)
    level = (level[1:] + level[:-1]) / 2

    def mean(moved):
        return np.interp(level, moved + np.arange(share.size) * 1e-12, log).mean()

    # Away from the trims, where the mean bends, each share moves it the same way up and down.
    step = 1e-4 * np.where(share < 0.5, -1, 1)
    slopes = [(mean(share + step * (np.arange(share.size) == i)) - mean(share)) / step[i] for i in range(share.size)]
    error = np.sqrt(np.sum(np.square(slopes) * share * (1 - share) / n))
    ends = np.log10(found.estimate) + np.array([-2, 2]) * error
    assert np.log10([found.low, found.high]) == pytest.approx(ends, abs=2e-5)


def test_moving_average():
    data, published = case("ewma")
    found = ewma(**data)
    assert found.average[:10].tolist() == printed(published["first"], 4)
    assert found.average[-3:].tolist() == printed(published["last"], 4)
    assert [found.low[0], found.high[0]] == printed(published["first_limits"], 2)
    assert list(found.settled) == printed(published["settled"], 2)
    assert (np.flatnonzero(found.out) + 1).tolist() == published["out"]


def test_standard_times():
    examples, published = case("standard_time")
    for example, time, digits in zip(examples, published, (1, 2), strict=True):
        assert shift_standard_time(example["normal"], allowance=example["allowance"]) == printed(time, digits)


def test_units_on_a_learning_curve():
    data, published = case("learning")
    assert unit_time(data["units"], first=data["first"], rate=data["rate"]).tolist() == pytest.approx(published)


def test_design_effect_of_litters():
    data, published = case("rats")
    for group, share in zip(("untreated", "treated"), published["alive"], strict=True):
        alive, pups = np.array(data[group], float).T
        assert alive.sum() / pups.sum() == printed(share, 3)
    alive, pups = np.array(data["untreated"], float).T
    share, litters = alive.sum() / pups.sum(), len(pups)
    variance = litters / (litters - 1) * (ratio_influence(alive, pups) ** 2).sum()
    assert variance / (share * (1 - share) / pups.sum()) == printed(published["untreated_design_effect"], 3)


def test_deaths_for_a_hazard_ratio():
    ratios, published = case("deaths")
    assert [int(np.ceil(deaths_for_hazard_ratio(ratio))) for ratio in ratios] == published


def test_pieces_of_a_survey():
    lots, published = case("surveys")
    assert [pieces_needed(lot, prevalence=0.02) for lot in lots] == published


def test_weeks_of_unequal_size():
    data, published = case("orders")
    chart = p_chart(data["errors"], data["orders"])
    assert chart.centre == printed(published["centre"], 3)
    assert [chart.low[0], chart.high[0]] == printed(published["first_limits"], 3)
    assert (np.flatnonzero(chart.out) + 1).tolist() == published["out"]


def test_villages_of_unequal_size():
    data, published = case("stoves")
    share, size = data["share"], data["households"]
    for deviation, villages in zip(data["deviations"], published, strict=True):
        found = sessions_for_precision(
            share, share / 10, mean_size=size, correlation=data["correlation"], size_cv=deviation / size,
            confidence_level=0.9,
        )  # fmt: skip
        assert np.ceil(found) == villages


def test_deaths_between_two_survivals():
    (first, second), published = case("events")
    assert np.ceil(deaths_for_hazard_ratio(np.log(second) / np.log(first), power=0.9)) == published
