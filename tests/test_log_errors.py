"""One test per kind of bad input: the whole report of a log that is wrong in one way, word for word."""

import pytest

from afterdip.errors import DataError
from afterdip.log import check_log, read_log
from afterdip.log.raw import header_name
from builders import AS_OF, small_log, write_log

UNITS = "mL, L, drops, g, mg, tablet, mL/L, drops/L, g/L, mg/L, ug/L, ppm, %"


def report(tables, folder, **options):
    return [str(problem) for problem in check_log(write_log(tables, folder, **options), as_of=AS_OF).problems]


def put(table, row, **cells):
    """Return a change of one table's cells at a spreadsheet row (the header is row 1)."""

    def change(tables):
        for column, value in cells.items():
            tables[table].loc[row - 2, column] = value

    return change


def drop(table, *columns):
    def change(tables):
        tables[table] = tables[table].drop(columns=list(columns))

    return change


def rename(table, **names):
    def change(tables):
        tables[table] = tables[table].rename(columns=names)

    return change


DATE = "a date as 2026-10-03 (year-month-day)"
ONE_REASON = {
    # columns and tables
    "no table": (lambda t: t.pop("checks"), "log: a table 'checks', got none"),
    "no column": (
        drop("trays", "pieces"),
        "trays.csv, row 1, column 'pieces': a column of this name (required), got none",
    ),
    "misspelt column": (
        rename("trays", pieces="peices"),
        "trays.csv, row 1, column 'pieces': a column of this name (required), got 'peices'",
    ),
    "misspelt column that need not be there": (
        rename("trays", condition="conditon"),
        "trays.csv, row 1, column 'conditon': a column of the trays table by its name (is it 'condition'?), got "
        "'conditon'",
    ),
    # types
    "count negative": (
        put("trays", 7, pieces="-5"),
        "trays.csv, row 7, column 'pieces': whole number of 1 or more, got '-5'",
    ),
    "count of nothing": (
        put("trays", 7, pieces="0"),
        "trays.csv, row 7, column 'pieces': whole number of 1 or more, got '0'",
    ),
    "count fractional": (
        put("checks", 2, dead="1.5"),
        "checks.csv, row 2, column 'dead': whole number of 0 or more, got '1.5'",
    ),
    "count missing": (
        put("checks", 2, dead=""),
        "checks.csv, row 2, column 'dead': whole number of 0 or more, got an empty cell",
    ),
    "key missing": (
        put("labour", 2, task=""),
        "labour.csv, row 2, column 'task': one of mix, dip, watch, rinse, inspect, "
        "cut, glue, clean, record, other, got an empty cell",
    ),
    "decimal comma": (
        put("sessions", 2, amount="1,5"),
        "sessions.csv, row 2, column 'amount': number of 0 or more, got '1,5'",
    ),
    "not a number": (
        put("sessions", 2, minutes="NaN"),
        "sessions.csv, row 2, column 'minutes': number above 0, got 'NaN'",
    ),
    "infinite": (put("sessions", 2, minutes="inf"), "sessions.csv, row 2, column 'minutes': number above 0, got 'inf'"),
    "no time in the bath": (
        put("sessions", 2, minutes="0"),
        "sessions.csv, row 2, column 'minutes': number above 0, got '0'",
    ),
    "bath of nothing": (
        put("sessions", 2, bath_volume="0"),
        "sessions.csv, row 2, column 'bath_volume': number above 0, got '0'",
    ),
    "ambiguous date": (
        put("checks", 2, checked="03/04/2026"),
        f"checks.csv, row 2, column 'checked': {DATE}, got '03/04/2026'",
    ),
    "no such day": (
        put("checks", 2, checked="2026-02-30"),
        f"checks.csv, row 2, column 'checked': {DATE}, got '2026-02-30'",
    ),
    "time zone": (
        put("sessions", 2, started="2026-09-07T09:30Z"),
        "sessions.csv, row 2, column 'started': a date and time as 2026-10-03T09:30 (no time zone), got "
        "'2026-09-07T09:30Z'",
    ),
    "yes or no": (
        put("agents", 2, is_control="maybe"),
        "agents.csv, row 2, column 'is_control': yes or no, got 'maybe'",
    ),
    "word": (
        put("pests", 13, stage="larva"),
        "pests.csv, row 13, column 'stage': one of adult, juvenile, egg, any, got 'larva'",
    ),
    "unit": (
        put("sessions", 2, amount_unit="cups"),
        f"sessions.csv, row 2, column 'amount_unit': one of {UNITS}, got 'cups'",
    ),
    "gallon of no country": (
        put("sessions", 2, bath_volume_unit="gal"),
        "sessions.csv, row 2, column 'bath_volume_unit': one of L, US gal, got 'gal'",
    ),
    # keys
    "unknown agent": (
        put("sessions", 2, agent="IODINE"),
        "sessions.csv, row 2, column 'agent': an agent listed in agents, got 'IODINE'",
    ),
    "agent in other letters": (
        put("sessions", 2, agent="Iod"),
        "sessions.csv, row 2, column 'agent': an agent listed in agents, got 'Iod' (did you mean 'IOD'?)",
    ),
    "unknown session": (
        put("trays", 3, session="1"),
        "trays.csv, row 3, column 'session': a session listed in sessions, got '1'",
    ),
    "unknown tray": (
        put("pests", 13, tray="T99"),
        "pests.csv, row 13, column 'tray': a tray listed in trays, got 'T99'",
    ),
    "unknown session of labour": (
        put("labour", 2, session="9"),
        "labour.csv, row 2, column 'session': a session listed in sessions, got '9'",
    ),
    "agent twice": (
        put("agents", 4, agent="OIL"),
        [
            "agents.csv, row 4, column 'agent': an agent once, got 'OIL' again (first in row 3)",
            "sessions.csv, row 6, column 'agent': an agent listed in agents, got 'POW'",
        ],
    ),
    "session twice": (
        lambda t: (put("sessions", 7, session="005")(t), put("trays", 8, session="005")(t)),
        "sessions.csv, row 7, column 'session': a session once, got '005' again (first in row 6)",
    ),
    "check twice": (
        put("checks", 3, checked="2026-09-09"),
        "checks.csv, row 3, column 'checked': a check of a tray on a day once, got '2026-09-09' again (first in row 2)",
    ),
    "pest count twice": (
        put("pests", 13, moment="bath"),
        "pests.csv, row 13, column 'counted': a count of a tray, pest, stage and moment on a day once, "
        "got '2026-10-06' again (first in row 12)",
    ),
    # dates
    "check before the dip": (
        put("checks", 2, checked="2026-09-06"),
        "checks.csv, row 2, column 'checked': a date on or after the dip (2026-09-07), got '2026-09-06'",
    ),
    "count before the dip": (
        put("pests", 3, counted="2026-09-06"),
        "pests.csv, row 3, column 'counted': a date on or after the dip (2026-09-07), got '2026-09-06'",
    ),
    "before-count after the dip": (
        put("pests", 2, counted="2026-09-08"),
        "pests.csv, row 2, column 'counted': a date on or before the dip (2026-09-07), got '2026-09-08'",
    ),
    "check in the future": (
        put("checks", 23, checked="2026-11-21"),
        "checks.csv, row 23, column 'checked': a date up to 2026-11-20, the day of the report, got '2026-11-21'",
    ),
    "labour in the future": (
        put("labour", 6, done="2027-10-06"),
        "labour.csv, row 6, column 'done': a date up to 2026-11-20, the day of the report, got '2027-10-06'",
    ),
    "mixed late": (
        put("sessions", 4, mixed="2026-09-21T09:01"),
        "sessions.csv, row 4, column 'mixed': a time up to the session's start (2026-09-21T09:00), got "
        "'2026-09-21T09:01'",
    ),
    "arrived late": (
        put("trays", 2, arrived="2026-09-08"),
        "trays.csv, row 2, column 'arrived': a date up to the dip (2026-09-07), got '2026-09-08'",
    ),
    "cut late": (
        put("trays", 3, cut="2026-09-08"),
        "trays.csv, row 3, column 'cut': a date up to the dip (2026-09-07), got '2026-09-08'",
    ),
    # pieces
    "alive again": (
        put("checks", 9, alive="21"),
        "checks.csv, row 9, column 'alive': 20 or fewer (pieces of the tray: none comes alive again), got '21'",
    ),
    "alive again later": (
        put("checks", 11, alive="20"),
        "checks.csv, row 11, column 'alive': 19 or fewer (alive in row 10: none comes alive again), got '20'",
    ),
    "not conserved": (
        put("checks", 10, dead="3"),
        "checks.csv, row 10, column 'alive': alive + dead + detached + removed = 20 (alive in row 9), "
        "got 19 + 3 + 0 + 0 = 22",
    ),
    "not conserved at first": (
        put("trays", 4, pieces="25"),
        "checks.csv, row 9, column 'alive': alive + dead + detached + removed = 25 (pieces of the tray), "
        "got 20 + 0 + 0 + 0 = 20",
    ),
    "receding": (
        put("checks", 2, receding="20"),
        "checks.csv, row 2, column 'receding': 19 or fewer (alive), got '20'",
    ),
    "re-dip of unknown": (
        put("trays", 6, earlier_tray="T0"),
        "trays.csv, row 6, column 'earlier_tray': a tray listed in trays, got 'T0'",
    ),
    "re-dip of itself": (
        put("trays", 6, earlier_tray="T05"),
        "trays.csv, row 6, column 'earlier_tray': another tray, got 'T05' itself",
    ),
    "re-dip of a later tray": (
        put("trays", 6, earlier_tray="T06"),
        "trays.csv, row 6, column 'earlier_tray': a tray dipped before 2026-10-05 09:00, got 'T06', "
        "dipped 2026-10-06 14:00",
    ),
    "re-dips in a circle": (
        put("trays", 2, earlier_tray="T05"),
        "trays.csv, row 2, column 'earlier_tray': a tray dipped before 2026-09-07 09:30, got 'T05', "
        "dipped 2026-10-05 09:00",
    ),
    "re-dip of the dead": (
        lambda t: (
            put("trays", 6, pieces="19")(t),
            put("checks", 15, alive="19")(t),
            put("checks", 16, alive="18")(t),
            put("checks", 17, alive="18")(t),
        ),
        "trays.csv, row 6, column 'pieces': 18 or fewer (left of tray 'T01' by then), got '19'",
    ),
    "re-dips of more than there are": (
        put("trays", 7, earlier_tray="T01"),
        "trays.csv, row 7, column 'pieces': 18 or fewer (left of tray 'T01' by then), got '12', 30 with those "
        "re-dipped before",
    ),
    # pests
    "more infested than examined": (
        put("pests", 2, infested="21"),
        "pests.csv, row 2, column 'infested': 20 or fewer (examined), got '21'",
    ),
    "more infested than pests": (
        put("pests", 5, infested="2"),
        "pests.csv, row 5, column 'infested': 1 or fewer (pests found, alive + dead), got '2'",
    ),
    "more examined than pieces": (
        put("pests", 2, examined="21"),
        "pests.csv, row 2, column 'examined': 20 or fewer (pieces of the tray), got '21'",
    ),
    # amounts
    "no amount": (
        put("sessions", 2, amount="", amount_unit=""),
        "sessions.csv, row 2, column 'amount': number above 0 (only a sham dip may leave it out), got an empty cell",
    ),
    "amount of nothing": (
        put("sessions", 2, amount="0"),
        "sessions.csv, row 2, column 'amount': number above 0 (only a sham dip may leave it out), got '0'",
    ),
    "no unit of amount": (
        put("sessions", 2, amount_unit=""),
        f"sessions.csv, row 2, column 'amount_unit': one of {UNITS} (only a sham dip may leave it out), got an "
        f"empty cell",
    ),
    "total without volume": (
        put("sessions", 2, bath_volume=""),
        "sessions.csv, row 2, column 'bath_volume': number above 0, since the amount (30 mL) is a total, got an "
        "empty cell",
    ),
    "drops of unknown size": (
        put("agents", 2, drops_per_ml=""),
        "sessions.csv, row 5, column 'amount_unit': a unit other than drops, or drops_per_ml of agent 'IOD', "
        "got 'drops' and no drops_per_ml",
    ),
    "limit in drops of unknown size": (
        put("agents", 4, max_per_l_unit="drops/L", drops_per_ml=""),
        "agents.csv, row 4, column 'drops_per_ml': number above 0, since max_per_l is in drops, got an empty cell",
    ),
    "temperature without unit": (
        put("sessions", 2, temperature_unit=""),
        "sessions.csv, row 2, column 'temperature_unit': one of C, F, since temperature is given, got an empty cell",
    ),
    "temperature in the wrong unit": (
        put("sessions", 4, temperature_unit="C"),
        "sessions.csv, row 4, column 'temperature': water between 0 and 60 C (32 and 140 F), got '78' C",
    ),
}


