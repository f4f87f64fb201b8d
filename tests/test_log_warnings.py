"""Warnings: the log loads, and each thing to look at is said once, with its code and session."""

import pandas as pd
import pytest

from afterdip.log import check_log, read_log
from afterdip.log.letters import alike
from builders import AS_OF, small_log, write_log
from test_log_errors import put, rename


def warnings(tables, folder):
    return [(str(w), w.code, w.session) for w in read_log(write_log(tables, folder), as_of=AS_OF).warnings]


def keep(table, column, *values):
    def change(tables):
        tables[table] = tables[table][~tables[table][column].isin(values)]

    return change


def both(*changes):
    def change(tables):
        for one in changes:
            one(tables)

    return change


HISTORY = pd.DataFrame(
    [("007", "2026-10-07", "2.5"), ("008", "2026-10-08", "30")], columns=["session", "started", "amount"]
).assign(agent="OIL", amount_unit="mL/L", bath_volume="1", bath_volume_unit="L", minutes="5", agitation="air")


def add_tray(tables, session, *, like):
    """Add a tray to a session, with the checks of a like one."""
    for name, change in (("trays", {"session": session}), ("checks", {})):
        rows = tables[name][tables[name]["tray"] == like].assign(tray=f"T{session}", **change)
        tables[name] = pd.concat([tables[name], rows], ignore_index=True)


def add_history(tables):
    tables["sessions"] = pd.concat([tables["sessions"], HISTORY], ignore_index=True).fillna("")
    for session in HISTORY["session"]:
        add_tray(tables, session, like="T07")


