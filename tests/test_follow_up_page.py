"""From a log to what is due: lots, dates on a calendar, releases, the commands and the calendar file."""

import datetime
import json
from dataclasses import replace

import icalendar
import pandas as pd
import pytest

from afterdip.answers.follow_up import LISTED, actions, answer_follow_up, wanted
from afterdip.answers.period import date_of, day_of
from afterdip.answers.release_looks import counting_looks
from afterdip.charts.follow_up import draw_calendar, draw_release
from afterdip.charts.style import figure
from afterdip.cli import main
from afterdip.log import read_log
from afterdip.report.strict import dumps, plain
from afterdip.tables import follow_up as tables
from afterdip.tables.ics import calendar_file
from afterdip.tally.follow_up import tally_counted_twice, tally_lots
from builders import small_log, write_log

AS_OF = "2026-11-20"
NUDIBRANCH = """
[pests.nudibranch]
hatch_days_latest = 14
first_laying_days_earliest = 21
at_temperature_c = 27
source = "invented for tests"

[release]
inspection_sensitivity = 0.85
"""


def make(tmp_path, change=lambda tables: None, *, as_of=AS_OF, warm=True):
    tables = small_log()
    if warm:
        tables["farm"] = tables["farm"].replace("water_temperature_c = 25.5", "water_temperature_c = 27") + NUDIBRANCH
    change(tables)
    folder = tmp_path / f"log-{len(list(tmp_path.iterdir()))}"
    return read_log(write_log(tables, folder), as_of=as_of)


def ask(log, as_of=AS_OF, **more):
    return answer_follow_up(log, month="2026-10", as_of=as_of, **more)


def append(tables, name, text):
    """Add rows to a table; `text` has the table's first columns, commas between them."""
    columns = list(tables[name].columns)
    rows = [line.split(",") for line in text.strip().splitlines()]
    new = pd.DataFrame([row + [""] * (len(columns) - len(row)) for row in rows], columns=columns)
    tables[name] = pd.concat([tables[name], new], ignore_index=True)


def lot_c(looks="2026-10-21 2026-10-30", *, stages="any", examined=10, alive=0):
    """A lot of 10 Montipora dipped on 2026-10-05; looked at on those days, `alive` found on the last of them."""

    def change(tables):
        append(tables, "sessions", "007,2026-10-05T15:00,IOD,30,mL,10,L,10")
        append(tables, "trays", "T08,007,Montipora digitata,sps,10,arrival,lot C,2026-10-04,,good,,Q1")
        rows, last = [], looks.split()[-1:]
        for day in looks.split():
            append(tables, "checks", f"T08,{day},10,0,0,0")
            found = alive if [day] == last else 0
            rows += [f"T08,nudibranch,{s},later,{day},{examined},{found},0,{min(found, 1)}" for s in stages.split()]
        for row in rows:
            append(tables, "pests", row)

    return change


def row_of(rows, **keys):
    (row,) = [row for row in rows if all(getattr(row, name) == value for name, value in keys.items())]
    return row


# --- lots


def test_lots_in_hand(tmp_path):
    tally = tally_lots(make(tmp_path), as_of=AS_OF)
    lots = dict(zip(tally.trays["tray"], tally.trays["lot"], strict=True))
    assert lots == {
        "T02": "M7, cut in the week of 2026-08-31", "T03": "lot A, arrived 2026-09-05",
        "T04": "lot B, arrived 2026-09-19", "T05": "lot A, arrived 2026-09-05",
        "T06": "M2, cut in the week of 2026-09-28", "T07": "M2, cut in the week of 2026-09-28",
    }  # fmt: skip
    pieces = dict(zip(tally.trays["tray"], tally.trays["pieces"], strict=True))
    assert pieces == {"T02": 13, "T03": 19, "T04": 7, "T05": 17, "T06": 10, "T07": 12}  # T01's pieces went on as T05
    assert (tally.quiet_lots, tally.quiet_pieces) == (0, 0)
    assert tally.dips[["tray", "place", "session"]].to_numpy().tolist() == [
        ["T02", 0, "001"], ["T04", 0, "003"], ["T05", 0, "001"], ["T05", 1, "004"], ["T06", 0, "005"],
    ]  # fmt: skip  # sham dips (T03, T07) are none


