"""What else a grower weighs beside kill and loss: rinses, clarity, signal word, minutes, hours and cost."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.answers.comparison_arms import Arm, Strengths
from afterdip.answers.comparison_reader import Scope
from afterdip.answers.labour_cost import CostReader
from afterdip.answers.removal import SAME_STRENGTH
from afterdip.estimate import Estimate, cannot_say
from afterdip.log.model import Log

_HOURS_PER_THOUSAND = 1000 / 60  # of person-minutes per piece


@dataclass(frozen=True, slots=True)
class Handling:
    """The handling of one agent, or of one at one strength; text is empty and numbers None where the log says nothing.

    `name` is the arm's; `elsewhere` counts the agent's sessions that are not the arm's, at other or unknown strengths.
    `strengths`: a range an axis, the one of most sessions first, none of a sham or where the log cannot say; `minutes`,
    `minutes_least`, `minutes_most`: exposure, median and range over sessions; `rinses_done`: median.
    """

    name: str
    agent: str
    elsewhere: int
    active: str
    sessions: int
    strengths: tuple[Strengths, ...]
    minutes: float | None
    minutes_least: float | None
    minutes_most: float | None
    rinses_needed: int | None
    rinses_done: float | None
    clarity: str
    signal_word: str
    basis: str
    separates: bool | None
    not_for: str
    hours_per_thousand: Estimate
    cost_per_clean_piece: Estimate

    @property
    def varied(self) -> bool:
        """Whether several strengths, further apart than measuring can tell, are taken together here."""
        return len(self.strengths) > 1 or any(s.most > SAME_STRENGTH * s.least for s in self.strengths)

    def to_json(self) -> dict:
        """Return the row by name."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        numbers = ("hours_per_thousand", "cost_per_clean_piece")
        plain["strengths"] = [found.to_json() for found in self.strengths]
        return plain | {name: getattr(self, name).to_json() for name in numbers}


def handling_of(log: Log, scope: Scope, arms: tuple[Arm, ...]) -> tuple[Handling, ...]:
    """Return one row per arm, in the order given, over its sessions."""
    costs = CostReader.of(log)
    return tuple(_row(log, scope, costs, arm) for arm in arms)


def _row(log: Log, scope: Scope, costs: CostReader, arm: Arm) -> Handling:
    about = log.agents[log.agents["agent"] == arm.agent].iloc[0]
    all_of_agent = scope.sessions(log)
    all_of_agent = all_of_agent[all_of_agent["agent"] == arm.agent]
    sessions = all_of_agent[all_of_agent["session"].isin(arm.sessions)]
    minutes = sessions["exposure_min"].dropna()
    trays = costs.survival.trays
    keep = scope.holds(trays) & trays["session"].isin(arm.sessions).to_numpy()
    hours, cost = _hours_and_cost(costs, arm, keep, log.settings.confidence)
    return Handling(
        name=arm.name,
        agent=arm.agent,
        elsewhere=len(all_of_agent) - len(sessions),
        active=_text(about["active"]),
        sessions=len(sessions),
        strengths=_strengths(sessions),
        minutes=_number(minutes.median()),
        minutes_least=_number(minutes.min()),
        minutes_most=_number(minutes.max()),
        rinses_needed=None if pd.isna(about["rinses_needed"]) else int(about["rinses_needed"]),
        rinses_done=_number(sessions["rinses"].dropna().astype(float).median()),
        clarity=_text(about["clarity"]),
        signal_word=_text(about["signal_word"]),
        basis=_text(about["basis"]),
        separates=None if pd.isna(about["separates"]) else bool(about["separates"]),
        not_for=_text(about["not_for"]),
        hours_per_thousand=hours,
        cost_per_clean_piece=cost,
    )


def _strengths(sessions: pd.DataFrame) -> tuple[Strengths, ...]:
    """Return the range on every axis; strengths of different axes cannot be put on one."""
    used = sessions[sessions["strength"].notna() & ~sessions["is_control"]]
    found = [Strengths.of(on_axis) for _, on_axis in used.groupby("strength_unit")]
    return tuple(sorted(found, key=lambda s: (-s.sessions, s.unit)))


def _hours_and_cost(costs: CostReader, arm: Arm, keep: np.ndarray, level: float) -> tuple[Estimate, Estimate]:
    """Return hours per thousand pieces at their first dip, and cost per clean surviving piece."""
    if not keep.any():
        none = cannot_say("no session in this period", confidence_level=level)
        return none, none
    cell = costs.cell(arm.name, {"agent": arm.agent}, keep)
    per_piece = cell.inputs.person_min
    if per_piece.estimate is None:
        return per_piece, cell.cost.per_clean_survivor
    scaled = {
        name: None if getattr(per_piece, name) is None else getattr(per_piece, name) * _HOURS_PER_THOUSAND
        for name in ("estimate", "low", "high")
    }
    return replace(per_piece, **scaled), cell.cost.per_clean_survivor


def _text(value: object) -> str:
    return "" if pd.isna(value) else str(value)


def _number(value: object) -> float | None:
    return None if pd.isna(value) else float(value)
