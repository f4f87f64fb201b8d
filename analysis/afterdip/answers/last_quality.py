"""What became of what the page on log quality asked for a month ago: handling, looks, sham dips and the watch's alarms.

Hazards, looks and sham dips are read off the log as it stood then. Where nothing was dipped since, no lapse is no proof
of care: what was asked stays open. A bottle that nothing was dipped from is out of use all the same. A bottle or a bath
is followed if today's watch raises its alarm and the watch of that day, on the same baths cut at that day, did too: one
whose alarm has gone since asks for nothing more. An agent that drifted by that day's watch, no bottle explaining it, is
followed too: today's watch says whether its alarm still stands. That day's alarms are judged at today's level.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from afterdip.answers.last_actions import LastAction, LastActions, a_month_before, state_of
from afterdip.answers.monitoring import MonitoringAnswer, Watched, baths_of, bottle_groups, charts_of, drifts_of
from afterdip.answers.period import Period, period_of
from afterdip.answers.quality_actions import DO, asked_of_bath, asked_of_bottle, asked_of_drift, asked_of_trays, seen_of
from afterdip.answers.watch_baths import raised
from afterdip.answers.watch_series import Series
from afterdip.answers.words import counted
from afterdip.log.model import Log
from afterdip.tally.looks import tally_looks_due
from afterdip.tally.monitoring import tally_sessions, tally_watch
from afterdip.tally.until import log_until

NOTHING_SINCE = "nothing dipped since"


def answer_last_quality(
    log: Log, hazards: pd.DataFrame, watch: MonitoringAnswer, *, month: str, as_of: str, window_months: int
) -> LastActions:
    """Return what was asked for a month before `as_of`, by the report of the month before `month`, and what followed.

    `hazards`: tally_hazards' of the whole log; `watch`: of `month`.
    """
    day = a_month_before(as_of)
    period = period_of(str(pd.Period(month, freq="M") - 1), window_months=window_months)
    date = log.sessions.set_index("session")["date"]
    then, since = date[date <= pd.Timestamp(day)], log.sessions[log.sessions["date"] > pd.Timestamp(day)]
    asked = then[period.in_month(then)]
    rows = (
        *_handling(hazards, set(asked.index), since),
        *_looks(log, period.month_start, day),
        *_sham(log, set(asked.index), since),
        *_watch(log, watch, period, day, since),
    )
    return LastActions(day, rows)


def _handling(hazards: pd.DataFrame, asked: set[str], since: pd.DataFrame) -> Iterator[LastAction]:
    """Hazards of the month's sessions, by what to do; done where no later session of these agents has them."""
    for kind, do in DO.items():
        same = hazards[hazards["kind"] == kind]
        agents = list(dict.fromkeys(same.loc[same["session"].isin(asked), "agent"]))
        if agents:
            later = set(since.loc[since["agent"].isin(agents), "session"])
            what = do.format(agents=", ".join(sorted(agents)))
            yield _again(what, len(later & set(same["session"])), len(later), since)


def _again(what: str, wrong: int, whole: int, since: pd.DataFrame) -> LastAction:
    """Judge something not to be repeated: done where none of the `whole` sessions with it `since` repeats it."""
    if since.empty:
        return LastAction(what, "open", NOTHING_SINCE)
    if not whole:
        return LastAction(what, "done", "no session with it since")
    sessions = counted(whole, "session")
    how = f"lapses in {wrong} of {sessions} since" if wrong else f"no lapse recorded in {sessions} since"
    return LastAction(what, state_of(whole - wrong, whole), how)


def _looks(log: Log, since: pd.Timestamp, day: str) -> Iterator[LastAction]:
    """Trays that were to be looked at on that day: never seen, or not for too long."""
    due = tally_looks_due(log, on=day, since=since)
    checked = set(log.checks.loc[log.checks["checked"] > pd.Timestamp(day), "tray"])
    for never in (True, False):
        trays = set(due.loc[due["never"] == never, "tray"])
        if trays:
            seen = len(trays & checked)
            how = f"{seen} looked at since" if seen else "none looked at since"
            yield LastAction(asked_of_trays(len(trays), never=never), state_of(seen, len(trays)), how)


def _sham(log: Log, asked: set[str], since: pd.DataFrame) -> Iterator[LastAction]:
    controls = log.sessions.loc[log.sessions["is_control"], "session"]
    if asked and not asked & set(controls):
        given = int(since["is_control"].sum())
        how = f"{counted(given, 'sham dip')} since" if given else "none since"
        yield LastAction("Put some trays through a sham dip", "done" if given else "open", how)


def _watch(log: Log, watch: MonitoringAnswer, period: Period, day: str, since: pd.DataFrame) -> Iterator[LastAction]:
    """Bottles and shared baths that raise an alarm today and did then, and agents that drifted then."""
    bottles = sorted({(b.agent, b.outcome) for b in watch.bottles if b.alarm})
    tired = sorted({bath.agent for bath in watch.baths if bath.alarm})
    tally = tally_watch(log_until(log, day), since=period.start, until=period.end)
    *_, series = charts_of(log, tally, period)
    for agent, outcome in bottles:
        for lot in _alarming(series, agent, outcome, watch):
            used = int(((since["agent"] == agent) & (since["lot"] == lot)).sum())
            how = f"used in {counted(used, 'session')} since" if used else "not used since"
            yield LastAction(asked_of_bottle(agent, lot, outcome), "open" if used else "done", how)
    sessions = tally_sessions(log)
    later = sessions[sessions["session"].isin(since["session"])]
    for bath in baths_of(tally, period, tired, log.settings):
        if raised(bath, watch.level).alarm and bath.served_most is not None:
            served = later.loc[later["agent"] == bath.agent, "served_per_l"]
            yield _again(asked_of_bath(bath), int((served > (bath.change_at or 0.0)).sum()), len(served), since)
    now = {(w.series.agent, w.series.outcome): w for w in watch.watched}
    for s, drift in zip(series, drifts_of(series, level=watch.level), strict=True):
        if drift.p is not None and drift.p <= watch.level and not _alarming(series, s.agent, s.outcome, watch):
            yield LastAction(asked_of_drift(s), *_stands(now.get((s.agent, s.outcome))))


def _stands(now: Watched | None) -> tuple[str, str]:
    """Return the state of an agent that drifted, by the baths of the month since, and what they say."""
    if now is None or now.drift.p is None:
        why = "no bath with a count" if now is None else now.drift.reason
        return "open", f"cannot be judged since: {why}"
    state, words = ("open", "the alarm still stands") if now.alarm else ("done", "no alarm any more")
    return state, f"{words}: {seen_of(now)}"


def _alarming(series: list[Series], agent: str, outcome: str, watch: MonitoringAnswer) -> list[str]:
    """Return the agent's bottles in use in the month of these charts that raise an alarm on its baths."""
    own = [s for s in series if (s.agent, s.outcome) == (agent, outcome)]
    used = {lot for s in own for lot in s.baths.loc[s.baths["recent"], "lot"].dropna()}
    return [
        str(lot) for _, found in bottle_groups(own) for lot, p in zip(found.group, found.p, strict=True)
        if p <= watch.level and lot in used
    ]  # fmt: skip