def test_pieces_moved_without_a_word_are_not_in_two_trays(tmp_path):
    def forget(tables):
        checks = tables["checks"]
        tables["checks"] = checks[~((checks["tray"] == "T01") & (checks["checked"] == "2026-10-05"))]

    tally = tally_lots(make(tmp_path, forget), as_of=AS_OF)
    assert "T01" not in set(tally.trays["tray"])


def test_quiet_lots_are_counted_and_left_out(tmp_path):
    log = make(tmp_path)
    tally = tally_lots(log, as_of=AS_OF, in_hand_days=40)
    assert (tally.quiet_lots, tally.quiet_pieces) == (1, 13)  # M7, last looked at 44 days ago
    assert "T02" not in set(tally.trays["tray"])
    assert set(tally_lots(log, as_of=AS_OF, system="q2").trays["tray"]) == {"T04"}


def test_without_source_or_date_a_tray_is_a_lot(tmp_path):
    def strip(tables):
        tables["trays"].loc[tables["trays"]["tray"] == "T04", ["arrived"]] = ""
        tables["trays"].loc[tables["trays"]["tray"] == "T02", ["source"]] = ""

    tally = tally_lots(make(tmp_path, strip), as_of=AS_OF)
    lots = dict(zip(tally.trays["tray"], tally.trays["lot"], strict=True))
    assert (lots["T04"], lots["T02"]) == ("tray T04", "tray T02")


# --- dips due, by hand on a calendar


def test_a_gap_too_long_begins_the_series_again(tmp_path):
    """Dips on 7 September and 5 October: 28 days apart, 26 allowed. The next was due by 31 October."""
    row = row_of(ask(make(tmp_path)).redips, tray="T05")
    assert [date_of(day) for day in row.dips] == ["2026-09-07", "2026-10-05"]
    assert (date_of(row.series.anchor), date_of(row.plan.latest), row.plan.status) == (
        "2026-10-05", "2026-10-31", "overdue",
    )  # fmt: skip
    assert [(date_of(d.day), date_of(d.latest)) for d in row.plan.dips] == [
        ("2026-11-20", "2026-11-20"), ("2026-12-06", "2026-12-16"),
    ]  # fmt: skip
    assert row.lot == "lot A, arrived 2026-09-05"
    assert "2026-10-31" in row.why


def test_the_same_dips_a_month_earlier(tmp_path):
    """As of 20 October: eggs laid up to 5 October hatch until the 20th, so one dip on the 21st, by the 31st."""

    def early(tables):
        for name, column in (("checks", "checked"), ("pests", "counted")):
            tables[name] = tables[name][tables[name][column] <= "2026-10-20"]

    row = row_of(ask(make(tmp_path, early, as_of="2026-10-20"), as_of="2026-10-20").redips, tray="T05")
    assert row.plan.status == "planned"
    assert [(date_of(d.day), date_of(d.latest)) for d in row.plan.dips] == [("2026-10-21", "2026-10-31")]
    assert date_of(row.plan.hatched_by) == "2026-10-21"


def test_a_sham_dip_is_no_dip(tmp_path):
    row = row_of(ask(make(tmp_path)).redips, tray="T03")
    assert (row.plan.status, row.dips, row.risk_so_far.reason) == ("not dipped", (), "no dip yet")


def test_water_away_from_the_figures_is_refused(tmp_path):
    """The small log's figures are for 27 C, its water has 25.5 C."""
    row = row_of(ask(make(tmp_path, warm=False)).redips, tray="T05")
    assert (row.plan.status, row.plan.dips) == ("unknown", ())
    assert "25.5 C" in row.why
    assert row_of(ask(make(tmp_path, warm=False)).redips, tray="T06").why.startswith("unknown: enter your figures")


