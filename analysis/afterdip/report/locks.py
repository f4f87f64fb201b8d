"""Folders held by a run for as long as it lives, so that what a killed run left can be told and removed."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # not a POSIX system: no locks, so nothing of another run is ever touched there
    fcntl = None

SCRATCH = "afterdip-run-"


@contextmanager
def scratch() -> Iterator[Path]:
    """Give an empty folder among the system's temporary files, removed at the end; those of killed runs go first."""
    place = Path(tempfile.gettempdir())
    with locked(place):
        for left in sorted(place.glob(f"{SCRATCH}*")):
            if (held := hold(left)) is not None:
                shutil.rmtree(left, ignore_errors=True)
                os.close(held)
        folder = Path(tempfile.mkdtemp(prefix=SCRATCH))
        held = hold(folder)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if held is not None:
            os.close(held)


def hold(folder: Path) -> int | None:
    """Lock a folder for as long as this process lives; None if another run holds it or the system has no such locks."""
    if fcntl is None:
        return None
    try:
        held = os.open(folder, os.O_RDONLY)
    except OSError:  # its own run has just removed it, or it is another user's
        return None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(held)
        return None
    return held


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Let one run at a time look at and change the names in `folder`; for moments only."""
    if fcntl is None:
        yield
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):  # a file system without locks: the exchange itself is still one step
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)
