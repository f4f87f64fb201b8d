"""What survived after a dip: the month's pieces, each agent over the window, and what is not known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from afterdip.answers.period import Period, period_of
from afterdip.answers.survival_models import AdjustedHazards, AgentReadings, adjust_hazards, look_gap, read_agents
from afterdip.estimate import Estimate, cannot_say
from afterdip.log.model import Log
from afterdip.survival import (
    CumulativeIncidence,
    SurvivalCurve,
    cumulative_incidence,
    incidence_at,
    kaplan_meier,
    loss_at,
    loss_over_sham,
    sessions_followed,
    survival_at,
)
from afterdip.tally.survival import SurvivalTally, tally_survival


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
    keys: dict[str, str | bool]
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


@dataclass(frozen=True, slots=True)
class Unknown:
    """What the month's log leaves open: trays never looked at after their dip, and how far the others were followed."""

    trays: int
    trays_never_checked: int
    pieces: int
    pieces_never_checked: int
    sessions: int
    sessions_followed_to_horizon: int

    def to_json(self) -> dict[str, int]:
        """Return the counts by name."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class SurvivalAnswer:
    """The survival page: `month` all pieces first dipped in the month, `window` all of the window's, as the rest is."""

    horizon_days: int
    confidence_level: float
    target_loss: float
    controls: tuple[str, ...]
    dips: int
    redipped_pieces: int
    month: SurvivalCell
    month_sham: SurvivalCell
    window: SurvivalCell
    month_agents: tuple[SurvivalCell, ...]
    agents: tuple[SurvivalCell, ...]
    groups: tuple[SurvivalCell, ...]
    months: tuple[SurvivalCell, ...]
    readings: tuple[AgentReadings, ...]
    adjusted: AdjustedHazards
    unknown: Unknown

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to survival."""
        cells = {name: [c.to_json() for c in getattr(self, name)] for name in ("month_agents", "agents", "groups")}
        return {
            "horizon_days": self.horizon_days,
            "dips": self.dips,
            "redipped_pieces": self.redipped_pieces,
            "month": self.month.to_json(),
            "month_sham": self.month_sham.to_json(),
            "window": self.window.to_json(),
            "months": [c.to_json() for c in self.months],
            "readings": [r.to_json() for r in self.readings],
            "adjusted": self.adjusted.to_json(),
            "unknown": self.unknown.to_json(),
            **cells,
        }


def answer_survival(log: Log, *, month: str, as_of: str, window_months: int = 12) -> SurvivalAnswer:
    """Return survival after dips for the month's pieces and, over the window ending with it, for every agent.

    Pieces belong to the month, agent and session of their first dip and are followed through their re-dips as far as
    the log goes; `as_of` is the day the log was read to. Everything is read at the farm's horizon and confidence level.
    """
    period, tally = period_of(month, window_months=window_months), tally_survival(log)
    horizon, level = log.settings.horizon_days, log.settings.confidence
    dates, control = tally.trays["date"], tally.trays["is_control"].to_numpy(bool)
    inside, within = period.in_month(dates).to_numpy(), period.in_window(dates).to_numpy()
    read = _Reader(tally, horizon, level)
    whole = read.cell("all agents", {}, inside & ~control, sham=inside & control)
    dipped = log.trays.merge(log.sessions[["session", "date"]], on="session")
    dipped = dipped[period.in_month(dipped["date"]).to_numpy()]
    return SurvivalAnswer(
        horizon_days=horizon,
        confidence_level=level,
        target_loss=log.settings.target_loss,
        controls=tuple(sorted(log.agents.loc[log.agents["is_control"], "agent"])),
        dips=int(dipped["session"].nunique()),
        redipped_pieces=int(dipped.loc[dipped["earlier_tray"].notna(), "pieces"].sum()),
        month=whole,
        month_sham=read.cell("sham", {}, inside & control),
        window=read.cell("all agents", {}, within & ~control, sham=within & control),
        month_agents=_by(read, inside, ["agent"]),
        agents=_by(read, within, ["agent"]),
        groups=_by(read, within, ["coral_group", "agent"]),
        months=_by_month(read, within, period),
        readings=read_agents(read.seen(within), horizon_days=horizon, confidence_level=level),
        adjusted=adjust_hazards(read.seen(within), confidence_level=level),
        unknown=_unknown(tally, inside, horizon),
    )


@dataclass(frozen=True, slots=True)
class _Reader:
    """Reads any set of first-dip trays off one tally."""

    tally: SurvivalTally
    horizon: int
    level: float
    shams: dict[bytes, tuple] = field(default_factory=dict)

    def cell(self, label: str, keys: dict, keep: np.ndarray, *, sham: np.ndarray | None = None) -> SurvivalCell:
        """Estimate for the trays kept; `sham` are the trays to compare with, None where these are sham dips."""
        part, seen = self.tally.select(keep), self.seen(keep)
        counts = {"sessions": part.trays["session"].nunique(), "trays": len(part.trays), "pieces": part.pieces}
        if not len(seen.day):
            why = "none of the trays was checked after the dip" if len(part.day) else "no pieces dipped"
            nothing = cannot_say(why, confidence_level=self.level, **counts)
            return SurvivalCell(label, keys, **counts, curve=None, ends=None, **dict.fromkeys(_NAMES, nothing))
        curve, ends, trays = self.curve(seen), self.ends(seen), len(seen.trays)
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
            loss_over_sham=(silent if sham is not None else None) or self.over_sham(curve, trays, sham),
            alive_spread=replace(survival_at(spread, self.horizon), trays=trays),
            loss_over_sham_spread=self.over_sham(spread, trays, sham, spread=True),
            straddling=int(seen.dead[late].sum()),
        )

    def seen(self, keep: np.ndarray) -> SurvivalTally:
        """Return the trays kept that were looked at after their dip: the others are unknown, not alive."""
        return self.tally.select(keep & self.tally.trays["checked"].to_numpy(bool))

    def over_sham(self, curve: SurvivalCurve, trays: int, sham: np.ndarray | None, *, spread: bool = False) -> Estimate:
        """Loss over the sham's, or why there is none."""
        if sham is None:
            return cannot_say("this is the sham", confidence_level=self.level)
        part, gap, curves = self._sham(sham)
        if not len(part.day):
            return cannot_say("no sham dip to compare with", confidence_level=self.level, trays=trays)
        if not spread and gap:
            return cannot_say(f"sham: {gap}", confidence_level=self.level, trays=trays + len(part.trays))
        other = curves[spread]
        return replace(loss_over_sham(curve, other, self.horizon), trays=trays + len(part.trays))

    def _sham(self, keep: np.ndarray) -> tuple[SurvivalTally, str, tuple[SurvivalCurve, ...]]:
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


