"""Counts and strengths in words: one piece, two pieces, 500 mg/L."""

from __future__ import annotations

import calendar
import datetime
from decimal import Decimal


def counted(n: int, one: str, many: str = "") -> str:
    """Return "1 tray", "2 trays" or "1 029 trays", a narrow space between the thousands."""
    return f"{_apart(n)} {one if n == 1 else many or f'{one}s'}"


def so_many(part: int, whole: int, one: str, verbs: tuple[str, str], many: str = "") -> str:
    """Return "3 of 40 sessions have", "1 of 1 session has"; `verbs`: of one and of several."""
    return f"{_apart(part)} of {counted(whole, one, many)} {verbs[part != 1 and whole != 1]}"


def percent(share: float) -> str:
    """Return a share as "95 %", to three figures, on one line."""
    return f"{100 * share:.3g}\u00a0%"


def _apart(n: int) -> str:
    return f"{n:,}".replace(",", "\u202f")


def strength_words(*strengths: tuple[float, str]) -> str:
    """Return strengths and their units to three figures: "0.0835 mg/L", "150, 300 and 24 700 mg/L"."""
    values: dict[str, list[str]] = {}
    for value, unit in strengths:
        values.setdefault(unit, []).append(f"{Decimal(f'{value:.3g}'):,f}".replace(",", "\u202f"))
    return and_so_on([f"{and_so_on(found)} {unit}" for unit, found in values.items()])


def at_other_strengths(agent: str, than: str) -> str:
    """Return the name of an agent's sessions at strengths other than those that are named by themselves."""
    return f"{agent} at strengths other than {than}"


def and_so_on(words: list[str]) -> str:
    """Return "a, b and c"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""


def day_in_words(day: str) -> str:
    """Return "5 November 2026" for "2026-11-05"."""
    date = datetime.date.fromisoformat(day)
    return f"{date.day} {calendar.month_name[date.month]} {date.year}"
