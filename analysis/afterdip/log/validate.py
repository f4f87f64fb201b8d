"""Raw tables -> typed, checked frames: every problem of a log in one pass, each reported once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np
import pandas as pd

from . import rules, rules_follow_up
from .derive import add_derived
from .files import RawLog
from .model import MOST_TOLD, Problem
from .schema import TABLES, Table
from .typed import TypedTable, column_for_frame, type_table

KEYS = (
    ("agents", ("agent",), "agent", "an agent"),
    ("sessions", ("session",), "session", "a session"),
    ("trays", ("tray",), "tray", "a tray"),
    ("checks", ("tray", "checked"), "checked", "a check of a tray on a day"),
    (
        "pests",
        ("tray", "pest", "stage", "moment", "counted"),
        "counted",
        "a count of a tray, pest, stage and moment on a day",
    ),
)
REFERENCES = (
    ("sessions", "agent", "agents", "agent"),
    ("trays", "session", "sessions", "session"),
    ("checks", "tray", "trays", "tray"),
    ("pests", "tray", "trays", "tray"),
    ("labour", "session", "sessions", "session"),
)
RULES = (  # rule, tables it looks at
    (rules.agent_rules, ("agents",)),
    (rules.session_rules, ("sessions",)),
    (rules.pieces_dates, ("trays", "sessions")),
    (rules_follow_up.before_dip, ("trays", "sessions")),
    (rules_follow_up.conservation, ("checks", "trays")),
    (rules_follow_up.receding, ("checks",)),
    (rules_follow_up.pest_counts, ("pests",)),
    (rules_follow_up.chains, ("trays",)),
)


def validate(log: RawLog, as_of: pd.Timestamp) -> tuple[dict[str, TypedTable], list[Problem]]:
    """Return the typed tables and every problem of their cells, in order of table, row and column."""
    tables: dict[str, TypedTable] = {}
    problems: list[Problem] = []
    for name, schema in TABLES.items():
        if name in log.tables:
            tables[name], found = type_table(schema, log.tables[name])
            problems += found
    for table in tables.values():
        problems += rules.pairs(table)
    for name, columns, column, what in KEYS:
        if name in tables:
            problems += rules.repeated(tables[name], columns, column, what)
    for name, column, target, key in REFERENCES:
        problems += rules.unknown_keys(tables, name, column, target, key)
    problems += rules.dates(tables, np.datetime64(as_of, "D"))
    for rule, needed in RULES:
        if all(name in tables for name in needed):
            problems += rule(tables)
    if "sessions" in tables:
        problems = _better_worded(problems, rules.no_volume(tables["sessions"]))
    return tables, problems + _untold(problems)


def _untold(problems: list[Problem]) -> list[Problem]:
    """Return a problem for each kind of which so many were found that there may be more than are named."""
    kinds = Counter((problem.file, problem.column, problem.code) for problem in problems)
    message = f"fewer problems, got {MOST_TOLD} of one kind: the rest are not listed"
    return [
        Problem(file, None, column, message, code="untold") for (file, column, _), n in kinds.items() if n >= MOST_TOLD
    ]


def _better_worded(problems: list[Problem], better: list[Problem]) -> list[Problem]:
    """Put `better` in place of the bare report of the same empty cell."""
    places = {(p.file, p.row, p.column) for p in better}
    return [p for p in problems if p.code != "missing" or (p.file, p.row, p.column) not in places] + better


def in_order(problems: Iterable[Problem], files: list[str]) -> list[Problem]:
    """Return the problems without repeats, by file as listed, row and column of the schema."""
    columns = {column.name: i for table in TABLES.values() for i, column in enumerate(table.columns)}
    place = {file: i for i, file in enumerate(files)}

    def key(problem: Problem) -> tuple:
        return place.get(problem.file, -1), problem.row or 0, columns.get(problem.column or "", -1)

    return sorted(dict.fromkeys(problems), key=key)


def frames(tables: dict[str, TypedTable]) -> dict[str, pd.DataFrame]:
    """Return the six frames of a valid log, derived columns included; a table the log lacks has no rows.

    From here on the typed columns hold the frames' own values: large logs need not be held twice.
    """
    out = {}
    for name, schema in TABLES.items():
        table = tables.get(name)
        if table is None:
            out[name] = empty_frame(schema)
            continue
        for column in schema.columns:
            table.columns[column.name].values = column_for_frame(column, table.columns[column.name])
        out[name] = pd.DataFrame({name: column.values for name, column in table.columns.items()}, copy=False)
    add_derived(out)
    for name, table in tables.items():
        if table.extra:  # all at once: pandas warns of a frame that grows by many columns one by one
            known = {column: out[name][column].array for column in out[name]}
            out[name] = pd.DataFrame(known | table.extra, copy=False)
    return out


def empty_frame(schema: Table) -> pd.DataFrame:
    """Return the frame of a table with no rows, typed as any other."""
    from .raw import RawTable

    table, _ = type_table(schema, RawTable(schema.name, "", np.empty(0, dtype=np.int64)))
    return pd.DataFrame({c.name: column_for_frame(c, table.columns[c.name]) for c in schema.columns})
