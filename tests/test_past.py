"""Whether the past has been changed: rows of two readings of a log set against each other."""

import base64
import hashlib
import json
import os
import struct
import subprocess
import sys
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from afterdip import __version__
from afterdip.answers.past import NO_EARLIER, Earlier, answer_past, month_words, past_trust, read_rows
from afterdip.answers.quality import answer_quality
from afterdip.log import read_log
from afterdip.log.schema import TABLES
from afterdip.report import earlier as report_earlier
from afterdip.report.earlier import last_report, open_earlier
from afterdip.report.results import check_results
from afterdip.report.strict import dumps, plain
from afterdip.tables.past import past_sentence, past_table
from afterdip.tally.fingerprint import MonthRows, missing_from, read_month_rows, rows_by_month, tally_row_hashes
from builders import AS_OF, small_log, write_log
from support_notebooks import clean_environment

THEN = "2026-10-20"  # the day of September's report
NOW = AS_OF.isoformat()
WORD = (1 << 64) - 1


def log_of(tables, folder, *, kind="csv", as_of=AS_OF):
    return read_log(write_log(tables, folder, kind=kind), as_of=as_of)


def as_it_was(tables):
    """The tables as they stood on the day of September's report."""
    out = dict(tables)
    out["checks"] = tables["checks"][tables["checks"]["checked"] <= THEN]
    return out


def report_on(log, as_of=THEN, month="2026-09"):
    """What the report of that day leaves behind, through its JSON."""
    settings = json.loads(dumps(plain(asdict(log.settings))))
    rows = json.loads(dumps(answer_past(log, NO_EARLIER, as_of=as_of).to_json()["rows"]))
    return Earlier(month, as_of, read_rows(rows), settings)


@pytest.fixture
def after(tmp_path):
    """Return a reader of what October's report says after a change of the tables."""
    before = report_on(log_of(as_it_was(small_log()), tmp_path / "then", as_of=THEN))

    def read(change):
        tables = small_log()
        change(tables)
        return answer_past(log_of(tables, tmp_path / "now"), before, as_of=NOW)

    return read


def hash_by_hand(cells):
    """The hash of a row in Python's own whole numbers: splitmix64 over the cells' 64 bits."""
    h = 0
    for cell in cells:
        if isinstance(cell, str):
            bits = int.from_bytes(hashlib.blake2b(cell.encode(), digest_size=8).digest(), "little")
        else:
            bits = 0 if cell is None else struct.unpack("<Q", struct.pack("<d", cell))[0]
        h = ((h ^ bits) + 0x9E3779B97F4A7C15) & WORD
        h = (h ^ (h >> 30)) * 0xBF58476D1CE4E5B9 & WORD
        h = (h ^ (h >> 27)) * 0x94D049BB133111EB & WORD
        h ^= h >> 31
    return h


def test_a_row_s_hash_by_hand(tmp_path):
    log = log_of(small_log(), tmp_path)
    row = ["IOD", "povidone-iodine", 0.0, 10.0, "% w/v", 20.0, 0.0, 1.0, "hazy", "warning", "label", 5.0, "mL/L", 15.0,
           "anemone", 0.04, "mL"]  # fmt: skip
    hashes = tally_row_hashes(log)["agents"].hashes
    assert hashes[0] == hash_by_hand(row)
    found = rows_by_month(tally_row_hashes(log)["agents"], until=NOW, marks_since="2026-01")["all"]
    assert found.digest == hashlib.sha256(b"".join(struct.pack("<Q", h) for h in sorted(hashes))).hexdigest()[:12]
    assert found.marks.tolist() == sorted(int(h) >> 40 for h in hashes)


def test_rows_are_the_same_whatever_their_order_the_file_s_type_and_columns_of_the_farm_s_own(tmp_path):
    tables = small_log()
    expected = rows_of(log_of(tables, tmp_path / "csv"))
    for kind in ("xlsx", "parquet"):
        assert rows_of(log_of(tables, tmp_path / kind, kind=kind)) == expected
    shuffled = {n: t if n == "farm" else t.sample(frac=1, random_state=3) for n, t in tables.items()}
    shuffled["checks"] = shuffled["checks"][shuffled["checks"].columns[::-1]].assign(weather="fine")
    assert rows_of(log_of(shuffled, tmp_path / "other")) == expected