def test_an_earlier_tray_without_the_pest_does_not_hide_its_lot(tmp_path):
    """T07 shares lot and coral with T06, where nudibranchs were found: it is due too, though nothing was counted."""
    pests = {(row.tray, row.pest) for row in ask(make(tmp_path)).redips}
    assert pests == {("T03", "flatworm"), ("T05", "flatworm"), ("T06", "nudibranch"), ("T07", "nudibranch")}


def test_survivors_on_the_pieces_begin_the_series_again(tmp_path):
    """T06 dipped on 6 October, adults left on the piece: due at once, by 26 October; what they lay counts from then."""

    def survivors(tables):
        on = (tables["pests"]["tray"] == "T06") & (tables["pests"]["moment"] == "on piece")
        tables["pests"].loc[on, "alive"] = "1"
        for name, column in (("checks", "checked"), ("pests", "counted")):
            tables[name] = tables[name][tables[name][column] <= "2026-10-12"]

    row = row_of(ask(make(tmp_path, survivors, as_of="2026-10-12"), as_of="2026-10-12").redips, tray="T06")
    assert (row.series.layers, row.plan.status, date_of(row.plan.latest)) == (True, "due", "2026-10-26")
    assert [date_of(d.day) for d in row.plan.dips] == ["2026-10-12", "2026-10-27"]


def test_risk_comes_from_the_farm_s_own_kill(tmp_path):
    """One session of each agent cannot say; the demo's many can."""
    row = row_of(ask(make(tmp_path)).redips, tray="T05")
    assert not row.risk_so_far.known
    assert "too few" in row.risk_so_far.reason


# --- release


def test_release_by_hand(tmp_path):
    """Dipped 5 October, hatched by the 20th: looks on the 21st and 30th count, 10 pieces each: 1 - 0.15 squared."""
    answer = ask(make(tmp_path, lot_c()))
    row = row_of(answer.releases, lot="lot C, arrived 2026-10-04")
    assert (date_of(row.counts_from), row.days_since_hatch, row.looks, row.examined) == ("2026-10-20", 31, 2, 20)
    assert row.confidence.estimate == pytest.approx(0.9775)
    assert row.probability.estimate == pytest.approx(1 / (2 - 0.9775))
    assert (row.decision, row.cause, row.share.high, row.ruled_out) == ("release", "sure enough", 0.1, 1)
    assert answer.released == ("lot C, arrived 2026-10-04",)


def test_what_the_looks_rule_out_is_not_what_they_leave(tmp_path):
    """1 or more of 10 is ruled out: fewer than 1; sure to 97.8 %, and never to 100 % however many the looks."""
    answer = ask(make(tmp_path, lot_c()))
    row = row_of(answer.releases, lot="lot C, arrived 2026-10-04")
    surer = replace(row, confidence=replace(row.confidence, estimate=0.99996))
    none = replace(row, decision="hold", ruled_out=10)  # nothing is ruled out
    lines = tables.release_table(answer, [row, surer, none], caption="a").rows
    said = [tuple(cell.replace("\u00a0", " ") for cell in line[4:6]) for line in lines]
    assert said == [
        ("97.8 %", "fewer than 1 of 10 (10.0 %)"), ("more than 99.9 %", "fewer than 1 of 10 (10.0 %)"),
        ("97.8 %", "up to 10 of 10"),
    ]  # fmt: skip


@pytest.mark.parametrize("change, cause, words", [
    (lot_c("2026-10-21 2026-10-26"), "looks", "1 more look, 8 pieces"),  # five days apart count once
    (lot_c("2026-10-18 2026-10-30"), "looks", "1 more look, 8 pieces"),  # the first came before the last hatch
    (lot_c(examined=5), "looks", "more look"),
    (lot_c(stages="adult"), "never examined", "young ones included"),  # hatchlings were not looked for
    (lot_c(alive=2), "living pests", "2026-10-30"),
    (lot_c(stages="adult", alive=2), "living pests", "2026-10-30"),  # seen is seen, whatever was not looked for
    (lot_c(""), "never examined", "not counted is not zero"),
])  # fmt: skip
def test_hold_and_why(tmp_path, change, cause, words):
    row = row_of(ask(make(tmp_path, change)).releases, lot="lot C, arrived 2026-10-04")
    assert (row.decision, row.cause) == ("hold", cause)
    assert words in row.reason


