"""The command: what it prints, its exit status, and that it never harms what is there."""

import json
import os
import random
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from afterdip import cli
from afterdip.cli import VERBS, main
from afterdip.report.results import check_results
from builders import small_log, write_log
from support_notebooks import clean_environment, write_notebook

AS_OF = ["--as-of", "2026-11-20"]
MONTH = ["--month", "2026-10"]


@pytest.fixture
def log(tmp_path):
    return write_log(small_log(), tmp_path / "log")


@pytest.fixture
def broken(tmp_path):
    tables = small_log()
    tables["trays"].loc[2, "pieces"] = "-5"
    tables["checks"].loc[0, "alive"] = "x"
    return write_log(tables, tmp_path / "broken")


@pytest.fixture
def notebooks(tmp_path):
    """Two small pages that read the log and record what they read."""
    folder = tmp_path / "notebooks"
    for name in ("quality", "labour"):
        write_notebook(
            folder / f"{name}.ipynb",
            "from afterdip.report.show import open_log, record, show_figure, show_text\n"
            "from afterdip.charts.style import figure",
            "## How many sessions?",
            "n = len(open_log(log, as_of=as_of).sessions)",
            f"record('{name}_page', {{'sessions': n, 'month': month}})",
            "fig, ax = figure()\nax.plot([1, 2])\nshow_figure(fig, alt='rises', caption='12 sessions')",
            "show_text(as_of)",
            title=f"Page {name}",
        )
    return folder


def afterdip(*arguments, cwd=None, **environment):
    """Run the command as a user does."""
    command = [sys.executable, "-m", "afterdip", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, env=clean_environment(**environment))


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_help_says_what_each_verb_is_for_and_loads_nothing_heavy():
    code = "import sys\nfrom afterdip.cli import build_parser\nbuild_parser().format_help()\nprint(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "pandas", "matplotlib", "jinja2", "papermill", "IPython", "tqdm"} & set(loaded)
    text = " ".join(afterdip("--help").stdout.split())
    assert all(f" {verb} " in text for verb in VERBS)
    assert "1 the log has errors" in text
    for verb in VERBS:
        shown = afterdip(verb, "--help")
        assert shown.returncode == 0
        assert len(shown.stdout.splitlines()) > 8


@pytest.mark.parametrize(
    "arguments, words",
    [
        ([], "required: VERB"),
        (["chek", "x"], "invalid choice: 'chek'"),
        (["report", "x"], "required: --month"),
        (["report", "x", "--month", "2026-13"], "a month is written YYYY-MM, for instance 2026-10; got '2026-13'"),
        (["report", "x", "--month", "2026-1"], "got '2026-1'"),
        (["report", "x", "--month", "٢٠٢٦-10"], "a month is written"),
        (["report", "x", "--month", "0000-10"], "a month is written"),
        (["report", "x", *MONTH, "--as-of", "2026-02-30"], "a day is written YYYY-MM-DD"),
        (["report", "x", *MONTH, "--as-of", "20261120"], "got '20261120'"),
        (["report", "x", *MONTH, "--as-of", "2026-09-30"], "--month 2026-10 begins after 2026-09-30"),
        (["report", "x", *MONTH, "--jobs", "-1"], "a whole number of 0 or more is wanted; got '-1'"),
        (["report", "x", *MONTH, "--jobs", "many"], "got 'many'"),
    ],
)
def test_wrong_use_is_status_2_and_says_what_is_right(capsys, arguments, words):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert words in " ".join(capsys.readouterr().err.split())


def test_an_unknown_page_is_wrong_use(capsys, log, notebooks):
    assert main(["report", str(log), *MONTH, *AS_OF, "--notebooks", str(notebooks), "--only", "labor"]) == 2
    assert "there is no page 'labor'; the pages are labour, quality" in capsys.readouterr().err


def test_check_of_a_good_log(capsys, log):
    rows = sum(len(frame) for name, frame in small_log().items() if name != "farm")
    assert main(["check", str(log), *AS_OF]) == 0
    said = capsys.readouterr().out
    assert said.splitlines()[-1] == f"{log}: 0 errors, 0 warnings in {rows} rows (as of 2026-11-20)"


def test_check_prints_every_error_and_leaves_status_1(capsys, broken):
    before = tree(broken)
    assert main(["check", str(broken), *AS_OF]) == 1
    lines = capsys.readouterr().out.splitlines()
    errors = [line for line in lines if line.startswith("error: ")]
    assert any("trays.csv, row 4, column 'pieces'" in line for line in errors)
    assert any("checks.csv, row 2, column 'alive'" in line for line in errors)
    assert lines[-1].startswith(f"{broken}: {len(errors)} errors, ")
    assert tree(broken) == before