def rows_of(log):
    return answer_past(log, NO_EARLIER, as_of=NOW).to_json()["rows"]


@pytest.mark.parametrize("table", TABLES)
def test_each_cell_counts(tmp_path, table):
    """Another value in any one column of a row gives that row another hash and no other row."""
    log = log_of(small_log(), tmp_path)
    before, frame = tally_row_hashes(log)[table].hashes, getattr(log, table)
    for column in TABLES[table].columns:
        changed = frame.copy()
        cell = frame[column.name].iloc[0]
        if frame[column.name].dtype == object:
            changed.loc[0, column.name] = None if isinstance(cell, str) else "else"
        elif frame[column.name].dtype.kind == "M":
            changed.loc[0, column.name] = np.datetime64("2026-01-02T03:00")
        else:
            changed[column.name] = changed[column.name].astype("Float64")
            changed.loc[0, column.name] = 977.25
        after = tally_row_hashes(replace(log, **{table: changed}))[table].hashes
        assert (after == before).tolist() == [False, *[True] * (len(frame) - 1)], column.name


def test_months_are_those_of_the_row_s_own_day_and_a_tray_s_of_its_session(tmp_path):
    rows = answer_past(log_of(small_log(), tmp_path), NO_EARLIER, as_of=NOW).rows
    assert {table: {m: part.rows for m, part in months.items()} for table, months in rows.items()} == {
        "agents": {"all": 4},
        "sessions": {"2026-09": 3, "2026-10": 3},
        "trays": {"2026-09": 4, "2026-10": 3},
        "checks": {"2026-09": 8, "2026-10": 11, "2026-11": 3},
        "pests": {"2026-09": 10, "2026-10": 2},
        "labour": {"2026-09": 3, "2026-10": 2},
    }


def test_checks_made_since_change_nothing_of_the_past(after):
    found = after(lambda tables: None)
    assert (found.reason, found.changes, found.settings, past_trust(found)) == ("", (), (), [])
    assert found.compared == 4 + 6 + 7 + 17 + 12 + 5
    assert past_sentence(found) == (
        "Since the report of September 2026, all 51 rows up to 2026-10-20 are as they were, and none is new."
    )
    assert past_table(found).rows == ()


def test_a_row_entered_late_is_told_from_one_changed_and_one_gone(after):
    def late(tables):
        row = tables["labour"].iloc[[0]].assign(done="2026-09-08", minutes="11")
        tables["labour"] = type(row)(np.vstack([tables["labour"], row]), columns=row.columns)

    found = after(late)
    assert [(c.table, c.month, c.then, c.now, c.gone, c.new) for c in found.changes] == [
        ("labour", "2026-09", 3, 4, 0, 1)
    ]
    assert past_trust(found) == []
    assert past_sentence(found).endswith("up to 2026-10-20: 0 rows gone or changed, 1 row new.")

    found = after(lambda tables: tables["labour"].drop(index=1, inplace=True))
    assert [(c.then, c.now, c.gone, c.new) for c in found.changes] == [(3, 2, 1, 0)]
    assert past_trust(found) == ["Changed since the report of September 2026: 1 of 3 rows of labour (September 2026)."]

    def other(tables):
        tables["labour"].loc[1, "minutes"] = "26"

    found = after(other)
    assert [(c.then, c.now, c.gone, c.new) for c in found.changes] == [(3, 3, 1, 1)]
    assert past_table(found).rows == (("labour", "September 2026", "3", "3", "1", "1"),)


def test_what_no_single_log_shows_two_months_do(after):
    """Dead written for detached throughout: every row still adds up, and no warning is raised."""

    def swap(tables):
        checks = tables["checks"]
        checks[["dead", "detached"]] = checks[["detached", "dead"]].to_numpy()

    found = after(swap)
    assert past_trust(found) == [
        "Changed since the report of September 2026: 5 of 17 rows of checks (September and October 2026)."
    ]


