"""Reads any two agents off one tally: the differences in kill and in loss, crude and among like pieces."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.comparison import (
    Difference,
    Fates,
    adjusted_difference,
    crude_difference,
    fates_at,
    logistic_difference,
)
from afterdip.estimate import Estimate, cannot_say
from afterdip.log.model import Log
from afterdip.proportion import session_proportion
from afterdip.tally.comparison import LIKE_PESTS, LIKE_PIECES, ComparisonTally, labels, tally_comparison


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


@dataclass(frozen=True, slots=True)
class Both:
    """One outcome of two agents: crude, among like pieces, and the second opinion."""

    crude: Difference
    adjusted: Difference
    logistic: Estimate

    def to_json(self) -> dict:
        """Return the three differences by name."""
        return {
            "crude": self.crude.difference.to_json(),
            "adjusted": self.adjusted.difference.to_json(),
            "logistic": self.logistic.to_json(),
        }


@dataclass(frozen=True, slots=True)
class ComparisonReader:
    """One log's tally, cut to a scope, with every first-dip tray's fate at the horizon."""

    tally: ComparisonTally
    scope: Scope
    fates: Fates
    level: float

    @classmethod
    def of(cls, log: Log, scope: Scope) -> ComparisonReader:
        """Tally the log once and cut it."""
        whole = tally_comparison(log)
        keep = scope.holds(whole.trays)
        place = np.cumsum(keep) - 1
        exits = whole.exits[keep[whole.exits["place"].to_numpy()]]
        exits = exits.assign(place=place[exits["place"].to_numpy()]).reset_index(drop=True)
        tally = ComparisonTally(
            trays=whole.trays[keep].reset_index(drop=True),
            exits=exits,
            pests=whole.pests[scope.holds(whole.pests)].reset_index(drop=True),
            redipped=whole.redipped[scope.holds(whole.redipped)],
            uncounted=whole.uncounted[scope.holds(whole.uncounted)],
        )
        agent, place = tally.trays["agent"].to_numpy(str), exits["place"].to_numpy()
        fates = fates_at(
            *(exits[name] for name in ("day", "dead", "left")),
            place,
            agent[place],
            horizon=log.settings.horizon_days,
            n_cells=len(agent),
        )
        return cls(tally, scope, fates, log.settings.confidence)

    @property
    def agents(self) -> tuple[str, ...]:
        """All agents in scope that are no sham, by name."""
        trays = self.tally.trays
        return tuple(sorted(trays.loc[~trays["is_control"].astype(bool), "agent"].unique()))

    def loss_rows(self, first: str, second: str, coral_group: str = "") -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
        """Return the trays of the two agents of which anything is known, with their totals and events."""
        trays = self.tally.trays
        keep = trays["agent"].isin([first, second]).to_numpy() & (self.fates.total > 0)
        if coral_group:
            keep &= (trays["coral_group"] == coral_group).to_numpy()
        return trays[keep], self.fates.total[keep], self.fates.events[keep]

    def loss(self, first: str, second: str, coral_group: str = "") -> Both:
        """Compare deaths by the horizon, trays that left early counted as far as they were followed."""
        trays, total, events = self.loss_rows(first, second, coral_group)
        unfollowed = [a for a in (first, second) if not self.fates.followed.get(a, False)]
        if unfollowed:
            return _unknown(f"no tray of {unfollowed[0]} was followed to the horizon yet", self.level)
        both = _both(trays, second, total, events, LIKE_PIECES, self.level)
        dead = self.fates.deaths
        return _counted(both, "deaths", {a: self._sum(a, dead, coral_group) for a in (first, second)}, first, second)

    def kill(self, first: str, second: str, coral_group: str = "") -> Both:
        """Compare pests dead wherever found, out of all found; eggs are not in it."""
        pests = self.tally.pests
        keep = pests["agent"].isin([first, second])
        if coral_group:
            keep &= pests["coral_group"] == coral_group
        rows = pests[keep]
        both = _both(rows, second, rows["found"].to_numpy(), rows["killed"].to_numpy(), LIKE_PESTS, self.level)
        return _counted(both, "pests", None, first, second)

    def own_loss(self, agent: str) -> Estimate:
        """One agent's loss by the horizon over all its pieces."""
        trays, keep = self.tally.trays, (self.tally.trays["agent"] == agent).to_numpy() & (self.fates.total > 0)
        found = session_proportion(
            self.fates.events[keep],
            self.fates.total[keep],
            session=trays["session"].to_numpy(str)[keep],
            confidence_level=self.level,
        )
        return replace(found, pieces=round(self.fates.total[keep].sum()), deaths=round(self.fates.deaths[keep].sum()))

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

    def _sum(self, agent: str, values: np.ndarray, coral_group: str) -> float:
        trays = self.tally.trays
        keep = (trays["agent"] == agent).to_numpy() & (self.fates.total > 0)
        if coral_group:
            keep &= (trays["coral_group"] == coral_group).to_numpy()
        return float(values[keep].sum())


def _both(
    rows: pd.DataFrame, second: str, total: np.ndarray, events: np.ndarray, like: tuple[str, ...], level: float
) -> Both:
    """Compare one outcome three ways."""
    is_second, session = (rows["agent"] == second).to_numpy(bool), rows["session"].to_numpy(str)
    factors = rows[[name for name in like if rows[name].nunique() > 1]].to_numpy(str)
    both_there = 0 < is_second.sum() < is_second.size
    return Both(
        crude=crude_difference(is_second, session, total, events, confidence_level=level),
        adjusted=adjusted_difference(is_second, session, labels(rows, like), total, events, confidence_level=level),
        logistic=logistic_difference(is_second, session, factors, total, events, confidence_level=level)
        if both_there
        else cannot_say("one agent has no session here", confidence_level=level),
    )


def _counted(both: Both, kind: str, deaths: dict[str, float] | None, first: str, second: str) -> Both:
    """Put counts under their right name: pests are no pieces, and deaths stand with pieces."""

    def named(e: Estimate, agents: tuple[str, ...]) -> Estimate:
        if kind == "pests":
            return replace(e, pests=e.pieces, pieces=None)
        return replace(e, deaths=round(sum(deaths[a] for a in agents)))

    def of(d: Difference, count_deaths: bool) -> Difference:
        if kind == "deaths" and not count_deaths:
            return d  # among like pieces only some of the deaths were used
        return replace(
            d,
            difference=named(d.difference, (first, second)),
            first=named(d.first, (first,)),
            second=named(d.second, (second,)),
        )

    return Both(of(both.crude, True), of(both.adjusted, False), named(both.logistic, (first, second)))


def _unknown(why: str, level: float) -> Both:
    """Return an outcome of which nothing can be said."""
    none = cannot_say(why, confidence_level=level)
    silent = Difference(none, none, none, None, (), np.zeros(0), (0.0, 0.0))
    return Both(silent, silent, none)
