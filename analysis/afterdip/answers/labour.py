"""Labour and cost: what the work took, what a coming month will take, what a clean surviving piece costs."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass, replace

import numpy as np
import pandas as pd

from afterdip.answers.labour_cost import CostCell, CostReader
from afterdip.answers.labour_months import (
    DatedJump,
    MonthRow,
    WeekRow,
    month_rows,
    months_of_work,
    months_with_dips,
    read_forecast,
    read_jump,
    read_learning,
    week_rows,
)
from afterdip.answers.period import Period, period_of
from afterdip.answers.words import counted, so_many
from afterdip.estimate import Estimate, cannot_say
from afterdip.labour import (
    CrewEffort,
    Effort,
    HoursForecast,
    Learning,
    crew_effort,
    extra_rinse,
    ratio_of_sums,
    scaled,
    session_effort,
    task_effort,
)
from afterdip.log.model import Log
from afterdip.tally.labour import LabourTally, tally_baths, tally_cutting, tally_labour


@dataclass(frozen=True, slots=True)
class EffortRow:
    """One row of effort: which sessions (`keys`), and what they took."""

    label: str
    keys: dict[str, str | bool]
    effort: Effort


@dataclass(frozen=True, slots=True)
class MaterialRow:
    """What one agent's baths used, `unit` mL, g or tablet; the bath is the unit, counted once if it served several."""

    agent: str
    is_control: bool
    unit: str
    baths: int
    sessions: int
    pieces: int
    product_per_session: Estimate
    product_per_thousand: Estimate
    cost_per_thousand: Estimate
    pieces_per_litre: Estimate