@pytest.mark.parametrize("change, expected", ONE_REASON.values(), ids=ONE_REASON)
def test_one_reason_one_line(tmp_path, change, expected):
    tables = small_log()
    change(tables)
    assert report(tables, tmp_path / "log") == ([expected] if isinstance(expected, str) else expected)


@pytest.mark.parametrize(
    "table, column, header",
    [
        ("sessions", "randomised", "randomized"), ("sessions", "temperature", "Temperature (C)"),
        ("sessions", "lot", "lots"), ("sessions", "mix", "mix?"), ("trays", "earlier_tray", "earlier-tray"),
        ("trays", "earlier_tray", "EarlierTray"), ("trays", "source", "sourсe"),  # a Cyrillic letter
        ("checks", "receding", "ｒｅｃｅｄｉｎｇ"), ("pests", "infested", "infested*"), ("agents", "price", "prices"),
        ("agents", "price", "pirce"), ("sessions", "crew", "cerw"), ("trays", "source", "suorces"),
        ("agents", "price", "pric\u00e9"), ("trays", "system", "syste\u1e3f"),
        ("trays", "condition", "cond\u0131t\u0131on"),  # without their dots
        ("checks", "receding", "reced\u03b9ng"), ("agents", "basis", "\u03b2\u03b1s\u03b9s"),  # Greek letters
    ],
)  # fmt: skip
def test_a_column_that_need_not_be_there_is_not_lost_by_its_header(tmp_path, table, column, header):
    tables = small_log()
    rename(table, **{column: header})(tables)
    (line,) = report(tables, tmp_path / "log")
    assert line.startswith(f"{table}.csv, row 1, column '")
    assert line.endswith(f"a column of the {table} table by its name (is it '{column}'?), got '{header_name(header)}'")


