"""Workbooks as spreadsheets leave them, and as nobody should: the same figures as before, or refused by place."""

import datetime
import io
import random
import re
import time
import zipfile

import openpyxl
import pandas as pd
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.comments import Comment
from openpyxl.formatting.rule import CellIsRule
from openpyxl.styles import Font, PatternFill
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.formula import ArrayFormula
from openpyxl.worksheet.table import Table as ListObject

from afterdip.log import check_log, read_log, sheet
from afterdip.log import workbook as workbook_module
from builders import AS_OF, DATES, KEYS, small_log, write_log
from test_hardening_logs import differences, intended, read_or_refuse  # noqa: F401

BASE = {}


@pytest.fixture
def saved(tmp_path):
    """A function that writes the small log as a workbook, changed; `parts` changes the archive's parts."""
    if "data" not in BASE:
        path = write_log(small_log(), tmp_path / "base", kind="xlsx")
        BASE["data"] = path.read_bytes()

    def save(change=None, *, parts=None, name="log.xlsx"):
        path = tmp_path / name
        (tmp_path / "farm.toml").write_text(small_log()["farm"])
        data = BASE["data"]
        if change is not None:
            book = openpyxl.load_workbook(io.BytesIO(data))
            change(book)
            out = io.BytesIO()
            book.save(out)
            data = out.getvalue()
        path.write_bytes(data if parts is None else repacked(data, parts))
        return path

    return save


def repacked(data, change):
    """Return the archive with its parts, a dict of name and bytes, changed."""
    with zipfile.ZipFile(io.BytesIO(data)) as old:
        parts = {info.filename: old.read(info) for info in old.infolist()}
    change(parts)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in parts.items():
            new.writestr(name, content)
    return out.getvalue()


CHECKS = f"xl/worksheets/sheet{KEYS.index('checks') + 1}.xml"


def in_checks(change):
    def edit(parts):
        before = parts[CHECKS]
        parts[CHECKS] = change(before)
        assert parts[CHECKS] != before

    return edit


# --- the same figures -------------------------------------------------------------------------------------------------


def epoch_1904(book):
    book.epoch = CALENDAR_MAC_1904


def dressed(book):
    for ws in book:
        ws.freeze_panes, ws.sheet_properties.tabColor = "B2", "1072BA"
        ws.protection.sheet = True
        ws.conditional_formatting.add("A2:A9", CellIsRule(operator="equal", formula=["1"], fill=PatternFill("solid")))
        ws["A1"].font, ws["A1"].comment = Font(bold=True), Comment("a note\nof two lines", "A")
        ws["B2"].hyperlink = "https://example.invalid/?a=1"
        ws.row_dimensions.group(3, 4, outline_level=1)
        ws.print_title_rows = "1:1"
        choice = DataValidation(type="list", formula1='"yes,no"')
        choice.add("C2:C100")
        ws.add_data_validation(choice)
    book.create_sheet("empty", 0)
    book.create_sheet("mine")["A1"] = "=1+1"
    book["mine"].sheet_state = "veryHidden"
    book["agents"]["B3"] = CellRichText("plant ", TextBlock(InlineFont(b=True), "oils"))


def as_tables(book):
    for ws in book:
        ws.add_table(ListObject(displayName=f"T_{ws.title}", ref=ws.dimensions))


def filtered(book):
    ws = book["checks"]
    ws.auto_filter.ref = ws.dimensions
    ws.auto_filter.add_filter_column(0, ["T01"])
    for row in range(6, 24):
        ws.row_dimensions[row].hidden = True


def struck_out(book):
    for row in (4, 5):
        for cell in book["checks"][row]:
            cell.font = Font(strike=True)


def hidden_columns(book):
    for letter in ("D", "E"):
        book["checks"].column_dimensions[letter].hidden = True


def text_everywhere(book):
    tables = small_log()
    for name in KEYS:
        for i, row in enumerate(tables[name].itertuples(index=False), start=2):
            for j, cell in enumerate(row, start=1):
                book[name].cell(i, j).value = cell or None
                book[name].cell(i, j).number_format = "@"


def spaced(book):
    for ws in book:
        ws.insert_rows(3, 2)
        ws.title = f" {ws.title.upper()} "
        for cell in ws[1]:
            cell.value = f" {cell.value.replace('_', ' ').title()}\u00a0"
    book._sheets.reverse()


