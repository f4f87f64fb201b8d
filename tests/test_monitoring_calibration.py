"""What the watch's alarms and limits claim: the committed simulation tables, and a short rerun."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate import monitoring as calibration

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


def test_limits_of_effects_hold():
    rows = [row for row in table("limits") if float(row["said"]) > 0.5]
    coverage = column(rows, "coverage")
    assert coverage.mean() >= 0.94
    assert coverage.min() >= 0.87  # rare losses, few sessions, correlation 0.3
    kills = [row for row in rows if float(row["share"]) >= 0.2]
    assert column(kills, "coverage").min() >= 0.92


def test_baths_are_not_said_to_serve_too_long():
    rows = table("baths")
    assert column(rows, "serves_too_long").max() <= 0.05
    some = [row for row in rows if float(row["said"]) > 0.5]
    for name in ("fresh_held", "fall_held"):
        assert column(some, name).mean() >= 0.94
        assert column(some, name).min() >= 0.9


def test_short_rerun():
    rng = np.random.default_rng(11)
    raised = np.array([calibration._quiet(0.05, 36, 0.2, "same", rng) for _ in range(60)])
    assert raised[:, [0, 2, 4]].sum(axis=0).max() <= 9  # of 60 at 5 %: 9 or more in one of 400
    assert calibration._limits(0.2, 30, 10, 0.1, 0.0, rng).known
