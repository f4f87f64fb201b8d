"""A refusal says where: row and column as a spreadsheet shows them, whatever stands above; and it comes at once."""

import csv
import datetime
import io
import time
import warnings
from collections import Counter

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from afterdip.log import check_log, read_log
from afterdip.log.csv_file import read_csv
from afterdip.log.parquet_file import odd_seconds, read_parquet, within_dictionary
from afterdip.log.raw import UnreadableError, encode
from afterdip.log.schema import TABLES
from builders import AS_OF, small_log, typed, write_log
from steady import steady_farm
from test_hardening_files import cast, lines_of, replaced, stored  # noqa: F401

CELL = st.text(st.sampled_from('ab ,"\né☃'), max_size=6)
NAMES = [column.name for column in TABLES["labour"].columns]


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(st.lists(CELL, min_size=len(NAMES), max_size=len(NAMES)), min_size=1, max_size=5),
    st.integers(0, 100), st.sampled_from(NAMES), st.sampled_from([b"\0", b"\xff", b"\xe9", b"\xed\xa0\x80"]),
    st.sampled_from(["\n", "\r\n", "\r"]), st.booleans(), st.booleans(),
)  # fmt: skip
def test_a_byte_that_is_no_text_is_found_in_its_cell(rows, at, name, byte, ends, all_quoted, marked):
    """The cell is found by writing it: csv's writer is the independent witness of what stands where."""
    at %= len(rows)
    rows[at][NAMES.index(name)] += "ÿSPOILTÿ"
    out = io.StringIO(newline="")
    quoting = csv.QUOTE_ALL if all_quoted or ends == "\r" else csv.QUOTE_MINIMAL  # the writer quotes its own ends only
    csv.writer(out, quoting=quoting, lineterminator=ends).writerows([NAMES, *rows])
    data = out.getvalue().encode("utf-8-sig" if marked else "utf-8").replace("ÿSPOILTÿ".encode(), byte)
    with pytest.raises(UnreadableError) as refused:
        read_csv(TABLES["labour"], "labour.csv", data)
    (problem,) = refused.value.args[0]
    assert (problem.row, problem.column) == (at + 2, name), problem


@pytest.mark.parametrize("first", ["sep=,", "Our farm's log", "Our farm,,,,,,", "done|task|people", "a,b,c,d,e,f,g"])
def test_a_line_above_the_header_is_one_problem(tmp_path, first):
    folder = write_log(small_log(), tmp_path / "log")
    file = folder / "labour.csv"
    file.write_text(first + "\n" + file.read_text())
    got = first.split(",")[0] if not first.startswith("sep") else "sep="
    assert lines_of(folder) == [
        f"labour.csv, row 1: a header row with the columns done, task, people, minutes, got '{got}'"
    ]


@pytest.mark.parametrize("names", ["named", "empty"])
def test_a_row_wider_than_any_sheet_is_refused_before_the_rest_is_read(tmp_path, names):
    folder = write_log(small_log(), tmp_path / "log")
    file = folder / "checks.csv"
    head, *body = file.read_text().splitlines()
    wide = "".join(f",c{i}" for i in range(100_000)) if names == "named" else "," * 100_000
    file.write_text("\n".join([head + wide, *(row + "," * 100_000 for row in body * 20)]))
    before = time.process_time()
    (line,) = lines_of(folder)
    assert time.process_time() - before < 2
    assert line.startswith("checks.csv, row 1: at most 200 columns, got 100")


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_columns_of_the_farm_s_own_stand_last_and_are_no_matter(tmp_path, kind):
    """As many as there may be: pandas warns of frames that grow column by column, and warnings are errors here."""
    tables = small_log()
    plain = read_log(write_log(tables, tmp_path / "plain", kind=kind), as_of=AS_OF)
    own = pd.DataFrame("x", index=tables["sessions"].index, columns=[f"own{i}" for i in range(180)])
    tables["sessions"] = pd.concat([own, tables["sessions"]], axis=1)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        log = read_log(write_log(tables, tmp_path / "log", kind=kind), as_of=AS_OF)
    pd.testing.assert_frame_equal(log.sessions.iloc[:, :-180], plain.sessions)
    assert list(log.sessions)[-180:] == list(own)
    assert (log.sessions.iloc[:, -180:] == "x").all(axis=None)


