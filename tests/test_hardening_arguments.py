"""Arguments that mean nothing are refused as such, with exit status 2 and in words; nothing is written anywhere."""

import datetime
import os

import pytest

from afterdip.cli import main
from afterdip.log import check_log, read_log
from afterdip.report.write import FolderError, new_report
from builders import AS_OF, small_log, write_log


@pytest.fixture
def log(tmp_path, monkeypatch):
    """The small log, from an empty working folder."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return str(write_log(small_log(), tmp_path / "log"))


def refusal(capsys, *arguments):
    with pytest.raises(SystemExit) as stopped:
        main(list(arguments))
    assert stopped.value.code == 2
    assert os.listdir() in ([], ["a", "b"], ["b", "a"])
    return capsys.readouterr().err.splitlines()[-1].partition("error: ")[2]


@pytest.mark.parametrize("month", ["0001-01", "1949-12", "2200-01", "9999-12"])
def test_a_month_of_no_year_a_log_may_hold(log, capsys, month):
    said = refusal(capsys, "report", log, "--month", month, "--as-of", "2026-11-20")
    assert said == f"argument --month: a year from 1950 to 2199 is wanted; got '{month}'"


@pytest.mark.parametrize("day", ["0001-01-01", "1949-12-31", "2200-01-01", "9999-12-31"])
def test_a_day_of_no_year_a_log_may_hold(log, capsys, day):
    """In nanoseconds the day after 9999-12-31 is long past: every record would stand after the report's day."""
    said = refusal(capsys, "check", log, "--as-of", day)
    assert said == f"argument --as-of: a year from 1950 to 2199 is wanted; got '{day}'"
    with pytest.raises(ValueError, match="as_of must be a day from 1950 to 2199"):
        read_log(log, as_of=datetime.date.fromisoformat(day))


@pytest.mark.parametrize("day", ["1950-01-01", "2199-12-31"])
def test_the_first_and_the_last_day(log, day):
    found = {problem.code for problem in check_log(log, as_of=day).problems}
    assert found == ({"after_as_of"} if day < str(AS_OF) else set())


@pytest.mark.parametrize(
    "arguments",
    [("check", ""), ("report", "demo", "--month", "2026-10", "--out", ""), ("new", ""), ("demo", ""),
     ("redip", "demo", "--ics", ""), ("trial", "demo", "IOD", "OIL", "--out", "")],
    ids=lambda arguments: arguments[0],
)  # fmt: skip
def test_an_empty_path_is_not_the_folder_one_is_in(log, capsys, arguments):
    """A script's unset variable must not have a report made of, or put into, wherever it happens to run."""
    assert refusal(capsys, *arguments).endswith("got an empty text (. is the folder you are in)")


def test_links_in_a_circle(log, capsys):
    os.symlink("a", "b")
    os.symlink("b", "a")
    for arguments in (("check", "a"), ("report", log, "--month", "2026-10", "--out", "a")):
        assert refusal(capsys, *arguments).endswith("got 'a', which leads nowhere")
    with pytest.raises((FolderError, OSError)), new_report("a"):
        raise AssertionError("a folder was made")
    assert sorted(os.listdir()) == ["a", "b"]


def test_what_is_neither_file_nor_folder_is_named_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "log.xlsx")
    for path, name in (("/dev/zero", "zero"), (tmp_path / "log.xlsx", "log.xlsx")):
        lines = [str(problem) for problem in check_log(path, as_of=AS_OF).problems]
        assert lines == [f"{name}: a folder or workbook, got a pipe or a device"]


@pytest.mark.parametrize("verb", ["redip", "release"])
def test_a_water_that_the_log_has_not_is_no_empty_table(log, capsys, verb):
    said = refusal(capsys, verb, log, "--as-of", "2026-11-20", "--system", "q1")
    assert said == "the log has no water whose name begins with 'q1'; it has Q1, Q2"
    assert main([verb, log, "--as-of", "2026-11-20", "--system", "Q"]) == 0
