"""A report takes its place whole or not at all, whatever ends the run."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from afterdip.report import write
from afterdip.report.write import FolderError, new_report

RESULTS = {"pages": [{"name": "survival", "title": "Survival", "file": "survival.html"}]}


def fill(folder: Path, mark: str, *, pages: int = 1) -> None:
    for name in ["index.html", *(f"page-{i}.html" for i in range(pages))]:
        (folder / name).write_text(mark)
    listed = [{"name": f"page-{i}", "title": "x", "file": f"page-{i}.html"} for i in range(pages)]
    (folder / "results.json").write_text(json.dumps({"pages": listed, "mark": mark}))


def make(out: Path, mark: str, **options) -> None:
    with new_report(out) as folder:
        fill(folder, mark, **options)


def mark_of(out: Path) -> str:
    return json.loads((out / "results.json").read_text())["mark"]


def fail(out: Path, error: BaseException) -> None:
    with new_report(out) as folder:
        (folder / "index.html").write_text("half")
        raise error


def is_whole(out: Path, marks: set[str]) -> bool:
    """Whether every file of the report is of one and the same run."""
    results = json.loads((out / "results.json").read_text())
    files = {"index.html", "results.json", *(page["file"] for page in results["pages"])}
    said = {(out / name).read_text() for name in files - {"results.json"}}
    return said == {results["mark"]} and results["mark"] in marks and {p.name for p in out.iterdir()} == files


@pytest.fixture(params=["in one step", "in two"])
def exchange(request, monkeypatch):
    """Replace a report by exchanging names, and as on a system that cannot."""
    if request.param == "in two":
        monkeypatch.setattr(write, "_exchange", lambda a, b: False)


def test_a_report_is_there_and_nothing_else(tmp_path, exchange):
    out = tmp_path / "reports" / "2026-10"
    make(out, "first", pages=3)
    make(out, "second", pages=2)
    assert is_whole(out, {"second"})
    assert [p.name for p in out.parent.iterdir()] == ["2026-10"]
    assert out.stat().st_mode & 0o777 == (tmp_path / "reports").stat().st_mode & 0o777


def test_an_error_leaves_the_previous_report(tmp_path, exchange):
    out = tmp_path / "2026-10"
    make(out, "first")
    with pytest.raises(OSError, match="No space"):
        fail(out, OSError(28, "No space left on device"))
    assert is_whole(out, {"first"})
    assert list(tmp_path.iterdir()) == [out]


def test_an_error_leaves_nothing_where_nothing_was(tmp_path):
    with pytest.raises(KeyboardInterrupt):
        fail(tmp_path / "2026-10", KeyboardInterrupt())
    assert list(tmp_path.iterdir()) == []


def test_the_reader_s_own_files_stay(tmp_path, exchange):
    out = tmp_path / "2026-10"
    make(out, "first", pages=3)
    (out / "printed.pdf").write_bytes(b"%PDF")
    (out / "notes").mkdir()
    (out / "notes" / "a.txt").write_text("mine")
    make(out, "second", pages=1)
    names = {p.name for p in out.iterdir()}
    assert names == {"index.html", "results.json", "page-0.html", "printed.pdf", "notes"}
    assert (out / "notes" / "a.txt").read_text() == "mine"


@pytest.mark.parametrize(
    ("content", "text"), [("thesis.doc", "[]"), ("results.json", "[]"), ("results.json", "[" * 9**6)]
)
def test_a_folder_that_is_no_report_is_refused(tmp_path, content, text):
    (tmp_path / content).write_text(text)
    with pytest.raises(FolderError, match="holds files but no report"), new_report(tmp_path):
        pytest.fail("it began")
    assert [p.name for p in tmp_path.iterdir()] == [content]


def test_a_file_is_no_folder_and_an_empty_folder_is_one(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FolderError, match="is a file"), new_report(tmp_path / "file"):
        pytest.fail("it began")
    (tmp_path / "empty").mkdir()
    make(tmp_path / "empty", "first")
    assert is_whole(tmp_path / "empty", {"first"})


def test_a_link_to_a_folder_stays_a_link(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "disk")
    make(tmp_path / "link", "first")
    assert (tmp_path / "link").is_symlink()
    assert is_whole(tmp_path / "disk", {"first"})


def test_what_dead_runs_left_is_removed_and_what_live_runs_hold_is_not(tmp_path):
    out = tmp_path / "2026-10"
    for name in (".2026-10.partial-99999", ".2026-11.partial-99999"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "index.html").write_text("left behind")
    with new_report(out) as first:
        os.rename(first, other := tmp_path / ".2026-10.partial-1")  # another live run's, to this one
        with new_report(out) as second:
            assert other.exists()
            fill(second, "second")
        os.rename(other, first)
        fill(first, "first")
    assert is_whole(out, {"first"})
    assert sorted(p.name for p in tmp_path.iterdir()) == [".2026-11.partial-99999", "2026-10"]


def test_a_replacement_that_was_cut_in_two_is_undone(tmp_path):
    out = tmp_path / "2026-10"
    make(out, "first")
    os.rename(out, tmp_path / ".2026-10.previous-99999")
    with pytest.raises(RuntimeError):
        fail(out, RuntimeError())
    assert is_whole(out, {"first"})
    assert list(tmp_path.iterdir()) == [out]


def test_names_with_signs_that_mean_something_to_a_search(tmp_path):
    out = tmp_path / "a[b]*?"
    (tmp_path / ".ab.partial-9").mkdir()
    (tmp_path / ".a[b]*?.partial-9").mkdir()
    make(out, "first")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".ab.partial-9", "a[b]*?"]


_WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from test_report_write import make
for i in range(int(sys.argv[4])):
    make(Path(sys.argv[1]), f"{sys.argv[2]}-{i}", pages=20)
"""


def writer(out: Path, mark: str, times: int) -> subprocess.Popen:
    command = [sys.executable, "-c", _WRITER, str(out), mark, str(Path(__file__).parent), str(times)]
    return subprocess.Popen(command)


def test_a_kill_at_any_moment_leaves_a_whole_report(tmp_path):
    out = tmp_path / "reports" / "2026-10"
    make(out, "before", pages=20)
    chance = random.Random(20261003)
    for kill in range(12):
        process = writer(out, f"kill{kill}", 100_000)
        while not mark_of(out).startswith(f"kill{kill}-"):  # it has begun to replace reports
            time.sleep(0.01)
        time.sleep(0.05 * chance.random())
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert is_whole(out, {mark_of(out)})
    make(out, "after", pages=2)
    assert is_whole(out, {"after"})
    assert [p.name for p in out.parent.iterdir()] == ["2026-10"]


def test_two_runs_at_once_leave_one_whole_report(tmp_path):
    out = tmp_path / "2026-10"
    both = [writer(out, mark, 60) for mark in ("a", "b")]
    assert [process.wait(timeout=120) for process in both] == [0, 0]
    assert is_whole(out, {"a-59", "b-59"})
    assert [p.name for p in tmp_path.iterdir()] == ["2026-10"]