def times_of_day(book):
    for row in range(2, 24):
        day = book["checks"][f"B{row}"]
        day.value = day.value + datetime.timedelta(hours=17, minutes=row)


def plain_cells(part):
    """Full rows without the places of rows and cells, as some writers leave them out."""
    rows = re.findall(rb"<row .*?</row>", part, re.DOTALL)
    full = [row for row in rows if row.count(b"<c ") == rows[0].count(b"<c ")]
    assert len(full) > 4
    for row in full:
        part = part.replace(row, re.sub(rb' r="[A-Z]*\d+"', b"", row))
    return part


def iso_dates(part):
    days = iter(small_log()["checks"]["checked"])
    return re.sub(
        rb'<c r="(B\d+)"[^>]*><v>[\d.]+</v></c>',
        lambda m: b'<c r="%s" t="d"><v>%sT00:00:00</v></c>' % (m[1], next(days).encode()), part,
    )  # fmt: skip


def shared_texts(parts):
    """Texts in the table that most spreadsheets keep them in, some of them in runs with looks and readings."""
    texts = []

    def shared(match):
        texts.append(match[3])
        return b'<c r="%s"%st="s"><v>%d</v></c>' % (match[1], match[2], len(texts) - 1)

    for name in [name for name in parts if "worksheets/sheet" in name]:
        cell = rb'<c r="([A-Z]+\d+)"([^>]*?)t="inlineStr"><is><t[^>]*>(.*?)</t></is></c>'
        parts[name] = re.sub(cell, shared, parts[name])
    run = b'<si><r><t xml:space="preserve">%s</t></r><r><rPr><b/></rPr><t xml:space="preserve">%s</t></r>%s</si>'
    reading = b'<rPh sb="0" eb="1"><t>reading</t></rPh>'
    items = b"".join(run % (t[:2], t[2:], reading) if i % 2 else b"<si><t>%s</t></si>" % t for i, t in enumerate(texts))
    main = b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
    parts["xl/sharedStrings.xml"] = main + items + b"</sst>"
    kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    types = "[Content_Types].xml"
    if kind not in parts[types]:
        entry = b'<Override PartName="/xl/sharedStrings.xml" ContentType="%s"/></Types>' % kind
        parts[types] = parts[types].replace(b"</Types>", entry)


def blank_below(part):
    rows = b"".join(b'<row r="%d" ht="15"><c r="A%d" s="1"/><c r="H%d" s="1"/></row>' % (r, r, r)
                    for r in range(24, 60_000))  # fmt: skip
    return part.replace(b"</sheetData>", rows + b'<row r="1048576"><c r="XFD1048576" s="1"/></row></sheetData>')


