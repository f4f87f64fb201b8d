"""The page on log quality and the watch, end to end: the demo's planted faults, quiet farms, causes, cautions."""

import ast
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.period import period_of
from afterdip.answers.quality import answer_quality
from afterdip.answers.quality_advice import ADVICE
from afterdip.answers.watch_causes import CANNOT, DOES_NOT, FITS, Suspects, causes_of
from afterdip.answers.watch_series import Rows
from afterdip.charts.monitoring import draw_baths, draw_bottles, draw_effects, draw_watch, draw_weeks
from afterdip.charts.quality import draw_recorded
from afterdip.charts.style import figure
from afterdip.log import read_log
from afterdip.monitoring import expected_shares
from afterdip.tables.monitoring import (
    ageing_table,
    baths_table,
    bottles_table,
    causes_table,
    effects_table,
    watch_captions,
    watch_sentence,
    watch_table,
)
from afterdip.tables.quality import (
    hazards_table,
    listed_table,
    pieces_table,
    quality_captions,
    quality_sentence,
    recorded_table,
    warnings_table,
)
from afterdip.tally.monitoring import tally_watch
from afterdip.tally.quality import conservation, moves_not_written, tally_hazards, tally_records
from afterdip.tally.survival import tally_survival
from builders import AS_OF, small_log, write_log

DEMO = Path(__file__).parents[1] / "data" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text())
WHEN = {"month": TRUTH["month"], "as_of": TRUTH["as_of"]}


@pytest.fixture(scope="module")
def demo():
    return answer_quality(read_log(DEMO / "log", as_of=TRUTH["as_of"]), **WHEN)


@pytest.fixture
def small(tmp_path):
    def build(change=lambda tables: None):
        tables = small_log()
        change(tables)
        return read_log(write_log(tables, tmp_path), as_of=AS_OF)

    return build


# --- the demo's planted faults ----------------------------------------------------------------------------------------


def test_the_weak_bottle_is_found_and_no_other(demo):
    planted = TRUTH["weak_lot"]
    found = [b for b in demo.watch.bottles if b.alarm]
    assert [(b.agent, b.lot, b.outcome) for b in found] == [(planted["agent"], planted["lot"], "kill")]
    bottle = found[0]
    assert bottle.acts_like.low < planted["strength_factor"] < bottle.acts_like.high < 1
    assert bottle.difference.high < 0
    verdicts = {cause.name: cause.verdict for cause in bottle.causes}
    assert verdicts["weak bottle"] == FITS
    assert {verdicts[name] for name in ("tired bath", "a pest that resists", "slips in mixing")} == {DOES_NOT}
    words = next(cause.why for cause in bottle.causes if cause.name == "weak bottle")
    assert "bottle and time go together" in words  # the demo's bottles follow one another


def test_the_drift_is_of_the_weak_bottle_alone(demo):
    alarms = [(w.series.agent, w.series.outcome) for w in demo.watch.watched if w.alarm]
    assert alarms == [(TRUTH["weak_lot"]["agent"], "kill")]
    since = next(w.since for w in demo.watch.watched if w.alarm)
    assert TRUTH["weak_lot"]["from"] <= since <= TRUTH["month"] + "-31"


def test_the_tired_bath_is_found(demo):
    planted = TRUTH["tired_bath"]
    (bath,) = demo.watch.baths
    assert bath.agent == planted["agent"]
    assert bath.alarm
    assert bath.life.fall.high < 0
    kill = planted["kill_of_red_acoel_at_pieces_per_l"]
    for load in (1, 2, 4):
        at = int(np.argmin(np.abs(bath.life.load - load)))
        assert bath.life.low[at] < kill[str(load)] < bath.life.high[at]
    # a fresh bath kills 93 % at best, the target is 95 %: it never reaches it, and holds near fresh for about a piece
    assert bath.life.serves_to is None
    assert 0 < bath.change_at < 2


def test_what_to_do_names_both(demo):
    todo = demo.to_json()["actions"]
    assert all(item.keys() == {"due", "what", "why", "page", "touches"} for item in todo)
    what = [item["what"] for item in todo]
    assert f"Take bottle {TRUTH['weak_lot']['lot']} of {TRUTH['weak_lot']['agent']} out of use" in what
    assert any(w.startswith(f"Change the bath of {TRUTH['tired_bath']['agent']}") for w in what)
    assert "protection" in what[0]  # what can hurt people comes first


