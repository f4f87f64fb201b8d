"""What the survival limits claim: the committed simulation tables, a short rerun, and the simulator itself."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate.__main__ import CALIBRATIONS, main
from afterdip.calibrate.farms import session_risks, simulate_sessions
from afterdip.calibrate.survival import coverage
from afterdip.survival import MIN_SESSIONS

TABLES = Path(__file__).parent / "reference" / "calibration"


def table(name):
    with (TABLES / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("kind", ["loss_session", "over_sham_session"])
def test_limits_cover_from_the_least_sessions_up(kind):
    rows = table("survival_coverage.csv")
    assert min(int(r["sessions"]) for r in rows) == MIN_SESSIONS
    assert {r["correlation"] for r in rows} == {"0.0", "0.05", "0.1", "0.2", "0.3"}
    for r in rows:
        found = float(r[f"{kind}_coverage"])
        assert found >= 0.93, r
        if int(r["sessions"]) >= 30:
            assert found <= 0.985, r  # beyond: wider than the log deserves


def test_limits_that_count_pieces_do_not_cover():
    worst = [r for r in table("survival_coverage.csv") if r["correlation"] == "0.3"]
    assert max(float(r["loss_piece_coverage"]) for r in worst) < 0.6


def test_session_tests_keep_their_level_where_the_piece_test_does_not():
    rows = table("session_tests_size.csv")
    assert len(rows) == 45
    limits = {"session_logrank": 0.072, "permuted_logrank": 0.072, "cox": 0.085, "rmst_difference": 0.10}
    for r in rows:  # three standard errors of 5 % in 1000 replicates are 2.1 %; the last two may exceed it a little
        for name, limit in limits.items():
            assert float(r[name]) < limit, (name, r)
    assert min(float(r["piece_logrank"]) for r in rows if r["correlation"] == "0.3") > 0.3


@pytest.mark.parametrize("sessions, loss, correlation", [(8, 0.1, 0.3), (12, 0.03, 0.2), (30, 0.3, 0.1)])
def test_a_short_rerun_covers(sessions, loss, correlation):
    scores = coverage(
        sessions, loss=loss, correlation=correlation, replicates=250, rng=np.random.default_rng(sessions)
    )
    for kind in ("loss_session", "over_sham_session"):
        assert scores[kind].said == 250
        assert scores[kind].covered / 250 > 0.915  # 0.95 less two and a half standard errors
    assert scores["loss_piece"].covered / 250 < 0.8


def test_simulated_sessions_have_the_loss_and_correlation_asked_for():
    rng = np.random.default_rng(5)
    risks = session_risks(20000, loss=0.2, correlation=0.3, rng=rng)
    assert risks.mean() == pytest.approx(0.2, abs=0.01)
    assert risks.var() / (0.2 * 0.8) == pytest.approx(0.3, abs=0.01)
    rows = simulate_sessions(3000, loss=0.2, correlation=0.1, rng=rng, removed_per_check=0)
    assert rows.deaths.sum() / (rows.deaths + rows.left).sum() == pytest.approx(0.2, abs=0.01)
    by_session = (rows.deaths + rows.left).reshape(3000, -1).sum(axis=1)
    assert (by_session.min(), by_session.max()) == (5, 60)
    assert session_risks(3, loss=0.2, correlation=0, rng=rng).tolist() == [0.2] * 3


def test_calibrations_are_run_by_name(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(CALIBRATIONS, "survival", "test_survival_calibration:stand_in")
    assert main(["survival", "--out", str(tmp_path / "tables")]) == 0
    assert (tmp_path / "tables" / "stand_in.csv").read_text(encoding="utf-8") == "ran\n"
    assert "== survival" in capsys.readouterr().out
    with pytest.raises(SystemExit) as stopped:
        main(["no_such_table"])
    assert stopped.value.code == 2


def stand_in(folder):
    (folder / "stand_in.csv").write_text("ran\n", encoding="utf-8")
