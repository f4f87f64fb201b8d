"""What must hold after a dip: pieces are conserved between checks and between trays, pests sit on pieces looked at."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .model import MOST_TOLD, Problem
from .rules import Tables, day_of_dip, in_time, lookup, start_of, told, where
from .typed import TypedTable

ENDS = ("dead", "detached", "removed")


def before_dip(tables: Tables) -> list[Problem]:
    """Report checks dated before the dip of their tray, and pest counts on the wrong side of it.

    Dates reported are kept from the rules that follow: a misdated check would stand in the wrong place.
    """
    trays = tables["trays"]
    dipped = day_of_dip(trays, tables["sessions"])
    problems = []
    for name, column in (("checks", "checked"), ("pests", "counted")):
        if name not in tables or not len(trays):
            continue
        table = tables[name]
        of = lookup(table, "tray", trays, "tray")
        day = np.where(of >= 0, dipped[of], np.datetime64("NaT", "ns"))
        known = table.known(column)
        first = known & (table[column] < day)
        second = np.zeros(len(table), dtype=bool)
        if name == "pests":
            is_before = table["moment"] == "before"
            second = known & is_before & (table[column] > day)
            first &= table.known("moment") & ~is_before
        for i in told(first | second):
            side = "on or before" if second[i] else "on or after"
            message = f"a date {side} the dip ({str(day[i])[:10]}), got {table.columns[column].quote(i)}"
            problems.append(table.problem(i, column, message, "before_dip" if first[i] else "after_dip"))
        table.refuse(column, first | second)
    return problems


def conservation(tables: Tables) -> list[Problem]:
    """Report checks that do not add up: alive before = alive + dead + detached + removed, and none comes alive again.

    Before the first check the tray has its `pieces`. A tray is judged only if all its check rows are usable and on
    different days. After a breach the next check may agree with the row as written or as it should have been, so one
    slip is reported once; and pieces short are not reported where a check of an unknown tray may hold them.
    """
    checks, trays = tables["checks"], tables["trays"]
    if not len(trays):
        return []
    of = lookup(checks, "tray", trays, "tray")
    usable = (of >= 0) & trays.known("pieces")[of] & checks.known("tray", "checked", "alive", *ENDS)
    total = checks["alive"] + sum(checks[name] for name in ENDS)
    order = in_time(checks, of)
    tray, day, alive = of[order], checks["checked"][order], checks["alive"][order]
    again = np.flatnonzero(tray[1:] == tray[:-1]) + 1  # rows with an earlier check of the same tray
    spoilt = ~usable[order]
    spoilt[again] |= day[again] == day[again - 1]
    before = trays["pieces"][tray].astype(np.result_type(trays["pieces"], alive), copy=False)
    before[again] = alive[again - 1]
    broken = total[order] != before
    if spoilt.any():
        broken &= ~np.isin(tray, tray[spoilt])
    strays = np.sort(checks["checked"][of < 0])  # days of checks whose tray is unknown; NaT, any day, sorts last
    problems = []
    for t in np.unique(tray[broken])[:MOST_TOLD]:
        start, stop = np.searchsorted(tray, (t, t + 1))
        problems += _walk(checks, order[start:stop], float(trays["pieces"][t]), strays)
    return problems


def _walk(checks: TypedTable, rows: np.ndarray, pieces: float, strays: np.ndarray) -> list[Problem]:
    """Report the breaches of one tray's checks, `rows` in order of date."""
    problems, possible, source = [], {pieces}, "pieces of the tray"
    last = np.datetime64(0, "ns")
    for i in rows:
        alive, gone = float(checks["alive"][i]), sum(float(checks[name][i]) for name in ENDS)
        since, last = last, checks["checked"][i]
        if alive + gone < min(possible) and _any_between(strays, since, last):
            possible = {alive} | {p - gone for p in possible}
        elif alive + gone not in possible:
            before = max(possible)
            if alive > before:
                message = f"{before:.0f} or fewer ({source}: none comes alive again), got '{alive:.0f}'"
                code = "alive_again"
            else:
                total = " + ".join(f"{checks[name][i]:.0f}" for name in ("alive", *ENDS))
                message = f"alive + dead + detached + removed = {before:.0f} ({source}), got {total}"
                message = f"{message} = {alive + gone:.0f}"
                code = "conservation"
            problems.append(checks.problem(i, "alive", message, code))
            possible = {alive} | {p - gone for p in possible if p >= gone}
        else:
            possible = {alive}
        source = f"alive in row {checks.rows[i]}"
    return problems


def _any_between(days: np.ndarray, since: np.datetime64, until: np.datetime64) -> bool:
    """Return whether any of the sorted days lies after `since` and up to `until`, or is unknown."""
    if len(days) and np.isnat(days[-1]):
        return True
    return bool(np.searchsorted(days, until, side="right") > np.searchsorted(days, since, side="right"))


def receding(tables: Tables) -> list[Problem]:
    """Report more receding pieces than there are alive."""
    checks = tables["checks"]
    quote = checks.columns["receding"].quote
    return [
        checks.problem(i, "receding", f"{checks['alive'][i]:.0f} or fewer (alive), got {quote(i)}", "receding")
        for i in told(checks.known("alive", "receding") & (checks["receding"] > checks["alive"]))
    ]  # fmt: skip