def test_adults_and_juveniles_together_are_a_whole_look(tmp_path):
    row = row_of(ask(make(tmp_path, lot_c(stages="adult juvenile egg"))).releases, lot="lot C, arrived 2026-10-04")
    assert (row.decision, row.looks) == ("release", 2)


def test_sensitivity_not_known(tmp_path):
    def blind(tables):
        lot_c()(tables)
        tables["farm"] = tables["farm"].replace("inspection_sensitivity = 0.85", "")

    answer = ask(make(tmp_path, blind))
    row = row_of(answer.releases, lot="lot C, arrived 2026-10-04")
    assert (row.decision, row.cause, row.confidence.known) == ("hold", "sensitivity", False)
    assert row.if_perfect.high == 0.1
    assert "at 100 % it would be fewer than 1 of 10 pieces" in row.reason  # one infested is what the looks rule out
    assert row_of(answer.eyes, pest="nudibranch").source == "unknown"


def test_a_lot_with_the_pest_leaves_only_after_its_series(tmp_path):
    def found(tables):
        lot_c()(tables)
        append(tables, "pests", "T08,nudibranch,any,bath,2026-10-05,10,0,3")

    row = row_of(ask(make(tmp_path, found)).releases, lot="lot C, arrived 2026-10-04")
    assert (row.decision, row.cause, row.found, row.counts_from) == ("hold", "series", 3, None)

    def finished(tables):
        found(tables)
        append(tables, "sessions", "008,2026-10-22T15:00,IOD,30,mL,10,L,10")
        append(tables, "trays", "T09,008,Montipora digitata,sps,10,re-dip,lot C,2026-10-04,,good,T08,Q1")
        for name, column in (("checks", "checked"), ("pests", "counted")):
            table = tables[name]
            tables[name] = table[~((table["tray"] == "T08") & (table[column] > "2026-10-22"))]
        for day in ("2026-10-30", "2026-11-08"):
            append(tables, "checks", f"T09,{day},10,0,0,0")
            append(tables, "pests", f"T09,nudibranch,any,later,{day},10,0,0,0")

    answer = ask(make(tmp_path, finished))
    row = row_of(answer.releases, lot="lot C, arrived 2026-10-04")
    assert date_of(row.counts_from) == "2026-10-23"  # after the last dip, which came after the last hatch (the 20th)
    assert (row.decision, row.looks, row_of(answer.redips, tray="T09").plan.status) == ("release", 2, "complete")


def test_a_coral_never_counted_for_anything_is_held(tmp_path):
    row = row_of(ask(make(tmp_path)).releases, lot="lot B, arrived 2026-09-19")
    assert (row.pest, row.decision, row.cause) == ("", "hold", "never examined")


def test_looks_that_count():
    looks = [(10, 1.0), (12, 0.5), (20, 0.5), (26, 0.9), (27, 0.01)]
    assert counting_looks(looks, 0, 10) == (10, 9)  # of the 20th and the 26th the larger
    assert counting_looks(looks, 11, 10) == (5, 9)
    assert counting_looks(looks, 27, 10) == ()  # 1 % of ten pieces is none of them
    assert counting_looks([(day, 1.0) for day in (3, 6, 9, 12, 17)], 0, 4) == (4, 4)  # the 3rd and the 12th
    assert counting_looks([(9, 1.0), (1, 0.55)], 0, 10) == (5, 10)


def test_counted_twice_by_hand(tmp_path):
    """Session 001: 12 adults seen on 20 pieces, then 2 + 7 in the bath, 1 rinsed off, 1 still on; no eggs, no sham."""
    twice = tally_counted_twice(make(tmp_path))
    columns = ["session", "pest", "stage", "seen", "found"]
    assert twice[columns].to_numpy().tolist() == [["001", "flatworm", "adult", 12, 11]]