def test_planted_slips_are_listed_with_what_to_do(demo):
    codes = {
        "separates without agitation": "no_agitation", "signal word danger, no protection": "no_ppe",
        "fewer rinses than needed": "too_few_rinses", "exposure over the farm's limit": "over_max_minutes",
        "coral group the agent is not for": "not_for",
    }  # fmt: skip
    log = read_log(DEMO / "log", as_of=TRUTH["as_of"])
    month = log.sessions[log.sessions["date"].dt.strftime("%Y-%m") == TRUTH["month"]]["session"]
    planted = {(f["session"], codes[f["flaw"]]) for f in TRUTH["flaws"] if f["flaw"] in codes}
    due = {pair for pair in planted if pair[0] in set(month)}
    assert len(due) >= 5
    assert due == {(s, h.kind) for h in demo.hazards if h.kind in codes.values() for s in h.sessions}
    assert due <= {(w.session, w.code) for w in demo.listed}


def test_the_same_farm_without_its_faults_raises_no_alarm(monkeypatch, tmp_path):
    """The demo's seed again, its bottle at full strength and its baths tireless: the same draws, nothing planted."""
    from afterdip.demo import season, truth
    from afterdip.demo.files import demo_tables, write_tables

    monkeypatch.setattr(season, "WEAK_FACTOR", 1.0)
    monkeypatch.setattr(truth, "TIRED", 0.0)
    write_tables(tmp_path, demo_tables()[0])
    quiet = answer_quality(read_log(tmp_path, as_of=TRUTH["as_of"]), **WHEN)
    assert quiet.watch.tests >= 25
    assert quiet.watch.alarms == 0
    assert "No alarm." in watch_sentence(quiet.watch)
    assert not any("bottle" in item["what"] or "Change the bath" in item["what"] for item in quiet.to_json()["actions"])


# --- causes -----------------------------------------------------------------------------------------------------------


def kill_frame(chance, *, seed=1, m=72, overlapping=False, pests=2, shared=False):
    """Baths of one agent in time order, the last 18 from bottle B; `chance(new, served, pest, bath)` is the kill."""
    r = np.random.default_rng(seed)
    rows = []
    for i in range(m):
        new = i >= m - 18
        lot = ("B" if i % 2 else "A") if overlapping and i >= m - 36 else ("B" if new else "A")
        served = float(i % 4) if shared else 0.0
        bath = f"m{i // 4}" if shared else f"s{i}"
        for pest in range(pests):
            n = 12
            day = pd.Timestamp("2026-01-01") + pd.Timedelta(days=3 * i)
            p = chance(new=lot == "B" if overlapping else new, served=served, pest=pest, bath=i)
            rows.append((f"s{i}", bath, lot, day, f"pest {pest}", served, shared, n, r.binomial(n, p)))
    names = ["session", "bath", "lot", "date", "pest", "served_per_l", "shared", "trials", "events"]
    frame = pd.DataFrame(rows, columns=names).assign(strength=10.0)
    kinds = (frame["pest"].to_numpy()[:, None] == frame["pest"].unique()[None, :]).astype(float)
    design, spread = np.column_stack([np.ones(len(frame)), kinds]), np.r_[np.inf, np.full(pests, 1.5)]
    share = expected_shares(design, frame["events"], frame["trials"], spread=spread)
    return Rows(frame.assign(share=share), design, spread)


def weigh(rows, suspect, lot):
    return {c.name: c.verdict for c in causes_of(Suspects(rows, suspect), lot=lot)}


def test_a_weak_bottle_beside_good_ones():
    rows = kill_frame(lambda new, **_: 0.4 if new else 0.9, overlapping=True)
    found = weigh(rows, (rows.frame["lot"] == "B").to_numpy(), "B")
    assert found == {"weak bottle": FITS, "tired bath": DOES_NOT, "a pest that resists": DOES_NOT,
                     "slips in mixing": DOES_NOT}  # fmt: skip