def test_check_as_json(capsys, tmp_path, broken):
    assert main(["check", str(broken), *AS_OF, "--json", str(tmp_path / "found.json")]) == 1
    printed = capsys.readouterr().out
    found = json.loads((tmp_path / "found.json").read_text())
    assert len(found["errors"]) == sum(line.startswith("error: ") for line in printed.splitlines())
    assert {"file", "row", "column", "message", "code"} <= set(found["errors"][0])
    assert main(["check", str(broken), *AS_OF, "--json", "-"]) == 1
    assert json.loads(capsys.readouterr().out) == found


def test_without_as_of_it_is_today_s_date(capsys, log, monkeypatch):
    import datetime

    class Day(datetime.date):
        @classmethod
        def today(cls):
            return cls(2026, 9, 1)

    monkeypatch.setattr("afterdip.cli.common.datetime.date", Day)
    assert main(["check", str(log)]) == 1
    assert "(as of 2026-09-01)" in capsys.readouterr().out


def test_a_log_that_is_not_there(capsys, tmp_path):
    assert main(["check", str(tmp_path / "nowhere"), *AS_OF]) == 1
    assert "nowhere" in "".join(capsys.readouterr())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("options", [[], ["--xlsx"]])
def test_new_writes_a_log_and_never_over_one(capsys, tmp_path, options):
    assert main(["new", str(tmp_path / "log"), *options]) == 0
    before = tree(tmp_path)
    assert any("DICTIONARY" in name for name in before)
    assert main(["new", str(tmp_path / "log"), *options]) != 0
    assert tree(tmp_path) == before


def test_demo_writes_the_demo_farm_and_never_over_anything(capsys, tmp_path):
    assert main(["demo", str(tmp_path / "farm")]) == 0
    assert main(["check", str(tmp_path / "farm"), *AS_OF]) == 0
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "trays.csv").write_text("mine")
    assert main(["demo", str(tmp_path / "mine")]) == 2
    assert tree(tmp_path / "mine") == {"trays.csv": b"mine"}


def test_report_end_to_end_is_whole_valid_and_the_same_twice(tmp_path, log, notebooks):
    before = tree(log)
    options = [*MONTH, *AS_OF, "--notebooks", notebooks]
    first = afterdip("report", "log", *options, cwd=tmp_path)
    assert (first.returncode, first.stdout, first.stderr) == (0, "reports/2026-10/index.html\n", "")
    report = tmp_path / "reports" / "2026-10"
    assert set(tree(tmp_path / "reports")) == {
        f"2026-10/{name}" for name in ("index.html", "results.json", "labour.html", "quality.html")
    }
    results = json.loads((report / "results.json").read_text())
    check_results(results)
    assert results["labour_page"] == {"sessions": 6, "month": "2026-10"}
    assert results["as_of"] == "2026-11-20"
    assert [page["title"] for page in results["pages"]] == ["Page labour", "Page quality"]
    assert {file["name"] for file in results["log"]["files"]} >= {"trays.csv", "farm.toml"}
    once = tree(report)
    elsewhere = log.rename(tmp_path / "it's {my} \"log\" \\n")  # another place and a hostile name: the same report
    for environment, jobs in (({"PYTHONHASHSEED": "1"}, 1), ({"PYTHONHASHSEED": "2", "TZ": "Asia/Tokyo"}, 0)):
        again = afterdip("report", elsewhere, *options, "--jobs", jobs, "--out", tmp_path / "again", **environment)
        assert (again.returncode, again.stderr) == (0, "")
        assert tree(tmp_path / "again") == once
    only = afterdip("report", elsewhere, *options, "--only", "labour", "--out", report)
    assert only.returncode == 0
    assert set(tree(report)) == {"index.html", "results.json", "labour.html"}
    assert tree(elsewhere) == before


def test_nothing_is_written_from_a_log_with_errors(tmp_path, broken, notebooks):
    run = afterdip("report", broken, *MONTH, *AS_OF, "--notebooks", notebooks, cwd=tmp_path)
    assert run.returncode == 1
    assert "trays.csv, row 4, column 'pieces'" in run.stderr
    assert "errors in the log; nothing was written" in run.stderr
    assert "Traceback" not in run.stderr
    assert not (tmp_path / "reports").exists()


@pytest.mark.parametrize(
    "cell, status",
    [("from afterdip.errors import DataError\nraise DataError('no pests counted')", 1), ("raise KeyError('x')", 3)],
)
def test_a_page_that_fails_is_named_and_the_report_before_it_stays(tmp_path, log, notebooks, cell, status):
    options = [*MONTH, *AS_OF, "--notebooks", notebooks, "--out", tmp_path / "out"]
    assert afterdip("report", log, *options).returncode == 0
    before = tree(tmp_path / "out")
    write_notebook(notebooks / "survival.ipynb", "## Who survived?", cell, title="Survival")
    run = afterdip("report", log, *options)
    assert run.returncode == status
    assert run.stderr.startswith("page 'Survival', at 'Who survived?': ")
    assert "The report was not written; an earlier one is as it was." in run.stderr
    assert "Traceback" not in run.stderr
    assert tree(tmp_path / "out") == before
    assert not [p.name for p in tmp_path.iterdir() if p.name.startswith(".")]
    if status == 3:
        assert "raise KeyError" in afterdip("report", log, *options, "--debug").stderr


