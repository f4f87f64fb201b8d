"""What can go wrong around a report: disks, folders, kernels, terminals, two at once. Nothing that was there is lost.

Where a fault needs the system's help (a small disk, a folder nobody may write to) and this machine does not give it,
the test is skipped and says so. `benchmarks/faults.py` repeats the kill a hundred times.
"""

import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from afterdip.cli import main
from builders import small_log, write_log
from support_notebooks import clean_environment, write_notebook

MONTH = ["--month", "2026-10"]
DAY = ["--as-of", "2026-11-20"]
NO_POWERS = ["setpriv", "--inh-caps=-all", "--bounding-set=-all"]  # root without its right to write everywhere


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def log(tmp_path):
    return write_log(small_log(), tmp_path / "log")


@pytest.fixture
def pages(tmp_path):
    """One page of 200 kB that reads the log."""
    write_notebook(
        tmp_path / "notebooks" / "labour.ipynb",
        "from afterdip.report.show import open_log, record, show_text",
        "record('labour_page', {'pieces': int(open_log(log, as_of=as_of).trays['pieces'].sum()), 'day': as_of})",
        "show_text('x' * 200_000)",
    )
    return tmp_path / "notebooks"


def command(log, pages, out, *more):
    asked = [*MONTH, *DAY, "--notebooks", pages, "--out", out, *more]
    return [sys.executable, "-m", "afterdip", "report", *map(str, (log, *asked))]


def run(arguments, *, before=(), **options):
    options = {"capture_output": True, "text": True, "env": clean_environment(), "timeout": 120} | options
    done = subprocess.run([*before, *arguments], **options)
    assert "Traceback" not in (done.stderr or "")
    return done


@pytest.fixture
def disk(tmp_path):
    """A disk of one megabyte; a function that leaves only so many bytes of it free."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", place], capture_output=True, text=True)
    if mounted.returncode:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)


def leave_free(disk: Path, n: int) -> Path:
    space = os.statvfs(disk)
    filler = disk / "filler"
    filler.write_bytes(bytes(max(space.f_bavail * space.f_frsize - n, 0)))
    return filler


@pytest.mark.parametrize("free", [0, 200_000])
def test_a_full_disk_loses_nothing(disk, log, pages, free):
    """No room for anything, or not for the last page."""
    out = disk / "2026-10"
    assert run(command(log, pages, out)).returncode == 0
    before = tree(out)
    filler = leave_free(disk, free)
    full = run(command(log, pages, out))
    assert (full.returncode, full.stdout) == (3, "")
    assert "No space left on device; nothing was changed" in full.stderr
    assert tree(out) == before
    assert names(disk) == ["2026-10", "filler"]
    filler.unlink()
    assert run(command(log, pages, out, "--as-of", "2026-11-21")).returncode == 0
    assert tree(out) != before
    assert names(disk) == ["2026-10"]


def test_a_full_disk_keeps_every_other_file_too(disk, log, capsys):
    """JSON, calendar and trial: the file before stays, no half of a new one does."""
    found, dips = disk / "found.json", disk / "dips.ics"
    found.write_text("mine")
    dips.write_text("mine")
    leave_free(disk, 0)
    assert main(["check", str(log), *DAY, "--json", str(found)]) == 3
    assert main(["labour", str(log), *DAY, "--json", str(found)]) == 3
    assert main(["redip", str(log), *DAY, "--ics", str(dips)]) == 3
    assert main(["trial", str(log), *DAY, "--agents", "IOD,POW", "--out", str(disk / "trial")]) == 3
    assert "No space left on device; nothing was changed" in capsys.readouterr().err
    assert found.read_text() == dips.read_text() == "mine"
    assert not [p for p in disk.rglob("*") if p.is_file() and p.name not in ("found.json", "dips.ics", "filler")]


def test_a_file_may_not_grow(tmp_path, log, pages):
    """The system's limit on a file's size, which works without a small disk."""
    out = tmp_path / "reports" / "out"
    assert run(command(log, pages, out)).returncode == 0
    before = tree(out)

    def limit():
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    done = run(command(log, pages, out), preexec_fn=limit)
    assert done.returncode == 3
    assert "File too large; nothing was changed" in done.stderr
    assert tree(out) == before
    assert names(out.parent) == ["out"]


def test_a_disk_that_is_read_only(disk, log, pages):
    out = disk / "2026-10"
    assert run(command(log, pages, out)).returncode == 0
    before = tree(out)
    subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
    done = run(command(log, pages, out))
    assert done.returncode == 3
    assert "Read-only file system; nothing was changed" in done.stderr
    assert tree(out) == before


@pytest.fixture
def powerless():
    """The words before a command that make folders' modes hold for it, even for root."""
    if os.geteuid() != 0:
        return []
    if not shutil.which("setpriv") or subprocess.run([*NO_POWERS, "true"], capture_output=True).returncode:
        pytest.skip("root may write everywhere, and setpriv is not here to take that from it")
    return NO_POWERS


