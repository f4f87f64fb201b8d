"""Bands without and with a curve, the working window between two of them, and its map."""

import csv
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate.dose_response import calibrate_dose_response, responses
from afterdip.dose_response import (
    ResponseBand,
    counts_at_horizon,
    fit_curve,
    fit_strength_minutes,
    response_band,
    response_bands,
    same_strength,
    shares_at,
    window_map,
    window_maps,
    working_window,
)
from afterdip.proportion import session_proportion

TABLES = Path(__file__).parent / "reference" / "calibration"
X = np.tile([0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8], 6)
SHAM = 20


def farm(seed, *, ec50_kill=0.25, ec50_loss=16.0, correlation=0.08, pests=20, pieces=60):
    """One agent's sessions: log-logistic kill and loss, with shams; returns the kill and the loss curve."""
    rng = np.random.default_rng(seed)
    strength = np.append(np.zeros(SHAM), X)
    curves = []
    for (ec50, slope), natural, size, counted in (
        ((ec50_kill, 3.0), 0.01, pests, "pests"), ((ec50_loss, 2.0), 0.03, pieces, "pieces"),
    ):  # fmt: skip
        share = natural + (1 - natural) / (1 + (ec50 / np.maximum(strength, 1e-9)) ** slope)
        n = np.full(strength.size, size)
        curves.append(fit_curve(strength, n, responses(share, n, correlation, rng), counted=counted))
    return curves


def flat_band(strength, low, high, source="curve"):
    share = (np.array(low) + np.array(high)) / 2
    return ResponseBand(np.array(strength, float), share, np.array(low, float), np.array(high, float), source, "")


def window_of(kill, loss):
    bands = response_band(kill), response_band(loss, over_natural=True)
    return working_window(*bands, kill_target=0.95, loss_limit=0.05)


def test_window_lies_inside_the_true_one():
    window = window_of(*farm(1))
    low, high = 0.25 * 19 ** (1 / 3), 16 / 19**0.5
    assert low < window.low < window.high < high
    assert window.ratio == pytest.approx(window.high / window.low)
    assert window.by_estimates[0] < window.low < window.high < window.by_estimates[1]
    assert (window.ends_low, window.ends_high) == (False, False)
    assert window.stretches == ((window.low, window.high),)


def test_no_strength_does_both():
    window = window_of(*farm(2, ec50_kill=4.0, ec50_loss=2.0))
    assert (window.low, window.high, window.ratio, window.stretches) == (None, None, None, ())
    assert window.by_estimates is None
    assert window.reason.startswith("none tried does both")


@pytest.mark.parametrize(
    ("kill", "loss", "words"),
    [
        (flat_band([1, 2], [0.8, 0.9], [0.9, 1]), flat_band([1, 2], [0, 0], [0.01, 0.02]), "surely kills enough.*90 %"),
        (flat_band([1, 2], [0.96, 0.97], [1, 1]), flat_band([1, 2], [0, 0], [0.08, 0.2]), "surely spares enough.*8 %"),
        (flat_band([1, 2], [0.5, 0.97], [1, 1]), flat_band([1, 2], [0, 0], [0.02, 0.2]), "does both"),
        (flat_band([1, 2], [0.96, 0.97], [1, 1]), flat_band([4, 8], [0, 0], [0.02, 0.2]), "for both kill and loss"),
        (flat_band([], [], [], "none"), flat_band([4, 8], [0, 0], [0.02, 0.2]), "for both kill and loss"),
        (flat_band([1, 2], [np.nan] * 2, [np.nan] * 2, "none"), flat_band([1, 2], [0, 0], [0, 0]), "cannot be told"),
    ],
)
def test_why_a_window_is_empty(kill, loss, words):
    window = working_window(kill, loss, kill_target=0.95, loss_limit=0.05)
    assert window.low is None
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(window.reason)


def test_window_by_hand_and_only_inside_what_was_tried():
    kill = flat_band([1, 10, 100], [0.90, 1.0, 1.0], [1, 1, 1])  # on the log axis 0.95 is halfway to 10
    loss = flat_band([1, 10, 100], [0, 0, 0], [0.0, 0.0, 0.10])  # and 0.05 halfway from 10 to 100
    window = working_window(kill, loss, kill_target=0.95, loss_limit=0.05)
    assert window.low == pytest.approx(10**0.5, rel=0.02)
    assert window.high == pytest.approx(10**1.5, rel=0.02)
    assert window.low >= 10**0.5 * (1 - 1e-9)
    assert window.high <= 10**1.5 * (1 + 1e-9)
    short = working_window(kill, flat_band([5, 20], [0, 0], [0.0, 0.0]), kill_target=0.95, loss_limit=0.05)
    assert (short.low, short.high) == pytest.approx((5, 20))
    assert (short.ends_low, short.ends_high) == (True, True)
    for bad in ({"kill_target": 0.0, "loss_limit": 0.05}, {"kill_target": 0.95, "loss_limit": 1.0}):
        with pytest.raises(ValueError, match="must be shares"):
            working_window(kill, loss, **bad)


