"""One set of pieces on the survival page: alive, lost and lost over sham, agent by agent, strength by strength."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from afterdip.answers.period import Period
from afterdip.answers.survival_models import look_gap, no_sham
from afterdip.answers.survival_strengths import Part
from afterdip.estimate import Estimate, cannot_say
from afterdip.survival import (
    MIN_SESSIONS,
    CumulativeIncidence,
    SurvivalCurve,
    cumulative_incidence,
    incidence_at,
    kaplan_meier,
    loss_at,
    loss_over_sham,
    survival_at,
)
from afterdip.tally.seasons import of_same_season
from afterdip.tally.survival import SurvivalTally


@dataclass(frozen=True, slots=True)
class SurvivalCell:
    """Survival of one set of pieces, followed from their first dip; `curve` and `ends` are None without pieces.

    `label` says which pieces, `keys` the same as a dict for results.json; `sessions`, `trays` and `pieces` count all
    that were dipped, each estimate's counts only what was looked at afterwards. `loss` is death by the horizon;
    `detached` came off and was lost. `loss_over_sham` compares with the sham dips of the same corals and period. All of
    these date a death to the look that found it. A look on day 35 that finds deaths says little of day 30, so `_spread`
    holds the same readings with such deaths spread evenly over the days since the look before (see `share_ends`), and
    `straddling` counts them. Where most deaths are such, after a gap too long to place them, `alive`, `loss` and
    `loss_over_sham` cannot be said (see `look_gap`): an empty curve up to a late look is no survival.
    """

    label: str
    keys: dict[str, str | bool | dict | None]
    sessions: int
    trays: int
    pieces: int
    curve: SurvivalCurve | None
    ends: CumulativeIncidence | None
    alive: Estimate
    loss: Estimate
    detached: Estimate
    loss_over_sham: Estimate
    alive_spread: Estimate
    loss_over_sham_spread: Estimate
    straddling: int = 0

    def to_json(self) -> dict:
        """Return the numbers, not the curves."""
        counts = {name: getattr(self, name) for name in ("sessions", "trays", "pieces", "straddling")}
        return self.keys | counts | {name: getattr(self, name).to_json() for name in _NAMES}


_Sham = tuple[SurvivalTally, str, tuple[SurvivalCurve, ...]]


@dataclass(frozen=True, slots=True)
class CellReader:
    """Reads any set of first-dip trays off one tally; `shams` keeps what `_sham` has read, by its trays."""

    tally: SurvivalTally
    horizon: int
    level: float
    shams: dict[bytes, _Sham] = field(default_factory=dict)

    def cell(self, label: str, keys: dict, keep: np.ndarray, *, sham: np.ndarray | None = None) -> SurvivalCell:
        """Estimate for the trays kept; `sham` are the trays to compare with, None where these are sham dips."""
        part, seen = self.tally.select(keep), self.seen(keep)
        counts = {"sessions": part.trays["session"].nunique(), "trays": len(part.trays), "pieces": part.pieces}
        if not len(seen.day):
            why = "none of the trays was checked after the dip" if len(part.day) else "no pieces dipped"
            nothing = cannot_say(why, confidence_level=self.level, **counts)
            return SurvivalCell(label, keys, **counts, curve=None, ends=None, **dict.fromkeys(_NAMES, nothing))
        curve, ends, trays = self.curve(seen), self.ends(seen), len(seen.trays)
        beside = None if sham is None else of_same_season(self.tally.trays, keep, sham)
        gap = look_gap(seen, self.horizon)
        silent = cannot_say(gap, confidence_level=self.level, trays=trays, pieces=seen.pieces) if gap else None
        spread, late = self.curve(seen.told_at(self.horizon)), (seen.since < self.horizon) & (seen.day > self.horizon)
        return SurvivalCell(
            label,
            keys,
            **counts,
            curve=curve,
            ends=ends,
            alive=silent or replace(survival_at(curve, self.horizon), trays=trays),
            loss=silent or replace(loss_at(curve, self.horizon), trays=trays),
            detached=replace(incidence_at(ends, "detached", self.horizon), trays=trays),
            loss_over_sham=(silent if sham is not None else None) or self.over_sham(curve, keep, beside),
            alive_spread=replace(survival_at(spread, self.horizon), trays=trays),
            loss_over_sham_spread=self.over_sham(spread, keep, beside, spread=True),
            straddling=int(seen.dead[late].sum()),
        )

    def seen(self, keep: np.ndarray) -> SurvivalTally:
        """Return the trays kept that were looked at after their dip: the others are unknown, not alive."""
        return self.tally.select(keep & self.tally.trays["checked"].to_numpy(bool))

    def over_sham(
        self, curve: SurvivalCurve, keep: np.ndarray, beside: tuple[np.ndarray, np.ndarray] | None, *,
        spread: bool = False,
    ) -> Estimate:  # fmt: skip
        """Loss over the sham's, or why there is none; `curve` is that of all trays kept.

        `beside`: which of them and which sham dips, both of the same season; None where these are sham dips.
        """
        if beside is None:
            return cannot_say("this is the sham", confidence_level=self.level)
        own, sham = beside
        seen, (part, gap, curves) = self.seen(own), self._sham(sham)
        trays = len(seen.trays)
        if not len(part.day) or not len(seen.day):
            return cannot_say(no_sham(own), confidence_level=self.level, trays=trays)
        if not spread and gap:
            return cannot_say(f"sham: {gap}", confidence_level=self.level, trays=trays + len(part.trays))
        if (own != keep).any():
            curve = self.curve(seen.told_at(self.horizon) if spread else seen)
        return replace(loss_over_sham(curve, curves[spread], self.horizon), trays=trays + len(part.trays))

    def _sham(self, keep: np.ndarray) -> _Sham:
        """Return the sham trays seen, the gap in their looks, and their curves as written and spread.

        Kept, because one set of sham dips stands beside many cells.
        """
        key = keep.tobytes()
        if key not in self.shams:
            part = self.seen(keep)
            some = len(part.day) > 0
            curves = (self.curve(part), self.curve(part.told_at(self.horizon))) if some else ()
            self.shams[key] = part, look_gap(part, self.horizon) if some else "", curves
        return self.shams[key]

    def curve(self, part: SurvivalTally) -> SurvivalCurve:
        """Death, other ends censored; the first dip's session is the unit."""
        return kaplan_meier(
            part.day, part.dead, part.left, session=part.of_trays("session"), confidence_level=self.level
        )

    def ends(self, part: SurvivalTally) -> CumulativeIncidence:
        """Dead and detached as competing ends."""
        return cumulative_incidence(
            part.day,
            np.column_stack([part.dead, part.detached]),
            part.removed + part.alive,
            session=part.of_trays("session"),
            confidence_level=self.level,
        )