CASES = {
    "never checked": (
        both(keep("checks", "tray", "T07"), keep("pests", "tray", "T07")),
        [("trays.csv, row 8, column 'tray': a check of tray 'T07' after its dip, got none in 45 days",
          "never_checked", "006")],
    ),
    "labour rows alike": (
        lambda tables: tables.update(labour=pd.concat([tables["labour"], tables["labour"].iloc[[4, 1]]])),
        [("labour.csv, row 7: each piece of work once, got 2 rows like one above: all are counted",
          "repeated_labour", None)],
    ),
    "lot spelt in two ways": (
        both(put("trays", 6, source="Lot-A"), put("trays", 7, source="M3")),  # M2 and M3 may well be two
        [("trays.csv, row 6, column 'source': one spelling of each source, got 'Lot-A' and 'lot A' (first in row 2)",
          "lot_spelling", None)],
    ),
    "one bath, two agents": (
        both(put("sessions", 2, mix="M1"), put("sessions", 5, mix="M1", agitation="air"), put("sessions", 6, mix="M1")),
        [("sessions.csv, row 4, column 'mix': one agent in bath 'M1', got 'OIL' and 'IOD' (first in row 2): "
          "counted as two baths", "mix_of_agents", "003"),
         ("sessions.csv, row 5, column 'amount': 30, as in the first session of bath 'M1', got 60",
          "mix_differs", "004"),
         ("sessions.csv, row 5, column 'amount_unit': mL, as in the first session of bath 'M1', got drops",
          "mix_differs", "004"),
         ("sessions.csv, row 5, column 'bath_volume': 10, as in the first session of bath 'M1', got 1",
          "mix_differs", "004"),
         ("sessions.csv, row 6, column 'mix': one agent in bath 'M1', got 'POW' and 'IOD' (first in row 2): "
          "counted as two baths", "mix_of_agents", "005")],
    ),
    "strength ten times off": (
        add_history,
        [
            ("sessions.csv, row 9, column 'amount': a strength within 10 times that agent's other sessions "
             "(median 2.5 mL/L "
             "product), got 30 mL/L product", "strength_jump", "008"),
            ("sessions.csv, row 9, column 'amount': 4 mL/L product or less (the farm's limit), got 30 mL/L product",
             "over_max_strength", "008"),
        ],
    ),
    "over the limit of strength, in another unit": (
        put("sessions", 2, amount="0.051", amount_unit="L"),
        [("sessions.csv, row 2, column 'amount': 500 mg/L or less (the farm's limit), got 510 mg/L",
          "over_max_strength",
          "001")],
    ),
    "over the limit of time": (
        put("sessions", 2, minutes="15.5"),
        [("sessions.csv, row 2, column 'minutes': 15 minutes or less (the farm's limit), got 15.5", "over_max_minutes",
          "001")],
    ),
    "group barred": (
        put("agents", 2, not_for="LPS; Zoanthid"),
        [("trays.csv, row 3, column 'coral_group': a coral that agent 'IOD' may be used on, got 'zoanthid'",
          "not_for", "001")],
    ),
    "group barred in many, in letters that look alike": (
        put("agents", 2, not_for="anemones;​Zoаnthids"),
        [("trays.csv, row 3, column 'coral_group': a coral that agent 'IOD' may be used on, got 'zoanthid'",
          "not_for", "001")],
    ),
    "coral barred": (
        put("agents", 4, not_for=" montipora DIGITATA ;shrimp"),
        [("trays.csv, row 7, column 'coral': a coral that agent 'POW' may be used on, got 'Montipora digitata'",
          "not_for", "005")],
    ),
    "no agitation": (
        put("sessions", 4, agitation="none"),
        [("sessions.csv, row 4, column 'agitation': manual, pump or air for an agent that separates, got 'none'",
          "no_agitation", "003")],
    ),
    "agitation not recorded": (
        put("sessions", 4, agitation=""),
        [("sessions.csv, row 4, column 'agitation': manual, pump or air for an agent that separates, got an empty cell",
          "no_agitation", "003")],
    ),
    "too few rinses": (
        put("sessions", 4, rinses="1"),
        [("sessions.csv, row 4, column 'rinses': 2 rinses or more for this agent, got '1'", "too_few_rinses", "003")],
    ),
    "rinses not recorded are not too few": (put("sessions", 4, rinses=""), []),
    "no protection": (
        put("sessions", 6, ppe="no"),
        [("sessions.csv, row 6, column 'ppe': the protection that the label and safety data sheet of a danger "
          "product ask "
          "for, got 'no'", "no_ppe", "005")],
    ),
    "off label": (
        put("agents", 3, basis="Off Label"),
        [("agents.csv, row 3, column 'basis': use by label or by a veterinarian's order, got 'OIL' used off label in 1 "
          "session", "off_label", None)],
    ),
    "no sham in a month": (
        both(keep("sessions", "session", "006"), keep("trays", "session", "006"), keep("checks", "tray", "T07")),
        [("sessions.csv: a sham dip in each month with dips, got none in 2026-10", "no_sham", None)],
    ),
    "spelling": (
        put("trays", 6, coral="acropora  Milepora"),
        [("trays.csv, row 6, column 'coral': one spelling of each coral, got 'acropora Milepora' and 'Acropora "
          "millepora' "
          "(first in row 2)", "coral_spelling", None)],
    ),
    "spelling of a pest": (
        put("pests", 7, pest="Flat worm"),
        [("pests.csv, row 7, column 'pest': one spelling of each pest, got 'Flat worm' and 'flatworm' (first in row 2)",
          "pest_spelling", None)],
    ),
    "spelling of a group": (
        both(put("trays", 3, coral_group="Chalice"), put("trays", 5, coral_group="chalice")),
        [("trays.csv, row 5, column 'coral_group': one spelling of each coral group, got 'chalice' and 'Chalice' "
          "(first in row 3)", "coral_spelling", None)],
    ),
    "gap between checks": (
        lambda t: t.update(checks=t["checks"].drop(index=20)),
        [("trays.csv, row 8, column 'tray': a check of tray 'T07' within 14 days of 2026-10-10, got none for 26 days",
          "late_check", "006")],
    ),
    "unknown column": (
        lambda t: t["labour"].insert(2, "Weather", "sunny"),
        [("labour.csv, row 1, column 'weather': a column of the labour table, got an unknown one: kept and ignored",
          "unknown_column", None)],
    ),
    "unknown column that may be meant for another": (
        rename("sessions", mixed="mixer"),
        [("sessions.csv, row 1, column 'mixer': a column of the sessions table, got an unknown one: kept and ignored "
          "(did you mean 'mixed'?)", "unknown_column", None)],
    ),
    "column of a name the report uses": (
        lambda t: t["labour"].insert(2, "person_min", "3"),
        [("labour.csv, row 1, column 'person_min': a column of the labour table, got an unknown one: left out, "
          "since the "
          "report has a figure of that name", "unknown_column", None)],
    ),
    "unknown setting": (
        lambda t: t.update(farm="[targets]\nhorizon = 60"),
        [("farm.toml, key 'targets.horizon': a known setting, got 'horizon': ignored (did you mean 'horizon_days'?)",
          "unknown_setting", None)],
    ),
}  # fmt: skip


