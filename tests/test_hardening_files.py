"""Folders, typed files and settings that are not what they seem: the same figures, or refused by name."""

import datetime
import decimal
import os
import subprocess
import sys
import threading
import time

import pyarrow as pa
import pytest
from pyarrow import parquet

from afterdip.cli import main
from afterdip.errors import DataError
from afterdip.log import check_log, files, parquet_file, read_log
from builders import AS_OF, KEYS, small_log, typed, write_log
from test_hardening_logs import differences, intended, read_or_refuse  # noqa: F401


def lines_of(path):
    return [str(problem) for problem in check_log(path, as_of=AS_OF).problems]


# --- Parquet ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def stored(tmp_path):
    """A function that writes the small log with one table in Parquet, its Arrow table changed."""

    def store(change, name="checks"):
        tables = small_log()
        folder = write_log({key: frame for key, frame in tables.items() if key != name}, tmp_path / "log")
        table = pa.Table.from_pandas(typed(tables[name]), preserve_index=False)
        parquet.write_table(change(table), folder / f"{name}.parquet")
        return folder

    return store


def cast(kind, *columns):
    def change(table):
        for column in columns:
            table = table.set_column(
                table.column_names.index(column), column, table[column].cast(kind, safe=False)
            )  # fmt: skip
        return table

    return change


def replaced(column, values, kind=None):
    def change(table):
        return table.set_column(table.column_names.index(column), column, pa.array(values, kind))

    return change


COUNTS = ("alive", "dead", "detached", "removed")
SAME = {
    "as it is": lambda t: t,
    "small whole numbers": cast(pa.int8(), *COUNTS),
    "unsigned": cast(pa.uint64(), *COUNTS),
    "floats": cast(pa.float64(), *COUNTS),
    "halves": cast(pa.float16(), *COUNTS),
    "decimals": cast(pa.decimal128(30, 4), *COUNTS),
    "texts": cast(pa.string(), *COUNTS),
    "large texts": cast(pa.large_string(), "tray"),
    "categories": lambda t: t.set_column(0, "tray", t["tray"].dictionary_encode()),
    "days": cast(pa.date32(), "checked"),
    "seconds": cast(pa.timestamp("s"), "checked"),
    "nanoseconds": cast(pa.timestamp("ns"), "checked"),
    "milliseconds of days": cast(pa.date64(), "checked"),
    "columns reversed": lambda t: t.select(t.column_names[::-1]),
    "in pieces": lambda t: pa.concat_tables([t.slice(0, 5), t.slice(5, 1), t.slice(6)]),
}
REFUSED = {
    "zone": cast(pa.timestamp("us", "UTC"), "checked"),
    "zone of a place": cast(pa.timestamp("us", "America/New_York"), "checked"),
    "dates as numbers": cast(pa.int64(), "checked"),
    "yes and no": lambda t: replaced("dead", [True] * 22)(t),
    "a null": lambda t: replaced("alive", [None, *t["alive"].to_pylist()[1:]])(t),
    "not a number": lambda t: replaced("alive", [float("nan"), *map(float, t["alive"].to_pylist()[1:])])(t),
    "infinite": lambda t: replaced("alive", [float("inf"), *map(float, t["alive"].to_pylist()[1:])])(t),
    "half a piece": lambda t: replaced("alive", [decimal.Decimal("18.5")] * 22)(t),
    "bytes": cast(pa.binary(), "tray"),
    "lists": lambda t: replaced("tray", [[x] for x in t["tray"].to_pylist()])(t),
    "records": lambda t: replaced("tray", [{"key": x} for x in t["tray"].to_pylist()])(t),
    "times of day": lambda t: replaced("checked", [datetime.time(9, 30)] * 22)(t),
    "spans": lambda t: replaced("checked", [datetime.timedelta(days=1)] * 22)(t),
    "after the calendar": lambda t: replaced("checked", [2**40] * 22, pa.timestamp("s"))(t),
    "before the calendar": lambda t: replaced("checked", [-(2**31)] * 22, pa.date32())(t),
    "nothing": lambda t: replaced("tray", [None] * 22, pa.null())(t),
    "no rows": lambda t: t.slice(0, 0).drop_columns(["tray"]),
    "column twice": lambda t: t.append_column("Alive", t["alive"]),
    "many columns": lambda t: pa.table({n: t[n] for n in t.column_names} | {f"c{i}": t["dead"] for i in range(500)}),
}  # fmt: skip


