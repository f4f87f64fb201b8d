"""Watching over time: drifts, bottles, tired baths, and what the log can and cannot tell of their causes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.period import Period, period_of
from afterdip.answers.watch_baths import TiredBath, raised, tired_bath
from afterdip.answers.watch_causes import Cause, Shortfall, Suspects, causes_of
from afterdip.answers.watch_effects import Effect, effect_of_moving, effects_on_loss
from afterdip.answers.watch_lots import Bottle, ageing, bottles_of
from afterdip.answers.watch_series import Rows, Series, kill_rows, loss_rows, series_of
from afterdip.answers.watch_single import Singles, singles_of
from afterdip.estimate import Estimate
from afterdip.log.model import Log, Settings
from afterdip.monitoring import SMOOTHING, Drift, Groups, PChart, drift_alarm, group_alarm, laney_p_chart
from afterdip.tally.monitoring import WatchTally, tally_mixers, tally_watch

FALSE_ALARMS = 0.05  # of the monthly reports of a farm where nothing changed, all alarms of the page together
SEED = 20_261_101  # of the random orders, so that a report can be repeated to the byte


@dataclass(frozen=True, slots=True)
class Watched:
    """One agent's outcome over the window: its chart and alarm, and what the month's baths did against expectation.

    `events`, `expected`, `trials`: of the month's baths; `alarm_above`: the height of an alarm; `since`: the day of the
    first bath of the run above expectation that leads up to the peak; `shortfall`, `causes` only with an alarm on kill
    that no bottle's alarm explains.
    """

    series: Series
    drift: Drift
    alarm: bool
    since: str
    events: float
    expected: float
    trials: float
    alarm_above: float | None
    shortfall: Shortfall | None = None
    causes: tuple[Cause, ...] = ()

    def to_json(self) -> dict:
        """Return the chart's points and the alarm."""
        s = self.series
        return {
            "agent": s.agent,
            "outcome": s.outcome,
            "is_control": s.is_control,
            "baths": len(s.baths),
            "correlation": s.scores.correlation,
            "p": self.drift.p,
            "reason": self.drift.reason,
            "alarm": self.alarm,
            "since": self.since,
            "month": {name: getattr(self, name) for name in ("events", "expected", "trials")},
            "alarm_above": self.alarm_above,
            "dates": s.baths["date"].dt.strftime("%Y-%m-%d").tolist(),
            "average": self.drift.average.tolist(),
            "causes": [cause.to_json() for cause in self.causes],
        }


@dataclass(frozen=True, slots=True)
class Weeks:
    """One outcome by week (Mondays) of all agents but the sham: Laney's p'-chart of events out of trials."""

    outcome: str
    weeks: tuple[str, ...]
    events: np.ndarray
    trials: np.ndarray
    chart: PChart | None

    def to_json(self) -> dict:
        """Return the points and limits; null where nothing was counted."""
        chart = self.chart
        sides = () if chart is None else ("share", "low", "high")
        points = {name: [None if np.isnan(x) else x for x in getattr(chart, name).tolist()] for name in sides}
        out = [] if chart is None else [w for w, beyond in zip(self.weeks, chart.out, strict=True) if beyond]
        more = {} if chart is None else {"centre": chart.centre, "sigma_z": chart.sigma_z}
        counts = {"events": self.events.tolist(), "trials": self.trials.tolist()}
        return {"outcome": self.outcome, "weeks": list(self.weeks), "out": out, **counts, **more, **points}


