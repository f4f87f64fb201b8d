"""The strength page: counts from a log by hand, the demo farm's planted curves, and what is printed."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.dose_response import answer_dose_response
from afterdip.answers.dose_response_cells import usual_baths
from afterdip.charts.dose_response import draw_minutes, draw_window, draw_windows, panel_rows, panels_height
from afterdip.charts.style import figure
from afterdip.estimate import Estimate, cannot_say
from afterdip.log import read_log
from afterdip.tables.dose_response import (
    curve_table,
    links_sentence,
    minutes_table,
    month_table,
    strength_captions,
    strength_estimate,
    strength_text,
    trust_sentence,
    window_table,
    windows_sentence,
)
from afterdip.tally.dose_response import ANY_CORAL, tally_strengths
from builders import AS_OF, small_log, write_log

DEMO = Path(__file__).parents[1] / "data" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text())
MONTH, DAY = TRUTH["month"], TRUTH["as_of"]


@pytest.fixture(scope="module")
def demo_log():
    return read_log(DEMO / "log", as_of=DAY)


@pytest.fixture(scope="module")
def answer(demo_log):
    return answer_dose_response(demo_log, month=MONTH, as_of=DAY, window_months=15)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return read_log(write_log(small_log(), tmp_path_factory.mktemp("log")), as_of=AS_OF)


def test_tally_by_hand(small):
    tally = tally_strengths(small)
    baths = tally.baths.set_index("session")
    assert baths["strength"].to_dict() == {"001": 300.0, "002": 0.0, "003": 2.5, "004": 300.0, "005": 40.0, "006": 0.0}
    assert baths.index[baths["randomised"]].tolist() == ["001", "002"]
    pests = tally.pests.set_index(["session", "stage"])
    # T01: bath 2 alive 7 dead, rinse 1 dead, on the piece 1 alive: 11 found, 8 killed, 10 off.
    assert pests.loc[("001", "adult"), ["found", "killed", "removed"]].tolist() == [11, 8, 10]
    assert pests.loc[("002", "adult"), ["found", "killed", "removed"]].tolist() == [10, 0, 1]
    exits = tally.exits.groupby("session")[["dead", "left"]].sum()
    # Only first dips: session 004 re-dipped T01's pieces, which leave session 001 alive.
    assert "004" not in exits.index
    assert exits.loc["001"].tolist() == [1, 34]
    assert tally.unknown_strength == 0


def test_pieces_at_the_horizon_from_a_log(small):
    answer = answer_dose_response(small, month="2026-10", as_of=str(AS_OF))
    loss = {cell.name: cell.curve for cell in answer.loss}
    # POW on T06: 2 of 12 dead by day 18, 10 seen on day 31; sham T03: 1 of 20 dead, 19 last seen on day 28, near 30.
    curve = loss["POW, sps"]
    assert curve.strength.tolist() == [0, 0, 40]
    assert (curve.n[:2], curve.responded[:2]) == (pytest.approx([12, 20]), pytest.approx([0, 1]))
    assert (curve.n[2], curve.responded[2]) == pytest.approx((12, 2))
    assert all(cell.refusal for cell in answer.kill + answer.loss)


def test_a_thin_month_says_so(small):
    answer = answer_dose_response(small, month="2026-10", as_of=str(AS_OF))
    assert {item.agent for item in answer.months} == {"IOD", "POW"}
    table = month_table(answer)
    assert table.rows[1][:4] == ("POW", "1", "1", "4")
    assert "too few to say: 1 of the 3 strengths" in table.rows[1][4]
    assert table.rows[0][4] == "no pests counted"
    empty = answer_dose_response(small, month="2024-01", as_of=str(AS_OF))
    assert (empty.windows, empty.kill, empty.months) == ((), (), ())
    assert "No agent" in windows_sentence(empty)
    for table in (window_table(empty), curve_table(empty, empty.kill, caption="Kill"), minutes_table(empty)):
        assert "none" in table.to_html()
    json.dumps(empty.to_json(), allow_nan=False)


def test_usual_baths_choose_unit_and_exposure():
    rows = pd.DataFrame({
        "session": list("abcdefg"), "strength_unit": ["mg/L"] * 6 + ["mL/L product"],
        "exposure_min": [10.0, 10.0, 11.0, 12.0, 30.0, 5.0, 10.0], "randomised": [True] * 7,
    })  # fmt: skip
    baths = usual_baths("A", rows)
    assert (baths.unit, baths.minutes) == ("mg/L", (10.0, 10.0, 12.0))
    assert baths.sessions == frozenset("abcd")
    assert (baths.other_minutes, baths.other_unit, baths.randomised) == (2, 1, True)
    assert baths.exposure == "10 to 12 minutes, mostly 10"


def _true_kill(agent, pest, stage):
    shape = TRUTH["agents"][agent]["kill_curve"][pest]
    if "ec50" not in shape or stage == "egg":
        return None
    odds = TRUTH["juvenile_odds"] if stage == "juvenile" else 1.0
    return shape["ec50"] / odds ** (1 / shape["slope"])


def test_planted_lc50s_are_recovered(answer):
    held, said = [], 0
    for cell in answer.kill:
        truth = _true_kill(cell.baths.agent, cell.keys["pest"], cell.keys["stage"])
        if truth is None or cell.refusal or cell.middle.estimate is None or cell.baths.agent == "iodine-soak":
            continue  # iodine has a weak bottle: its log's strengths are not what went in
        said += 1
        low = cell.middle.low if cell.middle.low is not None else 0.0
        high = cell.middle.high if cell.middle.high is not None else np.inf
        held.append(low <= truth <= high)
        assert truth / 2.5 < cell.middle.estimate < 2.5 * truth, cell.name
    assert said >= 4
    assert np.mean(held) >= 0.75


def test_planted_windows_are_not_overstated(answer):
    true = TRUTH["windows"]
    found = 0
    for cell in answer.windows:
        window, agent = cell.window, cell.baths.agent
        if agent not in true or window.low is None or cell.stage == "juvenile":
            continue
        edges = true[agent]["pests"][cell.pest]
        assert not edges["empty"], cell.name
        assert window.low >= 0.9 * edges["low"], cell.name
        assert window.high <= 1.1 * edges["high"], cell.name
        found += 1
    assert found >= 1
    empty = [w for w in answer.windows if w.baths.agent == "iodine-soak"]
    assert empty
    assert all(w.window.low is None for w in empty)


def test_planted_exponent_is_covered(answer):
    exponent = TRUTH["agents"]["peroxide-short"]["kill_curve"]["red-acoel"]["exponent"]
    cells = [c for c in answer.minutes if c.agent == "peroxide-short" and c.exponent.low is not None]
    assert cells
    held = [c.exponent.low <= exponent <= c.exponent.high for c in cells]
    assert any(held)
    assert {c.agent for c in answer.minutes} == {"peroxide-short"}  # nobody else varied the exposure


def test_a_lone_jump_in_strength_is_left_out_and_named(demo_log, answer):
    jumps = {w.session for w in demo_log.warnings if w.code == "strength_jump"}
    assert set(answer.doubted) == jumps
    for cell in answer.kill:
        if cell.baths.agent == "salt-step":
            assert cell.curve.tried[1] < 30_000
    assert answer.doubted[0] in trust_sentence(answer)


def test_not_randomised_unless_every_session_was_dealt_by_lot(demo_log, answer):
    assert trust_sentence(answer).startswith("Not randomised")
    by_agent = {b.agent: b.randomised for b in answer.baths}
    assert by_agent["salt-step"]
    assert not by_agent["oil-drip"]
    drawn = replace(answer, baths=tuple(replace(b, randomised=True) for b in answer.baths))
    assert trust_sentence(drawn).startswith("Every session used was randomised.")
    kinds = {row[0]: row[-1] for row in window_table(answer).rows}
    assert (kinds["salt-step"], kinds["oil-drip"]) == ("randomised", "not randomised")


def test_numbers_on_the_page_are_those_of_results(answer):
    payload = json.loads(json.dumps(answer.to_json(), allow_nan=False))
    assert {cell["coral_group"] for cell in payload["loss"]} >= {"sps", ANY_CORAL}
    for cell in payload["windows"]:
        assert cell["empty"] == (cell["low"]["estimate"] is None)
        if cell["empty"]:
            assert cell["low"]["reason"]
        else:
            assert cell["high"]["estimate"] / cell["low"]["estimate"] == pytest.approx(cell["ratio"]["estimate"])
    for cell in payload["kill"]:
        assert cell["minutes"] > 0
        assert {"estimate", "low", "high", "confidence_level"} <= set(cell["lc50"])
        assert "ec50" not in cell
    assert all("ec50" in cell for cell in payload["removed"])
    shown = {(w["agent"], w["pest"], w["stage"], w["coral_group"]): w for w in payload["windows"]}
    for row, cell in zip(window_table(answer).rows, answer.windows, strict=True):
        number = shown[cell.baths.agent, cell.pest, cell.stage, cell.coral_group]
        if not number["empty"]:
            assert row[3].startswith(strength_text(number["low"]["estimate"]))


def test_no_concentration_is_read_outside_the_strengths_tried(answer):
    for cell in answer.kill + answer.removed + answer.loss:
        low, high = cell.curve.tried
        for value in (cell.middle, cell.far):
            for end in (value.estimate, value.low, value.high):
                if not cell.refusal:
                    assert end is None or low * (1 - 1e-9) <= end <= high * (1 + 1e-9), cell.name


def test_charts_keep_the_sham_apart_and_say_concentration(answer):
    fig, axes = figure(height=panels_height(answer), rows=panel_rows(answer), columns=2)
    draw_windows(axes, answer)
    panels = [ax for ax in np.ravel(axes) if ax.axison]
    assert len(panels) == len(answer.shown) > 0
    for ax, cell in zip(panels, answer.shown, strict=True):
        assert ax.get_xscale() == "log"
        assert ax.get_xlabel().startswith("concentration, ")
        assert "minutes" in ax.get_xlabel()
        assert "dose" not in ax.get_xlabel() + ax.get_title()
        assert ax.get_xticklabels()[0].get_text() == "sham"
        tried = min(cell.kill.curve.tried[0], cell.loss.curve.tried[0])
        assert ax.get_xticks()[0] < 0.9 * tried
        for band in ax.collections:
            if type(band).__name__ == "FillBetweenPolyCollection":
                x = band.get_paths()[0].vertices[:, 0]
                assert x.min() >= tried * (1 - 1e-9)
    fig.canvas.draw()


def test_charts_say_words_where_there_is_nothing(small):
    answer = answer_dose_response(small, month="2026-10", as_of=str(AS_OF))
    assert (panel_rows(answer), answer.shown) == (1, ())
    _, axes = figure(rows=1, columns=2)
    draw_windows(axes, answer)
    assert "Too few" in axes[0].texts[0].get_text()
    _, ax = figure()
    draw_minutes(ax, answer.minutes)
    assert "No map" in ax.texts[0].get_text()
    assert "Too few" in strength_captions(answer)["windows"]["alt"]
    assert ".." not in strength_captions(answer)["minutes"]["caption"]


def test_map_and_words_of_the_demo(answer):
    fig, ax = figure()
    draw_minutes(ax, answer.minutes)
    assert ax.get_xlabel().startswith("concentration, ")
    fig.canvas.draw()
    captions = strength_captions(answer)
    assert set(captions) == {"windows", "minutes"}
    assert "sessions" in captions["windows"]["caption"]
    assert "95 %" in captions["windows"]["caption"]
    assert "LC50" in links_sentence(answer)
    for table in (window_table(answer), curve_table(answer, answer.loss, caption="Loss"), minutes_table(answer)):
        assert "nan" not in table.to_html().replace("nano", "")
    _, ax = figure()
    draw_window(ax, answer.windows[0])


def test_strengths_are_printed_to_three_digits():
    assert [strength_text(v) for v in (0.24251, 3.0, 31.44, 2048.7)] == ["0.243", "3.00", "31.4", "2\u202f049"]
    open_end = Estimate(estimate=2.0, low=1.0, high=None, reason="upper limit beyond the strengths tried")
    assert strength_estimate(open_end) == "2.00 (1.00 or more)"
    assert strength_estimate(cannot_say("no sham")) == "no sham"


def test_a_coral_group_called_all_corals_is_not_counted_twice(demo_log, answer):
    """A farm that does not tell corals apart may write "all corals" in every row: the same figures as for them all."""
    month = {"month": MONTH, "as_of": DAY, "window_months": 15}
    same = answer_dose_response(replace(demo_log, trays=demo_log.trays.assign(coral_group="all corals")), **month)
    assert {cell.keys["coral_group"] for cell in same.loss} == {"all corals"}
    for cell, other in zip(same.loss, (c for c in answer.loss if c.keys["coral_group"] == "all corals"), strict=True):
        assert cell.baths.agent == other.baths.agent
        assert cell.curve.n.sum() == pytest.approx(other.curve.n.sum(), rel=0.01)  # pieces sold early weigh by group
    assert {w.coral_group for w in same.windows} == {"all corals"}