def test_all_bottles_weak_at_once_is_no_weak_bottle():
    rows = kill_frame(lambda bath, **_: 0.5 if bath >= 36 else 0.9, overlapping=True)
    late = rows.frame["date"] >= rows.frame["date"].iloc[72]  # both bottles in use
    found = {c.name: c for c in causes_of(Suspects(rows, late.to_numpy()), lot=None)}
    assert found["weak bottle"].verdict == DOES_NOT
    assert "A, B fell short alike" in found["weak bottle"].why


def test_a_resistant_pest():
    rows = kill_frame(lambda new, pest, **_: 0.3 if new and pest == 0 else 0.9)
    found = {c.name: c for c in causes_of(Suspects(rows, (rows.frame["lot"] == "B").to_numpy()), lot="B")}
    assert found["a pest that resists"].verdict == FITS
    assert "only pest 0 fell short" in found["a pest that resists"].why


def test_one_kind_of_pest_cannot_tell():
    rows = kill_frame(lambda new, **_: 0.4 if new else 0.9, pests=1)
    assert weigh(rows, (rows.frame["lot"] == "B").to_numpy(), "B")["a pest that resists"] == CANNOT


def test_a_tired_bath():
    rows = kill_frame(lambda new, served, **_: 0.9 - 0.25 * served * new, shared=True)
    found = weigh(rows, (rows.frame["lot"] == "B").to_numpy(), "B")
    assert found["tired bath"] == FITS


def test_two_slips():
    rows = kill_frame(lambda new, bath, **_: 0.0 if bath in (60, 66) else 0.9)
    found = {c.name: c for c in causes_of(Suspects(rows, (rows.frame["lot"] == "B").to_numpy()), lot="B")}
    assert found["slips in mixing"].verdict == FITS
    assert "s60, s66" in found["slips in mixing"].why
    assert "strength" not in found["slips in mixing"].why
    rows.frame.loc[rows.frame["session"] == "s60", "strength"] = 1.0  # written a tenth: seen, and named
    again = causes_of(Suspects(rows, (rows.frame["lot"] == "B").to_numpy()), lot="B")
    assert "unlike any other bath's in session s60;" in next(c.why for c in again if c.name == "slips in mixing")


# --- audit ------------------------------------------------------------------------------------------------------------


def test_every_warning_of_a_valid_log_has_advice():
    """Codes as the log's own modules write them: the last text given to note() and at_session(), and code=..."""
    found = set()
    for path in (Path(__file__).parents[1] / "analysis/afterdip/log").glob("*.py"):
        for call in (n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Call)):
            words = {k.arg: k.value for k in call.keywords}
            if isinstance(call.func, ast.Attribute) and call.func.attr in ("note", "at_session"):
                found |= {a.value for a in call.args[3:] if isinstance(a, ast.Constant) and isinstance(a.value, str)}
            if getattr(words.get("kind"), "value", "") == "warning" and isinstance(words.get("code"), ast.Constant):
                found.add(words["code"].value)
    assert len(found) >= 13
    assert found <= set(ADVICE)
    assert {"coral_spelling", "pest_spelling"} <= set(ADVICE)  # these go by a variable


def test_pieces_add_up_by_hand(small):
    log = small()
    tally = tally_survival(log)
    whole = conservation(log, tally, np.ones(len(tally.trays), bool))
    # first dips: T01 20, T02 15, T03 20, T04 8, T06 12, T07 12; T05's 18 came from T01 and are not counted again
    assert whole.pieces == 87
    assert (whole.dead, whole.detached, whole.removed) == (1 + 1 + 1 + 2, 1 + 1, 2)
    assert whole.alive == 17 + 13 + 19 + 7 + 10 + 12
    assert (whole.never_checked, whole.balance, whole.redipped, whole.longest) == (0, 0, 18, 2)
    assert moves_not_written(log).empty


def test_a_move_not_written_down_is_told(small):
    def forget(tables):
        checks = tables["checks"]
        row = (checks["tray"] == "T01") & (checks["checked"] == "2026-10-05")
        tables["checks"] = checks[~row]

    log = small(forget)
    missing = moves_not_written(log)
    assert missing[["tray", "came", "removed"]].values.tolist() == [["T01", 18, 0]]
    tally = tally_survival(log)
    assert conservation(log, tally, np.ones(len(tally.trays), bool)).balance == 0
    assert answer_quality(log, month="2026-10", as_of=str(AS_OF)).unwritten == 18


