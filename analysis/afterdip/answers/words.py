"""Counts in words: one piece, two pieces."""

from __future__ import annotations


def counted(n: int, one: str, many: str = "") -> str:
    """Return "1 tray", "2 trays" or "1 029 trays", a narrow space between the thousands."""
    return f"{_apart(n)} {one if n == 1 else many or f'{one}s'}"


def so_many(part: int, whole: int, one: str, verbs: tuple[str, str], many: str = "") -> str:
    """Return "3 of 40 sessions have", "1 of 1 session has"; `verbs`: of one and of several."""
    return f"{_apart(part)} of {counted(whole, one, many)} {verbs[part != 1 and whole != 1]}"


def _apart(n: int) -> str:
    return f"{n:,}".replace(",", "\u202f")
