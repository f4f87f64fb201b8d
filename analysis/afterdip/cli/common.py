"""What the verbs share: arguments read strictly, messages, the day's date."""

from __future__ import annotations

import argparse
import datetime
import os
import re
import shutil
import sys
from pathlib import Path

DONE, LOG_HAS_ERRORS, WRONG_USE, FAILED = 0, 1, 2, 3


class PrintError(Exception):
    """What was to be printed could not be; what went into files is there all the same."""


def say(text: str) -> None:
    """Write to standard error: messages are no results."""
    print(text, file=sys.stderr)


def tell(text: str) -> None:
    """Print where a result is, once it is there; raises PrintError, which must not be taken for a failure before."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise PrintError(f"{text} is there, but could not be printed: {error.strerror}") from error


def a_month(text: str) -> str:
    """Return YYYY-MM, or refuse it in words."""
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", text, re.ASCII) or text.startswith("0000"):
        raise argparse.ArgumentTypeError(f"a month is written YYYY-MM, for instance 2026-10; got '{text}'")
    return _of_our_time(text)


def a_day(text: str) -> str:
    """Return YYYY-MM-DD, or refuse it in words."""
    try:
        day = datetime.date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII) else None
    except ValueError:
        day = None
    if day is None:
        raise argparse.ArgumentTypeError(f"a day is written YYYY-MM-DD, for instance 2026-11-20; got '{text}'")
    return _of_our_time(text)


def _of_our_time(text: str) -> str:
    """Return a day or month of a year that a log may hold, or refuse it in words."""
    from afterdip.log.cells import YEARS  # here, so that --help need not load what reads logs

    first, last = YEARS
    if not first <= int(text[:4]) <= last:
        raise argparse.ArgumentTypeError(f"a year from {first} to {last} is wanted; got '{text}'")
    return text


def a_path(text: str) -> Path:
    """Return a path, or refuse in words one that is empty (a script's unset variable) or a link in a circle."""
    if not text:
        raise argparse.ArgumentTypeError("a file or folder is wanted, got an empty text (. is the folder you are in)")
    try:
        Path(text).resolve()
    except (OSError, RuntimeError, ValueError):  # a circle is one or the other, by the version of Python
        raise argparse.ArgumentTypeError(f"a file or folder is wanted; got '{text}', which leads nowhere") from None
    return Path(text)


def a_number(text: str) -> int:
    """Return a whole number from 0 to 9999, or refuse it in words."""
    if not re.fullmatch(r"\d{1,4}", text, re.ASCII):
        most = ", 9999 at most," if text.isdecimal() else ""
        raise argparse.ArgumentTypeError(f"a whole number of 0 or more{most} is wanted; got '{text}'")
    return int(text)


def add_log(parser: argparse.ArgumentParser) -> None:
    """Declare LOG and --as-of."""
    parser.add_argument(
        "log", metavar="LOG", type=a_path, help="your log: a folder of tables, or an .xlsx workbook; never changed"
    )
    parser.add_argument(
        "--as-of",
        metavar="YYYY-MM-DD",
        type=a_day,
        default=None,
        help="the last day the log covers (default: today): follow-up is counted up to it, and any later date is an "
        "error",
    )


def log_path(args: argparse.Namespace) -> Path:
    """Return LOG; "demo" is the demo farm's unless something of that name is here."""
    if str(args.log) != "demo" or args.log.exists():
        return args.log
    from afterdip.report.show import demo_log

    return demo_log()


def as_of_day(args: argparse.Namespace) -> str:
    """Return --as-of or today's date: the only look at a clock in the whole package."""
    return args.as_of or datetime.date.today().isoformat()


def write_out(name: str | Path, content: str | bytes) -> None:
    """Write a result to a file, or print it for "-"; a file is whole or, whatever goes wrong, as it was before.

    What is no plain file (a device, a pipe) is written to as it is. Raises OSError.
    """
    if name == "-":
        sys.stdout.write(content)
        return
    data = content.encode() if isinstance(content, str) else content
    path = Path(os.path.realpath(name))  # a link stays a link
    if path.exists() and not path.is_file():
        path.write_bytes(data)
        return
    part = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def count_words(n: int, one: str, many: str) -> str:
    """Return "1 error" or "3 errors"."""
    return f"{n} {one if n == 1 else many}"