@dataclass(frozen=True, slots=True)
class LabourAnswer:
    """The labour page; everything over the window but `months`, `backtest` and the plan."""

    month: str
    confidence_level: float
    currency: str
    wage_per_hour: float | None
    sessions: int
    sessions_without_labour: int
    sessions_without_pieces: int
    pieces: int
    total: EffortRow
    tasks: tuple[EffortRow, ...]
    agents: tuple[EffortRow, ...]
    kinds: tuple[EffortRow, ...]
    cutting_hours_per_thousand: Estimate
    rinse_person_min: Estimate
    rinse_hours_per_thousand: Estimate
    crews: tuple[CrewEffort, ...]
    learning: Learning
    jump: DatedJump
    months: tuple[MonthRow, ...]
    forecast: HoursForecast
    plan: tuple[WeekRow, ...]
    materials: tuple[MaterialRow, ...]
    cost_agents: tuple[CostCell, ...]
    cost_groups: tuple[CostCell, ...]
    cost_months: tuple[CostCell, ...]

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to labour."""
        parts = {f.name: _plain(getattr(self, f.name)) for f in fields(self)}
        return parts | {"first_screen": _first_screen(self), "trust": _trust(self)}


def answer_labour(
    log: Log,
    *,
    month: str,
    as_of: str,
    window_months: int = 12,
    pieces: int = 0,
    sessions: int = 0,
) -> LabourAnswer:
    """Return labour, materials and cost over the window that ends with `month`, and a forecast of the month after.

    `pieces`, `sessions`: what the coming month is to dip; 0 pieces stand for the median month of the window (or what
    as many sessions usually hold), 0 sessions for as many as such pieces have taken. Labour done after the month is
    not used; losses and pests are followed to `as_of`, the day the log was read to. Raises ValueError for a month, a
    window or a number that is none.
    """
    period, level = period_of(month, window_months=window_months), log.settings.confidence
    tally = tally_labour(log, months=months_with_dips(log, period))
    found, work = tally.sessions, months_of_work(tally)
    costs = CostReader.of(log)
    rinse = extra_rinse(
        tally.tasks.get("rinse", np.full(len(found), np.nan)), found["pieces"], found["rinses"], confidence_level=level
    ) if len(found) else (cannot_say("no dips in the window", confidence_level=level),) * 2  # fmt: skip
    return LabourAnswer(
        month=month,
        confidence_level=level,
        currency=log.settings.currency,
        wage_per_hour=log.settings.wage_per_hour,
        sessions=len(found),
        sessions_without_labour=int(found["minutes"].isna().sum()),
        sessions_without_pieces=tally.without_pieces,
        pieces=int(found["pieces"].sum()),
        total=EffortRow("all work of a session", {}, _effort(found, level)),
        tasks=_tasks(tally, level),
        agents=_by_agent(found, level),
        kinds=_by_kind(found, level),
        cutting_hours_per_thousand=_cutting(log, tally.months, level),
        rinse_person_min=rinse[0],
        rinse_hours_per_thousand=rinse[1],
        crews=_crews(found, level),
        learning=read_learning(work, level),
        jump=read_jump(tally, level),
        months=month_rows(tally, work, level),
        forecast=read_forecast(work, pieces, sessions, level),
        plan=week_rows(log, work, as_of, level),
        materials=_materials(log, period, level),
        cost_agents=costs.by(period, ["agent"]),
        cost_groups=costs.by(period, ["coral_group", "agent"]),
        cost_months=costs.months(period),
    )


def _effort(part: pd.DataFrame, level: float) -> Effort:
    return session_effort(part["minutes"], part["pieces"], confidence_level=level)


def _tasks(tally: LabourTally, level: float) -> tuple[EffortRow, ...]:
    if not tally.tasks:
        return ()
    efforts = task_effort(tally.tasks, tally.sessions["pieces"], confidence_level=level)
    return tuple(EffortRow(task, {"task": task}, efforts[task]) for task in sorted(efforts))


def _by_agent(found: pd.DataFrame, level: float) -> tuple[EffortRow, ...]:
    rows = [
        EffortRow(agent, {"agent": agent, "is_control": bool(part["is_control"].iloc[0])}, _effort(part, level))
        for agent, part in found.groupby("agent")
    ]
    return tuple(sorted(rows, key=lambda row: (row.keys["is_control"], row.label)))


def _by_kind(found: pd.DataFrame, level: float) -> tuple[EffortRow, ...]:
    """Sessions of first dips beside sessions of re-dips (more than half of the pieces dipped before)."""
    again = found["redipped"] * 2 > found["pieces"]
    return (
        EffortRow("first dips", {"kind": "first dips"}, _effort(found[~again], level)),
        EffortRow("re-dips", {"kind": "re-dips"}, _effort(found[again], level)),
    )


def _cutting(log: Log, months: tuple[str, ...], level: float) -> Estimate:
    """Return hours of cutting and gluing per 1,000 pieces, the day as the unit, to set beside published ones."""
    minutes, pieces = tally_cutting(log, months=months)
    if not len(pieces):
        return cannot_say("no cutting or gluing with its pieces written down", confidence_level=level)
    method = "all minutes over all pieces; days as units, t limits"
    hours = ratio_of_sums(minutes, pieces, scale=1000 / 60, confidence_level=level, method=method)
    return replace(hours, sessions=None, pieces=int(pieces.sum()), reason=hours.reason.replace("session", "day"))


def _crews(found: pd.DataFrame, level: float) -> tuple[CrewEffort, ...]:
    columns = (found[name] for name in ("minutes", "clock", "pieces", "crew", "agent"))
    return crew_effort(*columns, confidence_level=level)


def _materials(log: Log, period: Period, level: float) -> tuple[MaterialRow, ...]:
    baths = tally_baths(log)
    baths = baths[period.in_window(baths["date"])]
    rows = []
    for (agent, unit), part in baths.assign(unit=baths["unit"].fillna("")).groupby(["agent", "unit"]):
        by_bath = part.groupby("bath")
        sums = by_bath[["product", "cost", "litres", "pieces"]].sum().assign(sessions=by_bath.size())
        is_control = bool(part["is_control"].iloc[0])
        how = {"confidence_level": level, "method": "sums over baths, the bath as the unit"}
        nothing = cannot_say("nothing goes into a sham" if is_control else "amount not known", confidence_level=level)
        priced = part["cost"].notna().all()
        cost = ratio_of_sums(sums["cost"], sums["pieces"], scale=1000.0, **how) if priced else None
        dipped = ratio_of_sums(sums["pieces"], sums["litres"], **how)
        rows.append(
            MaterialRow(
                agent=str(agent),
                is_control=is_control,
                unit=str(unit),
                baths=len(sums),
                sessions=len(part),
                pieces=int(part["pieces"].sum()),
                product_per_session=ratio_of_sums(sums["product"], sums["sessions"], **how) if unit else nothing,
                product_per_thousand=(
                    ratio_of_sums(sums["product"], sums["pieces"], scale=1000.0, **how) if unit else nothing
                ),
                cost_per_thousand=cost or cannot_say("no price in the agents table", confidence_level=level),
                pieces_per_litre=dipped,
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.is_control, row.agent)))


def _first_screen(answer: LabourAnswer) -> list[dict]:
    """Return the tile of the first page: the month's hours and cost per 1,000 clean surviving pieces, and its trend."""
    now, *earlier = reversed(answer.cost_months)
    nothing = cannot_say("no pieces dipped", confidence_level=answer.confidence_level, pieces=0, sessions=0)
    hours, cost = (now.cost.hours_per_thousand_clean, now.cost.per_clean_survivor) if now.pieces else (nothing,) * 2
    return [
        {
            "tile": "labour",
            "title": "Person-hours and cost per 1,000 clean surviving pieces",
            "figure": hours.to_json(),
            "unit": "hours",
            "places": 0,
            "also": {
                "figure": scaled(cost, 1000.0).to_json(),
                "title": "cost",
                "unit": answer.currency,
                "places": 0,
            },
            "behind": f"{counted(now.pieces, 'piece')}, {counted(now.sessions, 'session')} of first dips",
            "trend": [
                {"month": c.keys["month"], "figure": c.cost.hours_per_thousand_clean.to_json()}
                for c in reversed(earlier)
                if c.pieces
            ],
        }
    ]


def _trust(answer: LabourAnswer) -> list[str]:
    """Return what the month's hours rest on, for the first page."""
    now = answer.months[-1]
    if not now.sessions_without_labour:
        return []
    known = answer.sessions_without_labour < answer.sessions
    unknown = now.sessions_without_labour
    their, they = ("its", "it") if unknown == 1 else ("their", "they")
    hours = f"{their} hours are estimated from the others" if known else f"what {they} took cannot be said"
    return [f"{so_many(unknown, now.sessions, 'session', ('has', 'have'))} no labour rows: {hours}."]


def _plain(value: object) -> object:
    """Return a result as JSON holds it: Estimates by their own form, records as dicts of their fields."""
    if hasattr(value, "to_json"):
        return value.to_json()
    if isinstance(value, EffortRow):
        return value.keys | _plain(value.effort)
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value
