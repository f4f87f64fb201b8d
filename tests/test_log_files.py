"""Files as farms keep them: each reads right, or is refused with the place named; never read wrong in silence."""

import csv
import datetime
import io
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterdip.log import check_log, csv_file, read_log
from afterdip.log import workbook as workbook_module
from builders import AS_OF, KEYS, small_log, typed, write_log, write_workbook


def lines(path):
    return [str(problem) for problem in check_log(path, as_of=AS_OF).problems]


def same(left, right, *, but=()):
    for name in KEYS:
        if name not in but:
            pd.testing.assert_frame_equal(getattr(left, name), getattr(right, name))
    return True


@pytest.fixture
def plain(tmp_path):
    return read_log(write_log(small_log(), tmp_path / "plain"), as_of=AS_OF)


@pytest.mark.parametrize("kind", ["xlsx", "parquet"])
def test_the_same_log_in_another_kind_of_file(tmp_path, plain, kind):
    other = read_log(write_log(small_log(), tmp_path / kind, kind=kind), as_of=AS_OF)
    assert same(plain, other)
    assert other.settings == plain.settings
    assert other.warnings == ()


def test_tables_have_the_listed_columns_and_types(plain):
    assert " ".join(plain.trays.columns) == (
        "tray session coral coral_group pieces origin source arrived cut condition earlier_tray system"
    )
    assert " ".join(plain.sessions.columns[19:]) == (
        "date is_control bath_volume_l exposure_min temperature_c concentration_mg_per_l strength strength_unit "
        "product_ml product_g product_tablets"
    )
    kinds = {"pieces": "int64", "arrived": "datetime64[ns]", "coral": "object"}
    assert {name: str(plain.trays[name].dtype) for name in kinds} == kinds
    assert {str(plain.checks[name].dtype) for name in ("alive", "dead", "detached", "removed")} == {"int64"}
    assert str(plain.checks["receding"].dtype) == "Int64"
    assert plain.sessions["is_control"].dtype == bool
    assert plain.sessions["randomised"].isna().tolist() == [False, False, False, True, True, True]
    assert list(plain.sessions["session"]) == ["001", "002", "003", "004", "005", "006"]
    assert plain.labour["person_min"].tolist() == [10, 50, 25, 20, 40]


# --- CSV --------------------------------------------------------------------------------------------------------------


def edited(tmp_path, name, edit):
    """Write the small log and edit the bytes of one of its files."""
    folder = write_log(small_log(), tmp_path / "log")
    path = folder / f"{name}.csv"
    path.write_bytes(edit(path.read_bytes()))
    return folder


def test_a_file_with_every_harmless_oddity(tmp_path, plain):
    def edit(data):
        text = data.decode().replace("tray,checked,alive", "\u00a0TRAY ,Checked,Alive").replace("\n", " , ,\r\n")
        text = text.replace("T01,2026-09-09", "\u200b T01\u00a0, 2026-09-09 ", 1)
        return b"\xef\xbb\xbf" + (text + " ,,\r\n\r\n,,,,,,,,\r\n").encode()

    folder = edited(tmp_path, "checks", edit)
    assert same(plain, read_log(folder, as_of=AS_OF))


def test_quoted_cells(tmp_path, plain):
    def edit(data):
        head, *rows = data.decode().splitlines()
        return "\n".join([head, *(",".join(f'"{cell}"' for cell in row.split(",")) for row in rows)]).encode()

    assert same(plain, read_log(edited(tmp_path, "checks", edit), as_of=AS_OF))


def test_thousands_and_line_breaks_in_quotes(tmp_path):
    def edit(data):
        return data.replace(
            b"001,2026-09-07T09:30,IOD,30,mL,10,L", b'001,2026-09-07T09:30,IOD,"1,200.0",mL,"1,000.5",L'
        ).replace(b",second dip", b',"second\ndip, ""late"""')

    sessions = read_log(edited(tmp_path, "sessions", edit), as_of=AS_OF).sessions
    assert sessions.loc[0, ["amount", "bath_volume"]].tolist() == [1200, 1000.5]
    assert sessions.loc[3, "note"] == 'second dip, "late"'


