"""The logistic model with a random level per session: published, independent, by hand, properties, edges."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit, gammaln, logsumexp

from afterdip.comparison import mixed_logistic, session_logistic, session_odds_ratio
from afterdip.errors import DataError

REFERENCE = Path(__file__).parent / "reference"
PUBLISHED = np.array(json.loads((REFERENCE / "comparison.json").read_text())["D7"]["recomputed_R"]["glmer"])
PUBLISHED_SD = 0.64207


def cattle():
    """D7: the contagious pleuropneumonia of Lesnoff et al. 2004: design, events, totals, herds."""
    with (REFERENCE / "cbpp.csv").open() as file:
        rows = list(csv.DictReader(file))
    period = np.array([int(r["period"]) for r in rows])
    design = np.column_stack([np.ones(len(rows)), *(period == k for k in (2, 3, 4))])
    y, n = (np.array([float(r[name]) for r in rows]) for name in ("incidence", "size"))
    return design, y, n, np.unique([int(r["herd"]) for r in rows], return_inverse=True)[1]


@pytest.fixture(scope="module")
def fit():
    design, y, n, herd = cattle()
    return mixed_logistic(design, y, n, session=herd)


# --- published -----------------------------------------------------------------------------------------------------


def test_laplace_on_the_published_cattle_data(fit):
    """D7, lme4 1.x: -1.3983 (.2312), -0.9919 (.3032), -1.1282 (.3228), -1.5797 (.4220), SD .6421.

    Those digits are not the maximum of Laplace's likelihood but near it: see the test after the next.
    """
    assert fit.coefficients == pytest.approx(PUBLISHED[:, 0], abs=6e-4)
    assert fit.standard_error == pytest.approx(PUBLISHED[:, 1], rel=0.013)
    assert fit.session_sd == pytest.approx(PUBLISHED_SD, abs=2.5e-4)


def test_laplace_as_printed_by_a_program_that_iterates_to_the_end(fit):
    """The same model of the same data as MixedModels (Julia) prints it."""
    assert fit.coefficients == pytest.approx([-1.39853, -0.992335, -1.12867, -1.58031], abs=6e-6)


def test_quadrature_on_the_published_cattle_data():
    """lme4's own nine-point fit of the same data, from memory: -1.3992, -0.9914, -1.1278, -1.5795, SD 0.6475."""
    design, y, n, herd = cattle()
    found = mixed_logistic(design, y, n, session=herd, nodes=9)
    assert found.coefficients == pytest.approx([-1.3992, -0.9914, -1.1278, -1.5795], abs=6e-5)
    assert found.session_sd == pytest.approx(0.6475, abs=6e-5)


# --- independent: penalised weighted least squares, and integration over a grid ---------------------------------------


def penalised_deviance(theta, start, tolerance):
    """Laplace's deviance by penalised iteratively reweighted least squares, the determinant one step behind."""
    X, y, n, herd = cattle()
    sd, fixed = theta[0], X @ theta[1:]
    line, before = start, np.inf
    binomial = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    saturated = 2 * (y * np.log(np.maximum(y, 1) / n) + (n - y) * np.log(np.maximum(n - y, 1) / n)).sum()
    for _ in range(100):
        weight = n * expit(line) * (1 - expit(line))
        working = line - fixed + (y - n * expit(line)) / weight
        spread = 1 + sd**2 * np.bincount(herd, weight)
        u = sd * np.bincount(herd, weight * working) / spread
        line = fixed + sd * u[herd]
        minus_two = -2 * (y * line - n * np.logaddexp(0, line)).sum()
        now = minus_two + saturated + (u**2).sum()
        if abs((before - now) / now) < tolerance:
            break
        before = now
    return np.log(spread).sum() + (u**2).sum() + minus_two - 2 * binomial.sum()


def first_stage():
    """The linear predictor that the published program sets out from: coefficients and levels penalised together."""
    X, y, n, herd = cattle()
    design = np.column_stack([0.641815 * (herd[:, None] == np.arange(15)), X])  # the SD that this stage ends at
    ridge, line = np.diag([1.0] * 15 + [0.0] * 4), np.full(y.size, np.log(y.sum() / (n - y).sum()))
    for _ in range(30):
        weight = n * expit(line) * (1 - expit(line))
        working = line + (y - n * expit(line)) / weight
        line = design @ np.linalg.solve((design.T * weight) @ design + ridge, (design.T * weight) @ working)
    return line


def minimum(function, start):
    for _ in range(3):
        start = minimize(function, start, method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-11}).x
    return start


