"""What the survival limits claim: the committed simulation tables, a short rerun, and the simulators themselves."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate import survival_limits, survival_page
from afterdip.calibrate.__main__ import CALIBRATIONS, main
from afterdip.calibrate.farms import session_risks, simulate_sessions
from afterdip.calibrate.survival import FARMS, coverage
from afterdip.calibrate.survival_arms import joined, read_days_lost, read_loss, simulate_arms
from afterdip.survival import MIN_SESSIONS, kaplan_meier, loss_at, loss_over_sham, rmst, rmst_difference
from afterdip.tally.survival import share_ends

TABLES = Path(__file__).parent / "reference" / "calibration"


def table(name):
    with (TABLES / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("kind", ["loss_session", "over_sham_session"])
def test_limits_cover_from_the_least_sessions_up(kind):
    rows = table("survival_coverage.csv")
    assert min(int(r["sessions"]) for r in rows) == MIN_SESSIONS
    assert {r["correlation"] for r in rows} == {"0.0", "0.05", "0.1", "0.2", "0.3"}
    assert {r["farm"] for r in rows} == set(FARMS)
    for r in rows:
        found = float(r[f"{kind}_coverage"])
        assert found >= 0.93, r
        if int(r["sessions"]) >= 30:
            assert found <= 0.98, r  # beyond: wider than the log deserves


def test_limits_that_count_pieces_do_not_cover():
    worst = [r for r in table("survival_coverage.csv") if r["correlation"] == "0.3" and float(r["loss"]) >= 0.03]
    assert max(float(r["loss_piece_coverage"]) for r in worst if r["farm"] == "even") < 0.6
    assert max(float(r["loss_piece_coverage"]) for r in worst) < 0.9


def test_every_other_figure_of_the_page_covers():
    rows = table("survival_page_coverage.csv")
    figures = {r["figure"] for r in rows}
    assert len(figures) == 6
    for r in rows:
        assert float(r["coverage"]) >= 0.93, r


def test_the_limits_used_cover_where_those_tried_before_do_not():
    rows = table("survival_limits_tried.csv")
    assert min(float(r["used"]) for r in rows) >= 0.93
    for name in ("log_log_t", "korn_graubard", "korn_graubard_unequal", "averaged_by_deaths", "averaged_by_sessions"):
        assert min(float(r[name]) for r in rows) < 0.92, name
    long = [r for r in rows if int(r["sessions"]) >= 30]
    assert max(float(r["used"]) for r in long) <= 0.98
    assert max(float(r["far_on_both_sides"]) for r in long) > 0.98


def test_session_tests_keep_their_level_where_the_piece_test_does_not():
    rows = table("session_tests_size.csv")
    assert len(rows) == 45
    for r in rows:  # three standard errors of 5 % in 1000 replicates are 2.1 %
        for name in ("session_logrank", "permuted_logrank"):
            assert float(r[name]) < 0.072, (name, r)
    assert min(float(r["piece_logrank"]) for r in rows if r["correlation"] == "0.3") > 0.3


@pytest.mark.parametrize("sessions, loss, correlation", [(8, 0.1, 0.3), (12, 0.03, 0.2), (30, 0.3, 0.1)])
@pytest.mark.parametrize("farm", FARMS)
def test_a_short_rerun_covers(sessions, loss, correlation, farm):
    rng = np.random.default_rng(sessions)
    scores = coverage(sessions, loss=loss, correlation=correlation, replicates=400, rng=rng, farm=farm)
    for kind in ("loss_session", "over_sham_session"):
        assert scores[kind].coverage > 0.92  # 0.95 less two and a half standard errors
    assert scores["loss_piece"].coverage < (0.9 if farm == "small" else 0.8)  # small trays: few pieces to be misled by


@pytest.mark.parametrize("sessions, loss, farm", [(5, 0.005, "small"), (12, 0.1, "uneven"), (6, 0.3, "even")])
def test_limits_of_many_farms_are_those_of_the_estimators(sessions, loss, farm):
    rng, beside = np.random.default_rng(3), {"in_difference": True}
    arms, shams = (
        simulate_arms(25, sessions, loss=p, correlation=0.3, rng=rng, **FARMS[farm]) for p in (loss, 0.02)
    )
    lost, sham_lost = read_loss(arms, 30), read_loss(shams, 30)
    lived, sham_lived = read_days_lost(arms), read_days_lost(shams)
    many = {
        "loss": lost.limits(),
        "early": read_loss(arms, 7).limits(),
        "over": joined(lost.limits(**beside), sham_lost.limits(**beside)),
        "pieces": lost.piece_limits(),
        "days": lived.limits(),
        "days over": joined(sham_lived.limits(**beside), lived.limits(**beside)),
    }
    compared = 0
    for i in range(25):
        rows = [(np.tile(a.days, sessions), a.deaths[i].ravel(), a.left[i].ravel()) for a in (arms, shams)]
        label = np.repeat(np.arange(sessions), len(arms.days))
        one, two = (kaplan_meier(*row, session=label + k) for row, k in zip(rows, (0, 100), strict=True))
        mean, gain = rmst(one, 30), rmst_difference(rmst(one, 30), rmst(two, 30))
        found = {
            "loss": loss_at(one, 30),
            "early": loss_at(one, 7),
            "over": loss_over_sham(one, two, 30),
            "pieces": loss_at(kaplan_meier(*rows[0]), 30),
            "days": mean.lost,
        }
        for name, e in found.items():
            if e.known:
                assert (e.estimate, e.low, e.high) == pytest.approx([x[i] for x in many[name]], abs=1e-12), name
                compared += 1
        if gain.known:
            expected = [30 * x[i] for x in many["days over"]]
            assert (gain.estimate, gain.low, gain.high) == pytest.approx(expected, abs=1e-10)
    assert compared >= 120


def test_simulated_sessions_have_the_loss_and_correlation_asked_for():
    rng = np.random.default_rng(5)
    for spread in ("beta", "logit-normal"):
        risks = session_risks(20000, loss=0.2, correlation=0.3, rng=rng, spread=spread)
        assert risks.mean() == pytest.approx(0.2, abs=0.01)
        assert risks.var() / (0.2 * 0.8) == pytest.approx(0.3, abs=0.01)
    rows = simulate_sessions(3000, loss=0.2, correlation=0.1, rng=rng, removed_per_check=0)
    assert rows.deaths.sum() / (rows.deaths + rows.left).sum() == pytest.approx(0.2, abs=0.01)
    by_session = (rows.deaths + rows.left).reshape(3000, -1).sum(axis=1)
    assert (by_session.min(), by_session.max()) == (5, 60)
    assert session_risks(3, loss=0.2, correlation=0, rng=rng).tolist() == [0.2] * 3
    several = simulate_sessions(3000, loss=0.2, correlation=0.1, rng=rng, pieces=(5, 30), trays=(1, 4))
    by_session = (several.deaths + several.left).reshape(3000, -1).sum(axis=1)
    assert by_session.min() >= 5
    assert 100 < by_session.max() <= 120
    assert by_session.mean() == pytest.approx(2.5 * 17.5, rel=0.05)


def test_a_logit_normal_farm_has_the_longer_tail():
    rng = np.random.default_rng(6)
    beta, other = (
        session_risks(50000, loss=0.03, correlation=0.3, rng=rng, spread=spread) for spread in ("beta", "logit-normal")
    )
    assert np.mean(other > 0.001) > np.mean(beta > 0.001)
    assert np.median(other) < 0.01


def test_late_deaths_are_spread_as_the_page_spreads_them():
    arms = simulate_arms(
        3, 6, loss=0.3, correlation=0.1, rng=np.random.default_rng(4),
        checks=survival_page.LATE_LOOKS, seen=survival_page.LATE_SEEN,
    )  # fmt: skip
    told = survival_page.spread_late(arms)
    assert told.days.tolist() == [7, 21, 30, 35]
    _, day, share = share_ends([0, 7, 21], [7, 21, 35], at=30)
    assert dict(zip(day.tolist(), share.tolist(), strict=True)) == pytest.approx({7: 1, 21: 1, 35: 5 / 14, 30: 9 / 14})
    np.testing.assert_allclose(told.deaths[:, :, 2], arms.deaths[:, :, 2] * 9 / 14)
    np.testing.assert_allclose(told.deaths.sum(axis=2), arms.deaths.sum(axis=2))
    np.testing.assert_array_equal(told.left[:, :, 2], 0)
    np.testing.assert_array_equal(told.left.sum(axis=2), arms.left.sum(axis=2))


def test_tables_can_be_written_anew(tmp_path, monkeypatch, capsys):
    for module, names in ((survival_page, ("LOSSES", "SESSIONS", "RATIOS", "ARMS")), (survival_limits, ("SESSIONS",))):
        for name in names:
            monkeypatch.setattr(module, name, getattr(module, name)[:1])
    survival_page.write_page_coverage(tmp_path, replicates=40)
    survival_limits.calibrate_survival_limits(tmp_path, replicates=40)
    for name in ("survival_page_coverage.csv", "survival_limits_tried.csv"):
        with (tmp_path / name).open(encoding="utf-8") as file:
            written = list(csv.DictReader(file))
        assert list(written[0]) == list(table(name)[0])
        assert len(written) > 5
    assert "survival_page_coverage.csv" in capsys.readouterr().out


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
