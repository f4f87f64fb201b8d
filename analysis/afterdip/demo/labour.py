"""Minutes of work: what each session took by task, and the day's work that belongs to no session."""

from __future__ import annotations

import math
from datetime import date, timedelta

from .chance import Chance
from .plan import DAYS
from .season import Farm
from .truth import (
    CREW_FACTOR,
    FIRST_DAY,
    LABOUR,
    LABOUR_MISSING,
    LABOUR_SESSION_SD,
    LABOUR_TASK_SD,
    LEARNING_PER_DOUBLING,
)

COLUMNS = ("done", "task", "people", "minutes", "session", "pieces", "person")


def learning(day: date) -> float:
    """Return the factor on person-minutes after the months since the first one (Wright's form, by month)."""
    months = (day.year - FIRST_DAY.year) * 12 + day.month - FIRST_DAY.month + 1
    return LEARNING_PER_DOUBLING ** math.log2(months)


def _row(done: date, task: str, people: int, person_min: float, session: str, pieces: int | str,
         person: str) -> dict[str, str]:
    minutes = max(0.5, round(person_min / people * 10) / 10)
    values = (done.isoformat(), task, people, f"{minutes:.1f}", session, pieces, person)
    return dict(zip(COLUMNS, map(str, values), strict=True))


def session_labour(chance: Chance, session: dict[str, str], pieces: int, counted: bool, fresh: bool) -> list[dict]:
    """Return the rows of one session; none for the share of sessions whose labour nobody wrote down."""
    if chance.yes(LABOUR_MISSING):
        return []
    day, people = date.fromisoformat(session["started"][:10]), int(session["crew"])
    pace = learning(day) * CREW_FACTOR[people] * chance.spread(LABOUR_SESSION_SD)
    person = chance.pick(("A", "B", "C")) if people == 1 else ""
    rows = []
    for task, by_agent in LABOUR.items():
        if (task == "mix" and not fresh) or (task == "inspect" and not counted):
            continue
        fixed, each = by_agent[session["agent"]]
        times = int(session["rinses"]) if task == "rinse" else 1
        if times == 0:
            continue
        minutes = times * (fixed + each * pieces) * pace * chance.spread(LABOUR_TASK_SD)
        rows.append(_row(day, task, people, minutes, session["session"], pieces, person))
    return rows


def general_labour(chance: Chance, day: int) -> list[dict]:
    """Return the day's rows that belong to no session: cleaning most days, cutting and gluing once a week."""
    today, rows = FIRST_DAY + timedelta(days=day), []
    if today.weekday() == 6:
        return rows
    if chance.yes(0.9):
        rows.append(_row(today, "clean", 1, chance.between(12.0, 35.0), "", "", chance.pick(("A", "B", "C"))))
    if today.weekday() == 0:
        pieces = chance.whole(40, 160)
        rows.append(_row(today, "cut", 2, pieces * 0.22 * chance.spread(0.2), "", pieces, ""))
        rows.append(_row(today, "glue", 2, pieces * 0.18 * chance.spread(0.2), "", pieces, ""))
    return rows


def all_labour(chance: Chance, farm: Farm) -> list[dict]:
    """Return every row in order of date."""
    pieces, counted, mixes, rows = {}, {row["tray"].split("-")[0] for row in farm.pests}, set(), []
    for tray in farm.trays:
        pieces[tray.session] = pieces.get(tray.session, 0) + len(tray.colonies)
    for session in farm.sessions:
        fresh = not session["mix"] or session["mix"] not in mixes
        mixes.add(session["mix"])
        key = session["session"]
        rows += session_labour(chance, session, pieces[key], key in counted, fresh)
    for day in range(DAYS + 3):
        rows += general_labour(chance, day)
    return sorted(rows, key=lambda row: row["done"])
