"""Whole logs after what programs and people do to them: the same figures as before, or every reason with its place."""

import io
import os
import re
import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterdip.log import check_log, read_log
from builders import AS_OF, KEYS, small_log, write_log, write_workbook
from mutations import BY_KIND, CHANGES_MEANING
from mutations import KEYS as KEY_MUTATIONS

from afterdip.log.schema import TABLES  # isort: skip

EXAMPLES = int(os.environ.get("AFTERDIP_FUZZ", "80"))  # a night's run: AFTERDIP_FUZZ=20000
MANY = settings(max_examples=EXAMPLES, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
LINE = re.compile(
    r"(?P<file>[^,:]+?(\.csv|\.parquet|\.toml|\.xlsx)?(, sheet '[^']*')?|log)(, row (?P<row>\d+))?"
    r"(, (column|key) '(?P<column>[^']*)')?: .+, got .+",
    re.DOTALL,
)


@pytest.fixture(scope="module")
def intended(tmp_path_factory):
    """The small log as its writer meant it."""
    return read_log(write_log(small_log(), tmp_path_factory.mktemp("intended") / "log"), as_of=AS_OF)


def differences(got, meant):
    """The columns in which two logs differ, as table.column."""
    out = []
    for name in KEYS:
        left, right = getattr(got, name), getattr(meant, name)
        if len(left) != len(right):
            return [f"{name}: {len(left)} rows, not {len(right)}"]
        for column in right:
            try:
                pd.testing.assert_series_equal(left[column], right[column])
            except AssertionError:
                out.append(f"{name}.{column}")
    return out


def read_or_refuse(path, meant, *, may_differ=()):
    """Load to what was meant, or be refused by lines with a place; returns the lines, none if it loaded."""
    report = check_log(path, as_of=AS_OF)
    if not report.problems:
        wrong = [place for place in differences(read_log(path, as_of=AS_OF), meant) if place not in may_differ]
        assert not wrong, wrong
        return []
    lines = [str(problem) for problem in report.problems]
    for line in lines:
        assert LINE.fullmatch(line), line
        assert line.isprintable(), line
    assert len(set(lines)) == len(lines)
    return lines


def write_texts(tables, folder, kind):
    """Write the tables as they are, or every cell as a text of a workbook (which cannot hold control signs)."""
    if kind == "csv":
        return write_log(tables, folder)
    folder.mkdir()
    (folder / "farm.toml").write_text(tables["farm"])
    texts = {name: tables[name].replace("", None).map(lambda t: t and CONTROL.sub("?", t)) for name in KEYS}
    return write_workbook(texts, folder / "log.xlsx", formulas=False)


MUTATED = [
    (table.name, column, mutation)
    for table in TABLES.values() for column in table.columns for mutation in BY_KIND.get(column.kind, KEY_MUTATIONS)
]  # fmt: skip
TEXTS = {f"{t.name}.{c.name}" for t in TABLES.values() for c in t.columns if c.kind in ("key", "text", "group")}


@MANY
@given(
    st.lists(st.tuples(st.sampled_from(MUTATED), st.integers(0, 30), st.booleans()), min_size=1, max_size=2),
    st.sampled_from(["csv", "csv", "csv", "text in a workbook"]),
)
def test_mutated_cells_and_columns(intended, chosen, kind):
    """One cell or a whole column, in up to two places; a text may differ only by what was done to it."""
    tables, places = small_log(), set()
    for (name, column, mutation), row, whole in chosen:
        write = BY_KIND.get(column.kind, KEY_MUTATIONS)[mutation]
        cells = tables[name][column.name]
        hit = (cells != "") & (whole | (cells.index == row % len(cells)))
        if column.kind in ("number", "count"):
            hit &= pd.to_numeric(cells, errors="coerce").notna()
        if column.kind in ("date", "time"):
            hit &= cells.str.fullmatch(r"\d{4}-\d\d-\d\d(T\d\d:\d\d)?")
        tables[name].loc[hit, column.name] = [write(cell) for cell in cells[hit]]
        places |= {f"{name}.{column.name}"} & TEXTS
        if mutation in CHANGES_MEANING or column.need == "no":
            places |= {f"{name}.{column.name}"}  # `minus` may be right where a number has no bounds
    with tempfile.TemporaryDirectory() as folder:
        path = write_texts(tables, Path(folder) / "log", kind)
        report = check_log(path, as_of=AS_OF)
        if report.problems:
            read_or_refuse(path, intended)
            files = {problem.file for problem in report.problems if problem.row}
            assert files, [str(problem) for problem in report.problems]
            return
        for place in differences(read_log(path, as_of=AS_OF), intended):
            table, _, column = place.partition(".")
            derived = column in read_log(path, as_of=AS_OF).sessions and table in ("sessions", "agents")
            assert place in places or (derived and places), (place, places)


# --- whole files ------------------------------------------------------------------------------------------------------


def on_lines(change):
    """Change a file as a list of lines."""

    def edit(data):
        lines = change(data.decode().splitlines())
        return ("\n".join(lines) + "\n").encode()

    return edit


def on_frame(change):
    def edit(data):
        frame = pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False)
        return change(frame).to_csv(index=False).encode()

    return edit


