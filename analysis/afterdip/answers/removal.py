"""What the dips removed and killed: by agent, pest and stage, by strength, by coral group, and month by month."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.columns import Columns
from afterdip.answers.period import period_of
from afterdip.answers.removal_cell import RemovalCell, removal_cells
from afterdip.answers.removal_shares import SharesCell, shares_cells
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
        """Return the part of results.json that belongs to pest removal.

        The sham of a strength is that of its agent, pest and stage, which stands in `cells`.
        """
        plain = {name: getattr(self, name) for name in ("target_kill", "control_rule", "dips", "counted")}
        lists = ("months", "agents", "month_agents", "groups", "pests", "cells", "month_cells", "by_strength")
        parts = {name: [cell.to_json() for cell in getattr(self, name)] for name in lists}
        strengths = [{k: v for k, v in row.items() if not k.startswith("sham_")} for row in parts["by_strength"]]
        return plain | {"month": self.month_all.to_json()} | parts | {"by_strength": strengths}


def answer_removal(log: Log, *, month: str, as_of: str, window_months: int = 12) -> RemovalAnswer:
    """Return what the dips of the month and of the window removed and killed, each beside the sham's.

    A dip belongs to the month it was made in; later looks count as far as the log goes, `as_of` being the day it was
    read to. The session is the unit; a re-dip is a dip of its own, on pests that were there by then.
    """
    period, level = period_of(month, window_months=window_months), log.settings.confidence
    window = tally_pests(log, since=period.start, until=period.end)
    dips, looks = _columns(window)
    in_month = period.in_month(window.dips["date"]).to_numpy()
    free = ~dips["glued"]
    return RemovalAnswer(
        month=month,
        confidence_level=level,
        target_kill=log.settings.target_kill,
        control_rule=WHO.name,
        controls=tuple(sorted(log.agents.loc[log.agents["is_control"], "agent"])),
        dips=int(period.in_month(log.sessions["date"]).sum()),
        counted=dips.part(in_month).count("session"),
        month_all=_all_agents([({}, dips.part(free & in_month))], level)[0],
        month_agents=_agents(dips.part(free & in_month), level),
        agents=_agents(dips.part(free), level),
        months=_all_agents(
            [({"month": name}, dips.part(free & (dips["month"] == name))) for name in period.months], level
        ),
        groups=_groups(dips.part(free), level),
        pests=_pests(dips, looks, level),
        cells=_cells(dips, looks, level),
        month_cells=_light_cells(dips.part(in_month), level),
        by_strength=_by_strength(dips, level),
    )


def _columns(window: PestTally) -> tuple[Columns, Columns]:
    """Return dips and looks as columns, and what is asked of all their parts."""
    dips, looks = window.dips, window.looks
    more = {
        "glued": dips["stage"].isin(GLUED).to_numpy(),
        "month": dips["date"].dt.strftime("%Y-%m").to_numpy(),
        "strength_group": _strength_groups(dips).to_numpy(),
    }
    when = {name: (looks["look"] == name).to_numpy() for name in ("before", "after", "later")}
    return Columns.of(dips, coded=("session",), **more), Columns.of(looks, coded=("session", "tray"), **when)


def _cells(dips: Columns, looks: Columns, level: float) -> tuple[RemovalCell, ...]:
    """One full cell an agent, pest and stage of which there is any count; the sham's own come last."""
    seen = dict(looks.groups(*KIND, "agent"))
    parts = []
    for names, same in dips.groups(*KIND):
        sham = same.part(same["is_control"])
        for (agent,), part in same.groups("agent"):
            parts.append((_keys(part), part, seen.get((*names, agent), looks.part(slice(0))), sham))
    return removal_cells(sorted(parts, key=_is_sham), confidence_level=level)


def _is_sham(part: tuple) -> bool:
    """Whether a part, its keys first, is the sham's own."""
    return part[0]["is_control"]


def _pests(dips: Columns, looks: Columns, level: float) -> tuple[RemovalCell, ...]:
    """One full cell a pest and stage, all agents together beside the sham: what became of the farm's pests."""
    seen = dict(looks.part(~looks["is_control"].astype(bool)).groups(*KIND))
    parts = []
    for names, same in dips.groups(*KIND):
        dosed, sham = same.part(~same["is_control"]), same.part(same["is_control"])
        keys = dict(zip(KIND, map(str, names), strict=True)) | {"agent": "all agents", "is_control": False}
        parts.append((keys, dosed, seen.get(names, looks.part(slice(0))), sham))
    return removal_cells(parts, confidence_level=level)


def _agents(free: Columns, level: float) -> tuple[SharesCell, ...]:
    """Every pest together by agent, the sham last."""
    sham = free.part(free["is_control"])
    parts = [
        ({"agent": str(agent), "is_control": bool(control)}, part, sham)
        for (control, agent), part in free.groups("is_control", "agent")
    ]
    return shares_cells(parts, confidence_level=level)


def _light_cells(dips: Columns, level: float) -> tuple[SharesCell, ...]:
    """Shares by agent, pest and stage, the sham's own last."""
    parts = []
    for _, same in dips.groups(*KIND):
        sham = same.part(same["is_control"])
        parts += [(_keys(part), part, sham) for _, part in same.groups("agent")]
    return shares_cells(sorted(parts, key=_is_sham), confidence_level=level)


def _by_strength(dips: Columns, level: float) -> tuple[SharesCell, ...]:
    """Shares of the agents that were used at more than one strength, a strength group at a time, weakest first."""
    shams = dict(dips.part(dips["is_control"]).groups(*KIND))
    parts = []
    for _, used in dips.part(~dips["is_control"]).groups("agent"):
        if used.count("strength_group") > 1:
            for (*names, _), part in used.groups(*KIND, "strength_group"):
                parts.append((_keys(part), part, shams.get(tuple(names), dips.part(slice(0)))))
    return shares_cells(parts, confidence_level=level)


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


def _keys(dips: Columns) -> dict[str, str | bool | float | None]:
    """What the rows of one agent, pest and stage have in common, and the strengths and minutes they span.

    A span is None where it is not known or not of one unit.
    """
    one = dips.part(slice(1))
    units = dips["strength_unit"]
    units = list(dict.fromkeys(units[~pd.isna(units)]))
    strength = dips["strength"] if len(units) == 1 else dips["strength"][:0]
    known = {"strength": strength, "minutes": dips["exposure_min"]}
    known = {name: values[~np.isnan(values)] for name, values in known.items()}
    return {
        **{name: str(one[name][0]) for name in ("agent", *KIND)},
        "is_control": bool(one["is_control"][0]),
        "strength_unit": str(units[0]) if len(units) == 1 else None,
        **{f"{name}_low": float(values.min()) if len(values) else None for name, values in known.items()},
        **{f"{name}_high": float(values.max()) if len(values) else None for name, values in known.items()},
    }


def _groups(free: Columns, level: float) -> tuple[SharesCell, ...]:
    """Coral group x agent, the sham of the same coral group beside it."""
    parts = []
    for (group,), same in free.groups("coral_group"):
        sham = same.part(same["is_control"])
        for (agent,), part in same.part(~same["is_control"]).groups("agent"):
            parts.append(({"coral_group": str(group), "agent": str(agent)}, part, sham))
    return shares_cells(parts, confidence_level=level)


def _all_agents(parts: Sequence[tuple[dict[str, str], Columns]], level: float) -> tuple[SharesCell, ...]:
    """Every agent together beside the sham, in each part of the dips."""
    sides = [(keys, free.part(~free["is_control"]), free.part(free["is_control"])) for keys, free in parts]
    return shares_cells(sides, confidence_level=level)
