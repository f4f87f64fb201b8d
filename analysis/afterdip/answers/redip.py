"""Which dips are still due, when and why: each tray in hand of a lot in which a pest was found."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from afterdip.answers.period import Period, date_of, day_of
from afterdip.answers.tray_history import GROWN, TrayHistory
from afterdip.estimate import Estimate, cannot_say
from afterdip.follow_up import (
    STATUSES,
    LifeCycle,
    Plan,
    Series,
    life_cycle,
    plan_series,
    residual_risk,
    same_name,
)
from afterdip.log.model import Log, Settings
from afterdip.removal import shares_of_found
from afterdip.tally.follow_up import LotTally
from afterdip.tally.removal import tally_pests

SILENT_DAYS = 21  # a tray is looked at every two weeks; common practice, no source


@dataclass(frozen=True, slots=True)
class Redip:
    """One tray in hand and one pest found in its lot.

    `dips`, `agents`: the dips its pieces have had, sham dips left out; `series`, `plan`: what they add up to and what
    is still to do; `why` says it in a sentence. `written`: the last day anything was written of the tray; `silent`:
    that is more than SILENT_DAYS ago, so it may have left without a word. `risk_so_far`, `risk_when_done`: the chance
    that one animal that met every dip of the series, so far and with the planned ones, lives.
    """

    lot: str
    tray: str
    root: str
    pest: str
    coral: str
    coral_group: str
    system: str
    pieces: int
    life: LifeCycle
    dips: tuple[int, ...]
    agents: tuple[str, ...]
    series: Series
    plan: Plan
    why: str
    written: int
    silent: bool
    risk_so_far: Estimate
    risk_when_done: Estimate

    @property
    def due(self) -> int | None:
        """The day of the next dip."""
        return self.plan.dips[0].day if self.plan.dips else None

    def to_json(self) -> dict:
        """Return keys, dates and risks."""
        names = ("lot", "tray", "pest", "coral", "coral_group", "system", "pieces", "why", "silent")
        plan, series = self.plan, self.series
        return {
            **{name: getattr(self, name) for name in names},
            "status": plan.status,
            "last_written": date_of(self.written),
            "dips": [date_of(day) for day in self.dips],
            "agents": list(self.agents),
            "eggs_laid_up_to": date_of(series.anchor),
            "next_by": date_of(plan.latest),
            "hatched_by": date_of(plan.hatched_by),
            "end_known": plan.ends,
            "planned": [{"day": date_of(dip.day), "latest": date_of(dip.latest)} for dip in plan.dips],
            "risk_so_far": self.risk_so_far.to_json(),
            "risk_when_done": self.risk_when_done.to_json(),
        }


def lives_of(pests: list[str], settings: Settings, *, hatch_factor: float) -> dict[str, LifeCycle]:
    """Return what is known of each pest in the farm's water; the farm's own figures come first."""
    own = {same_name(name): figures for name, figures in settings.pests.items()}
    water = settings.water_temperature_c
    return {
        pest: life_cycle(pest, water_temperature_c=water, own=own.get(same_name(pest)), hatch_factor=hatch_factor)
        for pest in pests
    }


@dataclass(frozen=True, slots=True)
class Kills:
    """The farm's own kill of each agent and pest, adults or stage not told, at any level, and what series leave."""

    dips: pd.DataFrame
    known: dict[tuple[str, str, float], Estimate] = field(default_factory=dict)
    risks: dict[tuple[tuple[str, ...], str, float], Estimate] = field(default_factory=dict)

    def of(self, agent: str, pest: str, level: float) -> Estimate:
        """Return the share killed of all found."""
        key = (agent, pest, level)
        if key not in self.known:
            rows = self.dips[(self.dips["agent"] == agent) & (self.dips["pest"] == pest)]
            counts = (rows[name] for name in ("removed", "killed", "found"))
            self.known[key] = shares_of_found(*counts, session=rows["session"], confidence_level=level).killed
        return self.known[key]

    def risk(self, agents: tuple[str, ...], pest: str, level: float) -> Estimate:
        """Return the residual risk after dips with these agents: many trays have had the same."""
        key = (agents, pest, level)
        if key not in self.risks:
            kills = [self.of(agent, pest, level) for agent in agents]
            self.risks[key] = residual_risk(kills, confidence_level=level)
        return self.risks[key]