def test_one_look_of_many_left_out_shows(after):
    def drop(tables):
        tables["checks"] = tables["checks"].query("tray != 'T03' or checked != '2026-10-05'")

    assert [(c.table, c.month, c.gone, c.new) for c in after(drop).changes] == [("checks", "2026-10", 1, 0)]


def test_a_changed_agent_and_setting_show_too(after):
    def change(tables):
        tables["agents"].loc[0, "active_strength"] = "7.5"
        tables["farm"] = tables["farm"] + "\n[targets]\nhorizon_days = 21\n"

    found = after(change)
    said = "Changed since the report of September 2026: 1 of 4 rows of agents and settings (horizon days)."
    assert past_trust(found) == [said]
    assert past_sentence(found).endswith("Settings changed since: horizon days.")
    assert past_table(found).rows[0][:2] == ("agents", "all")


def test_a_session_moved_to_another_month_takes_its_trays_along(after):
    def move(tables):
        tables["sessions"].loc[2, ["started", "mixed"]] = ["2026-08-31T09:00", "2026-08-31T08:40"]
        tables["trays"].loc[3, "arrived"] = "2026-08-30"

    found = {(c.table, c.month): (c.then, c.now) for c in after(move).changes}
    assert found == {
        ("sessions", "2026-08"): (0, 1), ("sessions", "2026-09"): (3, 2),
        ("trays", "2026-08"): (0, 1), ("trays", "2026-09"): (4, 3),
    }  # fmt: skip


@pytest.mark.parametrize(("drop", "is_late"), [(1, False), (0, False), (-1, True)])
def test_of_old_months_only_that_something_differs_is_known(tmp_path, drop, is_late):
    """A year later September 2026 is no longer kept row by row: fewer or as many are a change, more may be late."""
    tables = small_log()
    log = log_of(tables, tmp_path / "then", as_of="2027-10-20")
    before = report_on(log, as_of="2027-10-20", month="2027-09")
    assert before.rows["labour"]["2026-09"].marks is None
    assert before.rows["labour"]["2026-10"].marks is not None
    labour = tables["labour"]
    labour.loc[0, "minutes"] = "11"
    tables["labour"] = labour.drop(index=1) if drop > 0 else labour
    if drop < 0:
        labour.loc[5] = ["2026-09-09", "clean", "1", "5", "", "", "C"]
    found = answer_past(log_of(tables, tmp_path / "now", as_of="2027-11-20"), before, as_of="2027-11-20")
    assert [(c.then, c.now, c.gone, c.new, c.is_late) for c in found.changes] == [(3, 3 - drop, None, None, is_late)]
    assert past_table(found).rows[0][-2:] == ("–", "–")
    assert "0 rows gone or changed, 0 rows new; 1 older month of a table not as before." in past_sentence(found)
    said = ["Changed since the report of September 2027: some of 3 rows of labour (September 2026)."]
    assert past_trust(found) == ([] if is_late else said)


def test_a_report_of_a_later_day_or_another_log_is_not_compared_with(tmp_path):
    log = log_of(small_log(), tmp_path / "own")
    later = report_on(log, as_of=NOW)
    found = answer_past(log, later, as_of=THEN)
    assert (found.reason, found.changes) == ("the one of September 2026 was made for a later day, 2026-11-20", ())
    others = {t: {m: MonthRows(p.rows, "0" * 12, p.marks ^ 5) for m, p in ms.items()} for t, ms in later.rows.items()}
    found = answer_past(log, replace(later, rows=others), as_of=NOW)
    assert (found.reason, found.changes) == ("the one of September 2026 shares no row with this log", ())
    assert past_sentence(found).startswith("No earlier report to compare with: the one of")
    assert past_trust(found) == []


def test_rows_that_stand_twice_are_counted_twice():
    marks = [np.array(m, dtype=np.uint32) for m in ([1, 5, 5, 9], [1, 5, 7])]
    assert (missing_from(*marks), missing_from(*marks[::-1])) == (2, 1)


