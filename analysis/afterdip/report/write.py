"""Puts a report into place whole or not at all.

Everything is written into a hidden folder beside the report's own and takes its name in one step once it is complete.
Whatever ends a run before that (an error, a full disk, a kill) leaves the previous report as it was; the hidden folder
of a run that was killed is removed by the next one. Of two runs into one folder the last to end gives the report.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from afterdip.report.locks import hold, locked

RESULTS = "results.json"
INDEX = "index.html"
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2  # renameat2(2)


class FolderError(Exception):
    """The folder a report should go to cannot be used; the message says why and what to do."""


def pdf_name(month: str) -> str:
    """Return the name of the month as one file, which says what it is when it is sent on."""
    return f"dip-report-{month}.pdf"


@contextmanager
def new_report(out: Path) -> Iterator[Path]:
    """Give an empty folder to write a report into; when the block ends well, it becomes `out`.

    Files of the reader's own in `out` (a printed PDF, notes) are kept. Raises FolderError for a folder that holds
    other things than a report, and OSError for what the system refuses; `out` is then untouched.
    """
    try:
        out = Path(out).resolve()
    except RuntimeError as error:  # of Python before 3.13, for a link in a circle
        raise FolderError(f"{out} is a link that leads nowhere; choose another folder with --out") from error
    check_folder(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    with locked(out.parent):
        _tidy(out)
        folder = out.with_name(f".{out.name}.partial-{os.getpid()}")
        folder.mkdir()
        held = hold(folder)
    try:
        yield folder
        _to_disk(folder)
        with locked(out.parent):
            _keep_own_files(out, folder)
            _take_place(folder, out)
    finally:
        shutil.rmtree(folder, ignore_errors=True)  # what is there now: an unfinished report, or the one just replaced
        if held is not None:
            os.close(held)


def check_folder(out: Path) -> None:
    """Raise FolderError if `out` exists and is anything but an empty folder or one that a report was written to."""
    if not out.exists():
        return
    if not out.is_dir():
        raise FolderError(f"{out} is a file; choose another folder with --out")
    if any(out.iterdir()) and _written_by_report(out) is None:
        raise FolderError(
            f"{out} holds files but no report: choose another folder with --out, so that nothing of yours is replaced"
        )


def _written_by_report(out: Path) -> set[str] | None:
    """Return the names of the files a report wrote into `out`, or None if there is no report."""
    try:
        results = json.loads((out / RESULTS).read_text(encoding="utf-8"))
        pages = (str(page["file"]) for page in results["pages"])
        return {INDEX, RESULTS, pdf_name(str(results.get("month", ""))), *pages}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _keep_own_files(out: Path, folder: Path) -> None:
    """Copy what the reader put into the previous report's folder; a new page goes before a file of that name."""
    check_folder(out)
    if not out.exists():
        return
    written = _written_by_report(out) or set()
    for own in sorted(out.iterdir()):
        target = folder / own.name
        if own.name in written or target.exists():
            continue
        if own.is_dir() and not own.is_symlink():
            shutil.copytree(own, target, symlinks=True)
        else:
            shutil.copy2(own, target, follow_symlinks=False)


def _to_disk(folder: Path) -> None:
    """Have the system write out the files before they take the place of others."""
    for path in folder.iterdir():
        if path.is_file() and not path.is_symlink():
            with path.open("rb") as file:
                os.fsync(file.fileno())


def _take_place(folder: Path, out: Path) -> None:
    """Give `folder` the name `out`; the previous report, if any, is then at `folder`."""
    if not out.exists():
        os.rename(folder, out)
    elif not _exchange(folder, out):
        # Two steps where the system cannot exchange two names in one; _tidy() undoes the first if the second is missed.
        previous = out.with_name(f".{out.name}.previous-{os.getpid()}")
        os.rename(out, previous)
        os.rename(folder, out)
        shutil.rmtree(previous)


def _exchange(a: Path, b: Path) -> bool:
    """Exchange two names in one step; False where the system or the file system cannot."""
    try:
        renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    return renameat2(_AT_FDCWD, os.fsencode(a), _AT_FDCWD, os.fsencode(b), _RENAME_EXCHANGE) == 0


def _tidy(out: Path) -> None:
    """Undo a half-done replacement and remove the hidden folders of runs that are no more."""
    for previous in sorted(out.parent.glob(f".{_literal(out.name)}.previous-*")):
        if not out.exists():
            os.rename(previous, out)
        else:
            shutil.rmtree(previous)
    for folder in out.parent.glob(f".{_literal(out.name)}.partial-*"):
        if (held := hold(folder)) is not None:  # nobody else holds it: its run has ended
            shutil.rmtree(folder, ignore_errors=True)
            os.close(held)


def _literal(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)