def test_a_band_is_silent_outside_what_was_tried():
    band = response_band(farm(3)[0])
    assert band.source == "curve"
    assert band.tried == (0.1, 12.8)
    share, low, high = band.at([0.05, 0.1, 1.0, 12.8, 20.0])
    assert np.isnan(share[[0, 4]]).all()
    assert (low[1:4] <= share[1:4]).all()
    assert (share[1:4] <= high[1:4]).all()


def test_many_bands_at_once_are_those_of_each_alone_to_the_last_digit():
    curves = [(curve, over) for seed in (3, 4, 5) for curve, over in zip(farm(seed), (False, True), strict=True)]
    curves.insert(2, (fit_curve([1, 2, 4], [30] * 3, [20, 25, 30]), False))  # no band between two that have one
    curves.append((farm(6, correlation=0.3, ec50_loss=90.0)[1], True))
    together = response_bands(curves)
    for (curve, over), band in zip(curves, together, strict=True):
        alone = response_band(curve, over_natural=over)
        assert band.source == alone.source
        for name in ("strength", "share", "low", "high"):
            np.testing.assert_array_equal(getattr(band, name), getattr(alone, name))


def test_steps_without_a_curve_are_pooled_limits():
    # None died: no curve, but strengths from 1.6 up together bound the loss at 1.6.
    x = np.repeat([0.4, 0.8, 1.6, 3.2], 6)
    n = np.full(24, 40.0)
    curve = fit_curve(np.append(np.zeros(8), x), np.append(np.full(8, 40.0), n), np.append(np.ones(8), np.zeros(24)))
    band = response_band(curve)
    assert (band.source, band.refusal) == ("steps", "none responded at any strength tried")
    assert band.high[2] == pytest.approx(session_proportion(np.zeros(12), n[:12]).high, rel=1e-12)
    assert (np.diff(band.high) > 0).all()  # fewer and fewer sessions stand above
    assert (band.share == 0).all()
    assert (band.low == 0).all()
    _, low, high = band.at([1.0, 1.6, 2.0])
    assert high.tolist() == [band.high[2], band.high[2], band.high[3]]  # between strengths the next one up decides
    assert low.tolist() == [band.low[1], band.low[2], band.low[2]]
    over = response_band(curve, over_natural=True)
    assert (over.high < band.high).all()  # the sham's own loss is taken off
    assert response_band(fit_curve(x, n, 0 * n), over_natural=True).source == "none"


def test_few_sessions_have_no_band_at_all():
    band = response_band(fit_curve([1, 2, 4], [30] * 3, [20, 25, 30]))
    assert band.source == "none"
    assert np.isnan(band.low).all()


def test_steps_over_the_sham_join_limits_made_for_it():
    """By another way: the two shares alone, found for a difference, and their squares added."""
    rng = np.random.default_rng(3)
    n, x = rng.integers(20, 60, 20), np.repeat([0.0, 1.0], 10)
    died = responses(np.repeat([0.02, 0.1], 10), n, 0.1, rng)
    band = response_band(fit_curve(x, n, died), over_natural=True)
    agent, sham = (session_proportion(died[at], n[at], in_difference=True) for at in (x > 0, x == 0))
    gap = agent.estimate - sham.estimate
    assert band.source == "steps"
    assert band.share == pytest.approx([gap])
    assert band.low == pytest.approx([gap - np.hypot(agent.estimate - agent.low, sham.high - sham.estimate)])
    assert band.high == pytest.approx([gap + np.hypot(agent.high - agent.estimate, sham.estimate - sham.low)])
    alone = session_proportion(died[x > 0], n[x > 0])
    assert band.high[0] - band.low[0] < alone.high - alone.low + sham.high  # limits that stand alone are far wider


def test_steps_over_the_sham_hold_in_the_committed_table():
    with (TABLES / "dose_response_steps_coverage.csv").open(encoding="utf-8") as file:
        held = [(float(row["coverage"]), int(row["sessions"])) for row in csv.DictReader(file)]
    assert len(held) == 100
    assert min(share for share, _ in held) >= 0.93
    assert max(share for share, sessions in held if sessions >= 30) <= 0.99


def test_steps_hold_monotone_truth():
    rng = np.random.default_rng(8)
    x = np.repeat([1.0, 2.0], 6)  # two strengths: never a curve
    truth = np.where(x == 1, 0.6, 0.9)
    missed = 0
    for _ in range(300):
        n = rng.integers(5, 30, 12)
        band = response_band(fit_curve(x, n, responses(truth, n, 0.15, rng)))
        missed += band.low[1] > 0.9 or band.high[0] < 0.6
    assert missed / 300 <= 0.05


def test_strengths_measured_out_alike_are_one():
    x = np.array([0.0, 0.8, 0.795, 0.81, 1.6, 0.91, 0.93])
    assert same_strength(x).tolist() == [0.0, 0.795, 0.795, 0.795, 1.6, 0.795, 0.93]
    assert fit_curve([0.8, 0.795, 0.81, 1.6], [9] * 4, [1, 2, 1, 8]).strengths == 2


