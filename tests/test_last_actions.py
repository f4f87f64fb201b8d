"""What became of last month's list: the log as it stood that day, and what it shows as done since."""

import datetime

import pandas as pd
import pytest

from afterdip.answers.follow_up import actions, answer_follow_up, lot_in_brief
from afterdip.answers.last_actions import a_month_before, answer_last_actions
from afterdip.log import read_log
from afterdip.tables.follow_up import dips_sentence
from afterdip.tally.until import log_until
from builders import AS_OF, small_log, write_log

_DATES = {"sessions": "started", "checks": "checked", "pests": "counted", "labour": "done"}


def log_of(tmp_path, tables=None):
    return read_log(write_log(tables or small_log(), tmp_path), as_of=AS_OF)


@pytest.mark.parametrize("day", ["2026-09-06", "2026-09-07", "2026-10-04", "2026-10-05", "2026-11-20"])
def test_a_log_cut_at_a_day_is_the_log_a_farm_would_have_handed_over_then(tmp_path, day):
    tables = small_log()
    for name, column in _DATES.items():
        tables[name] = tables[name][tables[name][column].str[:10] <= day]
    tables["trays"] = tables["trays"][tables["trays"]["session"].isin(tables["sessions"]["session"])]
    for name in ("checks", "pests"):
        tables[name] = tables[name][tables[name]["tray"].isin(tables["trays"]["tray"])]
    cut, whole = log_until(log_of(tmp_path / "whole"), day), write_log(tables, tmp_path / "cut")
    then = read_log(whole, as_of=datetime.date.fromisoformat(day))
    for name in ("sessions", "trays", "checks", "pests", "labour"):
        pd.testing.assert_frame_equal(getattr(cut, name), getattr(then, name), check_dtype=len(getattr(then, name)) > 0)


@pytest.mark.parametrize(
    "day, before",
    [
        ("2026-11-20", "2026-10-20"),
        ("2026-01-15", "2025-12-15"),
        ("2026-03-31", "2026-02-28"),
        ("2024-03-30", "2024-02-29"),
        ("2026-12-31", "2026-11-30"),
    ],
)
def test_a_month_before(day, before):
    assert a_month_before(day) == before


def warm():
    """Return the small log with water at the temperature its flatworm's figures hold for."""
    tables = small_log()
    return tables | {"farm": tables["farm"].replace("water_temperature_c = 25.5", "water_temperature_c = 27")}


def states(log, as_of="2026-11-04"):
    answer = answer_last_actions(log, month="2026-10", as_of=as_of)
    return answer.as_of, {action.what: (action.state, action.how) for action in answer.actions}


def test_a_dip_is_done_when_a_later_tray_names_the_tray(tmp_path):
    """On 4 October T01 was due again (dipped in T05 the day after) and T03 had only had a sham dip (never dipped)."""
    day, found = states(log_of(tmp_path, warm()))
    assert day == "2026-10-04"
    assert found["Dip for the first time: 1 tray"] == ("open", "none dipped since")
    again = {what: state for what, state in found.items() if what.startswith("Dip again")}
    assert list(again.values()) == [("done", "1 dipped since")]


def test_a_sham_dip_since_is_no_dip(tmp_path):
    tables = warm()
    tables["sessions"].loc[tables["sessions"]["session"] == "004", ["agent", "amount", "amount_unit", "lot"]] = [
        "SHAM", "", "", "",
    ]  # fmt: skip
    found = states(log_of(tmp_path, tables))[1]
    again = [state for what, (state, _) in found.items() if what.startswith("Dip again")]
    assert again == ["open"]


def test_pieces_that_are_gone_need_no_dip_and_had_none(tmp_path):
    tables = warm()
    checks = tables["checks"]
    sold = (checks["tray"] == "T03") & (checks["checked"] == "2026-10-05")
    checks.loc[sold, ["alive", "removed"]] = ["0", "19"]
    found = states(log_of(tmp_path, tables))[1]
    assert found["Dip for the first time: 1 tray"] == ("gone", "1 gone undipped")


def silent(tables):
    """T05 was due by 31 October and T03 had a sham dip only; of both nothing is written after 20 October."""
    tables["checks"] = tables["checks"][
        ~(tables["checks"]["tray"].isin(["T03", "T05"]) & (tables["checks"]["checked"] > "2026-10-20"))
    ]


def test_trays_of_which_nothing_is_written_crowd_no_list(tmp_path):
    """On 20 November T05 and T03 are due by the rule, but nobody knows whether they are here: one line for both."""
    tables = warm()
    silent(tables)
    log = log_of(tmp_path, tables)
    answer = answer_follow_up(log, month="2026-10", as_of="2026-11-20")
    what = {item["what"]: item for item in actions(answer)}
    (folded,) = (item for item in what.values() if item["what"].startswith("Write down what left"))
    assert folded["what"] == "Write down what left: 2 trays, due for a dip if still here"
    assert folded["which"] == "lot A, arrived 5\u00a0Sep"
    assert not any(item["what"].startswith("Dip") and "lot A" in item["which"] for item in what.values())
    rows = {row.tray: row for row in answer.redips}
    assert (rows["T05"].silent, str(rows["T05"].plan.status)) == (True, "overdue")
    assert rows["T05"].to_json()["last_written"] == "2026-10-20"
    assert "2 trays with a dip to come, but no entry for over 21 days" in dips_sentence(answer)


def test_what_only_looked_due_is_closed_by_a_word(tmp_path):
    """On 30 October nothing was written of T03 since the 5th; a check of 2 November says that it left."""
    tables = warm()
    day, found = states(log_of(tmp_path / "a", tables), as_of="2026-11-30")
    asked = "Write down what left: 1 tray, due for a dip if still here"
    assert (day, found[asked]) == ("2026-10-30", ("open", "no entry since"))
    left = pd.DataFrame([["T03", "2026-11-02", "0", "0", "0", "19", "", "A"]], columns=tables["checks"].columns)
    tables["checks"] = pd.concat([tables["checks"], left], ignore_index=True)
    assert states(log_of(tmp_path / "b", tables), as_of="2026-11-30")[1][asked] == ("done", "1 with an entry since")


@pytest.mark.parametrize(
    ("lot", "brief"),
    [
        ("supplier-3, arrived 2026-10-04", "supplier-3, arrived 4\u00a0Oct"),
        ("M2, cut in the week of 2026-09-28", "M2, cut in the week of 28\u00a0Sep"),
        ("tray T04", "tray T04"),
        ("batch 2026-13-99", "batch 2026-13-99"),
    ],
)
def test_lots_in_few_words(lot, brief):
    assert lot_in_brief(lot) == brief


def test_a_log_that_begins_later_has_no_list(tmp_path):
    day, found = states(log_of(tmp_path, warm()), as_of="2026-10-06")
    assert day == "2026-09-06"
    assert found == {}


def test_the_list_reaches_the_first_page_as_json(tmp_path):
    answer = answer_last_actions(log_of(tmp_path, warm()), month="2026-10", as_of="2026-11-04").to_json()
    assert answer["as_of"] == "2026-10-04"
    assert len(answer["actions"]) == 2
    assert all(set(row) == {"what", "state", "how"} for row in answer["actions"])
    assert all(row["state"] in ("done", "partly", "open", "gone") for row in answer["actions"])
