"""Damage that breaks no rule is warned of where it breaks a steady habit, and a steady farm is warned of nothing."""

import datetime
import os
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterdip.log import check_log
from afterdip.log.calendar_slips import moved, stray, swapped
from afterdip.log.gaps import gap
from afterdip.log.habits import off_habit
from builders import write_log
from steady import DAMAGE, steady_farm

AS_OF = datetime.date(2026, 11, 20)
EXAMPLES = int(os.environ.get("AFTERDIP_FUZZ", "60"))
MANY = settings(max_examples=EXAMPLES, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


def read(tables):
    with tempfile.TemporaryDirectory() as folder:
        return check_log(write_log(tables, Path(folder) / "log"), as_of=AS_OF)


@settings(MANY, max_examples=max(12, EXAMPLES // 5))
@given(st.integers(0, 10**6), st.integers(30, 60))
def test_a_steady_farm_is_warned_of_nothing(seed, sessions):
    report = read(steady_farm(seed, sessions=sessions))
    assert [str(p) for p in (*report.problems, *report.warnings)] == []


@pytest.mark.parametrize("kind", DAMAGE)
def test_each_kind_of_damage_is_warned_of(kind):
    damage, code = DAMAGE[kind]
    tables = steady_farm(1)
    damage(tables, 40)
    report = read(tables)
    assert [str(problem) for problem in report.problems] == []
    assert code in {warning.code for warning in report.warnings}


@MANY
@given(st.sampled_from(list(DAMAGE)), st.integers(0, 10**6), st.integers(0, 200))
def test_damage_anywhere_is_warned_of_or_refused(kind, seed, row):
    damage, code = DAMAGE[kind]
    tables, before = steady_farm(seed), steady_farm(seed)
    damage(tables, row)
    changed = any(not frame.equals(before[name]) for name, frame in tables.items())
    report = read(tables)
    assert report.problems or code in {warning.code for warning in report.warnings} or not changed


def test_a_look_with_day_and_month_changed_is_told_by_the_next_tray():
    """Where pieces neither die nor leave, the pieces add up in whatever order the looks stand."""
    tables = steady_farm(3)
    checks = tables["checks"]
    checks["alive"] = checks["tray"].map(tables["trays"].set_index("tray")["pieces"])
    checks[["dead", "detached", "removed"]] = "0"
    assert not [w for w in read(tables).warnings if w.code == "odd_date"]
    i = checks.index[checks["checked"] == "2026-06-08"][0]  # two days after a dip
    checks.loc[i, "checked"] = "2026-08-06"
    (found,) = [w for w in read(tables).warnings if w.code == "odd_date"]
    assert str(found) == (
        f"checks.csv, row {i + 2}, column 'checked': a day on which the session's next tray was looked at, such as "
        "2026-06-08, got '2026-08-06'"
    )
    for k in checks.index[checks["tray"] == checks["tray"][i + 4]]:  # its neighbour on other days: no habit of theirs
        checks.loc[k, "checked"] = str(datetime.date.fromisoformat(checks["checked"][k]) + datetime.timedelta(1))
    assert not [w for w in read(tables).warnings if w.code == "odd_date"]


def codes(tables):
    return [(w.code, w.row) for w in read(tables).warnings]


def test_another_tub_is_no_slip_where_the_amount_goes_with_it():
    tables = steady_farm(4)
    sessions = tables["sessions"]
    i = sessions.index[sessions["agent"] == "iodine"][7]
    sessions.loc[i, "bath_volume"] = "100"
    (found,) = [str(w) for w in read(tables).warnings]
    assert found.endswith(", column 'bath_volume': about 10 L, as that agent's sessions keep to, got 100")
    sessions.loc[i, "amount"] = str(10 * float(sessions.loc[i, "amount"]))
    assert codes(tables) == []
    sessions.loc[i, ["amount", "amount_unit"]] = "2", "mL/L"  # per litre, it says nothing of the litres
    assert ("odd_figure", i + 2) in codes(tables)


def test_old_stock_is_no_slip_of_the_date_and_a_wrong_month_is():
    tables = steady_farm(5)
    trays, started = tables["trays"], tables["sessions"].set_index("session")["started"]
    i = next(i for i in trays.index if started[trays["session"][i]][:10] == "2026-06-09")
    trays.loc[i, "arrived"] = "2026-01-20"
    assert codes(tables) == []
    trays.loc[i, "arrived"] = "2025-06-08"
    assert codes(tables) == [("odd_date", i + 2)]
    trays.loc[i, "arrived"] = "2026-02-06"  # the 2nd of June, a week before the dip: no others are in for so long
    assert codes(tables) == []
    trays.loc[i, "arrived"] = "2026-06-06"
    j = next(i for i in trays.index if started[trays["session"][i]][:10] == "2026-06-06")
    trays.loc[j, "arrived"] = "2026-03-06"  # the 3rd of June
    assert codes(tables) == [("odd_date", j + 2)]
    assert "such as 2026-06-03" in str(read(tables).warnings[0])


def test_a_tray_that_dies_before_others_are_taken_out_has_died():
    tables = steady_farm(6)
    checks, pieces = tables["checks"], tables["trays"].set_index("tray")["pieces"].astype(int)
    tray = next(t for t in pieces.index if pieces[t] >= 8)
    first, *others = checks.index[checks["tray"] == tray]
    checks.loc[first, ["alive", "dead", "detached", "removed"]] = "0", str(pieces[tray]), "0", "0"
    tables["checks"] = checks.drop(others)
    assert codes(tables) == []
    tables["checks"].loc[first, "checked"] = checks.loc[others[-1], "checked"]  # when the others are taken out
    assert ("dead_or_removed", first + 2) in codes(tables)


def test_a_tray_full_of_pests_is_no_slip_where_its_other_counts_say_so_too():
    tables = steady_farm(7)
    pests = tables["pests"]
    before, bath = pests.index[pests["tray"] == pests["tray"][30]][:2]
    pests.loc[before, ["alive", "infested"]] = "400", "6"
    assert codes(tables) == [("odd_figure", before + 2)]
    pests.loc[bath, "dead"] = "390"
    assert codes(tables) == []


def test_usual_figures_and_those_that_break_with_them():
    of = np.zeros(20, dtype=int)
    steady = np.r_[np.full(19, 5.0), 50.0]
    assert off_habit(steady, of)[-1] == pytest.approx(5, rel=0.01)
    assert np.isnan(off_habit(steady, of)[:-1]).all()
    for last in (5.0, 10.0, 14.0, np.nan, 0.0):  # as the others, twice, not yet three times as much, unknown, none
        assert np.isnan(off_habit(np.r_[np.full(19, 5.0), last], of)).all()
    two_doses = np.r_[np.full(10, 1.0), np.full(9, 20.0), 3.785411784]
    assert off_habit(two_doses, of)[-1] == pytest.approx(1, rel=0.01)  # between the doses, and a gallon of one
    assert np.isnan(off_habit(np.geomspace(1, 1000, 20), of)).all()  # no figure comes twice: there is no habit
    assert np.isnan(off_habit(np.r_[np.full(8, 5.0), 50.0], np.zeros(9, dtype=int))).all()  # too few
    apart = off_habit(np.r_[steady, steady * 10], np.repeat([0, 1], 20))
    assert np.flatnonzero(~np.isnan(apart)).tolist() == [19, 39]  # each group has its own usual figure


@pytest.mark.parametrize(
    "has, found",
    [
        ("T" * 30, None),
        ("F" * 9 + "T" * 30, None),  # written down from some day on
        ("T" * 30 + "F", (30, 30)),
        ("T" * 30 + "FFF" + "T" * 5, (30, 32)),
        ("T" * 9 + "F" * 30, None),  # too few to make a habit
        ("T" * 12 + "F" * 30, (12, 41)),
        ("TTTF" * 10, None),  # now and then
        ("T" * 25 + "F" + "T" * 25 + "F", None),  # two lapses of one each
        ("T" * 25 + "F" + "T" * 25 + "F" * 8, (51, 58)),
        ("", None),
    ],
)
def test_gaps_in_a_habit(has, found):
    assert gap(np.array([c == "T" for c in has], dtype=bool)) == found


def test_dates_meant():
    day = np.array(["2026-03-10", "2026-03-13", "2026-05-05", "2024-02-29"], dtype="datetime64[D]")
    assert swapped(day)[0] == np.datetime64("2026-10-03")
    assert np.isnat(swapped(day)[1:]).all()
    assert moved(day, 12).astype(str).tolist() == ["2027-03-10", "2027-03-13", "2027-05-05", "2025-03-01"]
    days = pd.date_range("2026-01-01", periods=40, freq="D").to_numpy("datetime64[D]")
    assert not stray(days).any()
    days[7] = np.datetime64("2025-01-08")
    assert np.flatnonzero(stray(days)).tolist() == [7]
    days[8:11] = np.datetime64("2025-01-09")
    assert not stray(days).any()  # four of forty are no slip
