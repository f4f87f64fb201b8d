"""Concentration-response curves: published fits, independent fits, refusals, and what must not change them."""

import json
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.special import expit, ndtr, xlogy

from afterdip.dose_response import (
    LINKS,
    compare_links,
    concentration_at,
    enough_for_curve,
    fit_cells,
    fit_curve,
    natural_response,
    response_at,
)
from afterdip.errors import DataError

PUBLISHED = json.loads((Path(__file__).parent / "reference" / "dose_response.json").read_text())
INVERSE = {"logit": expit, "probit": ndtr, "cloglog": lambda eta: -np.expm1(-np.exp(eta))}


def beetles(link="logit"):
    data = PUBLISHED["B1"]["data"]
    return fit_curve(10 ** np.array(data["log10dose"]), data["n"], data["killed"], link=link)


def minnows(link="logit"):
    data = PUBLISHED["B7"]["data"]
    return fit_curve(data["strength"], data["n"], data["dead"], link=link)


@pytest.mark.parametrize("link", list(LINKS))
def test_bliss_beetles(link):
    # Bliss 1935, Ann Appl Biol 22:134; figures as printed by Dobson & Barnett, tables 7.2-7.3 (from memory).
    printed = {
        "logit": (-60.72, 5.18, 34.27, 2.91, 11.23), "probit": (-34.94, 2.65, 19.73, 1.49, 10.12),
        "cloglog": (-39.57, 3.24, 22.04, 1.80, 3.45),
    }[link]  # fmt: skip
    curve, ours = beetles(link), PUBLISHED["B1"]["recomputed_Python"][link]
    errors = np.sqrt(np.diag(curve.fit.covariance))
    found = (curve.intercept, errors[0], curve.slope, errors[1], curve.fit.deviance)
    assert found == pytest.approx(printed, abs=0.0051)
    assert (curve.intercept, curve.slope) == pytest.approx(ours["coef"], rel=1e-6)
    assert errors[:2] == pytest.approx(ours["se"], rel=1e-6)
    assert (curve.fit.deviance, curve.fit.pearson) == pytest.approx((ours["deviance"], ours["pearson"]), rel=1e-6)
    assert curve.fit.df == 6
    fitted = curve.n * INVERSE[link](curve.intercept + curve.slope * np.log10(curve.strength))
    assert fitted == pytest.approx(PUBLISHED["B1"]["recomputed_R"][link]["fitted"], rel=1e-4)


def test_likelihood_prefers_the_extreme_value_link_for_the_beetles():
    data = PUBLISHED["B1"]["data"]  # deviance 3.45 against 10.1 and 11.2: Dobson & Barnett (from memory)
    both = compare_links(10 ** np.array(data["log10dose"]), data["n"], data["killed"])
    assert both.likeliest == "cloglog"
    assert both.fold == pytest.approx(10 ** (1.7787530337 - 1.7708523622), rel=1e-6)


def test_rats_of_racine():
    # Racine et al. 1986, Appl Stat 35:93; estimates 0.8 (1.0) and 7.7 (4.9) as printed in Gelman et al., BDA3 sec. 3.7
    # (from memory). Their dose is already a logarithm.
    curve = fit_curve(10 ** np.array([-0.86, -0.30, -0.05, 0.73]), [5] * 4, [0, 1, 3, 5])
    errors = np.sqrt(np.diag(curve.fit.covariance))[:2]
    assert (curve.intercept, curve.slope, *errors) == pytest.approx((0.8, 7.7, 1.0, 4.9), abs=0.051)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_natural_response_is_bounded_maximum_likelihood(link):
    # Newman 2012, Quantitative Ecotoxicology 2e, ex. 4.6. An unbounded fit ends at -0.00105: not a probability.
    curve, ours = minnows(link), PUBLISHED["B7"]["recomputed_Python"][link]
    assert curve.natural == pytest.approx(ours["C"], abs=1e-7)
    assert curve.fit.log_likelihood == pytest.approx(ours["loglik"], abs=1e-8)
    assert concentration_at(curve).estimate == pytest.approx(ours["LC50"], rel=1e-6)
    scale = np.log(10) if link == "logit" else 1.0  # that fit's slope is per unit of natural log
    assert (curve.intercept, curve.slope) == pytest.approx((ours["alpha"], ours["beta"] * scale), rel=1e-5)
    errors = np.sqrt(np.diag(curve.fit.covariance)) / [1.0, scale, 1.0]
    assert errors == pytest.approx(ours["se"], rel=3e-4)  # that fit's curvature was taken numerically