@pytest.mark.parametrize("kind", SAME)
def test_typed_columns_read_the_same(stored, intended, kind):  # noqa: F811
    assert read_or_refuse(stored(SAME[kind]), intended) == []


@pytest.mark.parametrize("kind", REFUSED)
def test_typed_columns_refused(stored, intended, kind):  # noqa: F811
    lines = read_or_refuse(stored(REFUSED[kind]), intended)
    assert lines[0].startswith("checks.parquet"), lines


def test_a_long_text_in_every_row_stays_one_text(stored, tmp_path):
    """Half a gigabyte of text in some kilobytes, read within 400 MB above what the program itself takes."""
    n, text = 50_000, "x" * 10_000
    folder = write_log(small_log(), tmp_path / "log")
    (folder / "labour.csv").unlink()
    rows = {"done": ["2026-09-07"] * n, "task": ["mix"] * n, "people": [1] * n, "minutes": [1.0] * n}
    table = pa.table({**rows, "remark": pa.array([text] * n).dictionary_encode()})
    parquet.write_table(table, folder / "labour.parquet")
    assert (folder / "labour.parquet").stat().st_size < 2**20
    code = (
        "import resource, sys; from afterdip.log import read_log\n"
        "import pyarrow.parquet\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"log = read_log(sys.argv[1], as_of='{AS_OF}')\n"
        f"assert len(log.labour) == {n} and log.labour['remark'].notna().all()\n"
        "print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=True)
    assert int(done.stdout) < 400


def test_parquet_has_a_size(stored, monkeypatch):
    monkeypatch.setattr(parquet_file, "MOST_ROWS", 10)
    assert lines_of(stored(lambda t: t)) == ["checks.parquet: at most 10 rows, got 22"]
    monkeypatch.undo()
    monkeypatch.setattr(parquet_file, "MOST_BYTES", 10)
    assert lines_of(stored(lambda t: t))[0].startswith("checks.parquet: at most 0 GB unpacked, got ")


def test_a_damaged_parquet_file_is_no_crash(stored):
    import random

    folder = stored(lambda t: t)
    path = folder / "checks.parquet"
    data = path.read_bytes()
    chance = random.Random(3)
    for _ in range(60):
        damaged = bytearray(data)
        for _ in range(chance.randint(1, 3)):
            damaged[chance.randrange(len(data))] = chance.randrange(256)
        path.write_bytes(bytes(damaged))
        assert all("\n" not in line for line in lines_of(folder))  # no crash; Parquet has no check sums to tell by


# --- folders ----------------------------------------------------------------------------------------------------------


def with_pipe(path):
    os.mkfifo(path)


def with_loop(path):
    path.symlink_to(path)


ODD = {
    "a folder": (lambda path: path.mkdir(), "a folder"),
    "a pipe": (with_pipe, "a pipe or a device"),
    "a link to nothing": (lambda path: path.symlink_to("nowhere"), "a link to nothing"),
    "a link to itself": (with_loop, "a link to nothing"),
    "a link to a device": (lambda path: path.symlink_to("/dev/zero"), "a pipe or a device"),
    "a link to a folder": (lambda path: path.symlink_to("/"), "a folder"),
}


@pytest.mark.parametrize("name", ["trays.csv", "pests.csv", "labour.csv", "labour.parquet", "farm.toml", "log.xlsx"])
@pytest.mark.parametrize("kind", ODD)
def test_what_is_no_file_is_named_and_not_waited_for(tmp_path, kind, name):
    make, got = ODD[kind]
    folder = write_log(small_log(), tmp_path / "log")
    (folder / name.replace(".parquet", ".csv")).unlink(missing_ok=True)
    make(folder / name)
    start = time.monotonic()
    assert f"{name}: a file, got {got}" in lines_of(folder)
    assert time.monotonic() - start < 20


BESIDE = (
    ".DS_Store README.txt ~$log.xlsx .~lock.trays.csv# Thumbs.db trays.jpg trays.csv.bak photo.png .git desktop.ini "
    "farm.jpg notes.md log.pdf"
)


@pytest.mark.parametrize("name", BESIDE.split())
def test_files_beside_the_log_are_no_matter(tmp_path, intended, name):  # noqa: F811
    folder = write_log(small_log(), tmp_path / "log")
    (folder / name).write_bytes(b"\0\1\2")
    assert read_or_refuse(folder, intended) == []


@pytest.mark.parametrize("name, line", [
    ("pests.txt", "pests.txt: the table pests as .csv or .parquet, got another kind of file"),
    ("Pests.TSV", "Pests.TSV: the table pests as .csv or .parquet, got another kind of file"),
    ("pests.csv.txt", "pests.csv.txt: the table pests as .csv or .parquet, got another kind of file"),
    ("pests.csv.gz", "pests.csv.gz: the table pests as .csv or .parquet, got another kind of file"),
    ("pests.json", "pests.json: the table pests as .csv or .parquet, got another kind of file"),
    ("pests (1).csv", "pests (1).csv: a table of the log (agents, sessions, trays, checks, pests, labour), "
                      "got 'pests (1)' (did you mean 'pests'?)"),
    ("farm.toml.txt", "farm.toml.txt: settings in a file named farm.toml, got another name"),
    ("farm.txt", "farm.txt: settings in a file named farm.toml, got another name"),
])  # fmt: skip
def test_a_table_under_another_ending_is_not_left_out_in_silence(tmp_path, name, line):
    folder = write_log(small_log(), tmp_path / "log")
    old = folder / ("farm.toml" if name.startswith("farm") else "pests.csv")
    old.rename(folder / name)
    assert lines_of(folder) == [line]


def test_two_settings_files(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    (folder / "Farm.TOML").write_text("[farm]\nname = 'other'\n")
    assert lines_of(folder) == ["farm.toml: one farm.toml, got Farm.TOML too"]


def test_a_file_larger_than_any_log(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    with (folder / "pests.csv").open("ab") as file:
        file.truncate(50 * 2**30)  # takes no room on the disk
    start = time.monotonic()
    assert lines_of(folder) == ["pests.csv: a file of at most 1024 MB, got 51200 MB"]
    assert time.monotonic() - start < 20
    assert files.MOST_BYTES == 2**30


@pytest.mark.parametrize("path", ["/dev/null", "/dev/zero", "/proc/self/mem", "/proc/self/fd", "\0", "x" * 5000, ""])
def test_places_that_are_no_log(path, capsys):
    try:
        status = main(["check", path, "--as-of", str(AS_OF)])
    except SystemExit as stopped:  # argparse refuses what can be no path
        status = stopped.code
    assert status in (1, 2, 3)
    said = "".join(capsys.readouterr())
    assert "Traceback" not in said
    assert "This should not happen" not in said


def test_names_that_are_no_text(tmp_path, capsys):
    folder = write_log(small_log(), tmp_path / "log", kind="xlsx").parent
    (folder / "log.xlsx").rename(os.fsdecode(os.fsencode(folder) + b"/l\xf6g\x1b[31m.xlsx"))
    assert lines_of(folder) == ["l?g?[31m.xlsx: a file's name in letters that can be printed, got others"]
    other = os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9")
    write_log(small_log(), other)
    assert read_log(other, as_of=AS_OF).trays["pieces"].sum() == 105
    (folder / "agents.csv").touch()
    nowhere = os.fsdecode(os.fsencode(tmp_path) + b"/nowhere\xe9")
    assert main(["check", nowhere, "--as-of", str(AS_OF), "--json", str(tmp_path / "found.json")]) == 1
    assert "nowhere?" in (tmp_path / "found.json").read_text()
    assert "Traceback" not in "".join(capsys.readouterr())


def test_a_file_that_changes_while_it_is_read_is_one_version_of_it(tmp_path, intended):  # noqa: F811
    """Another program rewrites a table again and again; each read gives one of its versions or names a place."""
    folder = write_log(small_log(), tmp_path / "log")
    path = folder / "checks.csv"
    whole = path.read_bytes()
    stop = threading.Event()

    def rewrite():
        while not stop.is_set():
            path.write_bytes(whole)
            time.sleep(0.002)

    seen = set()
    writer = threading.Thread(target=rewrite)
    writer.start()
    try:
        for turn in range(2000):  # on a busy machine each of the first reads may fall into the other's gap
            if turn >= 60 and "whole" in seen:
                break
            try:
                assert not differences(read_log(folder, as_of=AS_OF), intended)
                seen.add("whole")
            except DataError as error:  # caught empty, between the other's opening and its writing
                seen.update(error.problems)
    finally:
        stop.set()
        writer.join()
    assert {"whole"} <= seen <= {"whole", "checks.csv: a header row, got an empty file"}
    assert read_or_refuse(folder, intended) == []


def test_a_replaced_file_of_the_same_size_and_date_is_read_again(tmp_path):
    folder = write_log(small_log(), tmp_path / "log")
    path = folder / "trays.csv"
    stamp = path.stat()
    before = read_log(folder, as_of=AS_OF)
    path.write_bytes(path.read_bytes().replace(b"lot A", b"lot Z"))
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert path.stat().st_mtime_ns == stamp.st_mtime_ns
    after = read_log(folder, as_of=AS_OF)
    assert "lot Z" in set(after.trays["source"])
    assert "lot A" in set(before.trays["source"])


# --- settings ---------------------------------------------------------------------------------------------------------

SETTINGS = {
    "a very long number": "[farm]\nwage_per_hour = " + "9" * 5000,
    "a very long number in hexadecimal": "[farm]\nwage_per_hour = 0x" + "F" * 5000,
    "beyond any float": "[farm]\nwage_per_hour = 1e999",
    "not a number": "[targets]\nkill = nan",
    "infinite": "[targets]\nhorizon_days = inf",
    "a date": "[targets]\nhorizon_days = 2026-10-03",
    "a list": "[targets]\nkill = [0.95]",
    "a table": "[targets.kill]\nx = 1",
    "yes": "[targets]\nhorizon_days = true",
    "text": "[targets]\nhorizon_days = '30'",
    "half a day": "[targets]\nhorizon_days = 30.5",
    "per cent": "[targets]\nkill = 95",
    "key twice": "[farm]\nname = 'a'\nname = 'b'",
    "section twice": "[farm]\nname = 'a'\n[farm]\ncurrency = 'b'",
    "group twice": "[value]\nsps = 1\nSPS = 2",
    "group with a space": "[value]\nsps = 1\n'sps ' = 2",
    "a number as a name": "[farm]\nname = 7",
    "control signs": '[farm]\nname = "a\\u001b[31mb"',
    "right to left": '[farm]\nname = "a\\u202eb"',
    "no TOML": "name: farm",
    "deep": "[farm]\nname = " + "[" * 5000 + "]" * 5000,
    "half a pest": "[pests.flatworm]\nhatch_days_latest = 3",
    "section as a key": "farm = 3",
    "Latin 1": "[farm]\nname = 'caf\xe9'",
}


@pytest.mark.parametrize("kind", SETTINGS)
def test_settings_refused_by_key(tmp_path, kind):
    folder = write_log(small_log(), tmp_path / "log")
    (folder / "farm.toml").write_bytes(SETTINGS[kind].encode("latin-1"))
    lines = lines_of(folder)
    assert lines
    assert all(line.startswith("farm.toml") and line.isprintable() for line in lines), lines


def test_a_settings_sheet_that_contradicts_itself(tmp_path):
    import openpyxl

    path = write_log({n: f for n, f in small_log().items() if n != "farm"}, tmp_path / "log", kind="xlsx")
    book = openpyxl.load_workbook(path)
    ws = book.create_sheet("farm")
    for row in (("section", "key", "value"), ("pests", "flatworm", 5), ("pests.flatworm", "source", "x"), (3, 4, 5)):
        ws.append(row)
    book.save(path)
    line = "log.xlsx, sheet 'farm', row 3, column 'section': 'pests.flatworm' as a section, got it as a key too"
    assert line in lines_of(path)


def test_every_table_may_be_the_typed_one(stored, intended):  # noqa: F811
    for name in KEYS:
        folder = stored(lambda t: t, name)
        (folder / f"{name}.csv").unlink(missing_ok=True)
        assert read_or_refuse(folder, intended) == [], name
        (folder / f"{name}.parquet").unlink()