_NAMES = ("alive", "loss", "detached", "loss_over_sham", "alive_spread", "loss_over_sham_spread")


def cells_by(read: CellReader, keep: np.ndarray, columns: list[str]) -> tuple[SurvivalCell, ...]:
    """Return a cell per agent, or coral group and agent, beside the sham dips of the same corals; sham cells last."""
    trays = read.tally.trays
    cells = []
    for values, part in trays[keep].groupby(columns, sort=True):  # `part` keeps the row numbers of `trays`
        chosen = np.zeros(len(trays), dtype=bool)
        chosen[part.index] = True
        is_control = bool(trays["is_control"].to_numpy(bool)[chosen].any())
        keys = dict(zip(columns, values, strict=True)) | {"is_control": is_control}
        like = None if is_control else _like(read, keep, keys)
        cells.append(read.cell(", ".join(values), keys, chosen, sham=like))
    return tuple(sorted(cells, key=lambda c: (c.keys.get("coral_group", ""), c.keys["is_control"], c.keys["agent"])))


def cells_by_strength(
    read: CellReader, keep: np.ndarray, parts: tuple[Part, ...], *, by_group: bool = False
) -> tuple[SurvivalCell, ...]:
    """Return a cell per part of an agent, or per coral group and part, beside the sham dips that the agent's has.

    Without those of fewer than MIN_SESSIONS sessions, of which nothing can be said.
    """
    trays, cells = read.tally.trays, []
    for group in sorted(trays.loc[keep, "coral_group"].unique()) if by_group else [""]:
        where = {"coral_group": group} if by_group else {}
        for part in parts:
            keys = where | part.to_json() | {"is_control": False}
            chosen = keep & trays["session"].isin(part.sessions).to_numpy()
            if by_group:
                chosen &= (trays["coral_group"] == group).to_numpy()
            if trays.loc[chosen, "session"].nunique() >= MIN_SESSIONS:
                label = ", ".join([*where.values(), part.name])
                cells.append(read.cell(label, keys, chosen, sham=_like(read, keep, keys)))
    return tuple(cells)


def _like(read: CellReader, keep: np.ndarray, keys: dict) -> np.ndarray:
    """Return which of the trays kept are sham dips to compare with: of the same coral group, where it is of one."""
    trays = read.tally.trays
    like = keep & trays["is_control"].to_numpy(bool)
    return like & (trays["coral_group"] == keys["coral_group"]).to_numpy() if "coral_group" in keys else like


def cells_by_month(read: CellReader, within: np.ndarray, period: Period) -> tuple[SurvivalCell, ...]:
    """Return a cell per month of the window, all agents together, beside that month's sham dips."""
    month = read.tally.trays["date"].dt.to_period("M").astype(str).to_numpy()
    control = read.tally.trays["is_control"].to_numpy(bool)
    return tuple(
        read.cell(m, {"month": m}, within & ~control & (month == m), sham=within & control & (month == m))
        for m in period.months
    )
