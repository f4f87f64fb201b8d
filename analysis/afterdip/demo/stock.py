"""The pieces that come to the dip: corals, lots, condition, and the pests they carry."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from .chance import Chance
from .truth import (
    ACOEL,
    ACOEL_DOUBLING_DAYS,
    FIRST_DAY,
    FLATWORM,
    HATCH_DAYS,
    INFESTED_LOTS,
    INFESTED_PIECES,
    JUVENILE_SHARE,
    NUDIBRANCH,
    PESTS_PER_PIECE,
    ZOANTHID_EATER,
)

CORALS = {
    "sps": ("Acropora green", "Acropora blue", "Acropora tabling", "Acropora bottlebrush", "Acropora yellow tip",
            "Montipora plating", "Montipora branching", "Montipora encrusting", "Pocillopora pink", "Seriatopora",
            "Stylophora"),
    "lps": ("Euphyllia wall", "Euphyllia branching", "Duncanopsammia", "Favites", "Micromussa", "Goniopora",
            "Caulastraea"),
    "soft": ("Sinularia", "Sarcophyton", "Xenia", "Capnella", "Briareum"),
    "zoanthid": ("Zoanthus orange", "Zoanthus green", "Zoanthus mixed", "Palythoa brown"),
    "mushroom": ("Discosoma red", "Discosoma striped", "Rhodactis", "Ricordea"),
}
EATEN_BY = {"Acropora": FLATWORM, "Montipora": NUDIBRANCH, "Zoanthus": ZOANTHID_EATER, "Palythoa": ZOANTHID_EATER}
ACOEL_HOSTS = ("lps", "soft", "mushroom")
SUPPLIERS = tuple(f"supplier-{i}" for i in range(1, 6))
HOST_FIRST = ("Acropora", "Montipora", "Zoanthus", "Palythoa")


@dataclass(frozen=True, slots=True)
class Colony:
    """The live pests of one piece at a moment: `hatch` holds the day each egg hatches, counted from FIRST_DAY."""

    pest: str
    since: float
    adult: int = 0
    juvenile: int = 0
    hatch: tuple[float, ...] = ()

    def at(self, day: float) -> Colony:
        """Return the same pests some days later, left alone: eggs hatch, red acoels split, nothing else."""
        hatched = sum(1 for due in self.hatch if due <= day)
        later = tuple(due for due in self.hatch if due > day)
        growth = 2.0 ** ((day - self.since) / ACOEL_DOUBLING_DAYS) if self.pest == ACOEL else 1.0
        return replace(self, since=day, adult=int(self.adult * growth), juvenile=self.juvenile + hatched, hatch=later)

    def stages(self) -> dict[str, int]:
        """Return the counts by the stages the farm tells apart; red acoels are counted in one."""
        if self.pest == ACOEL:
            return {"any": self.adult}
        return {"adult": self.adult, "juvenile": self.juvenile, "egg": len(self.hatch)}

    def __bool__(self) -> bool:
        return bool(self.adult or self.juvenile or self.hatch)


@dataclass(slots=True)
class Tray:
    """Like pieces in one session; `colonies` and `ends` have one entry a piece, `ends` in days after the dip."""

    coral: str
    group: str
    condition: str
    origin: str
    source: str
    pest: str | None
    colonies: list[Colony]
    arrived: date | None = None
    cut: date | None = None
    key: str = ""
    session: str = ""
    system: str = ""
    earlier: Tray | None = None
    day: int = 0
    watched: bool = True
    in_trial: bool = False
    ends: list[tuple[float, str]] = field(default_factory=list)
    redipped: list[int] = field(default_factory=list)

    def alive(self, day: int) -> list[int]:
        """Return the pieces still alive and in the tray at a day counted from FIRST_DAY."""
        return [i for i, (end, _) in enumerate(self.ends) if end > day - self.day]


def draw_tray(chance: Chance, day: int, group: str, conditions: dict[str, float], pieces: int, *,
              infested: float = INFESTED_LOTS) -> Tray:
    """Return a tray of pieces of one lot about to be dipped on this day, pests and all."""
    coral = chance.pick(CORALS[group])
    if not coral.startswith(HOST_FIRST) and group == "sps":
        coral = chance.pick(CORALS[group])  # the farm grows more of the eaten genera
    pest = EATEN_BY.get(coral.split()[0], ACOEL if group in ACOEL_HOSTS else None)
    today = FIRST_DAY + timedelta(days=day)
    own = chance.yes(0.45)
    tray = Tray(
        coral, group, chance.weighted(conditions), "own cut" if own else "arrival",
        f"mother-{chance.whole(1, 60):03d}" if own else chance.pick(SUPPLIERS), pest, [],
        arrived=None if own else today - timedelta(days=chance.whole(1, 2)),
        cut=today - timedelta(days=chance.whole(0, 1)) if own else None,
    )
    share = chance.between(*INFESTED_PIECES) if pest and chance.yes(infested) else 0.0
    tray.colonies = [_colony(chance, pest or "", day, share) for _ in range(pieces)]
    return tray


def _colony(chance: Chance, pest: str, day: int, share: float) -> Colony:
    if not chance.yes(share):
        return Colony(pest, day)
    count = chance.count(PESTS_PER_PIECE)
    if pest == ACOEL:
        return Colony(pest, day, adult=count)
    young = sum(chance.yes(JUVENILE_SHARE) for _ in range(count))
    eggs = chance.whole(1, 3) if chance.yes(0.5) else 0
    return Colony(pest, day, count - young, young, tuple(day + chance.between(1.0, HATCH_DAYS) for _ in range(eggs)))


def deal(chance: Chance, tray: Tray, arms: int) -> list[Tray]:
    """Return the tray's pieces dealt by lot into equal trays, one for each arm of a trial."""
    order = chance.shuffled(tray.colonies)
    return [replace(tray, colonies=order[arm::arms], ends=[], redipped=[], in_trial=True) for arm in range(arms)]
