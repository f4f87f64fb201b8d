"""What survived after a dip: the month's pieces, each agent over the window, and what is not known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.period import period_of
from afterdip.answers.survival_cells import CellReader, SurvivalCell, cells_by, cells_by_month, cells_by_strength
from afterdip.answers.survival_models import AdjustedHazards, AgentReadings, adjust_hazards, read_agents
from afterdip.answers.survival_strengths import parts_of
from afterdip.log.model import Log
from afterdip.survival import kaplan_meier, sessions_followed
from afterdip.tally.survival import SurvivalTally, tally_survival


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
    """The survival page: `month` all pieces first dipped in the month, `window` all of the window's, as the rest is.

    `strengths` and `group_strengths` split those of `agents` and `groups` whose strengths are judged apart.
    """

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
    strengths: tuple[SurvivalCell, ...]
    group_strengths: tuple[SurvivalCell, ...]
    months: tuple[SurvivalCell, ...]
    readings: tuple[AgentReadings, ...]
    adjusted: AdjustedHazards
    unknown: Unknown

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to survival."""
        cells = {name: [c.to_json() for c in getattr(self, name)] for name in _CELLS}
        return {
            "horizon_days": self.horizon_days,
            "dips": self.dips,
            "redipped_pieces": self.redipped_pieces,
            "month": self.month.to_json(),
            "month_sham": self.month_sham.to_json(),
            "window": self.window.to_json(),
            "readings": [r.to_json() for r in self.readings],
            "adjusted": self.adjusted.to_json(),
            "unknown": self.unknown.to_json(),
            **cells,
        }


_CELLS = ("month_agents", "agents", "groups", "strengths", "group_strengths", "months")


def answer_survival(log: Log, *, month: str, as_of: str, window_months: int = 12) -> SurvivalAnswer:
    """Return survival after dips for the month's pieces and, over the window ending with it, for every agent.

    Pieces belong to the month, agent and session of their first dip and are followed through their re-dips as far as
    the log goes; `as_of` is the day the log was read to. Everything is read at the farm's horizon and confidence level.
    """
    period, tally = period_of(month, window_months=window_months), tally_survival(log)
    horizon, level = log.settings.horizon_days, log.settings.confidence
    tally = tally.select(period.in_window(tally.trays["date"]).to_numpy())  # the month is the last of the window
    control, inside = tally.trays["is_control"].to_numpy(bool), period.in_month(tally.trays["date"]).to_numpy()
    within = np.ones(len(tally.trays), dtype=bool)
    read = CellReader(tally, horizon, level)
    whole = read.cell("all agents", {}, inside & ~control, sham=inside & control)
    dipped = log.trays[["session", "earlier_tray", "pieces"]].merge(log.sessions[["session", "date"]], on="session")
    dipped = dipped[period.in_month(dipped["date"]).to_numpy()]
    parts = parts_of(log.sessions[period.in_window(log.sessions["date"])], set(log.agents["agent"]))
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
        month_agents=cells_by(read, inside, ["agent"]),
        agents=cells_by(read, within, ["agent"]),
        groups=cells_by(read, within, ["coral_group", "agent"]),
        strengths=cells_by_strength(read, within, parts),
        group_strengths=cells_by_strength(read, within, parts, by_group=True),
        months=cells_by_month(read, within, period),
        readings=read_agents(read.seen(within), horizon_days=horizon, confidence_level=level),
        adjusted=adjust_hazards(read.seen(within), confidence_level=level),
        unknown=_unknown(tally, inside, horizon),
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