def test_counted_twice_between_days_is_cut_from_the_whole(demo):
    since, until = pd.Timestamp("2026-03-01"), pd.Timestamp("2026-09-01")
    whole = tally_counted_twice(demo)
    inside = whole[(whole["date"] >= since) & (whole["date"] < until)].reset_index(drop=True)
    assert 0 < len(inside) < len(whole)
    pd.testing.assert_frame_equal(tally_counted_twice(demo, since=since, until=until), inside)


# --- the whole answer


@pytest.fixture(scope="module")
def demo():
    from afterdip.report.show import demo_log

    return read_log(demo_log(), as_of=AS_OF)


def test_row_order_does_not_matter(tmp_path):
    def shuffle(tables):
        lot_c()(tables)
        for name in ("sessions", "trays", "checks", "pests"):
            tables[name] = tables[name].sample(frac=1, random_state=3)

    one, two = ask(make(tmp_path, lot_c())), ask(make(tmp_path, shuffle))
    assert one.to_json() == two.to_json()


def test_a_log_without_pest_counts(tmp_path):
    answer = ask(make(tmp_path, lambda tables: tables.pop("pests")))
    assert answer.redips == ()
    assert {row.cause for row in answer.releases} == {"never examined"}
    assert answer.released == ()
    assert calendar_file(answer).count(b"BEGIN:VEVENT") == 0


@pytest.fixture(scope="module")
def demo_answer(demo):
    return ask(demo)


def test_every_number_can_be_written(demo_answer):
    document = json.loads(dumps(plain(demo_answer.to_json(), "follow_up")))
    assert document["lots"] == len({row["lot"] for row in document["releases"]})
    assert document["trust"][0].startswith("9 of 140 lots")  # as the table of causes counts them
    assert all(row["share"]["high"] > 0 for row in document["releases"] if row["share"]["estimate"] is not None)
    assert "clean" not in json.dumps(document)


def test_a_large_farm_s_lists_are_cut_and_counted(demo_answer):
    """The rows of five such farms in one: lists of a length that is read, counts of the whole."""
    large = replace(demo_answer, redips=demo_answer.redips * 5, releases=demo_answer.releases * 5)
    document, small = large.to_json(), demo_answer.to_json()
    for name in ("redips", "releases"):
        assert len(document[name]) == LISTED < document[f"{name}_in_all"] == 5 * len(small[name])
        assert len(small[name]) == small[f"{name}_in_all"]
    assert sum(row["pieces"] for row in document["held"]) == sum(row.pieces for row in large.releases)
    assert document["trays_by_status"] == small["trays_by_status"]  # a tray stands once, however many rows name it
    assert {row["pest"] for row in small["undated"]} == {r["pest"] for r in small["redips"] if r["status"] == "unknown"}


def test_actions_are_what_the_first_page_reads(demo, demo_answer):
    todo = actions(demo_answer)
    assert todo
    for item in todo:
        assert set(item) - {"touches"} == {"due", "what", "which", "why", "page"}  # as report/todo.py has it
        assert len(item["what"]) < 80  # the names of lots stand in `which`
        assert datetime.date.fromisoformat(item["due"]) >= datetime.date.fromisoformat(AS_OF)
        assert item["what"]
        assert "\n" not in item["what"]
    assert "overdue" in todo[0]["what"]
    assert actions(ask(demo, system="nowhere")) == []


def test_demo_truth_is_not_contradicted(demo_answer):
    """The demo's pests are seen with a chance of 0.9; what its farm counted twice must not say less or much more."""
    eyes = demo_answer.eyes
    assert len(eyes) == 4
    for eye in eyes:
        assert eye.estimated.known
        assert eye.estimated.low <= 0.9
        assert eye.estimated.estimate == pytest.approx(0.9, abs=0.03)


# --- printed, drawn, written


