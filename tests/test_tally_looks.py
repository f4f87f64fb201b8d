"""Which trays are to be looked at, by hand on the small log; and what the pages say of one not looked at yet."""

import pandas as pd
import pytest

from afterdip.answers.quality import answer_quality
from afterdip.answers.survival import answer_survival
from afterdip.log import read_log
from afterdip.tally.looks import tally_looks_due
from afterdip.tally.quality import tally_records
from builders import AS_OF, small_log, write_log


@pytest.fixture
def due(tmp_path):
    """Return a reader of (tray, never) to look at on a day, with only these checks of some trays left."""

    def read(on, kept, *, since="2026-10-01"):
        tables = small_log()
        checks = tables["checks"]
        pairs = zip(checks["tray"], checks["checked"], strict=True)
        tables["checks"] = checks[[day in kept.get(tray, [day]) for tray, day in pairs]]
        log = read_log(write_log(tables, tmp_path), as_of=AS_OF)
        found = tally_looks_due(log, on=on, since=pd.Timestamp(since))
        return list(zip(found["tray"], found["never"], strict=True))

    return read


def test_nobody_is_asked_while_looks_come_when_due(due):
    assert due("2026-11-20", {}) == []


@pytest.mark.parametrize(
    ("on", "found"),
    [
        ("2026-10-13", []),  # dipped on 6 October: the first look is due within 7 days
        ("2026-10-14", [("T07", True)]),
        ("2026-11-20", [("T07", True)]),  # past day 30 of its dip: what is found is known then, and was not before
    ],
)
def test_a_tray_never_seen_is_asked_for_once_its_first_look_is_overdue(due, on, found):
    assert due(on, {"T07": []}) == found


def test_a_tray_never_seen_of_an_earlier_month_is_asked_for_up_to_the_horizon(due):
    assert due("2026-11-05", {"T07": []}, since="2026-11-01") == [("T07", True)]
    assert due("2026-11-06", {"T07": []}, since="2026-11-01") == []


@pytest.mark.parametrize(
    ("on", "found"),
    [
        ("2026-10-24", []),  # last seen on 10 October: the next look is due within 14 days
        ("2026-10-25", [("T07", False)]),
        ("2026-11-05", [("T07", False)]),  # day 30
        ("2026-11-06", []),
    ],
)
def test_a_tray_seen_too_long_ago_is_asked_for_up_to_the_horizon(due, on, found):
    assert due(on, {"T07": ["2026-10-10"]}) == found


def test_pieces_that_left_or_went_on_ask_for_no_look(due):
    """T01's pieces went into T05 on 5 October."""
    assert due("2026-10-06", {"T01": ["2026-09-09", "2026-09-14"]}) == []


def test_what_was_taken_out_asks_for_no_look(tmp_path):
    tables = small_log()
    tables["checks"] = tables["checks"][tables["checks"]["tray"] != "T07"]
    tables["checks"].loc[len(tables["checks"]) + 9] = ["T07", "2026-10-10", "0", "0", "0", "12", "", ""]
    log = read_log(write_log(tables, tmp_path), as_of=AS_OF)
    assert tally_looks_due(log, on="2026-11-01", since=pd.Timestamp("2026-10-01")).empty


def test_the_page_asks_for_both_kinds_and_names_the_sessions(tmp_path):
    tables = small_log()
    checks = tables["checks"]
    late = (checks["tray"] == "T06") & (checks["checked"] > "2026-10-10")
    tables["checks"] = checks[~late & ~(checks["tray"] == "T07")]
    tables["checks"] = tables["checks"][tables["checks"]["checked"] <= "2026-10-30"]
    log = read_log(write_log(tables, tmp_path), as_of=pd.Timestamp("2026-10-30").date())
    answer = answer_quality(log, month="2026-10", as_of="2026-10-30")
    asked = {action["what"]: action["why"] for action in answer.to_json()["actions"]}
    assert asked["Check 1 tray never looked at since the dip"] == "session 006: unknown, not alive"
    assert asked["Look again at 1 tray overdue for a check"] == "session 005: not seen for over 14 days"


def test_a_tray_whose_first_look_is_not_due_is_unknown_and_neither_late_nor_done(tmp_path):
    """T07, dipped on 6 October, not seen by the 10th, the day of the report."""
    tables = small_log()
    tables["checks"] = tables["checks"][(tables["checks"]["checked"] <= "2026-10-10")]
    tables["checks"] = tables["checks"][tables["checks"]["tray"] != "T07"]
    for table, day in (("pests", "counted"), ("labour", "done")):
        tables[table] = tables[table][tables[table][day] <= "2026-10-10"]
    log = read_log(write_log(tables, tmp_path), as_of=pd.Timestamp("2026-10-10").date())
    assert "never_checked" not in {warning.code for warning in log.warnings}
    records = tally_records(log).set_index("session")
    assert tuple(records.loc["006", ["trays checked when due, done", "trays checked when due, due"]]) == (0, 0)
    answer = answer_quality(log, month="2026-10", as_of="2026-10-10")
    assert (answer.pieces_month.never_checked, answer.pieces_month.balance) == (12, 0)
    unknown = answer_survival(log, month="2026-10", as_of="2026-10-10").unknown
    assert (unknown.trays_never_checked, unknown.pieces_never_checked) == (1, 12)
