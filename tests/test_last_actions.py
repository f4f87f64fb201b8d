"""What became of last month's list: the log as it stood that day, and what it shows as done since."""

import datetime

import pandas as pd
import pytest

from afterdip.answers.last_actions import a_month_before, answer_last_actions
from afterdip.log import read_log
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


def test_pieces_that_are_gone_need_no_dip(tmp_path):
    tables = warm()
    checks = tables["checks"]
    sold = (checks["tray"] == "T03") & (checks["checked"] == "2026-10-05")
    checks.loc[sold, ["alive", "removed"]] = ["0", "19"]
    found = states(log_of(tmp_path, tables))[1]
    assert found["Dip for the first time: 1 tray"] == ("done", "1 no longer here")


def test_a_log_that_begins_later_has_no_list(tmp_path):
    day, found = states(log_of(tmp_path, warm()), as_of="2026-10-06")
    assert day == "2026-09-06"
    assert found == {}


def test_the_list_reaches_the_first_page_as_json(tmp_path):
    answer = answer_last_actions(log_of(tmp_path, warm()), month="2026-10", as_of="2026-11-04").to_json()
    assert answer["as_of"] == "2026-10-04"
    assert len(answer["actions"]) == 2
    assert all(set(row) == {"what", "state", "how"} for row in answer["actions"])
    assert all(row["state"] in ("done", "partly", "open") for row in answer["actions"])
