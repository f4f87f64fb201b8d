"""What the watch's alarms and limits claim: the committed simulation tables, and a short rerun."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.answers.watch_single import NAMED_FALSELY
from afterdip.calibrate import monitoring as calibration
from afterdip.calibrate import single_baths, watch_limits

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
    assert held(rows, *both).min() >= 0.93  # 400 farms a cell, 1,600 or 6,400 near a bound
    large = [row for row in rows if int(row["sessions"]) >= 30]
    assert 0.95 <= held(large, *both).mean() <= 0.98
    assert held(large, *both).max() <= 0.98


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


def test_quiet_months_name_no_more_than_they_say():
    rows = table("single")
    assert {float(row["correlation"]) for row in rows} == {0.0, 0.1, 0.3}
    named = held(rows, "named", "named_logit_normal")
    n = np.tile(column(rows, "replicates"), 2)
    assert (named <= NAMED_FALSELY + 3 * np.sqrt(NAMED_FALSELY * (1 - NAMED_FALSELY) / n)).all()
    assert named.mean() <= NAMED_FALSELY / 2


def test_a_bath_that_kills_most_is_named_where_others_are_many_or_alike():
    rows = table("single_power")
    known = [row for row in rows if float(row["correlation"]) <= {"30": 0.0, "120": 0.1}.get(row["baths"], -1)]
    assert len(known) == 6
    assert column(known, "named_16_of_20").min() >= 0.88  # 200 farms a cell
    assert column(rows, "named_16_of_20").mean() > column(rows, "named_8_of_20").mean()
    alike = [row for row in rows if float(row["correlation"]) == 0.3 and int(row["baths"]) == 120]
    assert column(alike, "named_16_of_20").max() < 0.3  # not promised where baths differ much: told as a fact instead
    assert column(alike, "named_8_of_20").max() < 0.1


def test_short_rerun_of_single_baths():
    rng = np.random.default_rng(13)
    farms = [single_baths._baths(0.05, 30, 0.2, (10, 30), "beta", rng) for _ in range(80)]
    assert sum(single_baths._named(*baths, 6).any() for baths in farms) <= 10  # at 5 %: more in one of 1,000