def test_a_folder_that_may_not_be_written_to(tmp_path, log, pages, powerless):
    out = tmp_path / "reports" / "out"
    assert run(command(log, pages, out)).returncode == 0
    before = tree(out)
    out.parent.chmod(0o500)
    try:
        done = run(command(log, pages, out), before=powerless)
    finally:
        out.parent.chmod(0o755)
    assert done.returncode == 3
    assert "Permission denied; nothing was changed" in done.stderr
    assert tree(out) == before


def test_a_log_that_may_not_be_read(log, powerless):
    check = [sys.executable, "-m", "afterdip", "check", str(log), *DAY]
    (log / "trays.csv").chmod(0)
    done = run(check, before=powerless)
    assert done.returncode == 1
    assert "trays.csv: a file that can be read, got: Permission denied" in done.stdout
    (log / "trays.csv").chmod(0o644)
    for mode in (0, 0o600):
        log.chmod(mode)
        done = run(check, before=powerless)
        log.chmod(0o755)
        assert done.returncode == 3
        assert "Permission denied" in done.stderr


def test_a_log_is_read_where_nothing_may_be_written(tmp_path, log, pages, powerless):
    (log / "farm.toml").chmod(0o444)
    log.chmod(0o500)
    try:
        assert run(command(log, pages, tmp_path / "out"), before=powerless).returncode == 0
    finally:
        log.chmod(0o755)


def test_two_reports_at_once_leave_one_of_them_whole(tmp_path, log, pages):
    out, whole = tmp_path / "reports" / "out", []
    for day in ("2026-11-20", "2026-11-21"):
        assert run(command(log, pages, tmp_path / day, "--as-of", day)).returncode == 0
        whole.append(tree(tmp_path / day))
    both = [
        subprocess.Popen(command(log, pages, out, "--as-of", day), env=clean_environment(), stdout=-3, stderr=-3)
        for day in ("2026-11-20", "2026-11-21")
    ]
    assert [process.wait(timeout=120) for process in both] == [0, 0]
    assert tree(out) in whole
    assert names(out.parent) == ["out"]


def test_a_log_that_changes_under_a_report_is_refused(tmp_path, log, pages):
    """The page itself changes the log, as a farm's worker may who saves the workbook meanwhile."""
    out = tmp_path / "out"
    assert run(command(log, pages, out)).returncode == 0
    before = tree(out)
    path = log / "labour.csv"
    write_notebook(pages / "removal.ipynb", f"open({str(path)!r}, 'a').write('2026-10-07,mix,1,5,,,\\n')")
    done = run(command(log, pages, out))
    assert done.returncode == 1
    assert "labour.csv: changed while the report was being made; run the report again" in done.stderr
    assert tree(out) == before


# --- kernels and children ---------------------------------------------------------------------------------------------


