"""What is true of the demo farm: every number is invented, and the generator knows no other.

Chances are 0-1. A coral dies within HORIZON days of a dip with chance c + (1 - c) L: c the natural loss of its group
and condition, L the agent's own (LOSS). A pest dies in a dip with chance h + (1 - h) K: h from handling alone, K the
agent's own (KILL). Strengths are on each agent's own axis (`AXIS`).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import date

# The second seed tried: the first hid two of the planted effects in noise. The demo shows effects; how often limits
# cover is measured on many farms that nobody looked at first.
SEED = 20250802
FIRST_DAY = date(2025, 8, 1)
LAST_DIP = date(2026, 11, 18)
AS_OF = date(2026, 11, 20)
MONTH = "2026-10"
HORIZON = 30  # days

DEATH_CORRELATION = 0.08  # between pieces of one session, death within the horizon
PEST_CORRELATION = 0.12  # between pests of one session, killed or not, removed or not


@dataclass(frozen=True, slots=True)
class Flat:
    """The same chance at any strength: for agents used at one strength only."""

    chance: float

    def at(self, strength: float, minutes: float) -> float:
        """Return the chance of the effect; strength and minutes do not matter."""
        return self.chance


@dataclass(frozen=True, slots=True)
class LogLogistic:
    """Chance 1 / (1 + (ec50 / strength)^slope); with `exponent` n the effect depends on strength^n x minutes.

    `ec50` then belongs to an exposure of `minutes`; without an exponent the exposure does not matter.
    """

    ec50: float
    slope: float
    exponent: float | None = None
    minutes: float | None = None

    def at(self, strength: float, minutes: float) -> float:
        """Return the chance of the effect at this strength and exposure."""
        longer = 1.0 if self.exponent is None else (minutes / self.minutes) ** (1.0 / self.exponent)
        return 1.0 / (1.0 + (self.ec50 / (strength * longer)) ** self.slope)

    def strength_for(self, chance: float, minutes: float | None = None) -> float:
        """Return the strength that has this chance of the effect."""
        longer = 1.0 if self.exponent is None else ((minutes or self.minutes) / self.minutes) ** (1.0 / self.exponent)
        return self.ec50 * (chance / (1.0 - chance)) ** (1.0 / self.slope) / longer


FLATWORM, NUDIBRANCH, ZOANTHID_EATER, ACOEL = (
    "acropora-flatworm", "montipora-nudibranch", "zoanthid-nudibranch", "red-acoel",
)
PESTS = (FLATWORM, NUDIBRANCH, ZOANTHID_EATER, ACOEL)
SHAM, OIL, PEROXIDE, IODINE, PERMANGANATE, WORM, TABLET, SALT = (
    "sham", "oil-drip", "peroxide-short", "iodine-soak", "permanganate-soak", "worm-bath", "tablet-soak", "salt-step",
)
AGENTS = (SHAM, OIL, PEROXIDE, IODINE, PERMANGANATE, WORM, TABLET, SALT)

AXIS = {SHAM: "", OIL: "mL/L product", PEROXIDE: "mg/L", IODINE: "mg/L", PERMANGANATE: "mg/L", WORM: "mg/L",
        TABLET: "tablets/L", SALT: "mg/L"}
WORKING_STRENGTH = {SHAM: 0.0, OIL: 1.6, PEROXIDE: 600.0, IODINE: 1000.0, PERMANGANATE: 99.0, WORM: 10.0,
                    TABLET: 0.1, SALT: 24750.0}
WORKING_MINUTES = {SHAM: 10, OIL: 10, PEROXIDE: 5, IODINE: 12, PERMANGANATE: 15, WORM: 30, TABLET: 30, SALT: 4}


def _each(values: tuple[float, ...], shape) -> dict[str, Flat | LogLogistic]:
    return dict(zip(PESTS, map(shape, values), strict=True))


KILL = {  # of adults; order of the four figures as in PESTS
    SHAM: _each((0.0, 0.0, 0.0, 0.0), Flat),
    OIL: _each((0.25, 0.30, 0.45, 0.60), lambda ec50: LogLogistic(ec50, 3.0)),
    PEROXIDE: _each((600.0, 700.0, 500.0, 400.0), lambda ec50: LogLogistic(ec50, 2.5, 1.4, 5.0)),
    IODINE: _each((800.0, 850.0, 1000.0, 600.0), lambda ec50: LogLogistic(ec50, 3.0)),
    PERMANGANATE: _each((0.93, 0.90, 0.88, 0.93), Flat),  # in a fresh bath
    WORM: _each((0.95, 0.92, 0.85, 0.90), Flat),
    TABLET: _each((0.95, 0.92, 0.85, 0.90), Flat),
    SALT: _each((0.80, 0.75, 0.70, 0.70), Flat),
}
LOSS = {
    SHAM: Flat(0.0),
    OIL: LogLogistic(25.0, 2.0),
    PEROXIDE: LogLogistic(10_000.0, 2.0, 1.4, 5.0),
    IODINE: LogLogistic(5500.0, 2.0),
    PERMANGANATE: Flat(0.02), WORM: Flat(0.006), TABLET: Flat(0.006), SALT: Flat(0.006),
}
LOSS_EXCEPTION = {(PERMANGANATE, "soft"): Flat(0.15)}  # the one coral group an agent is hard on

STRENGTHS = {  # the farm's deck of strengths, dealt in turn; repeated ones are used more often
    OIL: (0.2, 0.4, 0.8, 1.6, 1.6, 3.2, 6.4, 12.8),
    IODINE: (250.0, 500.0, 1000.0, 1000.0, 1000.0, 1000.0, 2000.0, 4000.0),
    PEROXIDE: (150.0, 300.0, 600.0, 1200.0, 2400.0),
}
PEROXIDE_MINUTES = (2, 5, 10, 20)  # every strength meets every exposure

JUVENILE_ODDS = math.exp(0.4)  # odds of a juvenile's death against an adult's
HANDLING_KILL = 0.01  # h: pests killed by handling alone, sham included
EGG_KILL = 0.02  # whatever the agent: eggs survive dips
DEAD_FALL = 0.90  # share of killed pests that come off; the rest are dead on the piece
ALIVE_FALL = 0.25  # share of surviving pests that an agent makes let go
SHAM_REMOVAL = 0.07  # share of pests off the piece after a sham dip, dead or alive
FALL_IN_BATH = 0.75  # of what comes off; the rest is found in the rinse
SEEN = {"adult": 0.9, "juvenile": 0.9, "any": 0.9, "egg": 0.8}  # seen when looked for on a piece before or later

NATURAL_LOSS = {"sps": 0.015, "lps": 0.012, "soft": 0.012, "zoanthid": 0.008, "mushroom": 0.008}  # good condition
CONDITION_FACTOR = {"good": 1.0, "fair": 2.5, "poor": 10.0}
ACUTE_MEAN_DAYS = 6.0  # deaths an agent causes come early: exponential, cut off at the horizon
DETACHED = {"own cut": 0.06, "arrival": 0.02, "re-dip": 0.02}  # chance of coming off, exponential, mean 10 days
SOLD = 0.35  # chance of being sold, uniform over days 18-75 (trial: 31-75)

CONDITIONS = {"good": 0.70, "fair": 0.22, "poor": 0.08}  # the usual mix, sham included
CONFOUNDED = {  # the same two agents, equal in truth, given to different corals
    WORM: {"good": 0.60, "fair": 0.25, "poor": 0.15},
    TABLET: {"good": 0.20, "fair": 0.30, "poor": 0.50},
}
TRIAL = (WORM, SALT, SHAM)  # randomised in blocks: one lot dealt into three baths of one day
TRIAL_CONDITIONS = {"good": 0.80, "fair": 0.20}

WEAK_LOT = "IO-07"
WEAK_FROM, WEAK_TO = date(2026, 8, 17), date(2026, 10, 31)
WEAK_FACTOR = 0.5  # of the strength its label says
TIRED = -0.55  # permanganate: added to the log odds of a kill per piece already served per litre of bath

HATCH_DAYS = 15.0  # eggs on a piece hatch within this many days, uniformly
ACOEL_DOUBLING_DAYS = 14.0
REDIP_DAYS = (7, 12)  # between dips of one series
REDIPPED = 0.22  # share of sessions with pests left whose infested trays go through one or two more dips
AFTER_TRIAL_DAYS = (32, 36)  # when the infested trays of the trial's sham arm are dipped at last
INFESTED_LOTS = 0.65
INFESTED_PIECES = (0.15, 0.55)  # share of pieces with pests in an infested lot, uniform
PESTS_PER_PIECE = 2.6  # on infested pieces; geometric
JUVENILE_SHARE = 0.4

LABOUR = {  # person-minutes (fixed per session, per piece) of a crew of one in the first month
    "mix": {SHAM: (2.0, 0.0), OIL: (7.0, 0.0), PEROXIDE: (5.0, 0.0), IODINE: (4.0, 0.0), PERMANGANATE: (9.0, 0.0),
            WORM: (6.0, 0.0), TABLET: (10.0, 0.0), SALT: (5.0, 0.0)},  # once per mixed bath
    "dip": dict.fromkeys(AGENTS, (3.0, 0.25)),
    "watch": {SHAM: (5.0, 0.0), OIL: (9.0, 0.05), PEROXIDE: (6.0, 0.05), IODINE: (10.0, 0.0),
              PERMANGANATE: (12.0, 0.0), WORM: (14.0, 0.0), TABLET: (14.0, 0.0), SALT: (4.0, 0.05)},
    "rinse": dict.fromkeys(AGENTS, (1.0, 0.08)),  # for each rinse
    "inspect": dict.fromkeys(AGENTS, (4.0, 0.50)),  # only where pests were counted
    "record": dict.fromkeys(AGENTS, (3.0, 0.04)),
}
CREW_FACTOR = {1: 1.0, 2: 1.05, 3: 1.12}  # person-minutes against a crew of one
LEARNING_PER_DOUBLING = 0.95  # person-minutes each time the months since the first one double
LABOUR_SESSION_SD, LABOUR_TASK_SD = 0.15, 0.20  # of the logarithm, factors of mean 1
LABOUR_MISSING = 0.08  # sessions without any labour row, whatever their size

SETTINGS = {
    "farm": {"name": "Demo farm (invented)", "currency": "USD", "wage_per_hour": 24.0, "water_temperature_c": 25.5},
    "targets": {"kill": 0.95, "loss": 0.05, "horizon_days": HORIZON, "confidence": 0.95},
    "compare": {"kill_margin": 0.05, "loss_margin": 0.05},
    "release": {"design_prevalence": 0.02, "inspection_sensitivity": 0.85},
    "value": {"sps": 18.0, "lps": 24.0, "soft": 9.0, "zoanthid": 7.0, "mushroom": 8.0},
    f"pests.{NUDIBRANCH}": {"hatch_days_latest": 14.0, "first_laying_days_earliest": 21.0, "at_temperature_c": 25.5,
                            "source": "invented for the demo farm; no published figures stand behind it"},
}


def natural_loss(coral_group: str, condition: str) -> float:
    """Return the chance that an undipped piece dies within the horizon."""
    return NATURAL_LOSS[coral_group] * CONDITION_FACTOR[condition]


def own_loss(agent: str, coral_group: str, strength: float, minutes: float) -> float:
    """Return L, the loss the agent adds for pieces that would have lived."""
    return LOSS_EXCEPTION.get((agent, coral_group), LOSS[agent]).at(strength, minutes)


def kill(agent: str, pest: str, stage: str, strength: float, minutes: float, served_per_l: float = 0.0) -> float:
    """Return the chance that a pest of this stage is dead after the dip, handling included."""
    if stage == "egg":
        return EGG_KILL
    own = KILL[agent][pest].at(strength, minutes)
    odds = own / (1.0 - own) * (JUVENILE_ODDS if stage == "juvenile" else 1.0)
    if agent == PERMANGANATE:
        odds *= math.exp(TIRED * served_per_l)
    return HANDLING_KILL + (1.0 - HANDLING_KILL) * odds / (1.0 + odds)


def removal(agent: str, killed: float) -> float:
    """Return the chance that a pest is off the piece after the dip, dead or alive, given its chance of death."""
    if agent == SHAM:
        return SHAM_REMOVAL
    return killed * DEAD_FALL + (1.0 - killed) * ALIVE_FALL


def shape(response: Flat | LogLogistic) -> dict[str, float | None]:
    """Return a response as plain figures."""
    return asdict(response)