SAME = {
    "unchanged": (None, None),
    "1904": (epoch_1904, None),
    "dressed": (dressed, None),
    "tables": (as_tables, None),
    "filtered": (filtered, None),
    "hidden columns": (hidden_columns, None),
    "struck out": (struck_out, None),
    "text in every cell": (text_everywhere, None),
    "spaces and order": (spaced, None),
    "times of day": (times_of_day, None),
    "places left out": (None, in_checks(plain_cells)),
    "ISO dates": (None, in_checks(iso_dates)),
    "shared texts": (None, shared_texts),
    "wrong dimension": (None, in_checks(lambda p: re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1"', p))),
    "no dimension": (None, in_checks(lambda p: re.sub(rb"<dimension [^>]*/>", b"", p))),
    "blank rows to the last": (None, in_checks(blank_below)),
    "comments in the XML": (None, in_checks(lambda p: p.replace(b"<sheetData>", b"<!-- <c r=\"A1\"/> --><sheetData>"))),
}  # fmt: skip


@pytest.mark.parametrize("kind", SAME)
def test_the_same_figures(saved, intended, kind):  # noqa: F811
    change, parts = SAME[kind]
    path = saved(change, parts=parts)
    assert read_or_refuse(path, intended) == []
    codes = [warning.code for warning in read_log(path, as_of=AS_OF).warnings]
    told = {"filtered": ["hidden_rows"], "hidden columns": ["hidden_columns"] * 2, "struck out": ["struck_rows"]}
    assert codes == told.get(kind, [])


def test_what_is_struck_out_is_said(saved):
    """A line through a row takes it out for people; read on without a word, a voided check would count."""
    assert [str(warning) for warning in check_log(saved(struck_out), as_of=AS_OF).warnings] == [
        "log.xlsx, sheet 'checks', row 4: rows without a line through them, got 2 with one: read like the others"
    ]


def test_what_is_hidden_is_said(saved):
    assert str(check_log(saved(filtered), as_of=AS_OF).warnings[0]) == (
        "log.xlsx, sheet 'checks', row 6: rows that can be seen, got 18 hidden by hand or by a filter: read like the "
        "others"
    )
    assert {str(w) for w in check_log(saved(hidden_columns), as_of=AS_OF).warnings} == {
        f"log.xlsx, sheet 'checks', row 1, column '{name}': a column that can be seen, got a hidden one: read like the "
        "others" for name in ("dead", "detached")
    }  # fmt: skip


NOTE = f"xl/worksheets/sheet{KEYS.index('sessions') + 1}.xml"


def noted(text):
    def change(parts):
        assert b">second dip<" in parts[NOTE]
        parts[NOTE] = parts[NOTE].replace(b">second dip<", b">%s<" % text)

    return change


@pytest.mark.parametrize("shared", [False, True])
def test_signs_that_xml_cannot_hold(saved, shared):
    """A line end typed into a cell, and a control sign; in a shared text `_x005F_` says that an underline was meant."""

    def save(text):
        return saved(parts=lambda p: (noted(text)(p), shared_texts(p) if shared else None))

    assert read_log(save(b"second_x000D_\ndip"), as_of=AS_OF).sessions["note"].iloc[3] == "second dip"
    assert lines_of(save(b"_x0007_dip")) == [
        "log.xlsx, sheet 'sessions', row 5, column 'note': text without control characters, got '?dip'"
    ]


# --- refused ----------------------------------------------------------------------------------------------------------


def put(place, value, look=None, name="checks"):
    def change(book):
        book[name][place].value = value
        if look:
            book[name][place].number_format = look

    return change


def titled(book):
    book["checks"].insert_rows(1)
    book["checks"]["A1"] = "Checks of our farm"


def second_row(book):
    book["checks"].insert_rows(1)


def totals(book):
    book["checks"].append(["Total", None, 300, 5, 2, 20])


def sums(book):
    book["checks"].append([None, None, "=SUM(C2:C23)"])


def renamed(name):
    def change(book):
        book["labour"].title = name

    return change


def state(value):
    def change(book):
        book["pests"].sheet_state = value

    return change


def serials(book):
    for row in range(2, 24):
        book["checks"][f"B{row}"].number_format = "General"


def swapped_rows(part):
    rows = re.findall(rb"<row .*?</row>", part, re.DOTALL)
    return part.replace(rows[3] + rows[4], rows[4] + rows[3])


def swapped_cells(part):
    cells = re.findall(rb"<c .*?</c>", part, re.DOTALL)
    return part.replace(cells[10] + cells[11], cells[11] + cells[10])


def twice(part):
    row = re.findall(rb"<row .*?</row>", part, re.DOTALL)[3]
    return part.replace(row, row * 2)


def lost_sheet(parts):
    del parts[f"xl/worksheets/sheet{KEYS.index('labour') + 1}.xml"]


def many_merged(part):
    areas = b"".join(b'<mergeCell ref="A%d:GR1000000"/>' % (i % 2 + 1) for i in range(2000))
    return part.replace(b"</sheetData>", b"</sheetData><mergeCells>" + areas + b"</mergeCells>")


def with_part(name, content=b"x"):
    def change(parts):
        parts[name] = content

    return change


def macro_type(parts):
    name = "[Content_Types].xml"
    parts[name] = parts[name].replace(b"sheet.main+xml", b"SHEET.macroEnabled.main+xml")


SHEET = "log.xlsx, sheet 'checks'"
REFUSED = {
    "title": (titled, None, f"{SHEET}, row 1"),
    "header in row 2": (second_row, None, f"{SHEET}, row 1: a header row, got an empty row"),
    "totals": (totals, None, f"{SHEET}, row 24"),
    "sums": (sums, None, f"{SHEET}, row 24"),
    "array formula": (put("C3", ArrayFormula("C3", "=C2-D3")), None, f"{SHEET}, row 3, column 'alive'"),
    "formula that gives text": (put("A3", '="T"&"01"'), None, f"{SHEET}, row 3, column 'tray'"),
    "hyperlink formula": (put("A3", '=HYPERLINK("#x","T01")'), None, f"{SHEET}, row 3, column 'tray'"),
    "error": (put("C3", "#DIV/0!"), None, f"{SHEET}, row 3, column 'alive'"),
    "per cent": (put("C3", 0.19, "0.0%"), None, f"{SHEET}, row 3, column 'alive'"),
    "date for a count": (put("C3", datetime.datetime(1900, 1, 18)), None, f"{SHEET}, row 3, column 'alive'"),
    "time for a count": (put("C3", datetime.time(0, 18)), None, f"{SHEET}, row 3, column 'alive'"),
    "unit typed": (put("C3", "18 pcs"), None, f"{SHEET}, row 3, column 'alive'"),
    "serials": (serials, None, f"{SHEET}, row 2, column 'checked'"),
    "merged": (lambda b: b["checks"].merge_cells("A2:A5"), None, f"{SHEET}, row 2, column 'tray'"),
    "merged across": (lambda b: b["checks"].merge_cells("D2:E3"), None, f"{SHEET}, row 2, column 'dead'"),
    "sheet renamed": (renamed("labor"), None, "log.xlsx, sheet 'labor': a table of the log"),
    "sheet of a year": (renamed("labour 2026"), None, "log.xlsx, sheet 'labour 2026': a table of the log"),
    "hidden sheet": (state("hidden"), None, "log.xlsx, sheet 'pests': a sheet that can be seen, got a hidden one"),
    "very hidden sheet": (state("veryHidden"), None, "log.xlsx, sheet 'pests': a sheet that can be seen"),
    "rows swapped": (None, in_checks(swapped_rows), f"{SHEET}, row 4: rows in order, 1048576 at most, got row 4"),
    "row twice": (None, in_checks(twice), f"{SHEET}, row 4: rows in order"),
    "row too far": (None, in_checks(lambda p: p.replace(b'<row r="23"', b'<row r="1048577"')), f"{SHEET}, row 1048577"),
    "cells swapped": (None, in_checks(swapped_cells), f"{SHEET}, row 2: cells in order of their columns"),
    "sheet lost": (None, lost_sheet, "log.xlsx: a workbook with all its 6 sheets, got a damaged one with 5"),
    "many merged areas": (None, in_checks(many_merged), f"{SHEET}: at most 200000 cells in merged areas"),
    "way out": (None, with_part("xl/../../../etc/passwd"), "log.xlsx: a workbook whose parts lie within it"),
    "way out, backslash": (None, with_part("xl\\..\\x"), "log.xlsx: a workbook whose parts lie within it"),
    "absolute path": (None, with_part("/etc/passwd"), "log.xlsx: a workbook whose parts lie within it"),
    "drive": (None, with_part("c:x"), "log.xlsx: a workbook whose parts lie within it"),
    "part twice": (None, with_part("XL/Workbook.xml"), "log.xlsx: a workbook with each part once"),
    "macros": (None, with_part("xl/VBAProject.BIN"), "log.xlsx: a workbook without macros"),
    "macro sheet": (None, with_part("xl/macrosheets/sheet1.xml"), "log.xlsx: a workbook without macros"),
    "macros by type": (None, macro_type, "log.xlsx: a workbook without macros"),
    "links": (None, with_part("xl/externalLinks/externalLink1.xml"), "log.xlsx: a workbook without links to other"),
}  # fmt: skip


@pytest.mark.parametrize("kind", REFUSED)
def test_refused_with_its_place(saved, intended, kind):  # noqa: F811
    change, parts, begins = REFUSED[kind]
    start = time.monotonic()
    lines = read_or_refuse(saved(change, parts=parts), intended)
    assert any(line.startswith(begins) for line in lines), lines
    assert time.monotonic() - start < 60  # no hang, on the slowest machine


OTHER = {
    "encrypted": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 2000,
    "a CSV file": b"tray,checked\nT01,2026-09-09\n",
    "a text document": None,
    "cut in half": None,
    "nothing": b"",
    "a zip of nothing": b"PK\x05\x06" + b"\0" * 18,
}


@pytest.mark.parametrize("kind", OTHER)
def test_what_is_no_workbook_is_refused(saved, intended, kind):  # noqa: F811
    path = saved()
    data = path.read_bytes()
    documents = {
        "a text document": repacked(data, lambda p: [p.pop(n) for n in list(p) if n.startswith("xl/")]),
        "cut in half": data[: len(data) // 2],
    }
    path.write_bytes(documents.get(kind, OTHER[kind]))
    lines = read_or_refuse(path, intended)
    assert [line.startswith("log.xlsx: an .xlsx workbook") for line in lines] == [True], lines
    assert ("password" in lines[0]) == (kind == "encrypted")


def test_a_workbook_by_another_name_is_refused(saved, tmp_path, intended):  # noqa: F811
    data = saved().read_bytes()
    folder = write_log(small_log(), tmp_path / "csv")
    (folder / "pests.csv").write_bytes(data)
    assert read_or_refuse(folder, intended)[0].startswith("pests.csv")


def test_bombs_are_not_unpacked(saved, monkeypatch):
    def fill(parts):
        parts["xl/media/image1.png"] = bytes(300 * 2**20)

    assert lines_of(saved(parts=fill)) == [
        "log.xlsx: a workbook of at most 256 MB unpacked, got more (use CSV or Parquet files)"
    ]
    monkeypatch.setattr(workbook_module, "MOST_TAGS", 100_000)
    crowd = saved(parts=in_checks(lambda p: p.replace(b"<sheetData>", b"<a/>" * 100_000 + b"<sheetData>")))
    assert lines_of(crowd)[0].startswith("log.xlsx: a workbook of at most 100000 marks in all, got 10")


def lines_of(path):
    return [str(problem) for problem in check_log(path, as_of=AS_OF).problems]


def test_a_directory_that_lies_about_sizes(saved):
    """The size a part declares is all that is unpacked of it; more than that is a damaged part."""
    path = saved(parts=in_checks(lambda p: p.replace(b"</sheetData>", b"</sheetData>" + b" " * 10**6)))
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as parts:
        size = parts.getinfo(CHECKS).file_size.to_bytes(4, "little")
    assert data.count(size) == 2  # before the part, and in the directory
    path.write_bytes(bytes(data).replace(size, (1000).to_bytes(4, "little")))
    assert lines_of(path) == ["log.xlsx: an .xlsx workbook that opens, got a damaged one"]


def test_a_flipped_byte_changes_no_figure(saved, intended):  # noqa: F811
    path = saved()
    data = path.read_bytes()
    chance = random.Random(20260907)
    directory = data.rindex(b"PK\x05\x06")
    start = int.from_bytes(data[directory + 16 : directory + 20], "little")
    places = [chance.randrange(len(data)) for _ in range(40)] + [chance.randrange(start, len(data)) for _ in range(40)]
    refused = 0
    for place in places:
        damaged = bytearray(data)
        damaged[place] ^= 1 << chance.randrange(8)
        path.write_bytes(bytes(damaged))
        refused += bool(read_or_refuse(path, intended))
    assert refused > 20


def test_blank_cells_are_left_out_and_nothing_else():
    part = b'<row r="2"><c r="A2" s="1"/><c r="B2" s="1"><v>5</v></c><c r="C2"></c></row><row r="3" ht="1"></row>'
    assert sheet.without_blanks(part) == b'<row r="2"><c r="B2" s="1"><v>5</v></c></row>'
    for odd in (b'<row r="2"><c r="A2"/><c><v>5</v></c></row>', b'<row><c r="A1"/></row>', b'<!-- --><c r="A1"/>'):
        assert sheet.without_blanks(odd) == odd  # a cell without a place counts on those before it


def test_dates_of_both_calendars_are_the_same_days(saved):
    plain = read_log(saved(name="a.xlsx"), as_of=AS_OF)
    mac = read_log(saved(epoch_1904, name="b.xlsx"), as_of=AS_OF)
    for name in KEYS:
        for column in set(DATES) & set(getattr(plain, name)):
            pd.testing.assert_series_equal(getattr(plain, name)[column], getattr(mac, name)[column])
    assert not differences(mac, plain)
