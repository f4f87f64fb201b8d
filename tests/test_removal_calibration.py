"""What the removal limits claim: the committed simulation tables, and a short rerun."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate import removal as calibration
from afterdip.calibrate.farms import session_risks
from afterdip.proportion import MIN_SESSIONS

TABLES = Path(__file__).parent / "reference" / "calibration"


def table(name):
    with (TABLES / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("kind", ["coverage", "coverage_logit_normal", "coverage_small", "coverage_large"])
def test_shares_hold_from_the_least_sessions_up_and_not_too_much_from_thirty(kind):
    rows = [row for row in table("removal_coverage.csv") if int(row["sessions"]) >= MIN_SESSIONS]
    assert {row["correlation"] for row in rows} == {"0.0", "0.0500", "0.1000", "0.2000", "0.3000"}
    assert min(float(row[kind]) for row in rows) >= 0.93
    many = [float(row[kind]) for row in rows if int(row["sessions"]) >= 30]
    assert max(many) <= 0.98
    assert np.mean(many) <= 0.966  # not bought with width


def test_other_methods_do_not_hold():
    rows = table("removal_coverage.csv")
    for method, at_most in (("logit_t", 0.9), ("korn_graubard", 0.9), ("pests_independent", 0.7)):
        assert min(float(row[method]) for row in rows) < at_most


def test_reductions_hold_and_the_bootstrap_does_not():
    rows = table("reduction_coverage.csv")
    names = {"over sham", "before/after", "Schneider-Orelli", "Henderson-Tilton", "Abbott"}
    assert {row["figure"] for row in rows} == names
    assert min(float(row["coverage"]) for row in rows) >= 0.93
    many = [row for row in rows if int(row["sham_sessions"]) >= 30]
    assert {(row["sessions"], row["sham_sessions"]) for row in many} == {("30", "30"), ("60", "30"), ("60", "60")}
    held = np.array([float(row["coverage"]) for row in many])
    assert held.max() <= 0.98
    assert held.mean() <= 0.965  # not bought with width
    near = [row for row in rows if float(row["coverage"]) < 0.94]
    near += [row for row in many if float(row["coverage"]) > 0.975]
    assert min(int(row["replicates"]) for row in near) > 6000  # a few farms do not tell which side of a bound this is
    assert min(float(row["session_bootstrap"]) for row in rows if row["session_bootstrap"]) < 0.5


def test_means_hold_and_widths_are_not_absurd():
    rows = table("infestation_coverage.csv")
    assert {row["what"] for row in rows} == {"abundance", "intensity", "prevalence"}
    assert min(float(row["coverage"]) for row in rows) >= 0.92
    many = [float(row["coverage"]) for row in rows if int(row["sessions"]) >= 30]
    assert 0.93 <= min(many) <= max(many) <= 0.98


def test_a_short_rerun_gives_the_same_kind_of_table(tmp_path, monkeypatch):
    monkeypatch.setattr(calibration, "SHARES", (0.8,))
    monkeypatch.setattr(calibration, "SESSIONS", (8,))
    monkeypatch.setattr(calibration, "CORRELATIONS", (0.2,))
    monkeypatch.setattr(calibration, "KILLS", (0.8,))
    monkeypatch.setattr(calibration, "ARMS", ((12, 12),))
    calibration.calibrate_removal(tmp_path, replicates=400)
    with (tmp_path / "removal_coverage.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert tuple(row) == calibration.SHARE_HEADER
    assert float(row["coverage"]) > 0.93
    assert float(row["coverage_logit_normal"]) > 0.93
    assert float(row["pests_independent"]) < 0.9


@pytest.mark.parametrize("correlation", [0.05, 0.3])
def test_logit_normal_risks_have_the_mean_and_correlation_asked_for(correlation):
    risks = session_risks(
        200_000, loss=0.9, correlation=correlation, rng=np.random.default_rng(2), spread="logit-normal"
    )
    assert risks.mean() == pytest.approx(0.9, abs=0.005)
    assert risks.var() / (0.9 * 0.1) == pytest.approx(correlation, abs=0.01)