def test_minnows_without_their_controls():
    data = PUBLISHED["B7"]["data"]
    dosed = np.array(data["strength"]) > 0
    x, n, dead = (np.array(data[name])[dosed] for name in ("strength", "n", "dead"))
    found = concentration_at(fit_curve(x, n, dead), method="delta", basis="binomial")
    assert found.estimate == pytest.approx(2102.0, abs=0.05)  # as printed: ED50 2102.0 (18.8)
    half = np.log(found.high / found.low) / 2 / 1.959963985 * found.estimate
    assert half == pytest.approx(PUBLISHED["B7"]["recomputed_Python"]["ll2"]["se"], rel=1e-6)


def test_natural_response_never_negative_where_the_weakest_bath_beats_the_sham():
    curve = fit_curve([0, 0, 1, 2, 4, 8], [40] * 6, [4, 5, 1, 6, 20, 38])
    assert 0 <= curve.natural < 1
    none = fit_curve([0, 0, 0, 0, 1, 2, 4, 8], [40] * 8, [0, 0, 0, 0, 1, 6, 20, 38])
    assert none.natural == 0.0
    bound = natural_response(none)
    assert (bound.estimate, bound.low) == (0.0, 0.0)
    assert 0 < bound.high < 0.2


def random_cells(rng, cells, link, sham=False):
    x = np.tile([0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0], cells)
    cell = np.repeat(np.arange(cells), 7)
    a, b, c = rng.normal(-2, 0.3, cells), rng.normal(2.6, 0.4, cells), rng.uniform(0.02, 0.15, cells) * sham
    share = INVERSE[link](a[cell] + b[cell] * np.log10(np.maximum(x, 1))) * (x > 0)
    share = c[cell] + (1 - c[cell]) * share
    n = rng.integers(20, 60, x.size)
    keep = (x > 0) | sham
    return cell[keep], x[keep], n[keep], rng.binomial(n, share)[keep]


@pytest.mark.parametrize("link", list(LINKS))
def test_equals_statsmodels_in_every_cell(link):
    import statsmodels.api as sm

    links = {"logit": sm.families.links.Logit, "probit": sm.families.links.Probit, "cloglog": sm.families.links.CLogLog}
    cell, x, n, r = random_cells(np.random.default_rng(11), 60, link)
    found = fit_cells(cell, x, n, r, link=link)
    assert not any(found.fits.refusal)
    for i in range(60):
        rows = cell == i
        design = np.column_stack([np.ones(6), np.log10(x[rows])])
        model = sm.GLM(np.column_stack([r[rows], n[rows] - r[rows]]), design,
                       family=sm.families.Binomial(link=links[link]()))  # fmt: skip
        # Its Newton steps use the observed curvature, so its covariance is evaluated at our common maximum.
        fit = model.fit(tol=1e-13, maxiter=200)
        ours = found.curve(i).fit
        assert ours.coefficients == pytest.approx(fit.params, abs=1e-6)
        assert np.sqrt(np.diag(ours.covariance))[:2] == pytest.approx(fit.bse, rel=1e-6)
        assert ours.deviance == pytest.approx(fit.deviance, abs=1e-6)
        assert ours.pearson == pytest.approx(fit.pearson_chi2, abs=1e-6)