def test_a_folder_with_other_things_and_the_log_itself_are_refused(capsys, tmp_path, log, notebooks):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("mine")
    options = [*MONTH, *AS_OF, "--notebooks", str(notebooks)]
    assert main(["report", str(log), *options, "--out", str(tmp_path / "mine")]) == 2
    assert "holds files but no report" in capsys.readouterr().err
    before = tree(log)
    for out in (log, log / "reports"):
        assert main(["report", str(log), *options, "--out", str(out)]) == 2
        assert "lies in the log, which is never written to" in capsys.readouterr().err
    assert tree(log) == before


def test_a_disk_that_refuses_is_said_in_words(capsys, tmp_path, log, notebooks, monkeypatch):
    write_text, out = Path.write_text, tmp_path / "out"

    def full(path, *args, **kwargs):
        if path.name == "quality.html":
            raise OSError(28, os.strerror(28), str(path))
        return write_text(path, *args, **kwargs)

    monkeypatch.setattr(Path, "write_text", full)
    options = [*MONTH, *AS_OF, "--notebooks", str(notebooks), "--out", str(out)]
    assert main(["report", str(log), *options]) == 3
    said = capsys.readouterr().err
    assert "No space left on device; nothing was changed" in said
    assert not out.exists()
    assert not list(tmp_path.glob(".out*"))


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_not_be_written_to(tmp_path, log, notebooks):
    (tmp_path / "locked").mkdir()
    (tmp_path / "locked").chmod(stat.S_IRUSR | stat.S_IXUSR)
    run = afterdip("report", log, *MONTH, *AS_OF, "--notebooks", notebooks, "--out", tmp_path / "locked" / "out")
    assert run.returncode == 3
    assert "Permission denied" in run.stderr


def heed_interrupts():
    """Undo what a shell does to what it runs in the background: an interrupt is ignored there, by children too."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_a_kill_or_a_stop_while_pages_run_leaves_the_report_before_it(tmp_path, log, notebooks):
    out = tmp_path / "reports" / "out"
    options = [*MONTH, *AS_OF, "--notebooks", str(notebooks), "--out", str(out)]
    assert afterdip("report", log, *options).returncode == 0
    before = tree(out)
    write_notebook(notebooks / "survival.ipynb", "import time\ntime.sleep(4)", title="Slow")  # outlives the signal
    chance = random.Random(7)
    for sign in [signal.SIGKILL] * 3 + [signal.SIGTERM, signal.SIGINT]:
        command = [sys.executable, "-m", "afterdip", "report", str(log), *options]
        process = subprocess.Popen(command, env=clean_environment(), stdout=-3, stderr=-3, preexec_fn=heed_interrupts)
        while process.poll() is None and not (out.parent / f".out.partial-{process.pid}").exists():
            time.sleep(0.005)
        time.sleep(0.3 * chance.random())
        process.send_signal(sign)
        # a shell shows 130 both for the status and for death by the interrupt; CPython prefers the latter where it came
        # within an exec() of some library's import, though it was caught later
        stopped = {-signal.SIGKILL, 128 + signal.SIGTERM, 128 + signal.SIGINT, -signal.SIGINT}
        assert process.wait(timeout=60) in stopped
        assert tree(out) == before
        assert (sign == signal.SIGKILL) == bool(list(out.parent.glob(".*")))  # a stop tidies up after itself
    assert afterdip("report", log, *options).returncode == 0
    assert "survival.html" in tree(out)
    assert [p.name for p in out.parent.iterdir()] == ["out"]


def test_what_should_not_happen_is_said_in_one_line(capsys, log, monkeypatch):
    from afterdip.cli import check

    def fail(args):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(check, "run", fail)
    assert main(["check", str(log)]) == 3
    assert capsys.readouterr().err.startswith("ZeroDivisionError: division by zero\n")
    with pytest.raises(ZeroDivisionError):
        main(["check", str(log), "--debug"])


def test_a_reader_that_has_seen_enough_is_no_error(log):
    command = f"{sys.executable} -m afterdip check {log} --as-of 2026-09-01 | true"
    run = subprocess.run(["bash", "-c", command], capture_output=True, text=True, env=clean_environment())
    assert "Broken pipe" not in run.stderr
    assert "Traceback" not in run.stderr


def test_demo_names_the_demo_log_unless_something_of_that_name_is_here(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["check", "demo", *AS_OF]) == 0
    (tmp_path / "demo").mkdir()
    assert main(["check", "demo", *AS_OF]) == 1
    assert cli.VERBS[0] == "new"
