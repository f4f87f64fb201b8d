"""What must hold between cells: keys, dates, amounts. Every breach is one Problem; none hides another.

Rules look only at rows whose own cells are usable, so that a refused cell is reported once, where it stands. All are
vectorised: Python visits a row only to word its problem.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from .model import MOST_TOLD, Problem
from .typed import TypedTable
from .units import AMOUNTS, LIMITS

Tables = dict[str, TypedTable]
PAIRS = {
    "agents": (("active_strength", "strength_unit"), ("max_per_l", "max_per_l_unit"), ("price", "price_unit")),
    "sessions": (("temperature", "temperature_unit"),),
}
STRONGEST = {  # a product is no more than its active; as a solution it may be some three times as heavy as water
    "% w/w": 100.0, "mg/g": 1000.0, "% w/v": 300.0, "mg/mL": 3000.0, "g/L": 3000.0,
}  # fmt: skip
WATER_C = (0.0, 60.0)  # a bath outside is a slip of the unit


def where(mask: np.ndarray) -> np.ndarray:
    """Return the positions at which `mask` holds."""
    return np.flatnonzero(mask)


def told(mask: np.ndarray) -> np.ndarray:
    """Return the first `MOST_TOLD` positions at which `mask` holds: those of which a problem is made."""
    return np.flatnonzero(mask)[:MOST_TOLD]


def lookup(table: TypedTable, name: str, target: TypedTable, key: str) -> np.ndarray:
    """Return for each row of `table` the row of `target` its key `name` means (of duplicates the first), -1 if none."""
    place = (name, target.schema.name, key)
    if place not in table.found:
        keys, column = target.columns[key], table.columns[name]
        ids, names = pd.factorize(np.concatenate([keys.levels, column.levels]))  # -1 where there is no key
        of_keys, asked = np.split(ids, [len(keys.levels)])
        first = np.full(len(names) + 1, -1)
        first[of_keys[keys.codes[::-1]]] = np.arange(len(target))[::-1]  # of duplicates the first row is written last
        first[-1] = -1
        table.found[place] = first[asked][column.codes]
    return table.found[place]


def in_time(checks: TypedTable, of: np.ndarray) -> np.ndarray:
    """Return the order of the checks by tray (`of`, its row) and day, shape (n_checks,); those without a day first.

    One whole number per check sorts much faster than two keys; a file that is in order already needs no sorting.
    """
    if ("order", "", "") not in checks.found:
        days = np.where(checks.known("checked"), checks.columns["checked"].ids() + 1, 0)
        key = of * (len(checks.columns["checked"].levels) + 1) + days
        in_order = bool((key[1:] >= key[:-1]).all())
        checks.found["order", "", ""] = np.arange(len(key)) if in_order else np.argsort(key, kind="stable")
    return checks.found["order", "", ""]


def unknown_keys(tables: Tables, name: str, column: str, target: str, key: str) -> list[Problem]:
    """Report keys that name no row of the target table; silent where that table or its key column is missing."""
    if name not in tables or target not in tables or key in tables[target].absent:
        return []
    table = tables[name]
    missed = told(table.known(column) & (lookup(table, column, tables[target], key) < 0))
    found = table.columns[column]
    listed = {str(level).casefold(): level for level in tables[target].columns[key].levels} if missed.size else {}
    problems = []
    for i in missed:
        meant = listed.get(str(found.levels[found.codes[i]]).casefold())
        hint = f" (did you mean '{meant}'?)" if meant else ""
        words = f"{'an' if key == 'agent' else 'a'} {key} listed in {target}, got {found.quote(i)}{hint}"
        problems.append(table.problem(i, column, words, "unknown_key"))
    return problems


def repeated(table: TypedTable, names: tuple[str, ...], column: str, what: str) -> list[Problem]:
    """Report rows whose key columns repeat an earlier row's; `what` names the key in words."""
    if table.absent & set(names):
        return []
    known = table.known(*names)
    every, known = known.all(), where(known)
    codes = np.zeros(len(known), dtype=np.int64)
    for name in names:
        part = table.columns[name].ids()
        part = part if every else part[known]
        codes = codes * (part.max(initial=0) + 1) + part
        codes = pd.factorize(codes)[0] if len(names) > 2 else codes  # keeps the product small
    if (codes[1:] > codes[:-1]).all():  # as a rule the file is in order, and all is well
        return []
    in_order = np.sort(codes)  # tells a fraction sooner whether anything is there to be told
    if not (in_order[1:] == in_order[:-1]).any():
        return []
    again = pd.Series(codes).duplicated().to_numpy()
    first = dict(zip(codes[~again].tolist(), known[~again].tolist(), strict=True))
    quote = table.columns[column].quote
    return [
        table.problem(
            i, column, f"{what} once, got {quote(i)} again (first in row {table.rows[first[code]]})", "duplicate_key"
        )
        for i, code in zip(known[again][:MOST_TOLD], codes[again][:MOST_TOLD].tolist(), strict=True)
    ]