def test_hazards_by_hand(small):
    def slip(tables):
        sessions = tables["sessions"].set_index("session")
        sessions.loc["003", ["agitation", "rinses"]] = ["none", "1"]
        sessions.loc["005", ["ppe", "note"]] = ["partial", ""]
        tables["sessions"] = sessions.reset_index()

    found = tally_hazards(small(slip))
    assert found[["session", "kind"]].values.tolist() == [
        ["003", "no_agitation"], ["003", "too_few_rinses"], ["005", "no_order"], ["005", "partial_ppe"],
    ]  # fmt: skip


def test_a_note_of_the_order_is_enough(small):
    def noted(tables):
        sessions = tables["sessions"].set_index("session")
        sessions.loc["005", "note"] = "order of the veterinarian, 2026-10-05"
        tables["sessions"] = sessions.reset_index()

    assert tally_hazards(small(noted)).empty


def test_records_by_hand(small):
    records = tally_records(small()).set_index("session")
    assert records["pests counted, done"].tolist() == [1, 1, 0, 0, 1, 0]
    assert records["bottle number, done"].tolist() == [1, 0, 1, 1, 0, 0]
    assert records["bottle number, due"].tolist() == [1, 0, 1, 1, 1, 0]
    assert records["bath temperature, done"].tolist() == [1, 1, 1, 1, 1, 0]
    assert records["labour, done"].tolist() == [1, 0, 0, 1, 0, 0]
    assert records["trays checked when due, done"].tolist() == records["trays"].tolist()


def test_what_a_bath_had_served(small):
    def share(tables):
        sessions = tables["sessions"].set_index("session")
        sessions.loc[["001", "004"], "mix"] = "M9"
        sessions.loc[["001", "004"], "mixed"] = "2026-09-07T09:00"
        sessions.loc["004", ["bath_volume", "amount"]] = ["10", "600"]
        tables["sessions"] = sessions.reset_index()

    found = tally_watch(small(share)).sessions.set_index("session")
    assert found.loc["001", "bath"] == found.loc["004", "bath"] != found.loc["003", "bath"]
    assert found.loc["001", "served_per_l"] == 0
    assert found.loc["004", "served_per_l"] == pytest.approx(35 / 10)  # T01 and T02 went through first
    assert found.loc["001", "hours"] == pytest.approx(0.5)
    assert found.loc["004", "days_open"] == 28  # bottle L-77 since 7 September
    assert found["shared"].tolist() == [True, False, False, True, False, False]


def test_days_before_the_dip(small):
    trays = tally_watch(small()).trays
    assert trays["held_days"].tolist()[:4] == [2.0, pytest.approx(np.nan, nan_ok=True), 2.0, 2.0]
    assert trays["wound_days"].tolist()[1] == 6.0
    assert np.isnan(trays.loc[trays["redip"], "held_days"]).all()


# --- page -------------------------------------------------------------------------------------------------------------


def test_a_small_log_gets_words_not_numbers(small):
    answer = answer_quality(small(), month="2026-10", as_of=str(AS_OF))
    assert answer.watch.alarms == 0
    assert answer.watch.tests == 0
    assert all(w.drift.p is None and w.drift.reason for w in answer.watch.watched)
    assert all(not e.change.known and e.change.reason for e in answer.watch.effects)
    draw_all(answer)


def test_a_month_without_sham_is_asked_for_one_in_a_part_of_its_own(small):
    """So that the first page, which shows the first of each part, cannot drop it behind slips of handling."""

    def change(tables):
        sham = tables["sessions"]["agent"] == "SHAM"
        tables["sessions"].loc[sham, ["agent", "amount", "amount_unit"]] = ["IOD", "30", "mL"]
        tables["sessions"].loc[4, "ppe"] = "no"  # POW, danger

    found = answer_quality(small(change), month="2026-10", as_of=str(AS_OF)).to_json()["actions"]
    pages = {item["what"]: item["page"] for item in found}
    assert pages["Put some trays through a sham dip"] == "quality.html#what-should-be-mended-in-the-log"
    assert pages["Wear the protection the label asks for with POW"] == "quality.html"
    assert list(pages).index("Put some trays through a sham dip") == 1