def test_the_published_digits_are_those_of_an_inner_loop_stopped_early(fit):
    """Stopped at a change of 1e-7, as lme4 does, the same likelihood gives D7's digits; carried on, it gives ours."""
    ours, start = np.append(fit.session_sd, fit.coefficients), first_stage()
    early = minimum(lambda theta: penalised_deviance(theta, start, 1e-7), ours)
    assert early == pytest.approx(np.append(PUBLISHED_SD, PUBLISHED[:, 0]), abs=3e-5)
    errors = standard_errors(lambda theta: penalised_deviance(theta, start, 1e-7) / 2, early)
    assert errors[1:] == pytest.approx(PUBLISHED[:, 1], abs=5e-6)
    end = minimum(lambda theta: penalised_deviance(theta, start, 1e-13), ours + 0.01)
    assert end == pytest.approx(ours, abs=5e-6)
    errors = standard_errors(lambda theta: penalised_deviance(theta, start, 1e-13) / 2, end)
    assert errors[1:] == pytest.approx(fit.standard_error, abs=5e-6)


def standard_errors(minus_log_likelihood, at):
    """From its curvature by central differences."""
    h, size, f = 1e-3 * np.eye(at.size), range(at.size), minus_log_likelihood
    bend = [[f(at + h[i] + h[j]) - f(at + h[i] - h[j]) - f(at - h[i] + h[j]) + f(at - h[i] - h[j]) for j in size]
            for i in size]  # fmt: skip
    return np.sqrt(np.diag(np.linalg.inv(np.array(bend) / 4e-6)))


def integrated(theta):
    """Minus the log likelihood, every herd's level integrated over an even grid."""
    X, y, n, herd = cattle()
    z = np.linspace(-9, 9, 1201)
    line = (X @ theta[:-1])[:, None] + theta[-1] * z
    rows = y[:, None] * line - n[:, None] * np.logaddexp(0, line)
    levels = np.zeros((15, z.size))
    np.add.at(levels, herd, rows)
    return -logsumexp(levels - 0.5 * z**2, axis=1).sum()


def test_quadrature_agrees_with_integration_over_a_grid():
    design, y, n, herd = cattle()
    fit = mixed_logistic(design, y, n, session=herd, nodes=25)
    found = minimize(integrated, [-1.0, -1.0, -1.0, -1.0, 0.5], method="BFGS", options={"gtol": 1e-5})
    assert np.append(fit.coefficients, fit.session_sd) == pytest.approx(found.x, abs=2e-5)
    assert fit.standard_error == pytest.approx(standard_errors(integrated, found.x)[:4], rel=1e-4)


# --- by hand -------------------------------------------------------------------------------------------------------


def alike(sessions=16, pieces=20):
    """Sessions exactly alike within an agent: 2 of 20 dead under the first, 5 of 20 under the second."""
    second = np.arange(sessions) >= sessions // 2
    return second, np.arange(sessions), np.full(sessions, pieces), np.where(second, 5, 2)


def test_sessions_that_agree_give_the_ratio_of_the_table_and_no_spread():
    second, session, total, events = alike()
    found = mixed_logistic(np.column_stack([np.ones(16), ~second]), events, total, session=session)
    assert found.session_sd == 0.0
    assert found.coefficients[1] == pytest.approx(np.log((16 / 144) / (40 / 120)), abs=1e-7)
    assert found.standard_error[1] == pytest.approx(np.sqrt(1 / 16 + 1 / 144 + 1 / 40 + 1 / 120), rel=1e-5)
    plain = session_logistic(np.column_stack([np.ones(16), ~second]), events, total, session=session)
    assert found.coefficients == pytest.approx(plain.coefficients, abs=1e-7)
    odds = session_odds_ratio(second, session, np.zeros((16, 0)), total, events)
    assert odds.estimate == pytest.approx(1 / 3, abs=1e-7)
    reach = 2.144787 * found.standard_error[1]  # t on 14 degrees of freedom, from a printed table
    assert (odds.low, odds.high) == pytest.approx((np.exp(-reach) / 3, np.exp(reach) / 3), rel=1e-5)
    assert (odds.sessions, odds.pieces) == (16, 320)


# --- properties ----------------------------------------------------------------------------------------------------


def sample(seed, sessions=20):
    rng = np.random.default_rng(seed)
    session = np.repeat(np.arange(sessions), 3)
    factors = np.column_stack([rng.integers(0, 3, session.size), rng.integers(0, 2, session.size)])
    line = -1.5 + 0.8 * rng.normal(size=sessions)[session] + 0.5 * factors[:, 0] - 0.7 * (session % 2)
    total = rng.integers(5, 20, session.size)
    return session % 2 == 1, session, factors, total, rng.binomial(total, expit(line))


