"""Reads any two arms off one tally: the differences in kill and in loss, crude and among like pieces.

An arm is an agent, or an agent at one of its strengths; its name stands for it in every frame.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.answers.comparison_arms import Arm, whole_agents
from afterdip.answers.comparison_both import Both, compare_both, odds_of, of_pests, unknown, with_deaths, with_pests
from afterdip.comparison import fates_at
from afterdip.estimate import Estimate, cannot_say
from afterdip.log.model import Log
from afterdip.proportion import session_proportion
from afterdip.tally.comparison import LIKE_PESTS, LIKE_PIECES, ComparisonTally, tally_comparison
from afterdip.tally.seasons import in_season
from afterdip.tally.survival import exits_told_at


@dataclass(frozen=True, slots=True)
class Scope:
    """Which dips are compared: from `start` up to but not including `end`; empty text means all groups or pests."""

    start: pd.Timestamp
    end: pd.Timestamp
    coral_group: str = ""
    pest: str = ""

    def holds(self, frame: pd.DataFrame) -> np.ndarray:
        """Return whether each row of a frame with `date` and `coral_group` (and `pest`) lies in scope, as bool."""
        keep = (frame["date"] >= self.start) & (frame["date"] < self.end)
        if self.coral_group:
            keep &= frame["coral_group"] == self.coral_group
        if self.pest and "pest" in frame:
            keep &= frame["pest"] == self.pest
        return keep.to_numpy(bool)

    def sessions(self, log: Log) -> pd.DataFrame:
        """Return the log's sessions of these days, whatever their corals and pests."""
        return log.sessions[(log.sessions["date"] >= self.start) & (log.sessions["date"] < self.end)]


@dataclass(frozen=True, slots=True)
class ComparisonReader:
    """One log's tally, cut to a scope, with an arm's name in place of its agent's.

    `last_days`: see `last_day`; `at_horizon`: the `losses` of all arms by the horizon, asked for by almost every pair.
    """

    tally: ComparisonTally
    scope: Scope
    horizon: int
    level: float
    arms: dict[str, Arm]
    last_days: dict[str, int]
    at_horizon: pd.DataFrame

    @classmethod
    def of(cls, log: Log, scope: Scope) -> ComparisonReader:
        """Tally the log once and cut it; every agent is an arm."""
        tally = _cut(tally_comparison(log, since=scope.start, until=scope.end), scope.holds)
        arms = {arm.name: arm for arm in whole_agents(scope.sessions(log))}
        horizon = log.settings.horizon_days
        return cls(tally, scope, horizon, log.settings.confidence, arms, *_followed(tally, horizon))

    def of_arms(self, arms: Iterable[Arm]) -> ComparisonReader:
        """Return a reader of these arms alone; sessions of none of them are left out."""
        name = {session: arm.name for arm in arms for session in arm.sessions}
        part = _cut(self.tally, lambda frame: frame["session"].isin(name).to_numpy(bool))
        named = {
            table: frame.assign(agent=frame["session"].map(name).astype(frame["agent"].dtype))
            for table in ("trays", "pests", "redipped", "uncounted", "before_after")
            for frame in [getattr(part, table)]
        }
        tally = replace(part, **named)
        own = {arm.name: arm for arm in arms}
        return ComparisonReader(tally, self.scope, self.horizon, self.level, own, *_followed(tally, self.horizon))

    def last_day(self, agent: str) -> int:
        """Return the last day after a dip on which any piece of the agent was under observation.

        That is the horizon where every piece died before it: of the dead nothing is left to be seen.
        """
        return self.last_days.get(agent, 0)

    def common_day(self, first: str, second: str) -> int:
        """Return the day at which losses are compared: the horizon, or the last that both agents were followed to."""
        return min(self.horizon, self.last_day(first), self.last_day(second))

    def losses(self, *agents: str, day: int) -> pd.DataFrame:
        """Return the agents' trays of which anything is known, with total, events and deaths by `day`."""
        rows = self.at_horizon if day == self.horizon else _losses(self.tally, day)
        return rows[rows["agent"].isin(agents)]

    def loss(self, first: str, second: str, coral_group: str = "") -> Both:
        """Compare deaths by `common_day`, trays that left early counted as far as they were followed.

        Cannot say while an agent was not followed to half the horizon: dips kill early, but not that early.
        """
        day = self.common_day(first, second)
        outcome = f"dead by day {day} after the first dip"
        if young := self._too_young(first, second):
            return unknown(outcome, young, self.level)
        rows = _of_group(in_season(self.losses(first, second, day=day)), coral_group)
        both = compare_both(outcome, rows, second, "total", "events", LIKE_PIECES, self.level)
        deaths = rows.groupby("agent")["deaths"].sum()
        return with_deaths(both, *(int(deaths.get(agent, 0)) for agent in (first, second)))

    def _too_young(self, first: str, second: str) -> str:
        """Return why losses cannot be compared yet, or nothing."""
        day = self.common_day(first, second)
        if 2 * day >= self.horizon:
            return ""
        young = min((first, second), key=self.last_day)
        return f"no tray of {young} was followed beyond day {day} yet, needs {-(-self.horizon // 2)}"

    def kill(self, first: str, second: str, coral_group: str = "") -> Both:
        """Compare pests dead wherever found, out of all found; eggs are not in it.

        Where one agent has no bath in which both the water and the pieces were counted, living pests on the same
        pieces before and after are compared instead, and `outcome` says so.
        """
        rows, outcome, found, gone = self._kills(first, second, coral_group)
        if rows.empty:
            return unknown(outcome, "no pest was found in the dips of either", self.level)
        return with_pests(compare_both(outcome, rows, second, found, gone, LIKE_PESTS, self.level))

    def _kills(self, first: str, second: str, coral_group: str = "") -> tuple[pd.DataFrame, str, str, str]:
        """Return the pests compared, what is counted of them, and the columns of what was there and what is gone."""
        rows = self._pests(self.tally.pests, first, second, coral_group)
        if rows["agent"].nunique() == 2 or coral_group:
            return rows, "dead wherever found, of all pests found", "found", "killed"
        rows = self._pests(self.tally.before_after, first, second, coral_group)
        return rows, "gone from the pieces, dead or alive, of the pests on them before the dip", "before", "gone"

    def odds(self, first: str, second: str) -> tuple[Estimate, Estimate]:
        """Return the odds that a pest is not killed and that a piece dies, first over second, sessions at random."""
        rows, _, found, gone = self._kills(first, second)
        pests = of_pests(odds_of(rows, second, rows[found], rows[found] - rows[gone], LIKE_PESTS, self.level))
        if young := self._too_young(first, second):
            return pests, cannot_say(young, confidence_level=self.level)
        rows = in_season(self.losses(first, second, day=self.common_day(first, second)))
        return pests, odds_of(rows, second, rows["total"], rows["events"], LIKE_PIECES, self.level)

    def _pests(self, pests: pd.DataFrame, first: str, second: str, coral_group: str) -> pd.DataFrame:
        return _of_group(in_season(pests[pests["agent"].isin([first, second])]), coral_group)

    def own_loss(self, agent: str) -> Estimate:
        """One agent's loss by the horizon over all its pieces."""
        if self.last_day(agent) < self.horizon:
            why = f"followed to day {self.last_day(agent)} only"
            return cannot_say(why, confidence_level=self.level)
        rows = self.losses(agent, day=self.horizon)
        found = session_proportion(
            rows["events"].to_numpy(),
            rows["total"].to_numpy(),
            session=rows["session"].to_numpy(str),
            confidence_level=self.level,
        )
        return replace(found, pieces=round(rows["total"].sum()), deaths=round(rows["deaths"].sum()))

    def own_kill(self, agent: str) -> Estimate:
        """One agent's kill over all pests found."""
        rows = self.tally.pests[self.tally.pests["agent"] == agent]
        found = session_proportion(
            rows["killed"].to_numpy(),
            rows["found"].to_numpy(),
            session=rows["session"].to_numpy(str),
            confidence_level=self.level,
        )
        return replace(found, pests=round(rows["found"].sum()))