@pytest.mark.parametrize("link", list(LINKS))
def test_natural_response_equals_a_bounded_optimiser(link):
    cell, x, n, r = random_cells(np.random.default_rng(12), 8, link, sham=True)
    found = fit_cells(cell, x, n, r, link=link)
    for i in range(8):
        rows = cell == i
        log, dosed = np.log10(np.maximum(x[rows], 1e-9)), x[rows] > 0

        def loss(par, rows=rows, log=log, dosed=dosed):
            p = par[2] + (1 - par[2]) * INVERSE[link](par[0] + par[1] * log) * dosed
            p = np.clip(p, 1e-12, 1 - 1e-12)
            return -np.sum(xlogy(r[rows], p) + xlogy(n[rows] - r[rows], 1 - p))

        best = min((minimize(loss, s, method="L-BFGS-B", bounds=[(-30, 30), (-30, 30), (0, 0.9)])
                    for s in ([-2, 2.6, 0.05], [-3, 4, 0.01], [-1, 1, 0.2])), key=lambda m: m.fun)  # fmt: skip
        curve = found.curve(i)
        assert -curve.fit.log_likelihood <= best.fun + 1e-7
        assert -curve.fit.log_likelihood == pytest.approx(best.fun, abs=1e-5)
        assert curve.natural == pytest.approx(best.x[2], abs=2e-3)


def test_robust_covariances_by_loop():
    # Plain sandwich and HC3 (MacKinnon & White 1985, J Econometrics 29:305), score by score.
    _, x, n, r = random_cells(np.random.default_rng(13), 1, "probit")
    curve = fit_curve(x, n, r, link="probit")
    design = np.column_stack([np.ones(6), np.log10(curve.strength)])
    eta = design @ curve.fit.coefficients
    p, density = ndtr(eta), np.exp(-eta**2 / 2) / np.sqrt(2 * np.pi)
    bread = np.zeros((2, 2))
    for i in range(6):
        bread += curve.n[i] * density[i] ** 2 / (p[i] * (1 - p[i])) * np.outer(design[i], design[i])
    bread = np.linalg.inv(bread)
    plain, hc3 = np.zeros((2, 2)), np.zeros((2, 2))
    for i in range(6):
        leverage = curve.n[i] * density[i] ** 2 / (p[i] * (1 - p[i])) * design[i] @ bread @ design[i]
        score = (curve.responded[i] - curve.n[i] * p[i]) / (p[i] * (1 - p[i])) * density[i] * design[i]
        plain += np.outer(score, score)
        hc3 += np.outer(score, score) / (1 - leverage) ** 2
    assert curve.fit.sandwich[:2, :2] == pytest.approx(bread @ plain @ bread, rel=1e-9)
    assert curve.fit.jackknife[:2, :2] == pytest.approx(bread @ hc3 @ bread, rel=1e-9)


def test_thousands_of_cells_take_one_call_not_thousands():
    import statsmodels.api as sm

    cell, x, n, r = random_cells(np.random.default_rng(14), 2000, "logit")
    fit_cells(cell, x, n, r)
    ours = min(_timed(lambda: fit_cells(cell, x, n, r)) for _ in range(9))
    design = np.column_stack([np.ones(6), np.log10(x[:6])])

    def loop():
        for i in range(100):
            rows = slice(6 * i, 6 * i + 6)
            sm.GLM(np.column_stack([r[rows], n[rows] - r[rows]]), design, family=sm.families.Binomial()).fit()

    theirs = 20 * min(_timed(loop) for _ in range(3))
    assert theirs / ours > 60  # 190 to 270 on a quiet machine (benchmarks); a busy one must not fail the tests


def _timed(call):
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def test_recovers_published_pairs_of_concentrations():
    # Flores et al. 2020, PeerJ 8:e9615 (abstract): EC10 and EC50, ug/L; counts without noise give them back.
    for ec10, ec50 in ((273.0, 347.0), (330.0, 1008.0)):
        slope = np.log(9) / np.log(ec50 / ec10)
        x = np.geomspace(ec10 / 2, ec50 * 3, 7)
        n = np.full(7, 200.0)
        curve = fit_curve(x, n, n / (1 + (ec50 / x) ** slope))
        assert concentration_at(curve, 10).estimate == pytest.approx(ec10, rel=1e-7)
        assert concentration_at(curve, 50).estimate == pytest.approx(ec50, rel=1e-7)
        assert curve.slope == pytest.approx(slope * np.log(10), rel=1e-7)


