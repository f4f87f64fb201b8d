"""Slips of the pen and of the hand that a log may hold and still load: each is one the reader should be warned of."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from .truth import IODINE, OIL, PEROXIDE, SALT

MISSPELT = ("Acropora green", "Acropora gren", date(2026, 10, 5))
SESSION_SLIPS: tuple[tuple[date, str, str, dict[str, str]], ...] = (  # first session of the agent from the day on
    (date(2025, 11, 10), OIL, "separates without agitation", {"agitation": "none"}),
    (date(2026, 10, 7), OIL, "separates without agitation", {"agitation": "none"}),
    (date(2026, 2, 16), PEROXIDE, "signal word danger, no protection", {"ppe": "no"}),
    (date(2026, 10, 19), PEROXIDE, "signal word danger, no protection", {"ppe": "no"}),
    (date(2026, 5, 4), IODINE, "fewer rinses than needed", {"rinses": "0"}),
    (date(2026, 10, 12), OIL, "fewer rinses than needed", {"rinses": "1"}),
    (date(2026, 10, 20), IODINE, "exposure over the farm's limit", {"minutes": "25"}),
)
TYPING_SLIP = (date(2026, 6, 1), SALT, 12)  # times the amount that went in, as written


def _first(sessions: list[dict[str, str]], day: date, agent: str,
           fits: Callable[[dict[str, str]], bool] = lambda row: True) -> dict[str, str]:
    return next(row for row in sessions
                if row["agent"] == agent and row["started"][:10] >= day.isoformat() and fits(row))


def slip(sessions: list[dict[str, str]], trays: list[dict[str, str]]) -> list[dict[str, str]]:
    """Change the rows in place; return what was done where, for truth.json."""
    done = []
    for day, agent, what, change in SESSION_SLIPS:
        row = _first(sessions, day, agent)
        row |= change
        done.append({"session": row["session"], "flaw": what})
    day, agent, times = TYPING_SLIP
    row = _first(sessions, day, agent)
    row["amount"] = f"{float(row['amount']) * times:g}"
    done.append({"session": row["session"], "flaw": "amount written 12 times what went in"})
    done.append(_misspell(sessions, trays))
    peroxide = {row["session"] for row in sessions if row["agent"] == PEROXIDE}
    slipped = next(row for row in trays if row["session"] in peroxide and row["coral_group"] == "sps")
    done.append({"session": slipped["session"], "flaw": "coral group the agent is not for"})
    return done


def _misspell(sessions: list[dict[str, str]], trays: list[dict[str, str]]) -> dict[str, str]:
    right, wrong, day = MISSPELT
    started = {row["session"]: row["started"][:10] for row in sessions}
    row = next(r for r in trays if r["coral"] == right and started[r["session"]] >= day.isoformat())
    row["coral"] = wrong
    return {"session": row["session"], "flaw": "coral name misspelt"}
