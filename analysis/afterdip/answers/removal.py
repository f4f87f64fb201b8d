"""What the dips removed and killed: by agent, pest and stage, by strength, by coral group, and month by month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.period import period_of
from afterdip.answers.removal_cell import RemovalCell, removal_cell
from afterdip.answers.removal_shares import SharesCell, shares_cell
from afterdip.log.model import Log
from afterdip.removal import WHO
from afterdip.tally.removal import GLUED, PestTally, tally_pests

KIND = ["pest", "stage"]
SAME_STRENGTH = 1.15  # strengths up to 15 % above the lowest of their group count as one: measuring is no better


@dataclass(frozen=True, slots=True)
class RemovalAnswer:
    """The removal page.

    Over the window: `cells` agent x pest x stage, `pests` all agents by pest and stage, `by_strength` agent x pest x
    stage x strength for agents used at more than one, `agents`, `groups` coral group x agent, `months`. In the month:
    `month_cells` agent x pest x stage, `month_agents`, `month_all`; `counted` of `dips` sessions had a pest count. The
    sham stands last. `agents`, `groups`, `months` and those of the month add up every stage that can fall off; all
    others keep pests and stages apart.
    """

    month: str
    confidence_level: float
    target_kill: float
    control_rule: str
    controls: tuple[str, ...]
    dips: int
    counted: int
    month_all: SharesCell
    month_agents: tuple[SharesCell, ...]
    agents: tuple[SharesCell, ...]
    months: tuple[SharesCell, ...]
    groups: tuple[SharesCell, ...]
    pests: tuple[RemovalCell, ...]
    cells: tuple[RemovalCell, ...]
    month_cells: tuple[SharesCell, ...]
    by_strength: tuple[SharesCell, ...]

    @property
    def shares(self) -> tuple[SharesCell, ...]:
        """Removed and killed of every full cell."""
        return tuple(cell.shares for cell in self.cells)

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to pest removal."""
        plain = {name: getattr(self, name) for name in ("target_kill", "control_rule", "dips", "counted")}
        lists = ("months", "agents", "month_agents", "groups", "pests", "cells", "month_cells", "by_strength")
        parts = {name: [cell.to_json() for cell in getattr(self, name)] for name in lists}
        return plain | {"month": self.month_all.to_json()} | parts


def answer_removal(log: Log, *, month: str, as_of: str, window_months: int = 12) -> RemovalAnswer:
    """Return what the dips of the month and of the window removed and killed, each beside the sham's.

    A dip belongs to the month it was made in; later looks count as far as the log goes, `as_of` being the day it was
    read to. The session is the unit; a re-dip is a dip of its own, on pests that were there by then.
    """
    period, level = period_of(month, window_months=window_months), log.settings.confidence
    window = tally_pests(log, since=period.start, until=period.end)
    dips = window.dips
    in_month = period.in_month(dips["date"])
    free = dips[~dips["stage"].isin(GLUED)]
    return RemovalAnswer(
        month=month,
        confidence_level=level,
        target_kill=log.settings.target_kill,
        control_rule=WHO.name,
        controls=tuple(sorted(log.agents.loc[log.agents["is_control"], "agent"])),
        dips=int(period.in_month(log.sessions["date"]).sum()),
        counted=int(dips.loc[in_month, "session"].nunique()),
        month_all=_all_agents({}, free[period.in_month(free["date"])], level),
        month_agents=_agents(free[period.in_month(free["date"])], level),
        agents=_agents(free, level),
        months=tuple(
            _all_agents({"month": name}, free[free["date"].dt.strftime("%Y-%m") == name], level)
            for name in period.months
        ),
        groups=_groups(free, level),
        pests=_pests(window, level),
        cells=_cells(window, level),
        month_cells=_light_cells(dips[in_month], level),
        by_strength=_by_strength(dips, level),
    )


def _cells(window: PestTally, level: float) -> tuple[RemovalCell, ...]:
    """One full cell an agent, pest and stage of which there is any count; the sham's own come last."""
    looks = dict(list(window.looks.groupby([*KIND, "agent"])))
    cells = []
    for names, same in window.dips.groupby(KIND):
        sham = same[same["is_control"]]
        for agent, dips in same.groupby("agent"):
            seen = looks.get((*names, agent), window.looks.iloc[:0])
            cells.append(removal_cell(_keys(dips), PestTally(dips, seen), sham, confidence_level=level))
    return tuple(sorted(cells, key=lambda cell: cell.shares.keys["is_control"]))