REFUSED = {
    "none responded": ([1, 2, 4], [10] * 3, [0, 0, 0]),
    "all responded": ([1, 2, 4], [10] * 3, [10, 10, 10]),
    "only one strength": ([2, 2, 2], [10] * 3, [3, 4, 5]),
    "jump from none to all": ([1, 2, 4, 8], [10] * 4, [0, 0, 10, 10]),
    "jump from none to all between": ([1, 2, 4], [10] * 3, [0, 5, 10]),  # quasi-separated: only one strength in between
    "does not rise": ([1, 2, 4], [10] * 3, [5, 5, 5]),
    "does not rise with": ([1, 2, 4], [10] * 3, [8, 5, 2]),
    "more than the sham": ([0, 0, 1, 2, 4], [50] * 5, [25, 24, 3, 4, 3]),
    "no session with the agent": ([0, 0], [10] * 2, [1, 0]),
    "from natural to all": ([0, 6.25, 12.5, 25, 50, 100], [40] * 6, [2, 2, 0, 0, 26, 40]),
}


@pytest.mark.parametrize("words", REFUSED)
def test_says_why_there_is_no_curve(words):
    curve = fit_curve(*REFUSED[words])
    assert words.removesuffix(" with").removesuffix(" between") in curve.refusal
    for value in (concentration_at(curve), response_at(curve, 2.0), natural_response(curve)):
        assert value.estimate is None
        assert value.reason


def test_a_single_response_in_the_middle_is_no_separation():
    curve = fit_curve([1, 2, 4, 8], [10] * 4, [0, 2, 1, 0])
    assert curve.refusal in ("", "the share responding does not rise with strength")
    assert not fit_curve([1, 2, 4, 8], [10] * 4, [0, 1, 0, 3]).refusal


def test_refused_cells_leave_their_neighbours_alone():
    alone = fit_curve([1, 2, 4, 8], [20] * 4, [1, 5, 12, 19])
    cells = fit_cells(["a"] * 3 + ["b"] * 4 + ["c"] * 3, [1, 2, 4, 1, 2, 4, 8, 1, 2, 4], [20] * 10,
                      [0, 0, 0, 1, 5, 12, 19, 0, 0, 20])  # fmt: skip
    assert [bool(q) for q in cells.fits.refusal] == [True, False, True]
    assert cells.curve("b").fit.coefficients == pytest.approx(alone.fit.coefficients, rel=1e-12)
    with pytest.raises(KeyError):
        cells.curve("d")


def test_cells_with_and_without_shams_share_a_call():
    x, n, hits = [1, 2, 4, 8], [20] * 4, [2, 5, 12, 19]
    with_sham = ([0, 0, *x], [30, 30, *n], [2, 1, *hits])
    both = fit_cells([1] * 4 + [2] * 6, x + with_sham[0], n + with_sham[1], hits + with_sham[2])
    for label, alone in ((1, fit_curve(x, n, hits)), (2, fit_curve(*with_sham))):
        together = both.curve(label).fit
        for name in ("coefficients", "covariance", "jackknife", "natural", "deviance", "df", "natural_estimated"):
            assert getattr(together, name) == pytest.approx(getattr(alone.fit, name), rel=1e-7, abs=1e-12), name
    assert both.curve(1).natural == 0 < both.curve(2).natural


def test_too_few_for_a_printed_curve():
    assert "strengths" in enough_for_curve(fit_curve([1, 1, 1, 4, 4, 4], [20] * 6, [2, 3, 2, 9, 8, 9]))
    assert "sessions" in enough_for_curve(fit_curve([1, 2, 4, 8], [20] * 4, [1, 5, 12, 19]))
    assert enough_for_curve(fit_curve([1, 2, 4, 8] * 2, [20] * 8, [1, 5, 12, 19] * 2)) == ""
    assert "sham" in enough_for_curve(fit_curve([0, *[1, 2, 4, 8] * 2], [20] * 9, [1, *[1, 5, 12, 19] * 2]))


