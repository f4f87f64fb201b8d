"""Last month's results.json, as far as this month's report asks it what the log's rows were then.

Whatever may lie in its place (nothing, a link, a device, half a file, another program's) is no fault of this month's
report: it is a reason why nothing is compared, and never an error.
"""

from __future__ import annotations

import datetime
import json
import os
import re
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from afterdip import __version__
from afterdip.answers.past import NO_EARLIER, Earlier, month_words, read_rows
from afterdip.answers.period import month_before
from afterdip.report.write import RESULTS

if TYPE_CHECKING:
    from afterdip.log import Log

MOST_BYTES = 50_000_000  # of a results.json: some twenty times the demo farm's
_MONTH, _DAY = re.compile(r"\d{4}-(0[1-9]|1[0-2])", re.ASCII), re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)


def last_report(out: Path, month: str) -> str:
    """Return where the results of the month before `month` lie or would lie, in its folder beside `out`; "" for none.

    A report never compares itself with what it is about to replace.
    """
    folder = out.with_name(month_before(month))
    return "" if folder == out else str(folder / RESULTS)


def open_earlier(results: str, log: Log, *, month: str) -> Earlier:
    """Return what the report whose results.json is at `results` says of the log's rows, or why it says nothing.

    It must be of the same farm by name, of the month before `month`, and made by this version: another may have read
    the same rows otherwise.
    """
    if not results:
        return NO_EARLIER
    last = month_before(month)
    try:
        return _earlier(_read(Path(results)), log, last)
    except FileNotFoundError:
        reason = f"none of {month_words([last])} lies beside this one"
    except _OtherError as other:
        reason = str(other)
    except (OSError, ValueError, RecursionError, MemoryError):
        reason = f"the one of {month_words([last])} cannot be read"
    return Earlier("", "", {}, {}, reason)


class _OtherError(Exception):
    """A report that can be read, and is not the one to compare with."""


def _read(path: Path) -> object:
    """Return the JSON in a plain file of no more than MOST_BYTES; raises OSError or ValueError for anything else."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(path, flags), "rb") as file:
        about = os.fstat(file.fileno())
        if not stat.S_ISREG(about.st_mode) or about.st_size > MOST_BYTES:
            raise ValueError("no plain file, or too large for a report")
        return json.loads(file.read(MOST_BYTES + 1))


def _earlier(found: object, log: Log, last: str) -> Earlier:
    """Return what a document says; raises ValueError for one that no report wrote, _OtherError for another report's."""
    if not isinstance(found, dict) or not isinstance(settings := found.get("settings"), dict):
        raise ValueError("no report")
    month, as_of = found.get("month"), found.get("as_of")
    for text, shape in ((month, _MONTH), (as_of, _DAY)):
        if not isinstance(text, str) or not shape.fullmatch(text):
            raise ValueError("no report")
    datetime.date.fromisoformat(as_of)
    said = f"the one of {month_words([last])}"
    if found.get("version") != __version__:
        raise _OtherError(f"{said} was made by another version")
    if month != last or settings.get("name") != log.settings.name:
        raise _OtherError(f"{said} is of another {'month' if month != last else 'farm'}")
    quality = found.get("quality")
    past = quality.get("past") if isinstance(quality, dict) else None
    if not isinstance(past, dict):
        raise _OtherError(f"{said} has no page on log quality")
    return Earlier(month, as_of, read_rows(past.get("rows")), settings)