@dataclass(frozen=True, slots=True)
class MonitoringAnswer:
    """The watch: `tests` alarms share `false_alarms` equally, `level` each; `ageing` is (agent, change in kill).

    `singles`: baths of the month that went wrong by themselves, with false namings of their own.
    """

    horizon_days: int
    confidence_level: float
    target_kill: float
    kill_margin: float
    false_alarms: float
    tests: int
    level: float
    smoothing: float
    watched: tuple[Watched, ...]
    bottles: tuple[Bottle, ...]
    baths: tuple[TiredBath, ...]
    ageing: tuple[tuple[str, Estimate], ...]
    effects: tuple[Effect, ...]
    weeks: tuple[Weeks, ...]
    singles: Singles

    @property
    def losses(self) -> tuple[Watched, ...]:
        """The charts of loss."""
        return tuple(w for w in self.watched if w.series.outcome == "loss")

    @property
    def kills(self) -> tuple[Watched, ...]:
        """The charts of kill."""
        return tuple(w for w in self.watched if w.series.outcome == "kill")

    @property
    def killing_bottles(self) -> tuple[Bottle, ...]:
        """Bottles, judged by kill, that were in use in the month or raised an alarm."""
        return tuple(b for b in self.bottles if b.outcome == "kill" and (b.in_month or b.alarm))

    @property
    def alarms(self) -> int:
        """How many alarms were raised."""
        return sum(x.alarm for part in (self.watched, self.bottles, self.baths) for x in part)

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to the watch."""
        plain = ("false_alarms", "tests", "level", "smoothing", "alarms")
        lists = ("watched", "bottles", "baths", "effects", "weeks")
        return {
            **{name: getattr(self, name) for name in plain},
            **{name: [part.to_json() for part in getattr(self, name)] for name in lists},
            "single_baths": self.singles.to_json(),
            "ageing": [{"agent": agent, "change_in_kill": change.to_json()} for agent, change in self.ageing],
        }


def answer_monitoring(log: Log, *, month: str, as_of: str, window_months: int = 12) -> MonitoringAnswer:
    """Return what changed over the window of months ending with `month`; `as_of` is the day the log was read to.

    An alarm is raised where fewer than `level` of all orders of the same baths would show so much. Alarms of drift are
    of the month's baths; of bottles, of the window's. The farm's settings give horizon, targets and level of limits.
    """
    period, settings = period_of(month, window_months=window_months), log.settings
    tally = tally_watch(log, since=period.start, until=period.end)
    losses, kills, series = charts_of(log, tally, period)
    shared = [name for name, rows in kills.items() if rows.frame["shared"].any()]
    drifts, groups, baths = drifts_of(series), bottle_groups(series), baths_of(tally, period, shared, settings)
    tests = sum(d.p is not None for d in drifts) + sum(bath.load.p is not None for bath in baths)
    tests += sum(not g.reason for _, g in groups)
    level, wide = FALSE_ALARMS / max(tests, 1), settings.confidence
    bottles = _bottles(groups, losses, kills, period, level=level, confidence_level=wide)
    explained = {b.agent for b in bottles if b.alarm and b.in_month and b.outcome == "kill"}
    each = 1 - (1 - wide) / max(len(kills), 1)
    return MonitoringAnswer(
        settings.horizon_days, wide, settings.target_kill, settings.kill_margin, FALSE_ALARMS, tests, level, SMOOTHING,
        watched=tuple(
            _watched(s, drift, level, None if s.agent in explained or s.outcome != "kill" else kills[s.agent])
            for s, drift in zip(series, drifts, strict=True)
        ),
        bottles=bottles,
        baths=tuple(raised(bath, level) for bath in baths),
        ageing=tuple((agent, ageing(rows, confidence_level=each)) for agent, rows in kills.items()),
        effects=(*effects_on_loss(losses, confidence_level=wide), *_moving(tally, kills, wide)),
        weeks=(_weeks("loss", losses.frame, period), _weeks("kill", _found(tally), period)),
        singles=singles_of(
            losses, kills.values(), period, mixers=tally_mixers(log), confidence_level=wide,
            units=log.agents.set_index("agent")["strength_unit_of_bath"].dropna().to_dict(),
        ),
    )  # fmt: skip


def charts_of(log: Log, tally: WatchTally, period: Period) -> tuple[Rows, dict[str, Rows], list[Series]]:
    """Return the window's losses, its pest counts by agent but the sham, and a chart of each agent's loss and kill."""
    losses = loss_rows(tally, period, log.settings.horizon_days)
    agents = [str(a) for a in sorted(log.agents.loc[~log.agents["is_control"], "agent"])]
    kills = {agent: rows for agent in agents if len((rows := kill_rows(tally, period, agent)).frame)}
    series = [*series_of(losses, period, "loss")]
    return losses, kills, series + [s for rows in kills.values() for s in series_of(rows, period, "kill")]


def _rng(*names: str) -> np.random.Generator:
    """A stream of its own for each alarm, so that one more agent changes no other's."""
    return np.random.default_rng([SEED, *"/".join(names).encode()])


