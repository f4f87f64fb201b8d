"""What one bath does: which pests die or fall, and when each piece's story ends."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from .chance import Chance, Urn
from .stock import Colony, Tray
from .truth import (
    ACUTE_MEAN_DAYS,
    DEAD_FALL,
    DETACHED,
    EGG_KILL,
    FALL_IN_BATH,
    HORIZON,
    SOLD,
    kill,
    natural_loss,
    own_loss,
    removal,
)


@dataclass(frozen=True, slots=True)
class Exposure:
    """What the pieces of one session meet; `strength` is what was in the water, not what was written down."""

    agent: str
    strength: float
    minutes: int
    served_per_l: float = 0.0


@dataclass(slots=True)
class Found:
    """Pests of one tray by (moment, stage, alive or dead), and the pieces that still carry some of a stage."""

    pests: Counter = field(default_factory=Counter)
    infested: Counter = field(default_factory=Counter)


def expected_loss(tray: Tray, exposure: Exposure) -> tuple[float, float]:
    """Return the chance of death within the horizon without the agent, and with it."""
    natural = natural_loss(tray.group, tray.condition)
    own = own_loss(exposure.agent, tray.group, exposure.strength, exposure.minutes)
    return natural, natural + (1.0 - natural) * own


def dip_pests(chance: Chance, urn: Urn, tray: Tray, exposure: Exposure) -> Found:
    """Put the tray's pests through the bath; the tray keeps the survivors that stay on."""
    found = Found()
    tray.colonies = [_dip_colony(chance, urn, tray, colony, exposure, found) for colony in tray.colonies]
    return found


def _dip_colony(chance: Chance, urn: Urn, tray: Tray, colony: Colony, exposure: Exposure, found: Found) -> Colony:
    if not colony:
        return Colony(colony.pest, tray.day)
    left, touched = Counter(), set()
    for stage, number in colony.stages().items():
        if stage == "egg":
            continue
        for _ in range(number):
            moment, fate = _one_pest(chance, urn, colony.pest, stage, exposure)
            found.pests[moment, stage, fate] += 1
            if moment == "on piece":
                touched.add(stage)
                left[stage] += fate == "alive"
    hatch = tuple(due for due in colony.hatch if not chance.yes(EGG_KILL))
    for fate, number in (("alive", len(hatch)), ("dead", len(colony.hatch) - len(hatch))):
        found.pests["on piece", "egg", fate] += number
    found.infested.update(touched | ({"egg"} if colony.hatch else set()))
    return Colony(colony.pest, tray.day, left["adult"] + left["any"], left["juvenile"], hatch)


def _one_pest(chance: Chance, urn: Urn, pest: str, stage: str, exposure: Exposure) -> tuple[str, str]:
    """Return where one mobile pest is found and whether alive.

    One uniform decides: dead and off, alive and off, alive and on, dead and on are neighbouring stretches of it, so
    that both killed and removed are beta-binomial within the session.
    """
    killed = kill(exposure.agent, pest, stage, exposure.strength, exposure.minutes, exposure.served_per_l)
    off, place = removal(exposure.agent, killed), urn.draw()
    if place < off:
        moment = "bath" if chance.yes(FALL_IN_BATH) else "rinse"
        return moment, "dead" if place < killed * DEAD_FALL else "alive"
    return "on piece", "dead" if place >= 1.0 - killed * (1.0 - DEAD_FALL) else "alive"


def dip_pieces(chance: Chance, urn: Urn, tray: Tray, exposure: Exposure) -> None:
    """Decide when and how each piece's time in the tray ends, unless a later dip ends it sooner."""
    natural, loss = expected_loss(tray, exposure)
    tray.ends = [_end(chance, urn, tray, natural, loss) for _ in tray.colonies]


def _end(chance: Chance, urn: Urn, tray: Tray, natural: float, loss: float) -> tuple[float, str]:
    if urn.draw() < loss:
        own = chance.yes((loss - natural) / loss)
        death = chance.waiting(ACUTE_MEAN_DAYS, within=HORIZON) if own else chance.between(0.0, HORIZON)
    else:
        death = HORIZON + chance.waiting(HORIZON / natural)
    ends = [(death, "dead")]
    if chance.yes(DETACHED[tray.origin]):
        ends.append((chance.waiting(10.0), "detached"))
    if chance.yes(SOLD):
        ends.append((chance.between(HORIZON + 1.0 if tray.in_trial else 18.0, 75.0), "removed"))
    return min(ends)