def test_months_in_words():
    assert month_words(["2026-08", "2026-07"]) == "July and August 2026"
    assert month_words(["2026-01", "2025-12", "2025-11"]) == "November, December 2025 and January 2026"
    assert month_words([f"2026-0{m}" for m in range(1, 6)]) == "5 months from January 2026 to May 2026"


def test_a_month_goes_through_json_and_back(tmp_path):
    rows = answer_past(log_of(small_log(), tmp_path), NO_EARLIER, as_of=NOW).rows
    for months in rows.values():
        for part in months.values():
            again = read_month_rows(json.loads(json.dumps(part.to_json())))
            assert (again.rows, again.digest, again.marks.tolist()) == (part.rows, part.digest, part.marks.tolist())


GOOD = {"rows": 1, "digest": "0" * 12, "marks": base64.b64encode(bytes(3)).decode()}


@pytest.mark.parametrize(
    "part",
    [
        None, [], {}, GOOD | {"rows": True}, GOOD | {"rows": -1}, GOOD | {"rows": 1 << 50}, GOOD | {"rows": 2},
        GOOD | {"rows": 1.0}, GOOD | {"digest": "g" * 12}, GOOD | {"digest": None}, GOOD | {"marks": 3},
        GOOD | {"marks": "AAA"}, GOOD | {"marks": "AA\u00e4A"}, GOOD | {"marks": "A A A A A "},
    ],
)  # fmt: skip
def test_a_month_that_no_report_wrote_is_refused(part):
    read_month_rows(GOOD)
    with pytest.raises(ValueError, match=r".+"):
        read_month_rows(part)


def written(log, **changes):
    """A results.json as far as it is asked, with changes."""
    past = {"past": {"rows": rows_of(log)}}
    document = {"month": "2026-09", "as_of": THEN, "version": __version__, "settings": plain(asdict(log.settings))}
    return document | {"quality": past} | changes


def test_the_report_before_is_found_beside_this_one(tmp_path):
    assert last_report(tmp_path / "2026-10", "2026-10") == str(tmp_path / "2026-09" / "results.json")
    assert last_report(tmp_path / "mine", "2026-01") == str(tmp_path / "2025-12" / "results.json")
    assert last_report(tmp_path / "2026-09", "2026-10") == ""


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, ""),
        ({"version": "0.0.1"}, "was made by another version"),
        ({"month": "2026-08"}, "is of another month"),
        ({"settings": {"name": "Other farm"}}, "is of another farm"),
        ({"quality": None}, "has no page on log quality"),
        ({"quality": {"past": []}}, "has no page on log quality"),
        ({"quality": {"past": {"rows": {"checks": {"2026-13": GOOD}}}}}, "cannot be read"),
        ({"quality": {"past": {"rows": {"checks": [GOOD]}}}}, "cannot be read"),
        ({"quality": {"past": {"rows": {"checks": {"2026-09": GOOD | {"rows": 10**4000}}}}}}, "cannot be read"),
        ({"month": 202609}, "cannot be read"),
        ({"as_of": "2026-02-30"}, "cannot be read"),
        ({"as_of": None}, "cannot be read"),
        ({"settings": []}, "cannot be read"),
    ],
)
def test_an_earlier_report_is_taken_only_if_it_is_of_the_month_the_farm_and_the_version(tmp_path, changes, reason):
    log = log_of(small_log(), tmp_path / "log")
    (tmp_path / "results.json").write_text(json.dumps(written(log, **changes)))
    found = open_earlier(str(tmp_path / "results.json"), log, month="2026-10")
    assert found.reason == (f"the one of September 2026 {reason}" if reason else "")
    assert bool(found.rows) == (not reason)
    assert bool(past_sentence(answer_past(log, found, as_of=NOW)))


def break_in_two(path):
    path.write_text(path.read_text()[:900])


def make_pipe(path):
    path.unlink()
    os.mkfifo(path)


def make_link(path):
    path.rename(path.with_name("elsewhere.json"))
    path.symlink_to("elsewhere.json")


