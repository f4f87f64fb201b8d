"""How sure we can be of a lot in hand, pest by pest: release it, or hold it and why; never "clean"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from afterdip.answers.period import date_of, day_of
from afterdip.answers.release_looks import TrayState, tray_state
from afterdip.answers.tray_history import TrayHistory
from afterdip.answers.words import counted, percent
from afterdip.estimate import Estimate, cannot_say
from afterdip.follow_up import (
    Freedom,
    LifeCycle,
    TrayLooks,
    days_until_hatched,
    lot_freedom,
    probability_below,
    share_seen,
)
from afterdip.log.model import Settings
from afterdip.tally.follow_up import LotTally

PRIOR = 0.5  # before anyone looked, a lot is as likely infested at the design value as free of the pest
CAUSES = ("sure enough", "looks", "too early", "sensitivity", "series", "living pests", "unknown", "never examined")
_READABLE = CAUSES[:4]  # where the looks, or what is missing of them, can be put in numbers


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """The chance that a look shows an infested piece: the one used, where it is from, and the farm's own estimate.

    `used` is None where neither the setting nor enough pests counted twice can tell; `source` is setting, counted
    twice (the lower limit is used) or unknown.
    """

    pest: str
    used: float | None
    source: str
    estimated: Estimate

    def to_json(self) -> dict:
        """Return every field."""
        plain = {name: getattr(self, name) for name in ("pest", "used", "source")}
        return plain | {"estimated": self.estimated.to_json()}


@dataclass(frozen=True, slots=True)
class Release:
    """One lot in hand and one pest (`pest` is empty where its corals were never examined for any).

    `pieces`, `trays`: in hand, of corals the pest is looked for on; `found`: pests ever found in the lot;
    `counts_from`: the day from which on no egg can be left, so that looks count, and `days_since_hatch` the days since
    (below 0: to go); `looks`, `examined`: looks that count and pieces looked at in them, a look at a tray being one.
    `confidence`: that fewer than `design_infested` pieces are infested; `probability`: the same as a probability, at
    prior PRIOR; `share`: the infested share is below its `high`, `ruled_out` the same in pieces; `if_perfect`:
    the share if a look overlooked nothing. `decision` is release or hold, `cause` one of CAUSES, `reason` the same in
    a sentence.
    """

    lot: str
    pest: str
    trays: int
    pieces: int
    found: int
    counts_from: int | None
    days_since_hatch: int | None
    looks: int
    examined: int
    last_look: int | None
    design_infested: int | None
    confidence: Estimate
    probability: Estimate
    share: Estimate
    if_perfect: Estimate
    ruled_out: int | None
    further_looks: int | None
    further_pieces: int | None
    decision: str
    cause: str
    reason: str

    def to_json(self) -> dict:
        """Return keys, dates and estimates."""
        dates = {name: date_of(getattr(self, name)) for name in ("counts_from", "last_look")}
        estimates = ("confidence", "probability", "share", "if_perfect")
        plain = {name: getattr(self, name) for name in self.__slots__ if name not in (*dates, *estimates)}
        return plain | dates | {name: getattr(self, name).to_json() for name in estimates}


def sensitivities(
    twice: pd.DataFrame, pests: Sequence[str], settings: Settings
) -> dict[str, Sensitivity]:
    """Return each pest's sensitivity: the farm's setting, else the lower limit of the share seen before dips."""
    out = {}
    for pest in pests:
        rows = twice[twice["pest"] == pest]
        counts = (rows[name] for name in ("seen", "found"))
        estimated = share_seen(*counts, session=rows["session"], confidence_level=settings.confidence)
        used, source = settings.inspection_sensitivity, "setting"
        if used is None:
            used, source = (estimated.low or None) if estimated.known else None, "counted twice"
        out[pest] = Sensitivity(pest, used, source if used is not None else "unknown", estimated)
    return out


def answer_releases(
    tally: LotTally, history: TrayHistory, lives: dict[str, LifeCycle], eyes: dict[str, Sensitivity],
    settings: Settings, *, as_of: str,
) -> tuple[Release, ...]:  # fmt: skip
    """Return one row a lot in hand and pest that its corals are looked for, those nearest to a release first.

    A pest is looked for on a coral if it was ever counted on a coral of that name, zeros too.
    """
    today = day_of(as_of)
    found = {(row.lot, row.pest): int(row.found) for row in tally.found.itertuples(index=False)}
    hosts = tally.hosts.groupby("coral")["pest"].agg(list).to_dict()
    rows, exposed = [], {}
    for tray in tally.trays.itertuples(index=False):
        for pest in hosts.get(tray.coral, [""]):
            exposed.setdefault((str(tray.lot), pest), []).append(tray)
    for (lot, pest), same in exposed.items():
        pests = found.get((lot, pest), 0)
        asked = {"found": pests > 0, "as_of": today}
        read = [tray_state(history, tray, pest, lives[pest], **asked) for tray in same] if pest else []
        base = _counts(lot, pest, pests, same, read, today)
        rows.append(_row(base, same, read, lives.get(pest), eyes.get(pest), settings, today))
    return tuple(sorted(rows, key=_nearest))


def lots_released(rows: Sequence[Release]) -> tuple[str, ...]:
    """Return the lots of which no row says hold."""
    held = {row.lot for row in rows if row.decision == "hold"}
    return tuple(dict.fromkeys(row.lot for row in rows if row.lot not in held))


def _nearest(row: Release) -> tuple:
    missing = row.further_pieces if row.further_pieces is not None else 10**9
    return CAUSES.index(row.cause), missing, row.counts_from or 10**9, row.lot, row.pest


def _counts(lot: str, pest: str, found: int, trays: list, states: list[TrayState], today: int) -> dict:
    """What a row counts, whatever is decided."""
    starts = [state.counts_from for state in states]
    counts_from = None if not starts or None in starts else max(starts)
    return {
        "lot": lot,
        "pest": pest,
        "trays": len(trays),
        "pieces": sum(int(tray.pieces) for tray in trays),
        "found": found,
        "counts_from": counts_from,
        "days_since_hatch": None if counts_from is None else today - counts_from,
        "looks": sum(len(state.counting) for state in states),
        "examined": sum(sum(state.counting) for state in states),
        "last_look": max((state.last_look for state in states if state.last_look is not None), default=None),
    }


def _row(
    base: dict, trays: list, states: list[TrayState], life: LifeCycle | None, eyes: Sensitivity | None,
    settings: Settings, today: int,
) -> Release:  # fmt: skip
    """Decide: the first reason to hold that applies, else what the looks that count say."""
    cause, reason = _hold(base, states, life, today)
    asked = {"prevalence": settings.design_prevalence, "confidence_level": settings.confidence}
    freedom = perfect = None
    if cause in _READABLE:
        looks = [TrayLooks(int(tray.pieces), state.counting) for tray, state in zip(trays, states, strict=True)]
        perfect = lot_freedom(looks, sensitivity=1.0, **asked)
        if eyes.used is not None:
            freedom = lot_freedom(looks, sensitivity=eyes.used, **asked)
        if cause == "looks":
            unseen = sum(not state.counting for state in states)
            cause, reason = _weigh(freedom, perfect, settings, unseen if len(states) > 1 else 0)
    silent = cannot_say(
        f"held: {cause}", confidence_level=settings.confidence, pieces=base["examined"], trays=base["trays"]
    )
    return Release(
        **base,
        design_infested=perfect.design_infested if perfect else None,
        confidence=freedom.confidence if freedom else silent,
        probability=_probability(freedom) if freedom else silent,
        share=freedom.share if freedom else silent,
        if_perfect=perfect.share if perfect else silent,
        ruled_out=freedom.ruled_out if freedom else None,
        further_looks=freedom.further_looks if freedom else None,
        further_pieces=freedom.further_pieces if freedom else None,
        decision="release" if cause == "sure enough" else "hold",
        cause=cause,
        reason=reason,
    )


def _hold(base: dict, states: list[TrayState], life: LifeCycle | None, today: int) -> tuple[str, str]:
    """Return the first cause to hold, with its sentence; "looks" if only the looks themselves can say."""
    pest = base["pest"]
    if life is None:
        return "never examined", "no pest was ever counted on these corals, and not counted is not zero"
    if alive := [state.alive_since for state in states if state.alive_since is not None]:
        return "living pests", f"living pests were seen on {date_of(max(alive))}, after the last dip"
    if base["last_look"] is None:
        return "never examined", f"never looked over for {pest}, young ones included, and not counted is not zero"
    if days_until_hatched(life) is None:
        return "unknown", life.reason
    if not all(state.complete for state in states):
        return "series", "the series of dips against hatching eggs is not finished"
    if base["counts_from"] > today:
        return "too early", f"eggs may be left: looks count from {date_of(base['counts_from'])} on"
    return "looks", ""


def _weigh(freedom: Freedom | None, perfect: Freedom, settings: Settings, unseen: int) -> tuple[str, str]:
    """Say what the looks that count show, or what is missing; `unseen`: trays of several without such a look."""
    design = f"{perfect.design_infested} or more of {perfect.pieces} pieces"
    if freedom is None:
        few = f"fewer than {perfect.ruled_out}" if perfect.ruled_out < perfect.pieces else f"up to {perfect.pieces}"
        at_best = f"at 100 % it would be {few} of {perfect.pieces} pieces"
        return "sensitivity", f"what share of infested pieces a look shows is not known: enter it; {at_best}"
    if freedom.further_looks == 0:
        often = f"in {percent(settings.confidence)} of cases"
        sure = f"had {design} been infested, these looks would have shown one {often}"
        return "sure enough", f"{sure} or more; they showed none"
    if freedom.further_looks is None:
        return "looks", f"looking alone cannot rule out that {design} are infested: a look misses too much"
    looks = counted(freedom.further_looks, "more look")
    trays = f" ({unseen} of its trays not looked at since the last hatch)" if unseen else ""
    needed = f"{looks}, {freedom.further_pieces} pieces in all, without a find"
    return "looks", f"{design} may still be infested{trays}: needs {needed}"


def _probability(freedom: Freedom) -> Estimate:
    """The confidence as a probability that the lot is below the design value."""
    value = probability_below(freedom.confidence.estimate, prior=PRIOR)
    return replace(freedom.confidence, estimate=value, method=f"{freedom.confidence.method}; prior {PRIOR:g}")