def test_a_kernel_that_dies_names_its_page(tmp_path, log, pages):
    out = tmp_path / "reports" / "out"
    assert run(command(log, pages, out)).returncode == 0
    before = tree(out)
    write_notebook(pages / "removal.ipynb", "import os\nos._exit(5)", title="Removal")
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    for jobs in ("0", "2"):
        done = run(command(log, pages, out, "--jobs", jobs), env=clean_environment(TMPDIR=str(temporary)))
        assert done.returncode == 3
        assert done.stderr.startswith("page 'Removal': its ")
        assert "The report was not written; an earlier one is as it was." in done.stderr
        assert tree(out) == before
        assert names(out.parent) == ["out"]
        assert names(temporary) == []


def wait_for(condition, seconds=60):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it never came"
        time.sleep(0.01)


def test_a_child_killed_from_outside_names_its_page(tmp_path, log, pages):
    out, mark = tmp_path / "out", tmp_path / "pid"
    slow = f"import os, time\nopen({str(mark)!r}, 'w').write(str(os.getpid()))\ntime.sleep(100)"
    write_notebook(pages / "removal.ipynb", slow, title="Removal")
    process = subprocess.Popen(command(log, pages, out), env=clean_environment(), stderr=subprocess.PIPE, text=True)
    wait_for(lambda: mark.exists() and mark.read_text())
    os.kill(int(mark.read_text()), signal.SIGKILL)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 3
    assert said.startswith("page 'Removal': its process was stopped by SIGKILL; the machine may have run out of memory")
    assert not out.exists()
    assert not list(tmp_path.glob(".out*"))


def test_a_killed_run_with_kernels_leaves_nothing_that_the_next_does_not_clear(tmp_path, log, pages):
    out, temporary = tmp_path / "reports" / "out", tmp_path / "temporary"
    temporary.mkdir()
    environment = clean_environment(TMPDIR=str(temporary))
    write_notebook(pages / "removal.ipynb", f"import time\nopen({str(tmp_path / 'mark')!r}, 'w')\ntime.sleep(100)")
    process = subprocess.Popen(command(log, pages, out, "--jobs", "0"), env=environment, stdout=-3, stderr=-3)
    wait_for(lambda: (tmp_path / "mark").exists())
    process.kill()
    process.wait()
    assert names(temporary)
    (pages / "removal.ipynb").unlink()
    assert run(command(log, pages, out, "--jobs", "0"), env=environment).returncode == 0
    assert names(out.parent) == ["out"]
    assert names(temporary) == []


# --- terminals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_report_that_could_not_be_printed_is_there(tmp_path, log, pages, unbuffered):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    out = tmp_path / "out"
    with open("/dev/full", "w") as full:
        asked = command(log, pages, out)
        done = run(asked, capture_output=False, stdout=full, stderr=subprocess.PIPE,
                   env=clean_environment(PYTHONUNBUFFERED=unbuffered))  # fmt: skip
    assert done.returncode == 3
    assert done.stderr == f"{out}/index.html is there, but could not be printed: No space left on device\n"
    assert "results.json" in names(out)


@pytest.mark.parametrize("jobs", ["0", "2"])
def test_closed_streams(tmp_path, log, pages, jobs):
    """As some schedulers start a program: the pipes of the children must not take the streams' numbers."""
    asked = command(log, pages, tmp_path / "out", "--jobs", jobs)
    done = subprocess.run(["sh", "-c", '"$@" <&- >&- 2>&-', "sh", *asked], env=clean_environment(), timeout=120)
    assert done.returncode == 0
    assert "results.json" in names(tmp_path / "out")


def test_a_link_stays_a_link_and_a_device_a_device(tmp_path, log, capfd):
    real = tmp_path / "real.json"
    real.write_text("old")
    real.chmod(0o640)
    (tmp_path / "link.json").symlink_to(real)
    assert main(["check", str(log), *DAY, "--json", str(tmp_path / "link.json")]) == 0
    assert (tmp_path / "link.json").is_symlink()
    assert '"as_of": "2026-11-20"' in real.read_text()
    assert real.stat().st_mode & 0o777 == 0o640
    assert main(["check", str(log), *DAY, "--json", "/dev/null"]) == 0
    assert Path("/dev/null").is_char_device()
    assert names(tmp_path) == ["link.json", "log", "real.json"]