def pairs(table: TypedTable) -> list[Problem]:
    """Report numbers whose unit is missing."""
    problems = []
    for number, unit in PAIRS.get(table.schema.name, ()):
        words = "one of " + ", ".join(table.schema.column(unit).allowed)
        for i in told(table.known(number) & table.columns[unit].missing):
            problems.append(
                table.problem(i, unit, f"{words}, since {number} is given, got an empty cell", "unit_missing")
            )
    return problems


def after(table: TypedTable, name: str, as_of: np.datetime64) -> list[Problem]:
    """Report dates after the report's day, and keep them from the rules that follow."""
    late = table.known(name) & (table[name] >= as_of + np.timedelta64(1, "D"))
    table.refuse(name, late)
    quote = table.columns[name].quote
    return [
        table.problem(i, name, f"a date up to {as_of}, the day of the report, got {quote(i)}", "after_as_of")
        for i in told(late)
    ]


def dates(tables: Tables, as_of: np.datetime64) -> list[Problem]:
    """Report dates after the report's day, in every table."""
    return [
        problem
        for table in tables.values()
        for column in table.schema.columns
        if column.kind in ("date", "time")
        for problem in after(table, column.name, as_of)
    ]


def agent_rules(tables: Tables) -> list[Problem]:
    """Report products stronger than any can be, and limits in drops of agents without drops_per_ml."""
    table = tables["agents"]
    most = np.array([STRONGEST.get(unit, np.inf) for unit in table["strength_unit"]], dtype=float)
    quote = table.columns["active_strength"].quote
    problems = [
        table.problem(
            i, "active_strength", f"{most[i]:g} {table['strength_unit'][i]} at most, got {quote(i)}", "strength"
        )
        for i in told(table.known("active_strength", "strength_unit") & (table["active_strength"] > most))
    ]
    in_drops = table.columns["max_per_l_unit"].where(lambda unit: LIMITS[unit].drops)
    return problems + [
        table.problem(i, "drops_per_ml", "number above 0, since max_per_l is in drops, got an empty cell", "drops")
        for i in told(in_drops & table.columns["drops_per_ml"].missing)
    ]


def session_rules(tables: Tables) -> list[Problem]:
    """Report amounts that give no strength, temperatures no water has, and baths mixed after the dip began."""
    table, agents = tables["sessions"], tables.get("agents")
    problems = []
    temperature = np.where(table["temperature_unit"] == "F", (table["temperature"] - 32) / 1.8, table["temperature"])
    odd = table.known("temperature", "temperature_unit") & ((temperature < WATER_C[0]) | (temperature > WATER_C[1]))
    for i in told(odd):
        got = f"got {table.columns['temperature'].quote(i)} {table['temperature_unit'][i]}"
        problems.append(
            table.problem(i, "temperature", f"water between 0 and 60 C (32 and 140 F), {got}", "temperature")
        )
    late = table.known("mixed", "started") & (table["mixed"] > table["started"]) & ~_same_day_without_time(table)
    for i in told(late):
        got = f"got {table.columns['mixed'].quote(i)}"
        message = f"a time up to the session's start ({_time(table['started'][i])}), {got}"
        problems.append(table.problem(i, "mixed", message, "mixed_late"))
    return problems + (amounts(table, agents) if agents is not None and "agent" not in agents.absent else [])


