"""What the watch's alarms and limits claim: the committed simulation tables, and a short rerun."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate import monitoring as calibration
from afterdip.calibrate import watch_limits

TABLES = Path(__file__).parent / "reference" / "calibration"


def table(name):
    with (TABLES / f"monitoring_{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def column(rows, name):
    return np.array([float(row[name]) for row in rows])


@pytest.mark.parametrize("alarm", ["drift", "bottle", "bath"])
@pytest.mark.parametrize("rate", calibration.RATES)
def test_alarms_keep_their_rate_on_quiet_farms(alarm, rate):
    rows = table("alarms")
    assert {float(row["correlation"]) for row in rows} == set(calibration.CORRELATIONS)
    assert {float(row["share"]) for row in rows} == set(calibration.LOSSES)
    raised = column(rows, f"{alarm}_{rate}")
    n = column(rows, "replicates")
    error = np.sqrt(rate * (1 - rate) / n)
    assert raised.mean() <= rate + 2 * error.mean() / np.sqrt(len(rows))  # all cells together
    assert (raised <= rate + 4 * error).all()  # and each by itself
    assert raised.mean() >= 0.8 * rate  # not bought with deafness


def test_textbook_charts_do_not():
    rows = table("alarms")
    shared = [row for row in rows if float(row["correlation"]) >= 0.1]
    assert column(shared, "p_chart").mean() > 0.3
    assert column(shared, "laney").max() > 0.4
    assert column(shared, "ewma_width_3").max() > 0.1


def test_large_changes_are_found_and_small_ones_are_not_promised():
    rows = {(r["share"], r["changed_to"], r["changed"], r["correlation"]): r for r in table("power")}
    assert float(rows["0.2000", "0.6000", "12", "0.0500"]["bottle_0.002"]) > 0.95
    assert float(rows["0.2000", "0.6000", "12", "0.2000"]["bottle_0.002"]) > 0.8
    assert float(rows["0.0500", "0.1000", "6", "0.2000"]["drift_0.002"]) < 0.1


def held(rows, *names):
    return np.concatenate([column(rows, name) for name in names])


def test_limits_of_effects_hold():
    rows = [row for row in table("limits") if float(row["said"]) > 0.25]
    both = ("coverage", "coverage_logit_normal")
    assert len(rows) > 60
    assert held(rows, *both).min() >= 0.91  # 400 farms a cell: binomial error 1.1 %
    large = [row for row in rows if int(row["sessions"]) >= 30]
    assert 0.95 <= held(large, *both).mean() <= 0.98


def test_baths_are_not_said_to_serve_too_long():
    rows = table("baths")
    assert column(rows, "serves_too_long").max() <= 0.05
    some = [row for row in rows if float(row["said"]) > 0.25]
    names = ("fresh_held", "fall_held", "fresh_held_logit_normal", "fall_held_logit_normal")
    assert held(some, *names).min() >= 0.91
    large = [row for row in some if int(row["baths"]) >= 30]
    assert 0.94 <= held(large, *names).mean() <= 0.98


def test_strength_of_a_bottle_holds():
    rows = [row for row in table("bottles") if float(row["said"]) > 0.25]
    assert held(rows, "coverage", "coverage_logit_normal").min() >= 0.93
    told = column(rows, "coverage_if_alarmed")
    assert np.nanmin(told) >= 0.90  # read only after an alarm, which picks the farms that look worst: 50 farms and more


def test_short_rerun():
    rng = np.random.default_rng(11)
    raised = np.array([calibration._quiet(0.05, 36, 0.2, "same", rng) for _ in range(60)])
    assert raised[:, [0, 2, 4]].sum(axis=0).max() <= 9  # of 60 at 5 %: 9 or more in one of 400


@pytest.mark.parametrize("spread", ["beta", "logit-normal"])
def test_short_rerun_of_limits(spread):
    rng = np.random.default_rng(12)
    made = [watch_limits._limits(0.1, 40, 12, 0.2, 0.1, spread, rng) for _ in range(60)]
    assert sum(e.known and e.low <= truth <= e.high for e, truth in made) >= 51  # at 95 %: fewer in one of 1,350
    baths = np.array([watch_limits._bath(0.93, -0.55, 20, 0.2, spread, rng) for _ in range(60)])
    assert np.nanmean(baths[:, :2], axis=0).min() >= 0.85
    assert watch_limits._bottle(0.5, 60, 12, 0.1, spread, rng)[0].high < 1.5
