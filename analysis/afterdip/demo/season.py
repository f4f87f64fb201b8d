"""The farm day by day: planned sessions, the re-dips that infested trays call for, and the pest counts of each dip."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from .chance import Chance, Urn
from .dip import Exposure, dip_pests, dip_pieces, expected_loss
from .plan import DAYS, Planned, first_and_last, ordinary, trial, workday
from .products import LOT_DAYS, LOT_PREFIX, NOT_FOR, RINSES, Bath, mix
from .records import pests_after, pests_before
from .stock import Tray
from .truth import (
    AFTER_TRIAL_DAYS,
    DEATH_CORRELATION,
    FIRST_DAY,
    IODINE,
    OIL,
    PEST_CORRELATION,
    REDIP_DAYS,
    REDIPPED,
    SEED,
    SHAM,
    WEAK_FACTOR,
    WEAK_FROM,
    WEAK_LOT,
    WEAK_TO,
    WORKING_MINUTES,
    WORKING_STRENGTH,
    WORM,
)


@dataclass(slots=True)
class Course:
    """Trays due for another dip, and how many more are to follow it."""

    agent: str
    dips_left: int
    trays: list[Tray]


@dataclass(slots=True)
class SharedBath:
    """A bath in use: what is in it, when it was mixed, the pieces it has served."""

    bath: Bath
    mixed: datetime
    served: int = 0


@dataclass(slots=True)
class Farm:
    """Everything that happened: rows of sessions and pest counts, trays with their pieces' ends, expected losses."""

    plan: Chance = field(default_factory=lambda: Chance(SEED))
    life: Chance = field(default_factory=lambda: Chance(SEED + 1))
    desk: Chance = field(default_factory=lambda: Chance(SEED + 2))
    due: dict[int, list[Course]] = field(default_factory=lambda: defaultdict(list))
    baths: dict[str, SharedBath] = field(default_factory=dict)
    sessions: list[dict[str, str]] = field(default_factory=list)
    trays: list[Tray] = field(default_factory=list)
    pests: list[dict[str, str]] = field(default_factory=list)
    exposures: list[Exposure] = field(default_factory=list)
    losses: list[tuple[str, str, int, float, float]] = field(default_factory=list)  # session, tray, pieces, c, p


def run_farm() -> Farm:
    """Return the whole season from its seed."""
    farm = Farm()
    by_day = defaultdict(list)
    for session in ordinary(farm.plan) + trial(farm.plan) + first_and_last(farm.plan):
        by_day[session.day].append(session)
    for day in range(DAYS + 1):
        clock = datetime.combine(FIRST_DAY, datetime.min.time()) + timedelta(days=day, hours=8, minutes=30)
        for session in _redips(farm, day) + by_day[day]:
            clock += timedelta(minutes=farm.desk.whole(10, 25))
            _run_session(farm, session, clock)
            clock += timedelta(minutes=session.minutes)
    return farm


def _redips(farm: Farm, day: int) -> list[Planned]:
    """Return the day's re-dip sessions: all trays due for one agent go through together."""
    trays, left = defaultdict(list), {}
    for course in farm.due.pop(day, []):
        trays[course.agent] += filter(None, (_taken_again(farm.plan, tray, day) for tray in course.trays))
        left[course.agent] = max(course.dips_left, left.get(course.agent, 0))
    planned = []
    for agent in trays:
        if trays[agent]:
            planned.append(Planned(day, agent, WORKING_STRENGTH[agent], WORKING_MINUTES[agent], trays[agent],
                                   dips_left=left[agent]))
    return planned


def _taken_again(chance: Chance, tray: Tray, day: int) -> Tray | None:
    """Take live pieces out of a tray for their next dip: all of them, or only those that carry pests."""
    pieces = tray.alive(day)
    if chance.yes(0.2):
        pieces = [i for i in pieces if tray.colonies[i].at(day)]
    if not pieces:
        return None
    for i in pieces:
        tray.ends[i] = (float(day - tray.day), "removed")
    tray.redipped.append(day)
    return Tray(tray.coral, tray.group, tray.condition, "re-dip", tray.source, tray.pest,
                [tray.colonies[i].at(day) for i in pieces], tray.arrived, tray.cut, earlier=tray)


def _bottle(agent: str, day: int) -> str:
    """Return the lot number in use on a day; the weak lot has its own dates."""
    if agent == SHAM:
        return ""
    today = FIRST_DAY + timedelta(days=day)
    if agent == IODINE and today >= WEAK_FROM:
        return WEAK_LOT if today <= WEAK_TO else "IO-08"
    return f"{LOT_PREFIX[agent]}-{day // LOT_DAYS[agent] + 1:02d}"