def test_rows_are_counted_as_a_spreadsheet_counts_them(tmp_path):
    def edit(data):
        text = data.decode().replace("second dip", '"second\n\ndip"').replace("\n002,", "\n\n\n002,", 1)
        return text.replace("006,2026-10-06T15:00,SHAM,,,10,L,10", "006,2026-10-06T15:00,SHAM,,,10,L,ten").encode()

    folder = edited(tmp_path, "sessions", edit)
    assert lines(folder) == ["sessions.csv, row 9, column 'minutes': number above 0, got 'ten'"]


def test_blank_rows_are_left_out_and_counted(tmp_path):
    folder = edited(tmp_path, "labour", lambda data: data.replace(b"\n", b"\n\n,,,,,,\n", 2))
    log = read_log(folder, as_of=AS_OF)
    assert len(log.labour) == 5
    record = next(file for file in log.files if file.name == "labour.csv")
    assert (record.rows_read, record.rows_left_out) == (5, {"empty row": 2})
    assert len(record.sha256) == 64


REFUSED_CSV = {
    "empty": (lambda d: b"", "labour.csv: a header row, got an empty file"),
    "blank": (lambda d: b"\n \n", "labour.csv: a header row, got an empty file"),
    "no header": (lambda d: b"\n" + d, "labour.csv, row 1: a header row, got an empty row"),
    "NUL": (lambda d: d.replace(b"dip", b"di\0p", 1), "labour.csv, row 3, column 'task': text, got a NUL byte"),
    "Latin 1": (
        lambda d: d.replace(b"35,\n", b"35,Andr\xe9\n", 1),
        "labour.csv, row 3, column 'person': UTF-8 text (save as 'CSV UTF-8'), got byte 0xe9",
    ),
    "UTF-16": (
        lambda d: d.decode().encode("utf-16"),
        "labour.csv: UTF-8 text (save as 'CSV UTF-8'), got UTF-16",
    ),
    "semicolons": (lambda d: d.replace(b",", b";"), "labour.csv, row 1: columns separated by commas, got semicolons"),
    "tabs": (lambda d: d.replace(b",", b"\t"), "labour.csv, row 1: columns separated by commas, got tabs"),
    "open quote": (lambda d: d.replace(b"mix", b'"mix', 1), "labour.csv, row 2: a closing quote, got none"),
    "text after a quote": (
        lambda d: d.replace(b"mix", b'"mix"es', 1),
        "labour.csv, row 2: a comma after a closing quote, got more text",
    ),
    "short row": (lambda d: d + b"2026-10-06,mix\n", "labour.csv, row 7: 7 cells as in the header, got 2"),
    "long row": (
        lambda d: d.replace(b"001,,A", b"001,,A,B", 1),
        "labour.csv, row 2: 7 cells as in the header, got 8",
    ),
    "decimal commas": (
        lambda d: d.replace(b"12.5", b"12,5", 1),
        "labour.csv, row 4: 7 cells as in the header, got 8",
    ),
    "header twice": (
        lambda d: d.replace(b"person\n", b"People\n", 1),
        "labour.csv, row 1, column 'people': each column once, got it as columns 3 and 7",
    ),
    "no name": (
        lambda d: d.replace(b"person\n", b"\n", 1),
        "labour.csv, row 1: a name in column 7 of the header, got none above 'A'",
    ),
}


@pytest.mark.parametrize("edit, expected", REFUSED_CSV.values(), ids=REFUSED_CSV)
def test_csv_refused(tmp_path, edit, expected):
    assert lines(edited(tmp_path, "labour", edit)) == [expected]


def test_every_ragged_row_is_named_and_other_files_are_still_read(tmp_path):
    folder = edited(tmp_path, "labour", lambda data: data + b"2026-10-06,mix\n2026-10-06\n")
    trays = (folder / "trays.csv").read_text().replace(",20,arrival", ",0,arrival", 1)
    (folder / "trays.csv").write_text(trays)
    assert lines(folder) == [
        "labour.csv, row 7: 7 cells as in the header, got 2",
        "labour.csv, row 8: 7 cells as in the header, got 1",
        "trays.csv, row 2, column 'pieces': whole number of 1 or more, got '0'",
    ]


def test_fast_and_strict_readers_agree(tmp_path, plain):
    folder = write_log(small_log(), tmp_path / "log")
    for path in folder.glob("*.csv"):
        path.write_bytes(path.read_bytes() + b"\n\n")  # a blank line sends a file to the strict reader
    assert same(plain, read_log(folder, as_of=AS_OF))