def test_shams_too_few_to_tell_what_dips_cost_are_asked_for_by_number(small, demo):
    def asked(answer):
        return answer.window_shams, [a["why"] for a in answer.to_json()["actions"] if " sham dip in " in a["what"]]

    few = answer_quality(small(), month="2026-10", as_of=str(AS_OF))
    assert asked(few) == (2, ["2 sham sessions so far: 5 are needed to tell what dips cost"])
    enough, nothing = asked(demo)
    assert enough >= 5
    assert nothing == []


def test_a_month_without_sessions_is_a_page_too(small):
    answer = answer_quality(small(), month="2024-01", as_of=str(AS_OF))
    assert (answer.sessions, answer.pieces_window.pieces) == (0, 0)
    assert answer.watch.watched == ()
    json.dumps(answer.to_json(), allow_nan=False)
    draw_all(answer)


def draw_all(answer):
    """Draw every figure and write every table of the page; return the tables' text."""
    watch = answer.watch
    for draw, what in (
        (draw_watch, (watch.losses,)), (draw_watch, (watch.kills,)), (draw_weeks, (watch.weeks[0],)),
        (draw_weeks, (watch.weeks[1],)), (draw_bottles, (watch.killing_bottles,)), (draw_effects, (watch.effects,)),
        (draw_recorded, (answer.recorded, answer.weeks)),
    ):  # fmt: skip
        fig, ax = figure()
        draw(ax, *what)
        fig.canvas.draw()
    fig, ax = figure()
    draw_baths(ax, watch.baths, target=watch.target_kill)
    fig.canvas.draw()
    tables = [table(answer) for table in (warnings_table, listed_table, hazards_table, recorded_table, pieces_table)]
    tables += [table(watch) for table in (watch_table, causes_table, baths_table, ageing_table, effects_table)]
    tables += [bottles_table(watch, outcome=outcome) for outcome in ("kill", "loss")]
    captions = quality_captions(answer) | watch_captions(watch)
    assert all(caption["alt"].strip() for caption in captions.values())
    return quality_sentence(answer) + watch_sentence(watch) + "".join(table.to_html() for table in tables)


def test_the_demo_page_says_what_the_numbers_say(demo):
    text = draw_all(demo)
    document = demo.to_json()
    json.dumps(document, allow_nan=False)
    assert "at most 1 of 20 monthly reports" in text
    assert document["watch"]["false_alarms"] == 0.05
    assert document["watch"]["level"] == pytest.approx(0.05 / document["watch"]["tests"])
    bottle = next(b for b in demo.watch.bottles if b.alarm)
    assert f"{bottle.events:.0f} of {bottle.trials:.0f}" in text
    for word in ("veterinarian", "local codes", "safety data sheet"):
        assert word in text
    assert document["pieces_window"]["balance"] == 0


def test_silence_for_want_of_baths_is_not_called_no_alarm(demo):
    """A watch that could test nothing says so; "no alarm" is for one that looked."""
    blind = watch_sentence(replace(demo.watch, watched=(), bottles=(), baths=(), tests=0))
    assert "No alarm is possible" in blind
    assert "at most 1 of" not in blind
    assert "The one alarm of this page is set" in watch_sentence(replace(demo.watch, tests=1))


def test_a_bottle_alone_has_no_other_to_be_set_against(demo):
    alone = replace(next(b for b in demo.watch.bottles if b.outcome == "kill" and b.in_month), p=None, alarm=False)
    for bottles, how in (
        ((alone,), "no other bottle recorded"),
        ((alone, replace(alone, lot="another")), "too few baths"),
    ):
        table = bottles_table(replace(demo.watch, bottles=bottles), outcome="kill")
        assert {row[table.columns.index("how unusual")] for row in table.rows} == {how}


def test_one_of_a_thing_is_said_in_the_singular(demo):
    one = quality_sentence(replace(demo, sessions=1, sham_sessions=0, trays=1, pieces=1, warnings=()))
    assert one.startswith(f"1 session in {demo.month}, 0 of them sham dips; 1 tray, 1 piece. The log has 0 warnings")


def test_the_window_is_what_is_watched(demo):
    period = period_of(TRUTH["month"])
    for w in demo.watch.watched:
        assert period.in_window(w.series.baths["date"]).all()
        assert (w.drift.recent == period.in_month(w.series.baths["date"]).to_numpy()).all()
