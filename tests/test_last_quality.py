"""What became of the handling, looks, sham dips, bottles and baths asked for a month ago, by hand and on the demo."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.last_quality import answer_last_quality
from afterdip.answers.quality import answer_quality
from afterdip.log import read_log
from afterdip.tables.last_actions import HANDLING, last_table
from afterdip.tally.quality import tally_hazards
from afterdip.tally.until import log_until
from builders import AS_OF, small_log, write_log

DEMO = Path(__file__).parents[1] / "data" / "demo" / "log"


@pytest.fixture
def became(tmp_path):
    """Return a reader of what was asked on 20 September 2026, of the month before that day's, after a change."""

    def read(change, *, month="2026-10", as_of="2026-10-20"):
        tables = small_log()
        change(tables)
        log = read_log(write_log(tables, tmp_path), as_of=AS_OF)
        answer = answer_quality(log, month=month, as_of=as_of)
        assert answer.last.as_of == "2026-09-20"
        return {action.what: (action.state, action.how) for action in answer.last.actions}

    return read


def put(tables, table, key, column, value):
    rows = tables[table][table.removesuffix("s")] == key
    tables[table].loc[rows, column] = value


def test_nothing_was_asked_of_a_month_without_fault(became):
    assert became(lambda tables: None) == {}


@pytest.mark.parametrize(
    ("later", "state", "how"),
    [("2", "done", "no lapse recorded in 1 session since"), ("0", "open", "lapses in 1 of 1 session since")],
)
def test_a_fault_of_handling_is_mended_where_no_session_since_repeats_it(became, later, state, how):
    """Session 001 had no rinse where IOD needs one; the one IOD session since, 004, had `later`."""

    def change(tables):
        put(tables, "sessions", "001", "rinses", "0")
        put(tables, "sessions", "004", "rinses", later)

    assert became(change) == {"Rinse as often as needed after IOD": (state, how)}


def test_an_agent_no_longer_used_repeats_nothing(became):
    """POW asks for danger protection; moved into September it is not used again."""

    def change(tables):
        put(tables, "sessions", "005", "started", "2026-09-10T09:00")
        put(tables, "sessions", "005", "ppe", "no")
        tables["trays"].loc[tables["trays"]["tray"] == "T06", ["cut"]] = "2026-09-01"
        tables["checks"].loc[tables["checks"]["checked"] == "2026-10-10", "checked"] = "2026-09-15"
        tables["checks"] = tables["checks"][tables["checks"]["tray"] != "T07"]
        tables["trays"] = tables["trays"][tables["trays"]["tray"] != "T07"]
        tables["pests"] = tables["pests"][tables["pests"]["tray"] != "T06"]

    found = became(change)
    assert found["Wear the protection the label asks for with POW"] == ("done", "no session with it since")


def test_where_nothing_was_dipped_since_no_lapse_shows_no_care(tmp_path):
    tables = small_log()
    put(tables, "sessions", "001", "rinses", "0")
    log = log_until(read_log(write_log(tables, tmp_path), as_of=AS_OF), "2026-09-30")
    last = answer_quality(log, month="2026-10", as_of="2026-10-25").last
    states = {action.what: (action.state, action.how) for action in last.actions}
    assert states["Rinse as often as needed after IOD"] == ("open", "nothing dipped since")


@pytest.mark.parametrize(
    ("kept", "state", "how"), [(True, "done", "1 looked at since"), (False, "open", "none looked at since")]
)
def test_trays_never_looked_at(became, kept, state, how):
    """T02's first look came on 28 September, or never."""

    def change(tables):
        checks = tables["checks"]
        gone = (checks["tray"] == "T02") & ((checks["checked"] < "2026-09-20") | (not kept))
        tables["checks"] = checks[~gone]

    assert became(change) == {"Check 1 tray never looked at since the dip": (state, how)}


def test_a_tray_dipped_just_before_the_list_was_not_asked_for(became):
    """T04 was dipped on 15 September and looked at on the 24th: on the 20th its first look was not due yet."""

    def change(tables):
        put(tables, "sessions", "003", "started", "2026-09-15T09:00")
        put(tables, "sessions", "003", "mixed", "2026-09-15T08:40")
        put(tables, "trays", "T04", "arrived", "2026-09-13")

    assert became(change) == {}


@pytest.mark.parametrize(
    ("kept", "state", "how"), [(True, "done", "1 looked at since"), (False, "open", "none looked at since")]
)
def test_trays_not_looked_at_for_too_long(tmp_path, kept, state, how):
    """T07, dipped on 6 October, was last seen on the 10th; by the 25th a look was overdue, and came on 6 November."""
    tables = small_log()
    checks, missed = tables["checks"], ["2026-10-24"] if kept else ["2026-10-24", "2026-11-06"]
    tables["checks"] = checks[~((checks["tray"] == "T07") & checks["checked"].isin(missed))]
    log = read_log(write_log(tables, tmp_path), as_of=AS_OF)
    last = answer_quality(log, month="2026-11", as_of="2026-11-25").last
    states = {action.what: (action.state, action.how) for action in last.actions}
    assert states["Look again at 1 tray overdue for a check"] == (state, how)