CELL = st.text(alphabet=st.sampled_from("ab ,\"\n\r'é"), max_size=4)
BROKEN = st.text(alphabet=st.sampled_from('ab,"\n'), max_size=30)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(st.tuples(CELL, CELL, CELL), min_size=1, max_size=5), st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL])
)
def test_fast_reader_reads_what_the_strict_one_reads(rows, quoting):
    out = io.StringIO()
    csv.writer(out, quoting=quoting, lineterminator="\n").writerows([("h1", "h2", "h3"), *rows])
    agree(out.getvalue().encode())


@settings(max_examples=300, deadline=None, derandomize=True)
@given(BROKEN)
def test_fast_reader_reads_broken_text_as_the_strict_one_does_or_leaves_it(text):
    agree(b"h1,h2\n" + text.encode())


def agree(data):
    """Where the fast reader takes a file at all, the strict one gives the same cells in the same rows."""
    fast = csv_file._fast(data)
    if fast is None:
        return
    strict = csv_file._strict("x.csv", data)
    assert fast[0] == strict[0]
    cells = [[[column.cells[code] for code in column.codes] for column in columns] for _, columns, _ in (fast, strict)]
    kept = np.isin(fast[2], strict[2])  # the strict reader leaves out rows without any content
    assert [list(np.array(column, dtype=object)[kept]) for column in cells[0]] == cells[1]
    assert all(not cell.strip() for column in cells[0] for cell in np.array(column, dtype=object)[~kept])


# --- which files ------------------------------------------------------------------------------------------------------


def test_other_files_of_a_folder_are_left_alone(tmp_path, plain):
    folder = write_log(small_log(), tmp_path / "log")
    (folder / "notes.txt").write_text("not a table")
    (folder / ".~lock.trays.csv#").write_text("x")
    (folder / "~$log.xlsx").write_text("x")
    (folder / "backup").mkdir()
    (folder / "trays.csv").rename(folder / "Trays.CSV")
    assert same(plain, read_log(folder, as_of=AS_OF))