def test_every_problem_in_one_pass_and_none_twice(tmp_path):
    tables = small_log()
    put("agents", 2, active_strength="ten")(tables)
    put("sessions", 2, started="7 September 2026")(tables)
    put("trays", 3, pieces="-15")(tables)  # its checks are not blamed
    put("checks", 10, dead="x")(tables)  # nor the next check of that tray
    put("checks", 20, alive="9")(tables)
    put("checks", 23, checked="2026-12-01")(tables)
    put("pests", 2, infested="30")(tables)
    put("labour", 2, people="0.5")(tables)
    tables["farm"] = "[targets]\nkill = 95"
    with pytest.raises(DataError) as caught:
        read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    assert caught.value.problems == (
        "farm.toml, key 'targets.kill': number above 0, at most 1, got '95'",
        "agents.csv, row 2, column 'active_strength': number above 0, got 'ten'",
        "sessions.csv, row 2, column 'started': a date and time as 2026-10-03T09:30 (no time zone), got '7 "
        "September 2026'",
        "trays.csv, row 3, column 'pieces': whole number of 1 or more, got '-15'",
        "checks.csv, row 10, column 'dead': whole number of 0 or more, got 'x'",
        "checks.csv, row 20, column 'alive': alive + dead + detached + removed = 10 (alive in row 19), "
        "got 9 + 0 + 0 + 0 = 9",
        "checks.csv, row 23, column 'checked': a date up to 2026-11-20, the day of the report, got '2026-12-01'",
        "pests.csv, row 2, column 'infested': 20 or fewer (examined), got '30'",
        "labour.csv, row 2, column 'people': whole number of 1 or more, got '0.5'",
    )