@pytest.mark.parametrize("change, expected", CASES.values(), ids=CASES)
def test_each_warning(tmp_path, change, expected):
    tables = small_log()
    change(tables)
    assert warnings(tables, tmp_path / "log") == expected


def test_the_small_log_warns_of_nothing(tmp_path):
    assert warnings(small_log(), tmp_path / "log") == []


def two_trays(checks):
    """The small log with the sham and one iodine session of 2026-09-07, and these checks of tray T02 (15 pieces)."""
    tables = small_log()
    tables["sessions"], tables["trays"] = tables["sessions"][:2], tables["trays"][1:2]
    tables["checks"] = pd.DataFrame(
        [("T02", day, alive, 0, 0, gone) for day, alive, gone in checks],
        columns=["tray", "checked", "alive", "dead", "detached", "removed"],
    ).astype(str)
    tables["pests"], tables["labour"] = tables["pests"][:0], tables["labour"][:0]
    return tables


@pytest.mark.parametrize(
    "checks, late",
    [
        ([("2026-09-14", 15, 0), ("2026-09-28", 15, 0), ("2026-10-07", 15, 0)], None),  # all due dates met
        (
            [("2026-09-15", 15, 0), ("2026-09-28", 15, 0), ("2026-10-07", 15, 0)],
            "7 days of 2026-09-07, got none for 8 days",
        ),
        (
            [("2026-09-14", 15, 0), ("2026-09-29", 15, 0), ("2026-10-07", 15, 0)],
            "14 days of 2026-09-14, got none for 15 days",
        ),
        (
            [("2026-09-14", 15, 0), ("2026-09-22", 15, 0)],
            "14 days of 2026-09-22, got none for 15 days",
        ),  # horizon 2026-10-07
        ([("2026-09-14", 15, 0), ("2026-09-23", 15, 0)], None),
        ([("2026-09-14", 0, 15)], None),  # nothing left to check
        ([("2026-09-14", 15, 0), ("2026-09-28", 15, 0), ("2026-11-07", 15, 0)], None),  # beyond the horizon
    ],
)
def test_when_a_check_is_late(tmp_path, checks, late):
    found = [text for text, code, _ in warnings(two_trays(checks), tmp_path / "log") if code == "late_check"]
    place = "trays.csv, row 2, column 'tray': a check of tray 'T02' within "
    assert found == ([] if late is None else [place + late])


def test_a_log_with_errors_still_says_which_columns_it_ignored(tmp_path):
    tables = small_log()
    tables["labour"].insert(2, "weather", "sunny")
    tables["trays"].loc[0, "pieces"] = "many"
    report = check_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    assert [w.code for w in report.warnings] == ["unknown_column"]
    assert len(report.problems) == 1


def test_names_that_look_alike():
    assert alike(["Acropora tenuis", "acropora-tenuis", "Acropora tenius", "Acropora tortuosa"]) == [
        ("acropora-tenuis", "Acropora tenuis"),
        ("Acropora tenius", "Acropora tenuis"),
    ]
    assert alike(["Q１", "q1"]) == [("q1", "Q１")]
    cyrillic, greek = "Таnk НХ", "Τank ΗΧ"
    assert alike(["Tank HX", cyrillic, greek]) == [(cyrillic, "Tank HX"), (greek, "Tank HX")]
    assert alike(["Зоа 1", "3oa 1"]) == []
    assert alike(["Mother A", "Mother B", "mother-a"], by_letters=False) == [("mother-a", "Mother A")]
    assert alike(["Zoa", "Zoe"]) == []  # short names may well differ by one letter
    assert alike(["Montipora 1", "Montipora 2", "Montipora 12", "montipora1"]) == [("montipora1", "Montipora 1")]
    assert alike(["Euphyllia", "Euphylia", "Euphyllla"]) == [("Euphylia", "Euphyllia"), ("Euphyllla", "Euphyllia")]