def pest_counts(tables: Tables) -> list[Problem]:
    """Report more pieces infested than examined or than pests found, and more examined than the tray has."""
    pests, trays = tables["pests"], tables.get("trays")
    problems = []
    found = pests["alive"] + pests["dead"]
    rules = [
        ("infested", pests.known("infested", "examined"), pests["examined"], "examined", "infested"),
        ("infested", pests.known("infested", "alive", "dead") & ~(pests["infested"] > pests["examined"]), found,
         "pests found, alive + dead", "infested"),
    ]  # fmt: skip
    if trays is not None and len(trays):
        of = lookup(pests, "tray", trays, "tray")
        rules.append(
            ("examined", (of >= 0) & pests.known("examined"), trays["pieces"][of], "pieces of the tray", "examined")
        )
    for name, known, most, what, code in rules:
        for i in told(known & (pests[name] > most)):
            message = f"{most[i]:.0f} or fewer ({what}), got {pests.columns[name].quote(i)}"
            problems.append(pests.problem(i, name, message, code))
    return problems


def chains(tables: Tables) -> list[Problem]:
    """Report earlier trays that are unknown, the tray itself or not dipped before, and re-dips of more than are alive.

    A chain that closes on itself always holds a tray whose earlier tray was not dipped before it, and is reported
    there.
    """
    trays = tables["trays"]
    earlier = lookup(trays, "earlier_tray", trays, "tray")
    known = trays.known("earlier_tray")
    quote = trays.columns["earlier_tray"].quote
    itself = known & (trays["earlier_tray"] == trays["tray"])
    started = (
        start_of(trays, tables["sessions"]) if "sessions" in tables else np.full(len(trays), np.datetime64("NaT", "ns"))
    )
    problems = []
    for i in told(known & (earlier < 0) if "tray" not in trays.absent else np.zeros(len(trays), dtype=bool)):
        problems.append(trays.problem(i, "earlier_tray", f"a tray listed in trays, got {quote(i)}", "unknown_key"))
    for i in told(itself):
        problems.append(trays.problem(i, "earlier_tray", f"another tray, got {quote(i)} itself", "earlier_tray"))
    late = known & (earlier >= 0) & ~itself & (started[earlier] >= started) if len(trays) else itself
    for i in told(late):
        message = f"a tray dipped before {_minute(started[i])}, got {quote(i)}, dipped {_minute(started[earlier[i]])}"
        problems.append(trays.problem(i, "earlier_tray", message, "earlier_tray"))
    return problems + overdrawn(tables, trays, np.where(late | itself, -1, earlier), started)


def _minute(moment: np.datetime64) -> str:
    return str(moment.astype("datetime64[m]")).replace("T", " ")


def overdrawn(tables: Tables, trays: TypedTable, earlier: np.ndarray, started: np.ndarray) -> list[Problem]:
    """Report re-dips of more than the earlier tray can have left: its pieces less dead and detached known by then."""
    child = where((earlier >= 0) & trays.known("pieces") & ~np.isnat(started))
    child = child[trays.known("pieces")[earlier[child]]]
    if not len(child):
        return []
    child = child[np.lexsort((started[child], earlier[child]))]
    parent = earlier[child]
    drawn = pd.Series(trays["pieces"][child]).groupby(parent).cumsum().to_numpy()
    lost = lost_by(tables, trays, parent, started[child])
    problems = []
    possible = lost <= trays["pieces"][parent]  # else the checks are wrong, and said to be
    for i in told(possible & (drawn > trays["pieces"][parent] - lost)):
        left = trays["pieces"][parent[i]] - lost[i]
        total = "" if drawn[i] == trays["pieces"][child[i]] else f", {drawn[i]:.0f} with those re-dipped before"
        message = (f"{left:.0f} or fewer (left of tray '{trays['tray'][parent[i]]}' by then), "
                   f"got {trays.columns['pieces'].quote(child[i])}{total}")  # fmt: skip
        problems.append(trays.problem(child[i], "pieces", message, "overdrawn"))
    return problems


def lost_by(tables: Tables, trays: TypedTable, tray: np.ndarray, when: np.ndarray) -> np.ndarray:
    """Return the pieces dead or detached in `tray` by the checks dated up to `when`, both of shape (n,)."""
    if "checks" not in tables or not len(tables["checks"]):
        return np.zeros(len(tray))
    checks = tables["checks"]
    of = lookup(checks, "tray", trays, "tray")
    use = where(np.isin(of, tray) & checks.known("checked", "dead", "detached"))
    use = use[np.lexsort((checks["checked"][use], of[use]))]
    gone = np.r_[0.0, np.cumsum((checks["dead"] + checks["detached"])[use])]
    day = when.astype("datetime64[D]").astype("datetime64[ns]")
    codes, levels = pd.factorize(np.r_[checks["checked"][use], day], sort=True)
    scale = len(levels) + 1
    keys, asked = of[use] * scale + codes[: len(use)], tray * scale + codes[len(use) :]
    return gone[np.searchsorted(keys, asked, side="right")] - gone[np.searchsorted(keys, tray * scale, side="left")]
