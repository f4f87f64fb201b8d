"""What the farm writes down after each dip: pest counts, and the checks of every tray."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

from .chance import Chance
from .dip import Found
from .stock import Tray
from .truth import ACOEL, AS_OF, FIRST_DAY, SEEN

CHECK_DAYS = ((1, 1), (3, 4), (6, 8), (13, 15), (20, 23), (29, 33), (43, 48))  # earliest and latest day of each round
CHECK_MISSED = 0.04
LATE_FIRST_CHECK = 0.02  # trays first looked at in the second week only
LEAVING = CHECK_DAYS[-1][0]  # what is alive at a tray's last round leaves the farm that day
LAST_DAY = (AS_OF - FIRST_DAY).days
STAGES = ("adult", "juvenile", "egg")


def iso(day: int) -> str:
    """Return the date of a day counted from FIRST_DAY."""
    return (FIRST_DAY + timedelta(days=day)).isoformat()


def stages_of(tray: Tray) -> tuple[str, ...]:
    """Return the stages the farm counts for the tray's pest."""
    return ("any",) if tray.pest == ACOEL else STAGES


def _row(tray: Tray, stage: str, moment: str, day: int, examined: int, alive: int, dead: int,
         infested: int | str) -> dict[str, str]:
    values = (tray.key, tray.pest, stage, moment, iso(day), examined, alive, dead, infested)
    names = ("tray", "pest", "stage", "moment", "counted", "examined", "alive", "dead", "infested")
    return dict(zip(names, map(str, values), strict=True))


def _seen_on(chance: Chance, tray: Tray, pieces: list[int], day: int) -> tuple[Counter, Counter]:
    """Return live pests seen and pieces seen infested, by stage; a few are overlooked."""
    pests, infested = Counter(), Counter()
    for i in pieces:
        for stage, number in tray.colonies[i].at(day).stages().items():
            seen = sum(chance.yes(SEEN[stage]) for _ in range(number))
            pests[stage] += seen
            infested[stage] += seen > 0
    return pests, infested


def pests_before(chance: Chance, tray: Tray) -> list[dict[str, str]]:
    """Return the counts on the pieces before the dip; every stage looked for has a row, zeros too."""
    seen, infested = _seen_on(chance, tray, list(range(len(tray.colonies))), tray.day)
    return [_row(tray, stage, "before", tray.day, len(tray.colonies), seen[stage], 0, infested[stage])
            for stage in stages_of(tray)]


def pests_after(chance: Chance, tray: Tray, found: Found) -> list[dict[str, str]]:
    """Return the counts in the bath, in the rinse and still on the pieces; eggs do not fall."""
    rows, pieces = [], len(tray.colonies)
    for moment in ("bath", "rinse", "on piece"):
        for stage in stages_of(tray):
            if stage == "egg" and moment != "on piece":
                continue
            alive, dead = (found.pests[moment, stage, fate] for fate in ("alive", "dead"))
            infested = found.infested[stage] if moment == "on piece" and chance.yes(0.9) else ""
            rows.append(_row(tray, stage, moment, tray.day, pieces, alive, dead, infested))
    return rows


def _rounds(chance: Chance, tray: Tray) -> list[int]:
    """Return the days of the tray's checks, counted from FIRST_DAY; re-dips always come with one."""
    late = chance.yes(LATE_FIRST_CHECK)
    days = {tray.day + chance.whole(low, high) for low, high in CHECK_DAYS if not chance.yes(CHECK_MISSED)
            and not (late and high < 13)}
    if late:
        days.add(tray.day + chance.whole(9, 12))
    return sorted(day for day in days | set(tray.redipped) if day <= LAST_DAY) if tray.watched else []


def follow_up(chance: Chance, tray: Tray) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    """Return the tray's rows of checks, and the pest counts made at some of them."""
    checks, pests, previous = [], [], 0
    looks = tray.pest is not None and (any(tray.colonies) or tray.origin == "re-dip" or chance.yes(0.25))
    for day in _rounds(chance, tray):
        since = Counter(fate for end, fate in tray.ends if previous < end <= day - tray.day)
        pieces = tray.alive(day)
        receding = str(sum(chance.yes(0.04) for _ in pieces)) if chance.yes(0.8) else ""
        if day - tray.day >= LEAVING:
            since["removed"] += len(pieces)
            pieces, receding = [], ""
        checks.append({
            "tray": tray.key, "checked": iso(day), "alive": str(len(pieces)),
            **{fate: str(since[fate]) for fate in ("dead", "detached", "removed")},
            "receding": receding, "checker": chance.pick(("A", "B", "C")),
        })
        if looks and pieces and 6 <= day - tray.day <= 33 and chance.yes(0.75):
            pests += _later(chance, tray, pieces, day)
        if not pieces:
            break
        previous = day - tray.day
    return checks, pests


def _later(chance: Chance, tray: Tray, pieces: list[int], day: int) -> list[dict[str, str]]:
    looked_at = pieces if chance.yes(0.7) else sorted(chance.shuffled(pieces)[: max(1, len(pieces) // 2)])
    seen, infested = _seen_on(chance, tray, looked_at, day)
    return [_row(tray, stage, "later", day, len(looked_at), seen[stage], 0, infested[stage])
            for stage in stages_of(tray)]