def test_one_slip_in_a_tray_is_one_problem_and_a_second_slip_another(tmp_path):
    tables = small_log()
    put("checks", 2, alive="91")(tables)  # 19 mistyped: rows 3 and 4 go on from 19
    put("checks", 5, removed="17")(tables)
    assert report(tables, tmp_path / "log") == [
        "checks.csv, row 2, column 'alive': 20 or fewer (pieces of the tray: none comes alive again), got '91'",
        "checks.csv, row 5, column 'alive': alive + dead + detached + removed = 18 (alive in row 4), "
        "got 0 + 0 + 0 + 17 = 17",
    ]


def test_a_misspelt_tray_is_not_also_a_loss_of_pieces_elsewhere(tmp_path):
    tables = small_log()
    put("checks", 3, tray="TO1")(tables)  # 1 detached of tray T01: row 4 is short of it
    put("checks", 20, alive="9")(tables)  # from 2026-10-10 on: no stray check about
    assert report(tables, tmp_path / "log") == [
        "checks.csv, row 3, column 'tray': a tray listed in trays, got 'TO1'",
        "checks.csv, row 20, column 'alive': alive + dead + detached + removed = 10 (alive in row 19), "
        "got 9 + 0 + 0 + 0 = 9",
    ]


def test_a_misdated_session_or_check_is_one_problem(tmp_path):
    tables = small_log()
    put("sessions", 4, started="2062-09-21T09:00")(tables)
    put("checks", 10, checked="2025-09-21")(tables)
    assert report(tables, tmp_path / "log") == [
        "sessions.csv, row 4, column 'started': a date up to 2026-11-20, the day of the report, got '2062-09-21T09:00'",
        "checks.csv, row 10, column 'checked': a date on or after the dip (2026-09-07), got '2025-09-21'",
    ]