def quoted(data):
    frame = pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False)
    return frame.to_csv(index=False, quoting=1).encode()


HARMLESS = {
    "BOM": lambda d: b"\xef\xbb\xbf" + d,
    "Windows line ends": lambda d: d.replace(b"\n", b"\r\n"),
    "old line ends": lambda d: d.replace(b"\n", b"\r"),
    "no last line end": lambda d: d.rstrip(b"\n"),
    "many last line ends": lambda d: d + b"\n\n\r\n",
    "blank rows between": on_lines(lambda lines: [part for line in lines for part in (line, "")]),
    "rows of commas": on_lines(lambda lines: [*lines, "," * lines[0].count(","), "," * lines[0].count(",")]),
    "all quoted": quoted,
    "columns reversed": on_frame(lambda f: f[f.columns[::-1]]),
    "header in capitals": on_lines(lambda lines: [lines[0].upper(), *lines[1:]]),
    "header with spaces": on_lines(lambda lines: [lines[0].replace("_", " ").replace(",", " , "), *lines[1:]]),
    "spaces around cells": on_lines(lambda lines: [line.replace(",", " , ") for line in lines]),
    "BOM within": on_lines(lambda lines: [lines[0], "\ufeff" + lines[1], *lines[2:]]),
    "blanks of 10,000 rows": lambda d: d + b"\n" * 10_000,
}
REFUSED = {
    "title above": on_lines(lambda lines: ["Our dip log", *lines]),
    "title and blank above": on_lines(lambda lines: ["Our dip log", "", *lines]),
    "blank above": on_lines(lambda lines: ["", *lines]),
    "no header": on_lines(lambda lines: lines[1:]),
    "header twice": on_lines(lambda lines: [lines[0], *lines]),
    "header within": on_lines(lambda lines: [*lines[:3], lines[0], *lines[3:]]),
    "rows doubled": on_lines(lambda lines: [lines[0], *lines[1:], *lines[1:]]),
    "half a row": on_lines(lambda lines: [*lines, lines[-1][: len(lines[-1]) // 2]]),
    "cut in a row": lambda d: d[: d.rstrip(b"\n").rfind(b"\n") + 8],
    "one cell more": on_lines(lambda lines: [*lines[:2], lines[2] + ",x", *lines[3:]]),
    "one cell less": on_lines(lambda lines: [*lines[:2], lines[2].partition(",")[2], *lines[3:]]),
    "semicolons": lambda d: d.replace(b",", b";"),
    "tabs": lambda d: d.replace(b",", b"\t"),
    "bars": lambda d: d.replace(b",", b"|"),
    "separator line": lambda d: b"sep=,\n" + d,
    "UTF-16": lambda d: d.decode().encode("utf-16"),
    "UTF-16 without a mark": lambda d: d.decode().encode("utf-16-le"),
    "UTF-32": lambda d: d.decode().encode("utf-32"),
    "EBCDIC": lambda d: d.decode().encode("cp037"),
    "NUL": lambda d: d[:-3] + b"\0" + d[-3:],
    "totals": on_frame(lambda f: pd.concat([f, pd.DataFrame({f.columns[0]: ["Total"]}).reindex(columns=f.columns)])),
    "a note below": on_lines(lambda lines: [*lines, "", "checked by A" + "," * lines[0].count(",")]),
    "rows as columns": on_frame(lambda f: f.T.reset_index()),
    "gzip": lambda d: __import__("gzip").compress(d),
    "a picture": lambda d: b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    "markup": lambda d: b"<html><table><tr><td>" + d.replace(b",", b"</td><td>") + b"</table>",
    "JSON": lambda d: b'[{"tray": "T01"}]\n',
    "a word": lambda d: b"moved\n",
    "10 MB in a cell": lambda d: d[:-2] + b"x" * 10**7 + d[-2:],
    "10 MB in quotes": lambda d: d[:-2] + b'"' + b"x\n" * 5 * 10**6 + d[-2:],
    "an open quote": lambda d: d.replace(b"\n", b'\n"', 1),
    "16,384 columns": on_lines(
        lambda lines: [lines[0] + "".join(f",c{i}" for i in range(16_384)), *(x + "," * 16_384 for x in lines[1:])]
    ),
    "column missing": on_frame(lambda f: f.drop(columns=f.columns[0])),
    "column twice": on_frame(lambda f: pd.concat([f, f.iloc[:, :1]], axis=1)),
}
LARGE = ("10 MB in a cell", "10 MB in quotes", "16,384 columns", "blanks of 10,000 rows")  # in one table only


def edited(folder, name, edits):
    """Yield the small log with one file edited, edit by edit."""
    path = write_log(small_log(), folder / "log")
    file = path / f"{name}.csv"
    before = file.read_bytes()
    for kind, edit in edits.items():
        if kind not in LARGE or name == "checks":
            file.write_bytes(edit(before))
            yield kind, path


@pytest.mark.parametrize("name", KEYS)
def test_a_file_written_in_another_way_reads_the_same(tmp_path, intended, name):
    for kind, path in edited(tmp_path, name, HARMLESS):
        assert read_or_refuse(path, intended) == [], kind


@pytest.mark.parametrize("name", KEYS)
def test_a_file_that_was_spoilt_is_refused_by_name(tmp_path, intended, name):
    for kind, path in edited(tmp_path, name, REFUSED):
        if (name, kind) == ("labour", "rows doubled"):
            continue  # two people's rows may be alike: a warning
        lines = read_or_refuse(path, intended)
        assert any(line.startswith(f"{name}.csv") for line in lines), (kind, lines)


@pytest.mark.parametrize("name", KEYS)
def test_values_moved_along_their_column_are_not_taken_for_right(tmp_path, intended, name):
    """A column moved by one row: refused, or read as it stands where any order would do (notes, temperatures)."""
    for column in TABLES[name].columns:
        tables = small_log()
        cells = tables[name][column.name]
        tables[name][column.name] = [cells.iloc[-1], *cells.iloc[:-1]]
        path = write_log(tables, tmp_path / column.name)
        if column.kind in ("key", "date", "time") and column.need == "yes" and name not in ("labour", "agents"):
            assert read_or_refuse(path, intended, may_differ=()), column.name


def test_shifted_counts_are_caught_by_the_pieces(tmp_path, intended):
    for column in ("alive", "dead", "detached", "removed"):
        tables = small_log()
        cells = tables["checks"][column]
        tables["checks"][column] = [cells.iloc[-1], *cells.iloc[:-1]]
        assert read_or_refuse(write_log(tables, tmp_path / column), intended)
    tables = small_log()
    tables["checks"] = tables["checks"].rename(columns={"alive": "dead", "dead": "alive"})
    assert read_or_refuse(write_log(tables, tmp_path / "swapped"), intended)


# --- keys between tables ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["7", "07", "7.0", "007.0", "7E0", "+7", "７", "'007", "٠٠٧", "007\u0301"])
def test_keys_that_look_alike_join_nothing(tmp_path, key):
    tables = small_log()
    tables["sessions"].loc[0, "session"] = "007"
    tables["trays"]["session"] = tables["trays"]["session"].replace("001", key)
    tables["labour"]["session"] = tables["labour"]["session"].replace("001", "007")
    lines = [str(p) for p in check_log(write_log(tables, tmp_path / "log"), as_of=AS_OF).problems]
    assert lines[0].startswith("trays.csv, row 2, column 'session': a session listed in sessions, got '")


def test_keys_of_both_spellings_stay_two(tmp_path):
    tables = small_log()
    tables["sessions"].loc[0, "session"] = "7"
    tables["sessions"].loc[1, "session"] = "007"
    tables["trays"]["session"] = tables["trays"]["session"].replace({"001": "7", "002": "007"})
    tables["labour"]["session"] = tables["labour"]["session"].replace("001", "7")
    log = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    assert log.trays.groupby("session")["pieces"].sum()[["7", "007"]].tolist() == [35, 20]