def _of_group(rows: pd.DataFrame, coral_group: str) -> pd.DataFrame:
    return rows[rows["coral_group"] == coral_group] if coral_group else rows


def _cut(whole: ComparisonTally, holds: Callable[[pd.DataFrame], np.ndarray]) -> ComparisonTally:
    """Return the rows that `holds` says yes to, exits in the place that their trays then have."""
    keep = holds(whole.trays)
    place = np.cumsum(keep) - 1
    exits = whole.exits[keep[whole.exits["place"].to_numpy()]]
    others = ("pests", "redipped", "uncounted", "before_after")
    return ComparisonTally(
        trays=whole.trays[keep].reset_index(drop=True),
        exits=exits.assign(place=place[exits["place"].to_numpy()]).reset_index(drop=True),
        **{name: frame[holds(frame)].reset_index(drop=True) for name in others for frame in [getattr(whole, name)]},
    )


def _followed(tally: ComparisonTally, horizon: int) -> tuple[dict[str, int], pd.DataFrame]:
    """Return each arm's last day and the losses of all by the horizon."""
    exits = tally.exits.assign(agent=tally.trays["agent"].to_numpy()[tally.exits["place"].to_numpy()])
    found = exits.assign(left=exits["left"] > 0).groupby("agent").agg({"day": "max", "left": "any"})
    last = {str(a): int(day) if left else max(int(day), horizon) for a, day, left in found.itertuples()}
    return last, _losses(tally, horizon)


def _losses(tally: ComparisonTally, day: int) -> pd.DataFrame:
    """Return every tray of which anything is known, with total, events and deaths by `day`, each arm by itself."""
    trays, exits = tally.trays, exits_told_at(tally.exits, day)
    agent, place = trays["agent"].to_numpy(str), exits["place"].to_numpy()
    columns = (exits[name].to_numpy() for name in ("day", "dead", "left"))
    fates = fates_at(*columns, place, agent[place], horizon=max(1, day), n_cells=len(agent))
    keep = fates.total > 0
    return trays[keep].assign(**{name: getattr(fates, name)[keep] for name in ("total", "events", "deaths")})