def test_order_of_rows_does_not_matter(tmp_path):
    tables = small_log()
    for name in ("sessions", "trays", "checks", "pests"):
        tables[name] = tables[name].iloc[::-1]
    assert report(tables, tmp_path / "log") == []


def test_a_missing_table_does_not_blame_the_tables_that_point_to_it(tmp_path):
    tables = small_log()
    del tables["trays"]
    assert report(tables, tmp_path / "log") == ["log: a table 'trays', got none"]


def test_a_missing_key_column_does_not_blame_the_tables_that_point_to_it(tmp_path):
    tables = small_log()
    drop("sessions", "session")(tables)
    assert report(tables, tmp_path / "log") == [
        "sessions.csv, row 1, column 'session': a column of this name (required), got none"
    ]


def test_pests_and_labour_may_be_left_out(tmp_path):
    tables = small_log()
    del tables["pests"], tables["labour"], tables["farm"]
    log = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    assert len(log.pests) == len(log.labour) == 0
    assert list(log.labour.columns)[-1] == "person_min"


def test_as_of_is_a_day(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    assert read_log(folder, as_of="2026-11-20") is read_log(folder, as_of=AS_OF)
    for wrong in ("20.11.2026", "", None, 5):
        with pytest.raises(ValueError, match="as_of must be a date"):
            read_log(folder, as_of=wrong)


def test_a_changed_file_is_read_again_and_the_log_is_never_written_to(tmp_path):
    tables = small_log()
    folder = write_log(tables, tmp_path / "log")
    before = {path: path.read_bytes() for path in folder.iterdir()}
    first = read_log(folder, as_of=AS_OF)
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    put("labour", 2, minutes="1000")(tables)
    write_log(tables, folder)
    assert read_log(folder, as_of=AS_OF).labour["minutes"][0] == 1000
    assert first.labour["minutes"][0] == 10