def _run_session(farm: Farm, planned: Planned, started: datetime) -> None:
    """Mix or reuse the bath, dip the trays, write the session down, and book the next dip of what is still infested."""
    key, shared = f"{len(farm.sessions) + 1:04d}", farm.baths.get(planned.mix)
    if shared is None:
        bath = mix(farm.plan, planned.agent, planned.strength, (20, "L") if planned.mix else None)
        shared = SharedBath(bath, started - timedelta(minutes=10))
        if planned.mix:
            farm.baths[planned.mix] = shared
    lot = _bottle(planned.agent, planned.day)
    weak = WEAK_FACTOR if lot == WEAK_LOT else 1.0
    exposure = Exposure(planned.agent, shared.bath.strength * weak, planned.minutes, shared.served / shared.bath.litres)
    shared.served += sum(len(tray.colonies) for tray in planned.trays)
    farm.sessions.append(_session_row(farm.desk, key, started, planned, shared, lot))
    farm.exposures.append(exposure)
    counted = planned.block != "" or farm.desk.yes(0.9)
    death, pest = Urn(farm.life, DEATH_CORRELATION), Urn(farm.life, PEST_CORRELATION)
    for number, tray in enumerate(planned.trays):
        _dip_tray(farm, tray, key, number, planned, exposure, counted, death, pest)
    _book_redip(farm, planned)


def _dip_tray(farm: Farm, tray: Tray, session: str, number: int, planned: Planned, exposure: Exposure, counted: bool,
              death: Urn, pest: Urn) -> None:
    tray.session, tray.key, tray.day = session, f"{session}-{'abcdefghijklmnopqrstuvwxyz'[number]}", planned.day
    tray.watched = planned.block != "" or farm.desk.yes(0.985)
    tray.system = f"{'quarantine' if tray.origin == 'arrival' else 'growout'}-{farm.desk.whole(1, 3)}"
    counted = counted and bool(tray.pest) and (tray.earlier is not None or planned.block != "" or farm.desk.yes(0.95))
    if counted:
        farm.pests += pests_before(farm.desk, tray)
    found = dip_pests(farm.life, pest, tray, exposure)
    if counted:
        farm.pests += pests_after(farm.desk, tray, found)
    dip_pieces(farm.life, death, tray, exposure)
    farm.losses.append((session, tray.key, len(tray.colonies), *expected_loss(tray, exposure)))
    farm.trays.append(tray)


def _book_redip(farm: Farm, planned: Planned) -> None:
    """Book another dip for trays that still carry pests; the trial's sham arm waits until its follow-up is over."""
    left, agent, wait = planned.dips_left, planned.agent, REDIP_DAYS
    if planned.block:
        left = 1 if agent == SHAM else 0
        agent, wait = WORM, AFTER_TRIAL_DAYS
    elif left is None:
        left = farm.plan.whole(1, 2) if farm.plan.yes(REDIPPED) else 0
        agent = OIL if agent == SHAM else agent
    trays = [tray for tray in planned.trays if tray.watched and any(tray.colonies) and tray.group != NOT_FOR[agent]]
    day = workday(planned.day + farm.plan.whole(*wait))
    if trays and left > 0 and day <= DAYS:
        farm.due[day].append(Course(agent, left - 1, trays))


def _session_row(chance: Chance, key: str, started: datetime, planned: Planned, shared: SharedBath,
                 lot: str) -> dict[str, str]:
    bath, agent = shared.bath, planned.agent
    celsius = chance.between(24.2, 26.8)
    fahrenheit = chance.yes(0.3)
    temperature = f"{celsius * 1.8 + 32.0:.1f}" if fahrenheit else f"{celsius:.1f}"
    unread = chance.yes(0.04)
    stirred = chance.weighted({"pump": 0.5, "air": 0.2, "manual": 0.3} if agent == OIL else
                              {"none": 0.4, "manual": 0.4, "pump": 0.1, "": 0.1})
    return {
        "session": key, "started": started.isoformat(timespec="minutes"), "agent": agent, "amount": bath.amount,
        "amount_unit": bath.amount_unit, "bath_volume": bath.volume, "bath_volume_unit": bath.volume_unit,
        "minutes": str(planned.minutes), "temperature": "" if unread else temperature,
        "temperature_unit": "" if unread else "F" if fahrenheit else "C",
        "mix": planned.mix, "mixed": shared.mixed.isoformat(timespec="minutes") if planned.mix else "", "lot": lot,
        "agitation": stirred, "rinses": str(RINSES[agent] + chance.yes(0.15)),
        "ppe": chance.weighted({"yes": 0.85, "partial": 0.10, "": 0.05}),
        "crew": str(chance.weighted({1: 0.35, 2: 0.45, 3: 0.20})),
        "randomised": "yes" if planned.block else chance.weighted({"no": 0.8, "": 0.2}),
        "note": f"trial block {planned.block}" if planned.block else "",
    }