def test_map_of_strength_and_minutes():
    rng = np.random.default_rng(9)
    x, t = (np.tile(axis.ravel(), 4) for axis in np.meshgrid([1.0, 2, 4, 8, 16], [2.0, 5, 10, 20]))
    n = np.full(x.size, 30)
    load = x * (t / 5) ** (1 / 1.4)
    sham = np.zeros(12)
    kill = fit_strength_minutes(x, t, n, rng.binomial(n, 1 / (1 + (0.6 / load) ** 2.5)))
    deaths = np.append(rng.binomial(30, 0.02, 12), rng.binomial(n, 0.02 + 0.98 / (1 + (60 / load) ** 2)))
    loss = fit_strength_minutes(
        np.append(sham, x), np.append(sham + 5, t), np.append(sham + 30, n), deaths, counted="pieces"
    )
    found = window_map(kill, loss, kill_target=0.9, loss_limit=0.1)
    assert found.reason == ""
    assert found.both.any()
    assert not found.both.all()
    rows, columns = np.nonzero(found.both)
    exact = found.strength[columns] * (found.minutes[rows] / 5) ** (1 / 1.4)
    assert (1 / (1 + (0.6 / exact) ** 2.5) > 0.88).all()
    assert (0.98 / (1 + (60 / exact) ** 2) < 0.12).all()
    shares = shares_at(kill, *np.meshgrid(found.strength, found.minutes))
    np.testing.assert_array_equal(found.kill_low, shares[1])
    steady = fit_strength_minutes(x, 5.0, n, n / 2)
    none, again = window_maps([(steady, loss), (kill, loss)], kill_target=0.9, loss_limit=0.1)
    assert "minutes did not vary" in none.reason
    np.testing.assert_array_equal(again.loss_high, found.loss_high)


def test_session_tallies_at_the_horizon_by_hand():
    # Session 0: 10 pieces, 1 dead at day 7, 2 sold at day 14, 7 alive at day 40: Kaplan-Meier loss 1/10.
    # Session 1: 4 sold at day 5, then 1 of 6 dead at day 10: loss 1/6 with one death, so n = 6.
    # Session 2: 1 of 8 found dead at day 40 after a look at day 20: half of it by day 30, loss 1/16.
    # Session 3: last looked at on day 20: nothing known at day 30. Session 4: all 3 dead at day 2.
    # Session 5: none died, 5 of 9 still there at the end.
    rows = [
        (0, 0, 7, 1, 0), (0, 7, 14, 0, 2), (0, 14, 40, 0, 7), (1, 0, 5, 0, 4), (1, 5, 10, 1, 0), (1, 10, 31, 0, 5),
        (2, 20, 40, 1, 0), (2, 20, 40, 0, 7), (3, 0, 20, 1, 7), (4, 0, 2, 3, 0), (5, 0, 9, 0, 4), (5, 9, 30, 0, 5),
    ]  # fmt: skip
    n, died = counts_at_horizon(*np.array(rows, float).T, horizon=30)
    assert n == pytest.approx([10, 6, 8, 0, 3, 5])
    assert died == pytest.approx([1, 1, 0.5, 0, 3, 0])
    assert died[2] / n[2] == pytest.approx(1 / 16)


def test_censored_pieces_weigh_as_long_as_they_were_seen():
    # Deaths at 10 and 25, sales between: KM by hand 1 - (9/10)(6/7) with two deaths.
    n, died = counts_at_horizon([0] * 4, [0, 10, 12, 25], [10, 12, 25, 60], [1, 0, 1, 0], [0, 2, 0, 6], horizon=30)
    assert died[0] == 2
    assert 2 / n[0] == pytest.approx(1 - (9 / 10) * (6 / 7))


def test_session_limits_hold_in_the_committed_tables():
    with (TABLES / "dose_response_limits.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {int(r["sessions"]) for r in rows} >= {6, 12, 60}
    for row in rows:
        for name in ("session_lc50", "session_far", "session_lc50_logit_normal", "session_far_logit_normal"):
            assert float(row[name]) >= 0.93, row
            assert float(row[name]) <= 0.98 or int(row["sessions"]) < 30, row
        if float(row["correlation"]) >= 0.2:  # pieces taken for independent would be worth little
            assert float(row["binomial_lc50"]) < 0.75, row
    mean = np.mean([float(r["session_lc50"]) for r in rows])
    assert mean >= 0.96
    with (TABLES / "dose_response_windows.csv").open(encoding="utf-8") as file:
        windows = list(csv.DictReader(file))
    for row in windows:
        assert float(row["reaches_below"]) <= 0.07, row
        assert float(row["reaches_above"]) <= 0.07, row
    assert float(windows[-4]["window_found"]) > 0.9  # 120 independent sessions find theirs


def test_calibration_writes_its_tables(tmp_path, capsys):
    calibrate_dose_response(tmp_path, replicates=2)
    tables = ("limits", "windows", "steps_coverage")
    assert {p.name for p in tmp_path.iterdir()} == {f"dose_response_{name}.csv" for name in tables}
    assert "session_lc50" in capsys.readouterr().out