def test_settings_on_a_sheet_are_refused_in_their_rows(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    path = write_log({k: v for k, v in small_log().items() if k != "farm"}, tmp_path / "log", kind="xlsx")
    book = openpyxl.load_workbook(path)
    for row in (
        ["section", "key", "value"], [None, "kill", 0.9], ["targets", None, 0.9], ["pests.mite", "source", "ours"],
        ["tragets", "kill", 0.9],
    ):  # fmt: skip
        if "farm" not in book.sheetnames:
            book.create_sheet("farm")
        book["farm"].append(row)
    book.save(path)
    found = check_log(path, as_of=AS_OF)
    at = "log.xlsx, sheet 'farm'"
    assert [str(problem) for problem in found.problems] == [
        f"{at}, row 2, column 'section': the name of a setting, got an empty cell",
        f"{at}, row 3, column 'key': the name of a setting, got an empty cell",
        f"{at}, row 4, column 'section': pests.mite: all four figures of a pest, got no hatch_days_latest, "
        "first_laying_days_earliest, at_temperature_c",
    ]
    assert [str(warning) for warning in found.warnings] == [
        f"{at}, row 5, column 'section': tragets: a known setting, got 'tragets': ignored (did you mean 'targets'?)"
    ]


# --- Parquet ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "values, got",
    [([["T01"]] * 22, "list<element: string>"), ([{"key": "T01"}] * 22, "struct<key: string>")],
    ids=["lists", "records"],
)
def test_a_column_of_no_single_cells_is_named(stored, values, got):  # noqa: F811
    assert lines_of(stored(replaced("tray", values))) == [
        f"checks.parquet, row 1, column 'tray': text, numbers or dates, got {got}"
    ]


def test_text_that_is_none_is_refused_in_its_cell(stored):  # noqa: F811
    def spoil(table):
        texts = [text.encode() for text in table["checker"].to_pylist()[1:]]
        spoilt = pa.array([None, b"A\xe9", *texts[1:]], pa.binary())
        column = pa.Array.from_buffers(pa.string(), len(spoilt), spoilt.buffers())
        return table.set_column(table.column_names.index("checker"), "checker", column)

    (line,) = lines_of(stored(lambda t: spoil(t.set_column(t.column_names.index("checker"), "checker",
                                                          pa.array(["A"] * t.num_rows)))))  # fmt: skip
    assert line == r"checks.parquet, row 3, column 'checker': text, got 'b'A\xe9''"


def test_single_precision_holds_what_was_typed(stored, tmp_path):  # noqa: F811
    """0.1 in four bytes is 0.10000000149 in eight: the shortest decimal that gives the same four bytes is meant."""
    plain = read_log(write_log(small_log(), tmp_path / "plain"), as_of=AS_OF)
    log = read_log(stored(cast(pa.float32(), "minutes"), "labour"), as_of=AS_OF)
    assert log.labour["minutes"].tolist() == plain.labour["minutes"].tolist()


def test_a_page_that_fails_its_check_sum_is_refused(tmp_path):
    """Writers may add a check sum to each page of a Parquet file; then no flipped bit may pass for a count."""
    tables = small_log()
    folder = write_log({key: frame for key, frame in tables.items() if key != "checks"}, tmp_path / "log")
    file, rng, refused = folder / "checks.parquet", np.random.default_rng(7), 0
    table = pa.Table.from_pandas(typed(tables["checks"]), preserve_index=False)
    parquet.write_table(table, file, compression="none", write_page_checksum=True)
    intended, whole = read_log(folder, as_of=AS_OF), file.read_bytes()
    footer = len(whole) - 8 - int.from_bytes(whole[-8:-4], "little")
    for place in rng.integers(4, footer, 150):
        spoilt = bytearray(whole)
        spoilt[place] ^= 1 << rng.integers(8)
        file.write_bytes(spoilt)
        if not check_log(folder, as_of=AS_OF).problems:
            pd.testing.assert_frame_equal(read_log(folder, as_of=AS_OF).checks, intended.checks)
        else:
            refused += 1
    assert refused > 50