def test_unknown_table(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    (folder / "check.csv").write_text("tray\n")
    assert lines(folder) == [
        "check.csv: a table of the log (agents, sessions, trays, checks, pests, labour), got 'check' "
        "(did you mean 'checks'?)"
    ]


def test_two_files_for_one_table(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    write_log({"trays": small_log()["trays"]}, folder, kind="parquet")
    assert lines(folder) == ["trays.parquet: one file for trays, got trays.csv, trays.parquet"]


@pytest.mark.parametrize("name", ["pests", "labour.2026"])
def test_a_folder_in_place_of_a_table_that_need_not_be_there(tmp_path, name):
    folder, table = write_log(small_log(), tmp_path / "log"), name.partition(".")[0]
    (folder / name).mkdir()
    (folder / f"{table}.csv").rename(folder / name / "part-0.csv")
    assert lines(folder) == [f"{name}: the table {table} as .csv or .parquet, got a folder"]


def test_csv_and_parquet_side_by_side(tmp_path, plain):
    tables = small_log()
    folder = write_log({name: tables[name] for name in ("checks", "pests")}, tmp_path / "log", kind="parquet")
    write_log({name: tables[name] for name in tables if name not in ("checks", "pests")}, folder)
    assert same(plain, read_log(folder, as_of=AS_OF))


def test_a_workbook_beside_tables(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    write_workbook({"trays": typed(small_log()["trays"])}, folder / "log.xlsx")
    assert lines(folder)[0].startswith("log: one workbook or a file per table, got log.xlsx, agents.csv")


def test_nothing_there(tmp_path):
    assert lines(tmp_path / "nowhere") == ["nowhere: a folder or workbook, got nothing there"]
    folder = write_log(small_log(), tmp_path / "log")
    assert lines(folder / "trays.csv") == [
        "trays.csv: a folder with a file per table, or one .xlsx workbook, got one .csv file"
    ]


def test_a_log_in_the_working_directory(tmp_path, monkeypatch):
    monkeypatch.chdir(write_log({"farm": ""}, tmp_path / "log"))
    assert lines(".") == [f"log: a table '{name}', got none" for name in ("agents", "sessions", "trays", "checks")]


def test_a_file_that_cannot_be_opened(tmp_path, monkeypatch):
    folder = write_log(small_log(), tmp_path / "log")
    read = Path.read_bytes

    def locked(path):
        if path.name == "labour.csv":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", locked)
    assert lines(folder) == ["labour.csv: a file that can be read, got: Permission denied"]


# --- workbooks --------------------------------------------------------------------------------------------------------


def book(tmp_path, change=lambda book: None, name="log.xlsx"):
    """Write the small log as a workbook, changed; return its path."""
    path = write_log(small_log(), tmp_path / "book", kind="xlsx")
    workbook = openpyxl.load_workbook(path)
    change(workbook)
    path.unlink()
    workbook.save(path.with_name(name))
    return path.with_name(name)


def cell(sheet, place, value, look=None):
    def change(workbook):
        workbook[sheet][place].value = value
        if look:
            workbook[sheet][place].number_format = look

    return change


def text_dates(workbook):
    sheet = workbook["checks"]
    sheet["B2"] = "2026-09-09"
    sheet["B3"] = "\u00a02026-09-14 08:15 "
    sheet["B4"] = datetime.datetime(2026, 9, 28, 17, 30)
    sheet["C2"], sheet["D2"] = "19", " 1 "
    sheet["C3"] = 18.0
    sheet.cell(row=60, column=3).number_format = "0"  # a formatted but empty corner
    sheet.cell(row=3, column=20).value = "  "
    workbook.create_sheet("notes").sheet_state = "hidden"
    workbook["notes"]["A1"] = "=1+1"
    workbook.create_sheet("Sheet9")
    for index in ("TRAY", "Checked"):
        sheet.cell(row=1, column=1 + (index == "Checked")).value = f" {index} "


def test_a_messy_workbook_reads_right(tmp_path, plain):
    assert same(plain, read_log(book(tmp_path, text_dates), as_of=AS_OF))


def test_numbers_as_keys(tmp_path):
    def change(workbook):
        for sheet, column, rows in (("trays", "A", [7]), ("checks", "A", [18, 19, 20]), ("pests", "A", [12, 13])):
            for row in rows:
                workbook[sheet][f"{column}{row}"] = 7.0 if row % 2 else 7

    log = read_log(book(tmp_path, change), as_of=AS_OF)
    assert log.trays["tray"].tolist() == ["T01", "T02", "T03", "T04", "T05", "7", "T07"]


def test_numbers_shown_with_leading_zeros_keep_them(tmp_path, plain):
    def change(workbook):
        for row in range(2, 8):
            workbook["sessions"][f"A{row}"] = row - 1
            workbook["sessions"][f"A{row}"].number_format = "000"

    assert same(plain, read_log(book(tmp_path, change), as_of=AS_OF))


def test_a_number_among_keys_with_leading_zeros_is_refused(tmp_path):
    path = book(tmp_path, cell("sessions", "A3", 2))
    assert lines(path)[0] == (
        "log.xlsx, sheet 'sessions', row 3, column 'session': text like the column's other cells, which keep leading "
        "zeros (format the cell as text), got '2'"
    )


REFUSED_CELLS = {
    "formula": (
        cell("checks", "C2", "=20-1"),
        "log.xlsx, sheet 'checks', row 2, column 'alive': whole number of 0 or more, typed in, not a formula (paste it "
        "as a value), got the formula '=20-1'",
    ),
    "formula in a key": (
        cell("labour", "E2", '="001"'),
        "log.xlsx, sheet 'labour', row 2, column 'session': text, typed in, not a formula (paste it as a value), "
        "got the formula '=\"001\"'",
    ),
    "error": (
        cell("checks", "C2", "#N/A"),
        "log.xlsx, sheet 'checks', row 2, column 'alive': whole number of 0 or more, got '#N/A'",
    ),
    "boolean count": (
        cell("checks", "D3", False),
        "log.xlsx, sheet 'checks', row 3, column 'dead': whole number of 0 or more, got 'FALSE'",
    ),
    "date for a number": (
        cell("sessions", "D2", datetime.datetime(2026, 4, 3)),
        "log.xlsx, sheet 'sessions', row 2, column 'amount': number of 0 or more, got '2026-04-03 00:00:00'",
    ),
    "number for a date": (
        cell("checks", "B2", 46274, "General"),
        "log.xlsx, sheet 'checks', row 2, column 'checked': a date as 2026-10-03 (year-month-day), got '46274'",
    ),
    "time for a date": (
        cell("checks", "B2", datetime.time(9, 30)),
        "log.xlsx, sheet 'checks', row 2, column 'checked': a date as 2026-10-03 (year-month-day), got '09:30:00'",
    ),
    "ambiguous date": (
        cell("checks", "B2", "03/04/2026"),
        "log.xlsx, sheet 'checks', row 2, column 'checked': a date as 2026-10-03 (year-month-day), got '03/04/2026'",
    ),
    "per cent": (
        cell("sessions", "D2", 0.02, "0%"),
        "log.xlsx, sheet 'sessions', row 2, column 'amount': number of 0 or more, in a cell not formatted as per cent, "
        "got '2%'",
    ),
    "decimal key": (
        cell("sessions", "M2", 3.1),
        "log.xlsx, sheet 'sessions', row 2, column 'lot': text or a whole number (format the cell as text), got '3.1'",
    ),
    "date key": (
        cell("sessions", "M2", datetime.datetime(2026, 4, 3)),
        "log.xlsx, sheet 'sessions', row 2, column 'lot': text or a whole number (format the cell as text), "
        "got '2026-04-03 00:00:00'",
    ),
    "merged": (
        lambda book: book["checks"].merge_cells("H2:H3"),
        ["log.xlsx, sheet 'checks', row 2, column 'checker': text, in a cell of its own, not a merged area, got 'A'",
         "log.xlsx, sheet 'checks', row 3, column 'checker': text, in a cell of its own, not a merged area, "
         "got 'a merged cell'"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("change, expected", REFUSED_CELLS.values(), ids=REFUSED_CELLS)
def test_cell_refused(tmp_path, change, expected):
    assert lines(book(tmp_path, change)) == ([expected] if isinstance(expected, str) else expected)


def test_formulas_in_columns_that_nobody_reads_are_no_matter(tmp_path, plain):
    def change(workbook):
        workbook["checks"]["I1"] = "loss"
        workbook["checks"]["I2"] = "=D2/C2"

    log = read_log(book(tmp_path, change), as_of=AS_OF)
    assert [warning.code for warning in log.warnings] == ["unknown_column"]
    pd.testing.assert_frame_equal(log.checks.drop(columns="loss"), plain.checks)


def test_hidden_and_unknown_sheets(tmp_path):
    def change(workbook):
        workbook["checks"].sheet_state = "hidden"
        workbook.create_sheet("summary")["A1"] = "mine"

    assert lines(book(tmp_path, change)) == [
        "log.xlsx, sheet 'checks': a sheet that can be seen, got a hidden one",
        "log.xlsx, sheet 'summary': a table of the log (agents, sessions, trays, checks, pests, labour), got 'summary'",
    ]


def test_settings_on_a_sheet(tmp_path, plain):
    rows = [
        ("Section", "key", "value"),
        ("farm", "name", "Invented farm"),
        (None, "currency", "EUR"),
        ("farm", "wage_per_hour", 18.5),
        ("farm", "water_temperature_c", "25.5"),
        ("value", "SPS", 20),
        (None, "lps", 35),
        ("pests.flatworm", "hatch_days_latest", 15),
        (None, "first_laying_days_earliest", 27),
        (None, "at_temperature_c", 27),
        (None, "source", "invented for tests"),
        ("targets", "kill", None),
    ]

    def change(workbook):
        sheet = workbook.create_sheet("farm")
        for row in rows:
            sheet.append(row)

    path = book(tmp_path, change)
    assert lines(path) == ["farm.toml: one place for settings, got a farm sheet too"]
    path.with_name("farm.toml").unlink()
    assert read_log(path, as_of=AS_OF).settings == plain.settings
    rows[3] = ("farm", "wage_per_hour", "a lot")
    path = book(tmp_path, change)
    path.with_name("farm.toml").unlink()
    assert lines(path) == [
        "log.xlsx, sheet 'farm', row 4, column 'value': farm.wage_per_hour: number of 0 or more, got 'a lot'"
    ]


def test_a_folder_with_one_workbook(tmp_path, plain):
    assert same(plain, read_log(book(tmp_path).parent, as_of=AS_OF))


def test_external_links_are_not_followed(tmp_path):
    path = book(tmp_path, cell("checks", "C2", "=[1]other!A1"))
    assert lines(path)[0].endswith("got the formula '=[1]other!A1'")


@pytest.mark.parametrize(
    "name, got", [("log.xlsm", "macros"), ("log.xls", "an old binary format"), ("log.txt", "another kind of file")]
)
def test_other_kinds_of_workbook(tmp_path, name, got):
    path = book(tmp_path, name=name) if name != "log.txt" else tmp_path / name
    path.touch()
    assert lines(path) == [f"{name}: a log as .xlsx, got {got}"]


def test_macros_under_another_name(tmp_path):
    path = book(tmp_path)
    with zipfile.ZipFile(path, "a") as parts:
        parts.writestr("xl/vbaProject.bin", b"")
    assert lines(path) == ["log.xlsx: a workbook without macros (save as .xlsx), got one with macros"]


def test_a_workbook_that_unpacks_to_too_much_is_not_unpacked(tmp_path, monkeypatch):
    path = book(tmp_path)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("xl/media/image1.png", b"\0" * (1 << 20))
    monkeypatch.setattr(workbook_module, "MOST_BYTES", 1 << 20)
    assert lines(path) == ["log.xlsx: a workbook of at most 1 MB unpacked, got more (use CSV or Parquet files)"]


def test_parts_with_paths_out_of_the_workbook_are_refused_and_write_nothing(tmp_path):
    path = book(tmp_path)
    with zipfile.ZipFile(path, "a") as parts:
        parts.writestr("../../escaped.txt", b"out")
    before = sorted(tmp_path.rglob("*"))
    assert lines(path) == ["log.xlsx: a workbook whose parts lie within it, got a path that leads out of it"]
    assert sorted(tmp_path.rglob("*")) == before


def test_entities_are_not_expanded(tmp_path):
    source = book(tmp_path)
    target = tmp_path / "bomb.xlsx"
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for info in old.infolist():
            data = old.read(info)
            if info.filename == "xl/worksheets/sheet1.xml":
                data = bomb + data.replace(b"</sheetData>", b"<row r='9'><c t='str'><v>&b;</v></c></row></sheetData>")
            new.writestr(info.filename, data)
    assert lines(target) == ["bomb.xlsx: an .xlsx workbook that opens, got a damaged one"]


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04nonsense", b"PK" + b"\0" * 600])
def test_damaged_workbooks(tmp_path, data):
    path = tmp_path / "log.xlsx"
    path.write_bytes(data)
    assert lines(path) == ["log.xlsx: an .xlsx workbook, got a file that is not one"]


def test_a_cell_far_out_is_refused_quickly(tmp_path):
    path = book(tmp_path, cell("checks", "XFD3", "lost"))
    assert lines(path) == ["log.xlsx, sheet 'checks', row 3: at most 200 columns, got 16384"]


# --- Parquet ----------------------------------------------------------------------------------------------------------


def test_parquet_with_numbers_as_keys(tmp_path):
    tables = small_log()
    for name, column in (("sessions", "session"), ("trays", "session"), ("labour", "session")):
        tables[name][column] = tables[name][column].str.lstrip("0")
    folder = write_log(tables, tmp_path / "log", kind="parquet")
    sessions = typed(tables["sessions"]).astype({"session": "int64"})
    sessions.to_parquet(folder / "sessions.parquet")
    trays = typed(tables["trays"]).astype({"session": "float64", "coral": "category", "pieces": "float32"})
    trays.to_parquet(folder / "trays.parquet")
    log = read_log(folder, as_of=AS_OF)
    assert log.sessions["session"].tolist() == log.trays["session"].unique().tolist() == list("123456")


@pytest.mark.parametrize(
    "column, values, expected",
    [
        ("checked", pd.to_datetime(["2026-09-09"] * 22).tz_localize("UTC"),
         "a date as 2026-10-03 (year-month-day), got '2026-09-09 00:00:00+00:00'"),
        ("alive", [1.5] * 22, "whole number of 0 or more, got '1.5'"),
        ("dead", [True] * 22, "whole number of 0 or more, got 'TRUE'"),
    ],
)  # fmt: skip
def test_parquet_cells_refused(tmp_path, column, values, expected):
    folder = write_log(small_log(), tmp_path / "log", kind="parquet")
    frame = typed(small_log()["checks"]).assign(**{column: values})
    frame.to_parquet(folder / "checks.parquet")
    assert lines(folder)[0] == f"checks.parquet, row 2, column '{column}': {expected}"


def test_parquet_that_is_none(tmp_path):
    folder = write_log(small_log(), tmp_path / "log", kind="parquet")
    (folder / "checks.parquet").write_bytes(b"PAR1 nonsense PAR1")
    assert lines(folder) == ["checks.parquet: a Parquet file of text, numbers and dates, got one that cannot be read"]