def _same_day_without_time(table: TypedTable) -> np.ndarray:
    """Return where started is a date alone, and mixed on that day."""
    day = table["started"].astype("datetime64[D]")
    return (table["started"] == day) & (table["mixed"].astype("datetime64[D]") == day)


def _time(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[m]"))


def amounts(table: TypedTable, agents: TypedTable) -> list[Problem]:
    """Report missing amounts and units of treated sessions, and drops of an agent without drops_per_ml."""
    of = lookup(table, "agent", agents, "agent")
    known_agent = (of >= 0) & agents.known("is_control")[of] if len(agents) else np.zeros(len(table), dtype=bool)
    treated = (
        known_agent & ~np.array([bool(x) for x in agents["is_control"]], dtype=bool)[of] if len(agents) else known_agent
    )
    problems = []
    nothing = table.empty("amount") | (table["amount"] == 0)  # reported once, not again for its unit
    for name, empty in (("amount", nothing), ("amount_unit", table.empty("amount_unit") & ~nothing)):
        words = "number above 0" if name == "amount" else "one of " + ", ".join(AMOUNTS)
        for i in told(treated & empty):
            message = f"{words} (only a sham dip may leave it out), got {table.columns[name].quote(i)}"
            problems.append(table.problem(i, name, message, "amount_missing"))
    if len(agents):
        in_drops = table.columns["amount_unit"].where(lambda unit: AMOUNTS[unit].drops)
        for i in told(treated & in_drops & agents.columns["drops_per_ml"].missing[of]):
            message = f"a unit other than drops, or drops_per_ml of agent '{table['agent'][i]}', got"
            got = table.columns["amount_unit"].quote(i)
            problems.append(table.problem(i, "amount_unit", f"{message} {got} and no drops_per_ml", "drops"))
    return problems


def no_volume(table: TypedTable) -> list[Problem]:
    """Report amounts in all without the bath's volume: these stand for the bare report of the empty cell."""
    in_all = table.columns["amount_unit"].where(lambda unit: not AMOUNTS[unit].per_litre)
    problems = []
    for i in told(in_all & table.known("amount") & table.empty("bath_volume")):
        total = f"{table.columns['amount'].shown(i)} {table['amount_unit'][i]}"
        message = f"number above 0, since the amount ({total}) is a total, got an empty cell"
        problems.append(table.problem(i, "bath_volume", message, "missing"))
    return problems


def pieces_dates(tables: Tables) -> list[Problem]:
    """Report trays that arrived or were cut after their own dip."""
    table, sessions = tables["trays"], tables["sessions"]
    dipped = day_of_dip(table, sessions)
    problems = []
    for name in ("arrived", "cut"):
        for i in told(table.known(name) & (table[name] > dipped)):
            got = f"got {table.columns[name].quote(i)}"
            message = f"a date up to the dip ({str(dipped[i])[:10]}), {got}"
            problems.append(table.problem(i, name, message, "after_dip"))
    return problems


def start_of(trays: TypedTable, sessions: TypedTable) -> np.ndarray:
    """Return when each tray was dipped, NaT where the log does not say, shape (n_trays,)."""
    of = lookup(trays, "session", sessions, "session")
    if not len(sessions):
        return np.full(len(trays), np.datetime64("NaT"), dtype="datetime64[ns]")
    return np.where(of >= 0, sessions["started"][of], np.datetime64("NaT", "ns"))


def day_of_dip(trays: TypedTable, sessions: TypedTable) -> np.ndarray:
    """Return the day of each tray's dip, NaT where the log does not say, shape (n_trays,)."""
    return start_of(trays, sessions).astype("datetime64[D]").astype("datetime64[ns]")