def test_bad_rows_are_named():
    with pytest.raises(DataError, match=r"row 1: .*responded 11") as caught:
        fit_curve([1, 2, -4], [10, 10, 10], [1, 11, 2])
    assert len(caught.value.problems) == 2
    with pytest.raises(DataError, match="session b: one bath has one strength"):
        fit_curve([1, 2, 4], [10] * 3, [1, 2, 3], session=["a", "b", "b"])
    with pytest.raises(ValueError, match="link must be one of"):
        fit_curve([1], [1], [0], link="cauchit")
    with pytest.raises(ValueError, match="one shape"):
        fit_curve([1, 2], [1], [0])
    with pytest.raises(DataError, match="no session"):
        fit_curve([], [], [])


def test_nothing_hangs_on_row_order_units_or_how_trays_were_split():
    rng = np.random.default_rng(4)
    x = np.append(np.zeros(4), np.tile([1.0, 2.0, 5.0, 10.0], 3))
    n, session = rng.integers(5, 40, 16), np.arange(16).astype(str)
    r = rng.binomial(n, np.where(x > 0, 0.05 + 0.95 * expit(-3 + 4 * np.log10(np.maximum(x, 1))), 0.05))
    whole = fit_curve(x, n, r, session=session)
    order = rng.permutation(16)
    shuffled = fit_curve(x[order], n[order], r[order], session=session[order])
    assert shuffled.fit.coefficients == pytest.approx(whole.fit.coefficients, rel=1e-12)
    first = rng.integers(1, n)
    hits = rng.hypergeometric(r, n - r, first)
    split = np.append(first, n - first), np.append(hits, r - hits)
    halves = fit_curve(np.tile(x, 2), *split, session=np.tile(session, 2))
    for name in ("coefficients", "jackknife", "covariance"):
        assert getattr(halves.fit, name) == pytest.approx(getattr(whole.fit, name), rel=1e-9)
    assert halves.fit.df == whole.fit.df == 16 - 3
    micro = fit_curve(1000 * x, n, r, session=session)
    one, thousand = concentration_at(whole, 90), concentration_at(micro, 90)
    for end in ("estimate", "low", "high"):
        assert getattr(thousand, end) == pytest.approx(1000 * getattr(one, end), rel=1e-8)
    assert response_at(micro, 4000).low == pytest.approx(response_at(whole, 4).low, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([0.0, 0.5, 1.0, 2.0, 4.0, 1e4]), st.integers(0, 30), st.integers(0, 30)),
             min_size=1, max_size=9),
    st.sampled_from(list(LINKS)),
)  # fmt: skip
def test_any_table_gives_a_sound_curve_or_a_reason(rows, link):
    x, a, b = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        curve = fit_curve(x, a + b, a, link=link)
        if curve.refusal:
            assert concentration_at(curve).estimate is None
            return
        assert 0 <= curve.natural < 1
        assert curve.slope > 0
        for basis in ("binomial", "heterogeneity", "session"):
            for level in (10, 50, 90):
                found = concentration_at(curve, level, basis=basis)
                assert found.estimate is None or found.estimate > 0
                if found.low is not None and found.high is not None:
                    assert found.low <= found.estimate <= found.high
                else:
                    assert found.reason
        share = response_at(curve, curve.tried[1])
        if share.low is not None:
            assert -1e-9 <= share.low <= share.estimate + 1e-9
            assert share.estimate <= share.high + 1e-9 <= 1 + 2e-9


def test_rows_in_any_order_give_the_same_cells_to_the_last_digit():
    cell, x = np.repeat([0, 1], 5), np.tile([0.0, 1, 2, 4, 8], 2)
    n, hits = np.full(10, 40), np.array([1, 6, 14, 30, 37, 2, 3, 11, 22, 33])
    sorted_, order = fit_cells(cell, x, n, hits).fits, np.random.default_rng(3).permutation(10)
    mixed = fit_cells(cell[order], x[order], n[order], hits[order]).fits
    for name in ("parameters", "covariance", "jackknife", "modelled"):
        np.testing.assert_array_equal(getattr(sorted_, name), getattr(mixed, name))