def kills_of(log: Log, period: Period) -> Kills:
    """Return the kills over the window of months."""
    dips = tally_pests(log, since=period.start, until=period.end).dips
    return Kills(dips[dips["stage"].isin(GROWN)])


def answer_redips(
    tally: LotTally, history: TrayHistory, lives: dict[str, LifeCycle], kills: Kills, *, as_of: str,
    confidence_level: float,
) -> tuple[Redip, ...]:  # fmt: skip
    """Return one row a tray in hand and pest found in its lot, the most pressing first.

    A tray is taken to be exposed to a pest found in its lot if that pest was ever counted on a coral of its name, or
    on its own pieces.
    """
    found = tally.found[tally.found["found"] > 0]
    hosts = set(map(tuple, tally.hosts[["pest", "coral"]].to_numpy()))
    rows = []
    for pair in found.merge(tally.trays, on="lot").itertuples(index=False):
        if (pair.pest, pair.coral) in hosts or (pair.tray, pair.pest) in history.counted:
            rows.append(_row(pair, lives[pair.pest], history, kills, day_of(as_of), confidence_level))
    return tuple(sorted(rows, key=_pressing))


def _pressing(row: Redip) -> tuple:
    due = row.due if row.due is not None else 10**9
    latest = row.plan.latest if row.plan.latest is not None else due
    return STATUSES.index(row.plan.status), row.silent, latest, due, row.lot, row.tray, row.pest


def _row(pair, life: LifeCycle, history: TrayHistory, kills: Kills, as_of: int, level: float) -> Redip:
    series, dips = history.series(pair.tray, pair.pest, life), history.dips[pair.tray]
    plan = plan_series(series, as_of=as_of, life=life)
    agents = tuple(agent for _, agent in dips)
    so_far = agents[len(agents) - series.met :]
    done = (*so_far, *agents[-1:] * len(plan.dips))
    renewed = plan.status == "overdue" or series.layers  # the series begins again: only dips to come count
    if renewed:
        done = agents[-1:] * len(plan.dips)
    written = int(pair.last_day)
    return Redip(
        **{name: str(getattr(pair, name)) for name in ("lot", "tray", "root", "pest", "coral", "coral_group")},
        system=str(pair.system) if isinstance(pair.system, str) else "",
        pieces=int(pair.pieces),
        life=life,
        dips=tuple(day for day, _ in dips),
        agents=agents,
        series=series,
        plan=plan,
        why=_why(series, plan, life),
        written=written,
        silent=as_of - written > SILENT_DAYS,
        risk_so_far=kills.risk(so_far, pair.pest, level),
        risk_when_done=kills.risk(done, pair.pest, level)
        if agents and plan.ends
        else cannot_say("the series has no known end" if agents else "no dip yet", confidence_level=level),
    )


def _why(series: Series, plan: Plan, life: LifeCycle) -> str:
    """Say in a sentence why the dips are due, or why none can be planned."""
    if plan.status == "unknown":
        return life.reason or f"hatchlings lay within {life.laying_days_earliest:g} days: no daily series can meet them"
    last, anchor = date_of(series.last), date_of(series.anchor)
    if plan.status == "complete":
        return f"eggs laid up to {anchor} had hatched by {date_of(plan.hatched_by)}, and the last dip was on {last}"
    if plan.status == "not dipped":
        return "only sham dips so far"
    if plan.status == "overdue":
        gone = f"last dipped {last}, due again by {date_of(plan.latest)}"
        return f"{gone}: hatchlings may have laid, so the series starts over"
    if series.layers:
        return f"living pests seen after the dip of {last}: what they lay is counted from the next dip"
    until = f"until {date_of(plan.hatched_by - 1)}" if plan.hatched_by else "for longer than is known"
    return f"eggs laid up to {anchor} hatch {until}; a dip by {date_of(plan.latest)} meets hatchlings before they lay"