def drifts_of(series: list[Series], *, level: float = 1.0) -> list[Drift]:
    """Set each agent's running average against random orders of its baths; `level`: see `drift_alarm`."""
    return [
        drift_alarm(s.worse, s.baths["recent"], rng=_rng("drift", s.outcome, s.agent), level=level) for s in series
    ]


def bottle_groups(series: list[Series]) -> list[tuple[Series, Groups]]:
    """Set the bottles of each agent against one another, where any is recorded."""
    out = []
    for s in series:
        told = s.baths["lot"].notna().to_numpy()
        lots = s.baths.loc[told, "lot"].to_numpy(str)
        if told.any():
            out.append((s, group_alarm(s.worse[told], lots, rng=_rng("bottle", s.outcome, s.agent))))
    return out


def _bottles(
    groups: list[tuple[Series, Groups]], losses: Rows, kills: dict[str, Rows], period: Period, *, level: float,
    confidence_level: float,
) -> tuple[Bottle, ...]:  # fmt: skip
    out = []
    for s, found in groups:
        rows = kills[s.agent] if s.outcome == "kill" else losses.where(losses.frame["agent"] == s.agent)
        out += bottles_of(s, found, rows, period, level=level, confidence_level=confidence_level)
    return tuple(out)


def baths_of(tally: WatchTally, period: Period, agents: Iterable[str], settings: Settings) -> list[TiredBath]:
    """Read these agents, of which some bath served several sessions, without allowing for load beforehand."""
    out = []
    for agent in agents:
        rows = kill_rows(tally, period, agent, load=False)
        in_month = period.in_month(rows.frame["date"]).to_numpy()
        out.append(tired_bath(rows, in_month, agent, settings, _rng("bath", agent)))
    return out


def _watched(s: Series, drift: Drift, level: float, kills: Rows | None) -> Watched:
    """Judge one chart; `kills` are its rows where a cause is to be looked for."""
    recent = s.baths["recent"].to_numpy()
    counts = {name: float(getattr(s.scores, name)[recent].sum()) for name in ("events", "expected", "trials")}
    counts["alarm_above"] = drift.limit(level)
    if drift.p is None or drift.p > level:
        return Watched(s, drift, False, "", **counts)
    below = np.flatnonzero(drift.average[: drift.peak + 1] <= 0)
    since = f"{s.baths['date'].iloc[int(below[-1]) + 1 if below.size else 0]:%Y-%m-%d}"
    if kills is None:
        return Watched(s, drift, True, since, **counts)
    suspects = Suspects(kills, (kills.frame["date"] >= pd.Timestamp(since)).to_numpy())
    return Watched(s, drift, True, since, **counts, shortfall=suspects.all, causes=causes_of(suspects, lot=None))


def _moving(tally: WatchTally, kills: dict[str, Rows], level: float) -> Iterator[Effect]:
    separating = set(tally.sessions.loc[tally.sessions["separates"], "agent"])
    yield from (effect_of_moving(rows, agent, confidence_level=level) for agent, rows in kills.items()
                if agent in separating)  # fmt: skip


def _found(tally: WatchTally) -> pd.DataFrame:
    """Pests counted in every bath, as events and trials."""
    return tally.kills.rename(columns={"killed": "events", "found": "trials"})


def _weeks(outcome: str, frame: pd.DataFrame, period: Period) -> Weeks:
    """Add up by week of the dip; weeks without a count stay empty."""
    last = period.end - pd.Timedelta(days=1)
    frame = frame[period.in_window(frame["date"])]
    mondays = pd.date_range(period.start - pd.Timedelta(days=period.start.weekday()), last, freq="7D")
    frame = frame[~frame["is_control"].astype(bool)]
    place = (frame["date"] - mondays[0]).dt.days.to_numpy(np.int64) // 7
    events, trials = (np.bincount(place, frame[name], len(mondays)) for name in ("events", "trials"))
    chart = laney_p_chart(events, trials) if trials.sum() else None
    return Weeks(outcome, tuple(f"{day:%Y-%m-%d}" for day in mondays), events, trials, chart)