@pytest.mark.parametrize("seed", range(3))
def test_order_labels_and_sides_do_not_matter(seed):
    second, session, factors, total, events = sample(seed)
    base = session_odds_ratio(second, session, factors, total, events)
    limits = np.array([base.low, base.estimate, base.high])
    mixed = np.random.default_rng(seed).permutation(session.size)
    rows = (second[mixed], [f"s{s}" for s in session[mixed]], factors[mixed].astype(str), total[mixed], events[mixed])
    again = session_odds_ratio(*rows)
    assert [again.low, again.estimate, again.high] == pytest.approx(limits, rel=1e-5)
    for turned in (
        session_odds_ratio(~second, session, factors, total, events),
        session_odds_ratio(second, session, factors, total, total - events),
    ):
        assert [turned.high, turned.estimate, turned.low] == pytest.approx(1 / limits, rel=1e-5)


def test_sessions_that_differ_make_wider_limits_and_rows_may_be_split():
    second, session, total, events = alike()
    shaken = events + np.where(session % 2 == 0, 2, -2)
    close, apart = (session_odds_ratio(second, session, np.zeros((16, 0)), total, y) for y in (events, shaken))
    assert apart.high / apart.low > 1.2 * close.high / close.low
    halves = [np.repeat(a, 2) for a in (second, session)]
    split = np.stack([shaken // 2, shaken - shaken // 2], axis=1).ravel()
    again = session_odds_ratio(*halves, np.zeros((32, 0)), np.full(32, 10), split)
    assert (again.low, again.estimate, again.high) == pytest.approx((apart.low, apart.estimate, apart.high), rel=1e-5)


def test_levels_in_which_nothing_died_tell_nothing():
    second, session, factors, total, events = sample(1)
    base = session_odds_ratio(second, session, factors, total, events)
    more = (np.append(second, [True, False]), np.append(session, [1, 0]), np.vstack([factors, [[7, 0], [7, 1]]]))
    found = session_odds_ratio(*more, np.append(total, [30, 40]), np.append(events, [0, 0]))
    assert found == base


def test_steps_that_repeat_others_are_dropped_but_never_the_agent():
    second, session, factors, total, events = sample(2)
    base = session_odds_ratio(second, session, factors, total, events)
    twice = np.column_stack([factors, factors[:, 0] == 1])
    again = session_odds_ratio(second, session, twice, total, events)
    assert (again.low, again.estimate, again.high) == pytest.approx((base.low, base.estimate, base.high), rel=1e-5)
    apart = session_odds_ratio(second, session, np.column_stack([factors, second]), total, events)
    assert apart.reason == "agents and groups cannot be told apart: no group had both"


# --- edges ---------------------------------------------------------------------------------------------------------


def test_what_cannot_be_fitted_says_why():
    second, session, total, events = alike()
    design = np.column_stack([np.ones(16), second])
    for y, why in ((0 * events, "nothing died"), (total, "everything died")):
        found = mixed_logistic(design, y, total, session=session)
        assert found.reason == why
        assert np.isnan([*found.coefficients, found.session_sd]).all()
    apart = mixed_logistic(design, np.where(second, 5, 0), total, session=session)
    assert "no finite best fit" in apart.reason
    whole = mixed_logistic(design, np.where(session % 2 == 0, total, 0), total, session=session)
    assert "no finite best fit" in whole.reason  # every session all or nothing: the spread has no bound
    one = mixed_logistic(design, events, total, session=0 * session)
    assert one.reason == "1 session, needs 2 to see how sessions differ"
    double = np.column_stack([design, second])
    assert mixed_logistic(double, events, total, session=session).reason == "groups repeat each other"
    with pytest.raises(DataError, match="0 <= events <= total"):
        mixed_logistic(design, total + 1, total, session=session)
    with pytest.raises(ValueError, match="one row for each"):
        mixed_logistic(design[:3], events, total, session=session)


def test_an_odds_ratio_that_has_no_number_says_why():
    second, session, total, events = alike()
    none = np.zeros((16, 0))
    assert session_odds_ratio(second, session, none, total, np.where(second, events, 0)).reason == (
        "all or none dead under one agent: its odds have no number"
    )
    few = session_odds_ratio(second[4:], session[4:], none[4:], total[4:], events[4:])
    assert few.reason == "4 and 8 sessions that tell of odds, needs 6 of each"
    nothing = session_odds_ratio(second, session, none, total, 0 * events)
    assert not nothing.known
    empty = session_odds_ratio([], [], np.zeros((0, 2)), [], [])
    assert empty.reason == "0 and 0 sessions that tell of odds, needs 6 of each"
