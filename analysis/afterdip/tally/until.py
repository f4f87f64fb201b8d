"""The log as it stood on an earlier day: only what had been written down by then."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from afterdip.log.memory import give_back
from afterdip.log.model import Log

_DATED = {"checks": "checked", "pests": "counted", "labour": "done"}
_OF_TRAYS = ("checks", "pests")


def log_until(log: Log, day: str) -> Log:
    """Return the log without sessions, checks, counts and labour after `day`, YYYY-MM-DD; a new Log.

    Trays go with their session, for a tray is written down when it is dipped. Products, settings, warnings and files
    are those of the whole log: none of them is dated. A row entered late under an earlier date is there all the same.
    """
    give_back()  # what was tallied before has freed as much as the second log needs
    last = pd.Timestamp(day)
    sessions = log.sessions[log.sessions["date"] <= last]
    trays = log.trays[log.trays["session"].isin(sessions["session"])]
    tables = {"sessions": sessions, "trays": trays}
    for name, column in _DATED.items():
        rows = getattr(log, name)
        kept = rows[column] <= last
        if name in _OF_TRAYS:
            kept &= rows["tray"].isin(trays["tray"])
        tables[name] = rows[kept]
    return replace(log, **{name: rows.set_axis(range(len(rows)), copy=False) for name, rows in tables.items()})
