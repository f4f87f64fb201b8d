"""A trial on paper and as a log to fill in: printable tray sheets, the sealed key, and tables with keys and blanks."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

from afterdip.report.site import Frame

if TYPE_CHECKING:
    from afterdip.answers.trial import TrialPlan
    from afterdip.log import Log

SHEETS, KEY, FORM = "sheets.html", "sealed-key.html", "log-to-fill-in"
_PESTS = ("bath", "rinse", "on piece")


def write_trial(plan: TrialPlan, log: Log, folder: Path, *, sentence: str) -> tuple[Path, ...]:
    """Write the sheets, the key and the form into `folder` (made if need be); returns the files written.

    `sentence`: the plan in words, printed on the first sheet. Raises FileExistsError, before writing anything, where
    one of the files is there already: a trial under way must not be dealt anew.
    """
    from afterdip.charts import style

    palette = {"ink": style.INK, "quiet": style.QUIET, "rule": style.RULE, "accent": style.ACCENT}
    frame = Frame({"plan": plan, "farm": log.settings.name, "palette": palette})
    texts = {
        SHEETS: frame.render("trial_sheets.html.j2", sentence=sentence),
        KEY: frame.render("trial_key.html.j2"),
        **{f"{FORM}/{name}.csv": _csv(*table) for name, table in form_tables(plan).items()},
    }
    paths = {folder / name: text for name, text in texts.items()}
    if taken := [path for path in paths if path.exists()]:
        raise FileExistsError(f"{taken[0]} is there already, and a trial is dealt only once: choose another folder")
    written: list[Path] = []
    try:
        for path, text in paths.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            written.append(path)
            path.write_text(text, encoding="utf-8", newline="\n")
    except BaseException:  # half a trial could not be told from one under way
        for path in written:
            path.unlink(missing_ok=True)
        raise
    return tuple(paths)


def form_tables(plan: TrialPlan) -> dict[str, tuple[list[str], list[list[str]]]]:
    """Return the log's tables as (columns, rows): keys, agents and groups filled in, counts and dates blank.

    A strength that was dealt stands on the key alone: amounts are what the farm measures out. The rows go under those
    of the farm's own tables once they are filled in; `agents` and `labour` need no rows.
    """
    from afterdip.log.schema import TABLES

    columns = {name: [column.name for column in table.columns] for name, table in TABLES.items()}
    agents = {arm.name: arm.agent for arm in plan.arms}
    rows: dict[str, list[dict[str, str]]] = {"sessions": [], "trays": [], "checks": [], "pests": []}
    for block in plan.blocks:
        for session, _, name in block.sessions:
            rows["sessions"].append({"session": session, "agent": agents[name], "randomised": "yes"})
        for slot in block.trays:
            source = block.source if block.source != "not recorded" else ""
            known = {"tray": slot.tray, "session": slot.session, "coral_group": block.coral_group, "source": source}
            rows["trays"].append(known)
            rows["checks"] += [{"tray": slot.tray} for _ in plan.check_days]
            rows["pests"] += [{"tray": slot.tray, "moment": moment} for moment in ("before", *_PESTS)]
    return {
        name: (columns[name], [[row.get(column, "") for column in columns[name]] for row in table])
        for name, table in rows.items()
    }


def _csv(columns: list[str], rows: list[list[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([columns, *([_cell(cell) for cell in row] for row in rows)])
    return text.getvalue()


def _cell(text: str) -> str:
    """Return a cell that no spreadsheet reckons: a log takes the apostrophe off again."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text