def make_folder(path):
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    "damage",
    [
        break_in_two, make_pipe, make_link, make_folder,
        lambda path: path.write_bytes(b""),
        lambda path: path.write_bytes(b"\xff\xfe\x00"),
        lambda path: path.write_text("null"),
        lambda path: path.write_text("[" * 200_000),
        lambda path: path.write_text('{"a":' * 100_000),
        lambda path: path.write_text("1" * 5000),
        lambda path: path.write_text("NaN"),
    ],
)  # fmt: skip
def test_a_broken_or_hostile_report_is_ignored_quietly(tmp_path, damage):
    log, path = log_of(small_log(), tmp_path / "log"), tmp_path / "results.json"
    path.write_text(json.dumps(written(log)))
    damage(path)
    found = open_earlier(str(path), log, month="2026-10")
    assert found.reason == "the one of September 2026 cannot be read"


def test_a_report_too_large_is_not_even_read(tmp_path, monkeypatch):
    log, path = log_of(small_log(), tmp_path / "log"), tmp_path / "results.json"
    path.write_text(json.dumps(written(log)))
    monkeypatch.setattr(report_earlier, "MOST_BYTES", path.stat().st_size)
    assert open_earlier(str(path), log, month="2026-10").reason == ""
    monkeypatch.setattr(report_earlier, "MOST_BYTES", path.stat().st_size - 1)
    assert open_earlier(str(path), log, month="2026-10").reason.endswith("cannot be read")


def report(log, folder, month, as_of):
    """Make the page on log quality as the command does; returns its results, as bytes."""
    command = [sys.executable, "-m", "afterdip", "report", str(log), "--month", month, "--as-of", as_of]
    options = ["--out", str(folder / month), "--only", "quality"]
    done = subprocess.run([*command, *options], capture_output=True, text=True, timeout=300, env=clean_environment())
    assert done.returncode == 0, done.stderr
    return (folder / month / "results.json").read_bytes()


def test_two_months_reports_on_paper(tmp_path):
    tables, out = small_log(), tmp_path / "reports"
    report(write_log(as_it_was(tables), tmp_path / "then"), out, "2026-09", THEN)
    tables["labour"].loc[1, "minutes"] = "26"
    log = write_log(tables, tmp_path / "now")
    first = report(log, out, "2026-10", NOW)
    said = "Changed since the report of September 2026: 1 of 3 rows of labour (September 2026)."
    assert said in (out / "2026-10" / "index.html").read_text()
    assert "1 row gone or changed, 1 row new" in (out / "2026-10" / "quality.html").read_text()
    assert str(tmp_path).encode() not in first
    check_results(json.loads(first))
    assert report(log, out, "2026-10", NOW) == first  # its own former self is not what it is compared with
    (out / "2026-09" / "results.json").write_text("{")
    assert report(log, out, "2026-10", NOW) != first
    assert "the one of September 2026 cannot be read" in (out / "2026-10" / "quality.html").read_text()
    assert "Changed since" not in (out / "2026-10" / "index.html").read_text()


def test_no_report_is_said_quietly(tmp_path):
    log = log_of(small_log(), tmp_path / "log")
    for path, reason in (("", "none is named"), ("nowhere/results.json", "none of September 2026 lies beside")):
        found = open_earlier(path and str(tmp_path / path), log, month="2026-10")
        assert found.reason.startswith(reason)
        assert answer_quality(log, month="2026-10", as_of=NOW, earlier=found).past.reason == found.reason


def test_the_demo_s_rows_take_little_room_and_are_all_different():
    folder = Path(__file__).parents[1]
    log = read_log(folder / "data" / "demo" / "log", as_of="2026-11-20")
    hashes = tally_row_hashes(log)
    assert all(len(np.unique(table.hashes)) == len(table.hashes) for table in hashes.values())
    size = len(dumps(answer_past(log, NO_EARLIER, as_of="2026-11-20").to_json()))
    assert size < 0.1 * (folder / "reports" / "2026-10" / "results.json").stat().st_size