def test_tables_and_figures(demo_answer, tmp_path):
    for answer in (demo_answer, ask(make(tmp_path)), ask(make(tmp_path, lambda tables: tables.pop("pests")))):
        for table in (
            tables.lots_due_table(answer, caption="l"),
            tables.redip_table(answer, caption="a", each=3), tables.redip_table(answer, caption="a"),
            tables.unknown_table(answer, caption="b"), tables.lives_table(answer, caption="c"),
            tables.release_table(answer, answer.releases, caption="d"), tables.causes_table(answer, caption="e"),
            tables.eyes_table(answer, caption="f"),
        ):  # fmt: skip
            assert "nan" not in table.to_html().lower().replace("maintenance", "")
        assert "all of them are those to come" in tables.redip_table(answer, caption="a").note
        captions = tables.follow_up_captions(answer, rows=4)
        assert all(text.strip() for caption in captions.values() for text in caption.values())
        for figure_name, shown in (("calendar", tables.dated(answer, each=4)), ("release", tables.readable(answer, 8))):
            assert ("none that can be" in captions[figure_name]["caption"]) is not bool(shown)
        assert "clean" not in tables.release_sentence(answer).replace("clean bill", "")
        fig, ax = figure()
        draw_calendar(ax, tables.dated(answer, each=4), as_of=answer.as_of)
        fig.draw_without_rendering()
        fig, ax = figure()
        draw_release(ax, tables.readable(answer, 10), confidence_level=answer.confidence_level)
        fig.draw_without_rendering()


def test_the_list_to_take_along_names_every_tray_once_by_lot(demo_answer):
    """45 trays overdue, 7 never dipped, 7 due and 9 planned within the week are known to be here: the first page's."""
    table = tables.lots_due_table(demo_answer, caption="a")
    trays = [tray for row in table.rows for tray in row[1].split(", ")]
    asked = [int(item["what"].split(": ")[1].split()[0]) for item in actions(demo_answer)[:4]]
    assert len(trays) == sum(asked)
    pieces = {row.tray: row.pieces for row in demo_answer.redips}
    assert sum(int(row[2]) for row in table.rows) == sum(pieces[tray] for tray in trays)
    large = replace(demo_answer, redips=tuple(replace(r, lot=f"{i}") for i, r in enumerate(demo_answer.redips * 3)))
    cut = tables.lots_due_table(large, caption="a")
    assert (len(cut.rows), " more lots: the command afterdip redip prints every tray." in cut.note) == (100, True)


def test_a_planned_dip_has_one_last_day_on_both_pages(demo_answer):
    """The first page's day is the last one on which the dip still meets hatchlings, as in the follow-up's list."""
    (asked,) = (item for item in actions(demo_answer) if "planned from" in item["why"])
    rows = [row for row in wanted(demo_answer.redips, "planned", demo_answer.as_of) if not row.silent]
    lasts = {line[3].split(", by ")[1] for line in tables.lots_due_table(demo_answer, caption="a").rows
             if line[3].startswith("on ")}  # fmt: skip
    assert f"{asked['due']} at the latest" in lasts
    assert asked["due"] == min(row.to_json()["next_by"] for row in rows)
    first = datetime.date.fromisoformat(min(row.to_json()["planned"][0]["day"] for row in rows))
    assert f"planned from {first.day}\u00a0{first:%b} on" in asked["why"]


def test_nothing_to_draw_is_said_in_words():
    fig, ax = figure()
    draw_calendar(ax, (), as_of=AS_OF)
    assert ax.texts[0].get_text() == "No dip can be dated."
    fig, ax = figure()
    draw_release(ax, (), confidence_level=0.95)
    assert "No lot" in ax.texts[0].get_text()
    assert fig


def events(data):
    return list(icalendar.Calendar.from_ical(data).walk("VEVENT"))