def _by(read: _Reader, keep: np.ndarray, columns: list[str]) -> tuple[SurvivalCell, ...]:
    """One cell per agent, or coral group and agent, each beside the sham dips of the same corals; sham cells last."""
    trays = read.tally.trays
    control = trays["is_control"].to_numpy(bool)
    cells = []
    for values, part in trays[keep].groupby(columns, sort=True):  # `part` keeps the row numbers of `trays`
        chosen = np.zeros(len(trays), dtype=bool)
        chosen[part.index] = True
        is_control = bool(control[chosen].any())
        like = keep & control
        if "coral_group" in columns:
            like &= (trays["coral_group"] == values[0]).to_numpy()
        keys = dict(zip(columns, values, strict=True)) | {"is_control": is_control}
        cells.append(read.cell(", ".join(values), keys, chosen, sham=None if is_control else like))
    return tuple(sorted(cells, key=lambda c: (c.keys.get("coral_group", ""), c.keys["is_control"], c.keys["agent"])))


def _by_month(read: _Reader, within: np.ndarray, period: Period) -> tuple[SurvivalCell, ...]:
    """One cell per month of the window, all agents together, beside that month's sham dips."""
    month = read.tally.trays["date"].dt.to_period("M").astype(str).to_numpy()
    control = read.tally.trays["is_control"].to_numpy(bool)
    return tuple(
        read.cell(m, {"month": m}, within & ~control & (month == m), sham=within & control & (month == m))
        for m in period.months
    )


def _unknown(tally: SurvivalTally, inside: np.ndarray, horizon: int) -> Unknown:
    """Count what the month's pieces leave open, sham dips included."""
    part = tally.select(inside)
    never = ~part.trays["checked"].to_numpy(bool)
    pieces = np.bincount(part.tray, weights=part.dead + part.left, minlength=len(part.trays)).astype(int)
    followed = 0
    if len(part.day):
        curve = kaplan_meier(part.day, part.dead, part.left, session=part.of_trays("session"))
        followed = sessions_followed(curve.counts, horizon)
    return Unknown(
        trays=len(part.trays),
        trays_never_checked=int(never.sum()),
        pieces=part.pieces,
        pieces_never_checked=int(pieces[never].sum()),
        sessions=int(pd.Series(part.trays["session"]).nunique()),
        sessions_followed_to_horizon=followed,
    )