@pytest.mark.parametrize(("again", "state", "how"), [(True, "done", "1 sham dip since"), (False, "open", "none since")])
def test_a_month_without_sham(became, again, state, how):
    def change(tables):
        iod = {"agent": "IOD", "amount": "30", "amount_unit": "mL"}
        for session in ("002",) if again else ("002", "006"):
            for column, value in iod.items():
                put(tables, "sessions", session, column, value)

    assert became(change)["Put some trays through a sham dip"] == (state, how)


def drifting(folder, *, until, dipped=True):
    """Return last's list of 20 October of a farm that dips every other day: 1 of 20 dies, 8 from 25 August to `until`.

    `dipped`: whether DIP is used in October.
    """
    days = pd.date_range("2026-06-01", "2026-10-30" if dipped else "2026-09-29", freq="2D")
    bad = (days >= "2026-08-25") & (days <= until)
    dead = np.where(bad, 8, np.arange(days.size) % 2)
    key = [f"{i:03}" for i in range(days.size)]
    frames = {
        "agents": {"agent": ["DIP"], "active": ["plant oils"], "is_control": ["no"]},
        "sessions": {"session": key, "started": [f"{d:%Y-%m-%d}T10:00" for d in days], "agent": "DIP", "amount": "1",
                     "amount_unit": "mL/L", "bath_volume": "10", "bath_volume_unit": "L", "minutes": "10"},
        "trays": {"tray": key, "session": key, "coral": "Acropora millepora", "coral_group": "sps", "pieces": "20"},
        "checks": {"tray": key, "checked": [f"{d + pd.Timedelta(days=5):%Y-%m-%d}" for d in days],
                   "alive": [str(20 - n) for n in dead], "dead": [str(n) for n in dead], "detached": "0",
                   "removed": "0"},
    }  # fmt: skip
    log = read_log(write_log({name: pd.DataFrame(f, dtype=str) for name, f in frames.items()}, folder), as_of=AS_OF)
    now = answer_quality(log, month="2026-10", as_of="2026-11-20")
    then = answer_quality(log_until(log, "2026-10-20"), month="2026-09", as_of="2026-10-20").to_json()["actions"]
    assert "Hold DIP until you know why it costs more" in {a["what"] for a in then}
    return now, {a.what: (a.state, a.how) for a in now.last.actions}["Hold DIP until you know why it costs more"]


@pytest.mark.parametrize(
    ("until", "state", "words"),
    [("2026-10-30", "open", "the alarm still stands"), ("2026-09-10", "done", "no alarm any more")],
)
def test_a_drift_is_judged_by_the_month_since(tmp_path, until, state, words):
    now, became = drifting(tmp_path, until=until)
    (loss,) = now.watch.losses
    assert loss.alarm == (state == "open")
    assert became[0] == state
    assert became[1].startswith(words)
    assert became[1].endswith(f": {loss.events:.0f} of {loss.trials:.0f} this month, {loss.expected:.0f} expected")


def test_a_drift_of_an_agent_not_used_since_cannot_be_judged(tmp_path):
    assert drifting(tmp_path, until="2026-10-30", dipped=False)[1] == (
        "open", "cannot be judged since: no bath with a count in the month",
    )  # fmt: skip


@pytest.fixture(scope="module")
def demo():
    return read_log(DEMO, as_of="2026-11-20")


@pytest.fixture(scope="module")
def answer(demo):
    return answer_quality(demo, month="2026-10", as_of="2026-11-20")


def test_bottles_and_baths_are_those_the_list_of_that_day_named(demo, answer):
    """The whole page made anew from the log as it stood asks for the same, to the last word."""
    then = answer_quality(log_until(demo, "2026-10-20"), month="2026-09", as_of="2026-10-20").to_json()["actions"]
    asked = {item["what"] for item in then if "ottle" in item["what"] or "bath of" in item["what"]}
    followed = {a.what: (a.state, a.how) for a in answer.last.actions if "ottle" in a.what or "bath of" in a.what}
    assert set(followed) == asked
    assert len(asked) == 2
    dips = demo.sessions[demo.sessions["date"] > "2026-10-20"]
    used = int((dips["lot"] == "IO-07").sum())
    assert followed["Take bottle IO-07 of iodine-soak out of use"] == ("open", f"used in {used} sessions since")


def test_a_bottle_put_away_is_done(demo, answer):
    """The same log, no session after the list: the bottle was not used, and no bath shows whether it is changed."""
    quiet = log_until(demo, "2026-10-20")
    asked = {"month": "2026-10", "as_of": "2026-11-20", "window_months": 12}
    last = answer_last_quality(quiet, tally_hazards(quiet), answer.watch, **asked)
    states = {a.what: (a.state, a.how) for a in last.actions}
    assert states["Take bottle IO-07 of iodine-soak out of use"] == ("done", "not used since")
    (bath,) = (state for what, state in states.items() if what.startswith("Change the bath"))
    assert bath == ("open", "nothing dipped since")


def test_it_is_printed_and_handed_to_the_first_page(answer):
    table = last_table(answer.last, note=HANDLING)
    assert [row[:2] for row in table.rows] == [(a.what, a.state) for a in answer.last.actions]
    given = answer.to_json()["last_actions"]
    assert given["as_of"] == "2026-10-20"
    assert all(set(row) == {"what", "state", "how"} for row in given["actions"])