def test_calendar_file(tmp_path):
    def awkward(tables):
        for name in ("trays", "checks", "pests"):
            tables[name] = tables[name].replace("T05", "T,05;\\x")

    answer = ask(make(tmp_path, awkward))
    data = calendar_file(answer)
    assert data == calendar_file(answer)
    found = events(data)
    dips = sum(len(row.plan.dips) for row in answer.redips)
    assert len(found) == dips > 0
    assert len({str(e["uid"]) for e in found}) == dips
    mine = [e for e in found if "T,05;\\x" in str(e["summary"])]
    assert [e.decoded("dtstart") for e in mine] == [datetime.date(2026, 11, 20), datetime.date(2026, 12, 6)]
    assert [e.decoded("dtend") for e in mine] == [datetime.date(2026, 11, 21), datetime.date(2026, 12, 7)]
    assert {e.decoded("dtstamp") for e in found} == {datetime.datetime(2026, 11, 20, tzinfo=datetime.UTC)}
    text = data.decode().replace("\r\n ", "")  # unfolded by hand: commas, semicolons and backslashes are escaped
    assert "SUMMARY:Dip 3: tray T\\,05\\;\\\\x\\, flatworm (17 pieces)" in text
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))


def test_uids_stay_when_the_day_moves(tmp_path):
    """The same dip of the same pieces keeps its UID, whenever the file is made and wherever the dip is planned."""

    def early(tables):
        for name, column in (("checks", "checked"), ("pests", "counted")):
            tables[name] = tables[name][tables[name][column] <= "2026-10-20"]

    one = calendar_file(ask(make(tmp_path, early, as_of="2026-10-20"), as_of="2026-10-20"))
    two = calendar_file(ask(make(tmp_path)))
    first, second = ({str(e["uid"]): e.decoded("dtstart") for e in events(data)} for data in (one, two))
    assert set(first) < set(second)
    assert any(first[uid] != second[uid] for uid in first)


def test_redip_command(tmp_path, capsys):
    log, ics = write_log(small_log(), tmp_path / "log"), tmp_path / "dips.ics"
    assert main(["redip", str(log), "--as-of", AS_OF, "--ics", str(ics)]) == 0
    out = capsys.readouterr().out
    assert "No dip can be dated" in out
    assert "the water has 25.5 C" in out
    assert ics.read_bytes().startswith(b"BEGIN:VCALENDAR")
    assert main(["redip", "demo", "--as-of", AS_OF, "--system", "quarantine", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {row["system"][:10] for row in document["redips"]} == {"quarantine"}
    assert document["as_of"] == AS_OF


def test_release_command(tmp_path, capsys):
    log = write_log(small_log(), tmp_path / "log")
    file = tmp_path / "release.json"
    assert main(["release", str(log), "--as-of", AS_OF, "--json", str(file)]) == 0
    assert "0 of 4 lots may leave" in capsys.readouterr().out
    assert json.loads(file.read_text())["released"] == []


@pytest.mark.parametrize("wrong", [["--hatch-factor", "0.5"], ["--in-hand-days", "-1"], ["--as-of", "yesterday"]])
def test_wrong_use(tmp_path, wrong, capsys):
    with pytest.raises(SystemExit) as stop:
        main(["redip", str(tmp_path), *wrong])
    assert stop.value.code == 2
    assert capsys.readouterr().err


def test_days_and_dates():
    assert date_of(day_of("2026-10-03")) == "2026-10-03"
    assert (date_of(None), date_of(0)) == (None, "1970-01-01")


def test_a_lot_held_for_figures_alone_asks_for_them_now(tmp_path):
    """Nobody found a nudibranch, and yet no lot may leave before its days to hatch are known: the list says so."""

    def clean(tables):
        lot_c()(tables)
        tables["pests"].loc[:, ["alive", "dead"]] = "0"
        tables["pests"].loc[tables["pests"]["infested"] != "", "infested"] = "0"

    answer = ask(make(tmp_path, clean, warm=False))
    assert answer.redips == ()
    assert row_of(answer.releases, lot="lot C, arrived 2026-10-04").cause == "unknown"
    (asked,) = [action for action in actions(answer) if action["what"].startswith("Enter days to hatch")]
    assert (asked["due"], asked["touches"]) == (AS_OF, "log")
    assert "nudibranch" in asked["which"]
    assert not [action for action in actions(ask(make(tmp_path, clean))) if "Enter days" in action["what"]]
