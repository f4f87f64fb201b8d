"""Who goes into which bath when, before any outcome: the farm's streams of work and its randomised trial."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import product

from .chance import Chance
from .stock import Tray, deal, draw_tray
from .truth import (
    CONDITIONS,
    CONFOUNDED,
    FIRST_DAY,
    IODINE,
    LAST_DIP,
    OIL,
    PERMANGANATE,
    PEROXIDE,
    PEROXIDE_MINUTES,
    SHAM,
    STRENGTHS,
    TABLET,
    TRIAL,
    TRIAL_CONDITIONS,
    WORKING_MINUTES,
    WORKING_STRENGTH,
    WORM,
)

DAYS = (LAST_DIP - FIRST_DAY).days
WEEKS = DAYS // 7 + 1
PER_WEEK = {SHAM: 0.85, OIL: 1.7, PEROXIDE: 1.45, IODINE: 1.45, PERMANGANATE: 0.32, WORM: 0.8, TABLET: 0.9}
GROUPS = {
    SHAM: {"sps": 0.10, "lps": 0.30, "soft": 0.30, "zoanthid": 0.20, "mushroom": 0.10},
    OIL: {"sps": 0.70, "zoanthid": 0.20, "lps": 0.10},
    PEROXIDE: {"zoanthid": 0.50, "mushroom": 0.25, "soft": 0.25},
    IODINE: {"sps": 0.45, "lps": 0.35, "soft": 0.10, "mushroom": 0.10},
    PERMANGANATE: {"lps": 0.40, "sps": 0.30, "soft": 0.30},
    WORM: {"sps": 0.65, "lps": 0.35},
    TABLET: {"sps": 0.65, "lps": 0.35},
}
TRIAL_WEEKS = range(2, 66)
NOT_FOR_SLIP = date(2026, 10, 13)  # the peroxide session from this day on that took small-polyp corals by mistake


@dataclass(slots=True)
class Planned:
    """One session to come; sessions of one `mix` share a bath, sessions of one `block` share their lots.

    `dips_left` is how many dips of the series follow; None where no series has begun.
    """

    day: int
    agent: str
    strength: float
    minutes: int
    trays: list[Tray]
    mix: str = ""
    block: str = ""
    dips_left: int | None = None


def workday(day: int) -> int:
    """Return the day itself, or the Monday after a Sunday."""
    return day + 1 if (FIRST_DAY + timedelta(days=day)).weekday() == 6 else day


def _deck(chance: Chance, cards: tuple) -> Iterator:
    while True:
        yield from chance.shuffled(cards)


def _new_trays(chance: Chance, agent: str, day: int) -> list[Tray]:
    """Return the trays of one ordinary session: one coral group mostly, and corals of the condition it is meant for."""
    conditions = CONFOUNDED.get(agent, CONDITIONS)
    group = chance.weighted(GROUPS[agent])
    trays = []
    for _ in range(chance.weighted({1: 0.2, 2: 0.35, 3: 0.3, 4: 0.15})):
        other = chance.weighted(GROUPS[agent]) if chance.yes(0.15) else group
        pieces = 1 if chance.yes(0.05) else chance.whole(4, 14)
        trays.append(draw_tray(chance, day, other, conditions, pieces))
    return trays


def _week(chance: Chance, week: int, agent: str) -> list[int]:
    """Return the workdays of the week's ordinary sessions with this agent."""
    rate = PER_WEEK[agent]
    number = int(rate * (week + 1)) - int(rate * week)
    days = [workday(week * 7 + chance.whole(0, 6)) for _ in range(number)]
    return [day for day in days if day <= DAYS]


def _settings(chance: Chance, agent: str, decks: dict[str, Iterator]) -> tuple[float, int]:
    """Return strength and minutes of the next ordinary session."""
    if agent == PEROXIDE:
        return next(decks[agent])
    strength = next(decks[agent]) if agent in decks else WORKING_STRENGTH[agent]
    return strength, WORKING_MINUTES[agent]


def ordinary(chance: Chance) -> list[Planned]:
    """Return every session outside the trial and the re-dips."""
    decks = {agent: _deck(chance, STRENGTHS[agent]) for agent in (OIL, IODINE)}
    decks[PEROXIDE] = _deck(chance, tuple(product(STRENGTHS[PEROXIDE], PEROXIDE_MINUTES)))
    planned, slipped = [], False
    for week in range(WEEKS):
        for agent in PER_WEEK:
            for day in _week(chance, week, agent):
                if agent == PERMANGANATE:
                    planned += _shared_bath(chance, day)
                    continue
                session = Planned(day, agent, *_settings(chance, agent, decks), _new_trays(chance, agent, day))
                if agent == PEROXIDE and not slipped and FIRST_DAY + timedelta(days=day) >= NOT_FOR_SLIP:
                    session.trays.append(draw_tray(chance, day, "sps", CONDITIONS, 6))
                    slipped = True
                planned.append(session)
    return planned


def first_and_last(chance: Chance) -> list[Planned]:
    """Return the sham sessions that open and close the log."""
    return [Planned(day, SHAM, 0.0, WORKING_MINUTES[SHAM], _new_trays(chance, SHAM, day)) for day in (0, DAYS)]


def _shared_bath(chance: Chance, day: int) -> list[Planned]:
    """Return three to five sessions through one bath, most on one day, some carried over to the next."""
    key, sessions = f"mix-{day:03d}-{chance.whole(10, 99)}", []
    for turn in range(chance.whole(3, 5)):
        when = workday(day + 1) if turn >= 3 and chance.yes(0.5) else day
        sessions.append(Planned(when, PERMANGANATE, WORKING_STRENGTH[PERMANGANATE], WORKING_MINUTES[PERMANGANATE],
                                _new_trays(chance, PERMANGANATE, when), mix=key))
    return sorted((s for s in sessions if s.day <= DAYS), key=lambda s: s.day)


def trial(chance: Chance) -> list[Planned]:
    """Return the randomised trial: each week one block, its lots dealt into one bath of every arm."""
    planned = []
    for week in TRIAL_WEEKS:
        day = workday(week * 7 + 4)
        lots = [draw_tray(chance, day, "sps", TRIAL_CONDITIONS, 3 * chance.whole(7, 11), infested=0.8)
                for _ in range(3)]
        dealt = [deal(chance, lot, len(TRIAL)) for lot in lots]
        for arm, agent in enumerate(chance.shuffled(TRIAL)):
            planned.append(Planned(day, agent, WORKING_STRENGTH[agent], WORKING_MINUTES[agent],
                                   [trays[arm] for trays in dealt], block=f"B{week:02d}"))
    return planned
