"""What a log says in two places and cannot mean: the log loads, and the report says so; and settings refused by row."""

import pandas as pd
import pytest

from afterdip.log import check_log
from builders import AS_OF, small_log, write_log
from test_log_errors import put
from test_log_warnings import add_tray, both, warnings


def setting(old, new):
    def change(tables):
        assert old in tables["farm"]
        tables["farm"] = tables["farm"].replace(old, new)

    return change


def dipped_again(times, **last):
    """Add sessions of the powder like the one in the log, minutes later and each with a tray; the last is changed."""

    def change(tables):
        like = tables["sessions"][tables["sessions"]["session"] == "005"]
        more = pd.concat([like] * times, ignore_index=True)
        more["session"] = [f"1{i:02}" for i in range(times)]
        more["started"] = [f"2026-10-06T14:{i + 1:02}" for i in range(times)]
        more.loc[times - 1, list(last)] = list(last.values())
        tables["sessions"] = pd.concat([tables["sessions"], more], ignore_index=True)
        for name in more["session"]:
            add_tray(tables, name, like="T06")

    return change


MARKED, WATER = "agents.csv, row {}, column 'is_control': no for an agent with an active", "a sham is plain tank water"
SHAM = "sessions.csv, row {}, column 'amount': no amount in a sham dip, plain tank water"
FAR = "a date within 7 days of the dip"
CASES = {
    "a product marked as sham": (
        put("agents", 4, is_control="yes"),
        [(f"{MARKED.format(4)} (levamisole, 50 % w/w): {WATER}, got 'yes'", "sham_active", None),
         (f"{SHAM.format(6)}, got '0.8 g' with agent 'POW'", "sham_amount", "005")],
    ),
    "a sham with a strength": (
        put("agents", 5, active_strength="10", strength_unit="g/L"),
        [(f"{MARKED.format(5)} (10 g/L): {WATER}, got 'yes'", "sham_active", None)],
    ),
    "a dip keyed as sham": (
        put("sessions", 4, agent="SHAM"),
        [(f"{SHAM.format(4)}, got '2.5 mL/L' with agent 'SHAM'", "sham_amount", "003")],
    ),
    "day and month changed places": (  # 7 September and 6 October
        both(put("labour", 3, done="2026-07-09"), put("pests", 3, counted="2026-10-07")),
        [("labour.csv, row 3, column 'done': " + FAR + " (2026-09-07), got '2026-07-09'", "far_date", None),
         ("pests.csv, row 3, column 'counted': " + FAR + " (2026-09-07), got '2026-10-07'", "far_date", None)],
    ),
    "coral and group changed places": (
        both(put("trays", 2, coral="SPS", coral_group="Acropora millepora"), put("trays", 3, coral="zoanthid")),
        [("trays.csv, row 2, column 'coral': a coral's name, with its group in coral_group, got 'SPS' in the group "
          "'Acropora millepora'", "group_for_coral", "001"),
         ("trays.csv, row 6, column 'coral': 'SPS' as of tray 'T01', whose pieces these are, got 'Acropora millepora'",
          "redip_link", "004"),
         ("trays.csv, row 6, column 'coral_group': 'Acropora millepora' as of tray 'T01', whose pieces these are, got "
          "'sps'", "redip_link", "004")],
    ),
    "hours written for minutes": (
        dipped_again(2, minutes="0.75"),
        [("sessions.csv, row 9, column 'minutes': minutes within 10 times that agent's other sessions (median 45), got "
          "0.75", "minutes_jump", "101")],
    ),
    "a tenth of the usual minutes": (dipped_again(2, minutes="4.5"), []),
    "millilitres for grams": (
        dipped_again(4, amount_unit="mL"),
        [("sessions.csv, row 11, column 'amount_unit': an amount by mass, as in 4 of that agent's 5 sessions, got "
          "'0.8 mL'", "amount_kind", "103")],
    ),
    "millilitres and grams by turns": (dipped_again(3, amount_unit="mL"), []),
    "milligrams for grams are both a mass": (dipped_again(4, amount="800", amount_unit="mg"), []),
    "a value for a group that is none": (
        setting("sps =", "spss ="),
        [("farm.toml, key 'value.spss': a coral group of the log, got 'spss': not used (did you mean 'sps'?)",
          "idle_setting", None)],
    ),
    "a value for a group yet to come": (setting("sps =", "mushroom ="), []),
    "a pest nearly as in the log": (
        setting("[pests.flatworm]", "[pests.flatwrom]"),
        [("farm.toml, key 'pests.flatwrom': a pest by its name in the log, got 'flatwrom': not used (did you mean "
          "'flatworm'?)", "idle_setting", None)],
    ),
    "a pest in another case": (setting("[pests.flatworm]", "[pests.Flatworms]"), []),
    "a pest not met yet": (setting("[pests.flatworm]", "[pests.spider]"), []),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_contradictions_are_warnings(tmp_path, case):
    change, expected = CASES[case]
    tables = small_log()
    change(tables)
    sort = lambda found: sorted(found, key=str)  # noqa: E731
    assert sort(warnings(tables, tmp_path / "log")) == sort(expected)


BROKEN = {
    "twice": (b"\n[farm]\n[farm]\n", "row 3: a TOML file, got: Cannot declare ('farm',) twice"),
    "a key alone": (b"[farm]\nname\n", "row 2: a TOML file, got: Expected '=' after a key in a key/value pair"),
    "Latin 1": (b'[farm]\n\nname = "Caf\xe9"\n', "row 3: UTF-8 text, got byte 0xe9"),
    "lists in lists": (b"a = " + b"[" * 9999, ": a TOML file, got: lists in lists without end"),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_settings_that_cannot_be_read_are_refused_in_their_row(tmp_path, kind):
    data, expected = BROKEN[kind]
    folder = write_log(small_log(), tmp_path / "log")
    (folder / "farm.toml").write_bytes(data)
    (line,) = [str(problem) for problem in check_log(folder, as_of=AS_OF).problems]
    assert line.removeprefix("farm.toml").removeprefix(", ") == expected