def _pests(window: PestTally, level: float) -> tuple[RemovalCell, ...]:
    """One full cell a pest and stage, all agents together beside the sham: what became of the farm's pests."""
    looks = dict(list(window.looks[~window.looks["is_control"].astype(bool)].groupby(KIND)))
    cells = []
    for names, same in window.dips.groupby(KIND):
        dips, sham = same[~same["is_control"]], same[same["is_control"]]
        keys = dict(zip(KIND, map(str, names), strict=True)) | {"agent": "all agents", "is_control": False}
        seen = looks.get(names, window.looks.iloc[:0])
        cells.append(removal_cell(keys, PestTally(dips, seen), sham, confidence_level=level))
    return tuple(cells)


def _agents(free: pd.DataFrame, level: float) -> tuple[SharesCell, ...]:
    """Every pest together by agent, the sham last."""
    sham = free[free["is_control"]]
    cells = [
        shares_cell({"agent": str(agent), "is_control": bool(control)}, part, sham, confidence_level=level)
        for (control, agent), part in free.groupby(["is_control", "agent"])
    ]
    return tuple(cells)


def _light_cells(dips: pd.DataFrame, level: float) -> tuple[SharesCell, ...]:
    """Shares by agent, pest and stage, the sham's own last."""
    cells = []
    for _, same in dips.groupby(KIND):
        sham = same[same["is_control"]]
        cells += [shares_cell(_keys(part), part, sham, confidence_level=level) for _, part in same.groupby("agent")]
    return tuple(sorted(cells, key=lambda cell: cell.keys["is_control"]))


def _by_strength(dips: pd.DataFrame, level: float) -> tuple[SharesCell, ...]:
    """Shares of the agents that were used at more than one strength, a strength group at a time, weakest first."""
    dips = dips.assign(group=_strength_groups(dips))
    several = ~dips["is_control"] & (dips.groupby("agent")["group"].transform("nunique") > 1)
    shams = dict(list(dips[dips["is_control"]].groupby(KIND)))
    cells = []
    for (_, *names, _), part in dips[several].groupby(["agent", *KIND, "group"]):
        sham = shams.get(tuple(names), dips.iloc[:0])
        cells.append(shares_cell(_keys(part), part, sham, confidence_level=level))
    return tuple(cells)


def _strength_groups(dips: pd.DataFrame) -> pd.Series:
    """Number the strengths of each agent and unit from the weakest, 0 where the strength is not known.

    A group holds what is within 15 % of its weakest, so the numbers depend on ratios only, not on the unit.
    """
    numbers = pd.Series(0, index=dips.index)
    known = dips[dips["strength"].notna()]
    for start, (_, part) in enumerate(known.groupby(["agent", "strength_unit"])):
        edges: list[float] = []
        for value in np.sort(part["strength"].unique()):
            if not edges or value > SAME_STRENGTH * edges[-1]:
                edges.append(value)
        numbers[part.index] = 10_000 * start + np.searchsorted(edges, part["strength"].to_numpy(), side="right")
    return numbers


def _keys(dips: pd.DataFrame) -> dict[str, str | bool | float | None]:
    """What the rows of one agent, pest and stage have in common, and the strengths and minutes they span.

    A span is None where it is not known or not of one unit.
    """
    one = dips.iloc[0]
    units = dips["strength_unit"].dropna().unique()
    strength = dips["strength"] if len(units) == 1 else dips["strength"].iloc[:0]
    known = {"strength": strength.dropna(), "minutes": dips["exposure_min"].dropna()}
    return {
        **{name: str(one[name]) for name in ("agent", *KIND)},
        "is_control": bool(one["is_control"]),
        "strength_unit": str(units[0]) if len(units) == 1 else None,
        **{f"{name}_low": float(values.min()) if len(values) else None for name, values in known.items()},
        **{f"{name}_high": float(values.max()) if len(values) else None for name, values in known.items()},
    }


def _groups(free: pd.DataFrame, level: float) -> tuple[SharesCell, ...]:
    """Coral group x agent, the sham of the same coral group beside it."""
    cells = []
    for group, same in free.groupby("coral_group"):
        sham = same[same["is_control"]]
        for agent, part in same[~same["is_control"]].groupby("agent"):
            keys = {"coral_group": str(group), "agent": str(agent)}
            cells.append(shares_cell(keys, part, sham, confidence_level=level))
    return tuple(cells)


def _all_agents(keys: dict[str, str], free: pd.DataFrame, level: float) -> SharesCell:
    """Every agent together beside the sham."""
    control = free["is_control"]
    return shares_cell(keys, free[~control], free[control], confidence_level=level)