def test_no_flipped_bit_points_beyond_the_cells():
    """Without check sums a page may point beyond its dictionary: refused as unreadable, whatever Arrow makes of it."""
    sink, rng, refused = io.BytesIO(), np.random.default_rng(11), 0
    parquet.write_table(pa.Table.from_pandas(typed(steady_farm(1)["trays"]), preserve_index=False), sink)
    whole = sink.getvalue()
    for place in rng.integers(4, len(whole) // 2, 300):  # pages, before the footer
        spoilt = bytearray(whole)
        spoilt[place] ^= 1 << rng.integers(8)
        try:
            raw, _ = read_parquet(TABLES["trays"], "trays.parquet", bytes(spoilt))
        except UnreadableError:
            refused += 1
            continue
        assert all(column.codes.max() < len(column.cells) for column in raw.columns.values())
    assert refused > 50


def test_codes_beyond_their_dictionary_are_refused():
    words = pa.array(["a", "b"])
    good = pa.chunked_array([pa.DictionaryArray.from_arrays(pa.array([0, 1, None], pa.int32()), words)])
    within_dictionary(good)
    for codes in ([0, 2], [-1, 0]):
        bad = pa.DictionaryArray.from_arrays(pa.array(codes, pa.int32()), words, safe=False)
        with pytest.raises(ValueError, match="of a dictionary of 2"):
            within_dictionary(pa.chunked_array([good.chunk(0), bad]))


def test_a_time_that_is_no_whole_minute_among_many_that_are(tmp_path):
    """A flipped bit of a time in microseconds: no power of two is a whole number of minutes."""
    times = [datetime.datetime(2026, 10, 3, 9, k) for k in range(40)]
    rows = np.arange(12, 52)
    whole = {"started": encode(times), "mixed": encode([None, *times[1:]])}
    assert list(odd_seconds("sessions.parquet", whole, rows)) == []
    for bit in range(44):
        flipped = times[7] + datetime.timedelta(microseconds=2**bit)
        (found,) = odd_seconds("sessions.parquet", {"started": encode([*times[:7], flipped, *times[8:]])}, rows)
        assert (found.row, found.column, found.code) == (19, "started", "odd_date")
    seconds = [t.replace(second=k % 60) for k, t in enumerate(times)]  # a program that writes seconds
    assert list(odd_seconds("sessions.parquet", {"started": encode(seconds)}, rows)) == []


# --- as many problems as anyone reads ---------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["refused cells", "empty cells", "same keys", "unknown keys", "late dates"])
def test_a_small_file_cannot_make_millions_of_problems(tmp_path, monkeypatch, kind):
    """Twelve kilobytes of Parquet hold 400,000 rows alike: the first problems are named, and that there may be more."""
    tables = small_log()
    folder = write_log({key: frame for key, frame in tables.items() if key != "checks"}, tmp_path / "log")
    row = typed(tables["checks"]).iloc[:1].copy()
    column = {"same keys": "checked", "unknown keys": "tray", "late dates": "checked"}.get(kind, "alive")
    if kind != "same keys":
        row[column] = {"refused cells": -1, "empty cells": None, "unknown keys": "T99",
                       "late dates": pd.Timestamp("2026-12-01")}[kind]  # fmt: skip
    table = pa.Table.from_pandas(row, preserve_index=False)
    parquet.write_table(table.take(pa.array(np.zeros(400_000, dtype=int))), folder / "checks.parquet")
    before = time.process_time()
    found = check_log(folder, as_of=AS_OF).problems
    assert time.process_time() - before < 10
    kinds = Counter(problem.code for problem in found if problem.column == column)
    code = {"refused cells": "type", "empty cells": "missing", "same keys": "duplicate_key",
            "unknown keys": "unknown_key", "late dates": "after_as_of"}[kind]  # fmt: skip
    assert kinds[code] == max(kinds.values()) == 10_000
    assert str(found[0]).endswith("got 10000 of one kind: the rest are not listed")


def test_a_file_of_short_rows_is_told_in_part(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    with (folder / "labour.csv").open("a") as file:
        file.write("x\n" * 300_000)
    lines = lines_of(folder)
    assert len(lines) == 10_001
    assert lines[0].startswith("labour.csv: rows as long as the header, got 10000 others")
    assert lines[1:3] == [f"labour.csv, row {n}: 7 cells as in the header, got 1" for n in (7, 8)]


def test_a_re_dip_is_not_held_to_checks_that_are_wrong_themselves(tmp_path):
    """T01's 20 pieces cannot have lost 40: the checks are at fault, not the tray that followed."""
    tables = small_log()
    tables["checks"].loc[0, "dead"] = "40"
    assert all(line.startswith("checks.csv, row 2") for line in lines_of(write_log(tables, tmp_path / "log")))
