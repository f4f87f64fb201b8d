"""The cost of a clean surviving piece: by hand, against simulation, and what is missing."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.calibrate import piece_cost
from afterdip.estimate import Estimate, cannot_say
from afterdip.labour import INPUTS, PARTS, PieceInputs, cost_per_clean_piece, session_correlation

TABLES = Path(__file__).parent / "reference" / "calibration"


def sure(value):
    return Estimate(estimate=value, low=value, high=value)


def around(value, error):
    return Estimate(estimate=value, low=value - 1.959964 * error, high=value + 1.959964 * error)


BASE = PieceInputs(
    person_min=sure(3.0),
    agent=sure(0.1),
    redip_person_min=sure(1.0),
    redip_agent=sure(0.05),
    dead=sure(0.05),
    detached=sure(0.03),
    clean=sure(0.9),
    wage_per_hour=24.0,
    piece_value=10.0,
)


def test_by_hand():
    """(24/60 x 3 + 0.1 + 24/60 x 1 + 0.05 + 10 x 0.08) / (0.92 x 0.9) = 2.55 / 0.828."""
    cost = cost_per_clean_piece(BASE, sessions=12, pieces=300)
    exact = Fraction(255, 100) / (Fraction(92, 100) * Fraction(9, 10))
    assert cost.per_clean_survivor.estimate == pytest.approx(float(exact))
    assert (cost.per_clean_survivor.low, cost.per_clean_survivor.high) == pytest.approx((float(exact), float(exact)))
    assert cost.per_survivor.estimate == pytest.approx(2.55 / 0.92)
    parts = {"labour": 1.2, "agent": 0.1, "redips": 0.45, "dead": 0.5, "detached": 0.3}
    assert {p: e.estimate for p, e in cost.parts.items()} == pytest.approx({p: v / 0.828 for p, v in parts.items()})
    assert {p: e.estimate for p, e in cost.shares.items()} == pytest.approx({p: v / 2.55 for p, v in parts.items()})
    assert cost.value_doubled.estimate == pytest.approx((2.55 + 0.8) / 0.828)
    assert cost.wage_doubled.estimate == pytest.approx((2.55 + 1.6) / 0.828)
    assert cost.hours_per_thousand_clean.estimate == pytest.approx(4 / 60 * 1000 / 0.828)
    assert cost.per_survivor.sessions == 12


def test_limits_against_simulation():
    """Inputs drawn as independent normals: the carried limits lie where 2.5 and 97.5 % of the drawn costs do."""
    errors = {"person_min": 0.2, "agent": 0.01, "redip_person_min": 0.15, "redip_agent": 0.01, "dead": 0.012,
              "detached": 0.008, "clean": 0.02}  # fmt: skip
    inputs = replace(BASE, **{name: around(getattr(BASE, name).estimate, error) for name, error in errors.items()})
    cost = cost_per_clean_piece(inputs).per_clean_survivor
    rng = np.random.default_rng(9)
    x = {name: rng.normal(getattr(BASE, name).estimate, error, 200_000) for name, error in errors.items()}
    money = 0.4 * (x["person_min"] + x["redip_person_min"]) + x["agent"] + x["redip_agent"]
    drawn = (money + 10 * (x["dead"] + x["detached"])) / ((1 - x["dead"] - x["detached"]) * x["clean"])
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert cost.low == pytest.approx(low, rel=0.01)
    assert cost.high == pytest.approx(high, rel=0.01)


def test_inputs_that_go_together_against_simulation():
    """Labour and re-dips correlated by 0.8, dead and clean by -0.6: the limits lie where 2.5 and 97.5 % of draws do."""
    errors = {"person_min": 0.2, "redip_person_min": 0.15, "dead": 0.012, "clean": 0.02}
    pairs = {("person_min", "redip_person_min"): 0.8, ("dead", "clean"): -0.6}
    together = np.eye(len(INPUTS))
    for (a, b), r in pairs.items():
        together[INPUTS.index(a), INPUTS.index(b)] = together[INPUTS.index(b), INPUTS.index(a)] = r
    inputs = replace(
        BASE, **{name: around(getattr(BASE, name).estimate, error) for name, error in errors.items()},
        correlation=together,
    )  # fmt: skip
    cost = cost_per_clean_piece(inputs).per_clean_survivor
    scale = np.array([errors.get(name, 0.0) for name in INPUTS])
    middle = [getattr(BASE, name).estimate for name in INPUTS]
    rng = np.random.default_rng(10)
    x = dict(zip(INPUTS, rng.multivariate_normal(middle, together * np.outer(scale, scale), 200_000).T, strict=True))
    money = 0.4 * (x["person_min"] + x["redip_person_min"]) + x["agent"] + x["redip_agent"]
    drawn = (money + 10 * (x["dead"] + x["detached"])) / ((1 - x["dead"] - x["detached"]) * x["clean"])
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert cost.low == pytest.approx(low, rel=0.01)
    assert cost.high == pytest.approx(high, rel=0.01)
    apart = cost_per_clean_piece(replace(inputs, correlation=np.eye(len(INPUTS)))).per_clean_survivor
    assert apart.high < cost.high - 0.05


def test_what_goes_together_counts_with_its_limit_on_that_side():
    """Baths that kill also loosen, dead and detached alike by 1: the dead's share lies between both low and both high.

    Both at their lower limits cost 0.2 each beside 1.75, both at their upper ones 1.5 and 1.2. By squares each is moved
    alone from 0.5 and 0.3: the dead to 0.2 / 2.25 or 1.5 / 3.55, the detached to 0.5 / 2.45 or 0.5 / 3.45.
    """
    together = np.eye(len(INPUTS))
    together[4, 5] = together[5, 4] = 1.0
    dead, detached = Estimate(estimate=0.05, low=0.02, high=0.15), Estimate(estimate=0.03, low=0.02, high=0.12)
    skew = replace(BASE, dead=dead, detached=detached, correlation=together)
    share = cost_per_clean_piece(skew).shares["dead"]
    middle = 0.5 / 2.55
    assert share.low == pytest.approx(0.2 / 2.25 + 0.5 / 2.45 - middle)
    assert share.high == pytest.approx(1.5 / 3.55 + 0.5 / 3.45 - middle)
    assert share.low == pytest.approx(0.2 / 2.15, abs=0.01)  # and not 0.14, the detached taken at their upper limit
    assert share.high == pytest.approx(1.5 / 4.45, abs=0.04)


def test_how_ratios_go_together_by_hand():
    """Residuals (1, -1, 0), twice that, and (1, 1, -2) of a ratio known in all sessions; one without scatter."""
    n = np.array([10.0, 10.0, 10.0])
    tops = [[11.0, 9, 10], [32.0, 28, 30], [19.0, 19, 22], [5.0, 5, 5]]
    together = session_correlation(tops, [n] * 4)
    assert together == pytest.approx(np.array([[1, 1, 0, 0], [1, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]))
    apart = session_correlation([[5.0, 7, 0, 0], [0, 0, 3, 8.0]], [[5.0, 5, 0, 0], [0, 0, 5, 5.0]])
    assert apart == pytest.approx(np.eye(2))  # ratios of different sessions have nothing in common


def test_the_committed_calibration_holds():
    """The table of `python -m afterdip.calibrate labour_cost`: 400 farms a cell, 1,600 near a bound."""
    table = pd.read_csv(TABLES / "labour_cost_coverage.csv")
    totals = table[[f"{name}_coverage" for name in piece_cost.FIGURES] + ["per_clean_survivor_logit_normal"]]
    assert set(table["correlation"]) == set(piece_cost.CORRELATIONS)
    assert 0.94 <= totals.mean().mean() <= 0.97
    figures = table[[*totals, *(f"{part}_{what}_coverage" for part in PARTS for what in ("part", "share"))]]
    assert figures.min().min() >= 0.93
    assert figures[table["sessions"] >= 30].max().max() <= 0.98


@pytest.mark.parametrize("alike", [False, True])
def test_short_rerun(alike):
    rng, truth = np.random.default_rng(5), piece_cost._truth(piece_cost.LOSSES[1], 0.2, alike, "beta")
    made = [piece_cost._cost(piece_cost.LOSSES[1], 30, 0.2, alike, "beta", rng).per_clean_survivor for _ in range(60)]
    held = sum(e.low <= truth.per_clean_survivor.estimate <= e.high for e in made)
    assert held >= 51  # of 60 at 95 %: fewer than 51 in one of 1,350


def test_shares_sum_to_one_and_parts_to_the_whole():
    inputs = replace(BASE, dead=around(0.05, 0.01), person_min=around(3.0, 0.3))
    cost = cost_per_clean_piece(inputs)
    assert sum(cost.shares[p].estimate for p in PARTS) == pytest.approx(1)
    assert sum(cost.parts[p].estimate for p in PARTS) == pytest.approx(cost.per_clean_survivor.estimate)
    assert all(0 <= cost.shares[p].low <= cost.shares[p].high for p in PARTS)


def test_none_dead_is_a_bound_not_a_fact():
    """0 dead, at most 10 %: the cost may reach what 10 % dead would make it, and no clean piece is asserted."""
    bounds = Estimate(estimate=0.0, low=0.0, high=0.1), Estimate(estimate=1.0, low=0.8, high=1.0)
    inputs = replace(BASE, dead=bounds[0], clean=bounds[1])
    cost = cost_per_clean_piece(inputs)
    worst_dead = (1.75 + 10 * 0.13) / 0.87
    assert cost.per_survivor.high == pytest.approx(worst_dead)
    assert cost.per_survivor.low == pytest.approx(cost.per_survivor.estimate)
    assert cost.per_clean_survivor.high > cost.per_survivor.high


def test_money_scales():
    double = replace(BASE, agent=sure(0.2), redip_agent=sure(0.1), wage_per_hour=48.0, piece_value=20.0)
    a, b = cost_per_clean_piece(BASE), cost_per_clean_piece(double)
    assert b.per_clean_survivor.estimate == pytest.approx(2 * a.per_clean_survivor.estimate)
    assert b.shares["labour"].estimate == pytest.approx(a.shares["labour"].estimate)


@pytest.mark.parametrize(
    "change, reason",
    [
        ({"wage_per_hour": None}, "no wage per hour in farm.toml"),
        ({"piece_value": None}, "no value of a piece of this coral group in farm.toml"),
        ({"dead": cannot_say("followed to day 20 only")}, "dead: followed to day 20 only"),
        ({"clean": cannot_say("nobody looked")}, "clean: nobody looked"),
        ({"dead": sure(1.0), "detached": sure(0.0)}, "no clean piece was left"),
        ({"clean": sure(0.0)}, "no clean piece was left"),
    ],
)
def test_what_is_missing_is_named(change, reason):
    assert cost_per_clean_piece(replace(BASE, **change)).per_clean_survivor.reason == reason


def test_what_is_missing_stops_only_what_needs_it():
    unseen = cost_per_clean_piece(replace(BASE, clean=cannot_say("nobody looked")))
    assert unseen.per_survivor.known
    unpriced = cost_per_clean_piece(replace(BASE, wage_per_hour=None, agent=cannot_say("no price")))
    assert unpriced.hours_per_thousand_clean.known
    assert not unpriced.per_survivor.known
