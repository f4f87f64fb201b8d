"""The watch's tables and sentences."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from afterdip.answers.words import counted, percent
from afterdip.tables.base import Table, count, digits, number, per_cent, points

if TYPE_CHECKING:
    from afterdip.answers.monitoring import MonitoringAnswer, Watched
    from afterdip.answers.watch_baths import TiredBath
    from afterdip.answers.watch_lots import Bottle


def watch_sentence(watch: MonitoringAnswer) -> str:
    """Say which alarms were raised and how often a farm where nothing changed would see one."""
    found = [f"{w.series.agent}, {_outcome(w)}, since {w.since}" for w in watch.watched if w.alarm]
    found += [f"bottle {b.lot} of {b.agent}, {b.outcome}" for b in watch.bottles if b.alarm]
    found += [f"baths of {b.agent} that tire" for b in watch.baths if b.alarm]
    if not watch.tests:
        return "No alarm is possible yet: no agent and no bottle has enough baths. That is no sign that all is well."
    rate = f"{digits(1 / watch.false_alarms)}"
    said = f"{counted(len(found), 'alarm')}: {'; '.join(found)}." if found else "No alarm."
    alarms = f"{count(watch.tests)} alarms of this page are" if watch.tests > 1 else "one alarm of this page is"
    return (
        f"{said} The {alarms} set so that a farm where nothing changes gets any in at most 1 of {rate} monthly "
        "reports. No alarm does not mean no change: small changes, or those in a few baths, are missed."
    )


def watch_table(watch: MonitoringAnswer) -> Table:
    """Set each chart: baths, the month's count against expectation, how unusual it is, and whether that is an alarm."""
    rows = tuple(
        (
            w.series.agent, _outcome(w), count(len(w.series.baths)), f"{digits(w.events)} of {digits(w.trials)}",
            digits(w.expected, 1), _chance(w.drift.p, w.drift.reason), f"since {w.since}" if w.alarm else "no",
        )
        for w in watch.watched
    )  # fmt: skip
    note = (
        "Expected: for such corals in such baths (agent, strength, minutes, coral group, condition; for kill, pest and "
        "what the bath had served), by the farm's own record. Pieces followed in part count in part. How unusual: how "
        "often the running average gets as high when the same baths are put in random order; alarm at "
        f"{_chance(watch.level)} or less."
    )
    columns = ("agent", "outcome", "baths", "this month", "expected", "how unusual", "alarm")
    return Table("Has anything changed?", columns, rows, note)


def bottles_table(watch: MonitoringAnswer, *, outcome: str) -> Table:
    """Set the bottles in use in the month, and those with an alarm, by kill or by loss."""
    bottles = Counter((b.agent, b.outcome) for b in watch.bottles)
    rows = tuple(
        (
            f"{b.agent}, {b.lot}" + (" (alarm)" if b.alarm else ""), b.first, count(b.baths),
            f"{digits(b.events)} of {digits(b.trials)}", points(b.difference),
            _chance(b.p, "too few baths" if bottles[b.agent, b.outcome] > 1 else "no other bottle recorded"),
            *((_acts(b),) if outcome == "kill" else ()),
        )
        for b in watch.bottles if b.outcome == outcome and (b.in_month or b.alarm)
    )  # fmt: skip
    columns = ("bottle", "from", "baths", _word(outcome), "minus the agent's others", "how unusual")
    note = (
        f"Minus the agent's others: all else held equal, {percent(watch.confidence_level)} limits by bath. How "
        "unusual: how often any bottle does as badly when the same baths are dealt to the agent's bottles at random; "
        f"alarm at {_chance(watch.level)} or less."
    )
    if any(b.alarm for b in watch.bottles if b.outcome == outcome):
        note += " A bottle with an alarm was picked for looking bad; its limits are wider to allow for that."
    acts = " Acts like: the part of its strength that would explain its kills; only for bottles with an alarm."
    kill = outcome == "kill"
    return Table(f"Bottle by bottle, {_word(outcome)}", columns + (("acts like",) if kill else ()), rows,
                 note + (acts if kill else ""))  # fmt: skip


def causes_table(watch: MonitoringAnswer) -> Table:
    """Set, for every alarm on kill, what the log can and cannot tell of four causes."""
    rows = [(f"bottle {b.lot} of {b.agent}", c.name, c.verdict, c.why) for b in watch.bottles for c in b.causes]
    rows += [(f"{w.series.agent} since {w.since}", c.name, c.verdict, c.why) for w in watch.watched for c in w.causes]
    note = (
        "Expected: from the agent's other baths. Falls short: fewer than 1 in 20 such sets of baths kill so few, each "
        "look by itself. To settle it, run a bath from a fresh bottle beside one from the old, on the same day."
    )
    return Table("What may have caused a poor kill", ("alarm", "cause", "the log", "what says so"), tuple(rows), note)


def baths_table(watch: MonitoringAnswer) -> Table:
    """Set, for agents whose baths served several sessions, what a fresh bath kills and where to change it."""
    named = (
        ("baths that served several sessions", lambda b: count(b.shared)),
        ("killed when fresh", lambda b: per_cent(b.life.fresh)),
        ("change in kill from fresh", _fall),
        (f"lower limit of kill reaches {percent(watch.target_kill)} up to", lambda b: _load(b.life.serves_to)),
        (f"within {digits(100 * watch.kill_margin)} points of fresh up to", lambda b: _load(b.life.holds_to)),
        ("upper limit of kill below target from", lambda b: _load(b.life.below_from)),
        ("how unusual if load did nothing", lambda b: _chance(b.load.p, b.load.reason)),
        ("load or hours since mixing", _hours),
        ("alarm", lambda b: "yes" if b.alarm else "no"),
    )
    rows = tuple((words, *(told(b) for b in watch.baths)) for words, told in named) if watch.baths else ()
    note = (
        f"Load: pieces served before, per litre. {percent(watch.confidence_level)} limits by bath, never beyond the "
        "loads tried. How unusual: how often kill falls as steeply when the sessions of each bath are put in random "
        "order."
    )
    return Table("Baths that serve several sessions", ("", *(b.agent for b in watch.baths)), rows, note)


def ageing_table(watch: MonitoringAnswer) -> Table:
    """Set the change in kill with the time a bottle has been open."""
    rows = tuple((agent, count(change.sessions), points(change)) for agent, change in watch.ageing)
    note = (
        "Within each bottle, by days since its first session. Limits are widened so that all agents in the table hold "
        "together. No alarm comes from this table."
    )
    return Table("Kill by time open", ("agent", "baths", "change in kill per 30 days open"), rows, note)


def effects_table(watch: MonitoringAnswer) -> Table:
    """Set what goes with losses, or kill, beside the agent."""
    rows = tuple(
        (
            e.step + (f", {e.agent}" if e.agent else ""), _word(e.outcome), e.of, _range(e.least, e.most),
            count(e.change.sessions), points(e.change),
        )
        for e in watch.effects
    )  # fmt: skip
    note = (
        f"Loss by day {watch.horizon_days}; agent, strength, minutes, coral group and condition held equal; "
        f"{percent(watch.confidence_level)} limits by bath. Going together is not cause: the crew chose these values, "
        "and nothing is known beyond those recorded."
    )
    columns = ("step", "outcome", "read off", "recorded", "baths", "change")
    return Table("What goes with losses", columns, rows, note)


def watch_captions(watch: MonitoringAnswer) -> dict[str, dict[str, str]]:
    """Return alt text and caption of the watch's figures by name, ready for show_figure(**...)."""
    one_in = digits(1 / watch.false_alarms)
    out = {}
    for outcome, weeks in zip(("loss", "kill"), watch.weeks, strict=True):
        charts = [w for w in watch.watched if w.series.outcome == outcome]
        alarms = ", ".join(w.series.agent for w in charts if w.alarm) or "none"
        baths, what = counted(sum(len(w.series.baths) for w in charts), "bath"), _word(outcome)
        out[outcome] = {
            "alt": f"One line per agent: running average of {what} against what was expected. Alarms: {alarms}.",
            "caption": f"Running average of {what} against what was expected, bath by bath ({baths}; the newest "
            f"weighs {percent(watch.smoothing)}). Strong: this month. Dashed: alarm. A farm where nothing changes "
            f"gets any alarm on this page in at most 1 of {one_in} reports.",
        }
        out[f"{outcome}_weeks"] = _weeks_caption(weeks, what)
    shown = watch.killing_bottles
    out["bottles"] = {
        "alt": "; ".join(f"{b.agent} {b.lot}: {points(b.difference)}" for b in shown) or "No bottle recorded.",
        "caption": f"Kill of the bottles in use in the month, {counted(sum(b.baths for b in shown), 'bath')}. Bars: "
        f"{percent(watch.confidence_level)} limits by bath.",
    }
    out["baths"] = {
        "alt": "; ".join(f"{b.agent}: {per_cent(b.life.fresh)} killed when fresh, {_fall(b)}" for b in watch.baths)
        or "No bath served more than one session.",
        "caption": f"Kill against pieces served, {counted(sum(b.life.baths for b in watch.baths), 'bath')}. Dots: "
        f"sessions, larger with more pests. Band: {percent(watch.confidence_level)} limits by bath. Dotted: time to "
        "change.",
    }
    losses = [e for e in watch.effects if e.outcome == "loss"]
    out["effects"] = {
        "alt": "; ".join(f"{e.step}: {points(e.change)}" for e in losses),
        "caption": f"Change in pieces lost by day {watch.horizon_days} per step, other things held equal. Bars: "
        f"{percent(watch.confidence_level)} limits by bath. The table has the counts.",
    }
    return out


def _weeks_caption(weeks, what: str) -> dict[str, str]:
    chart = weeks.chart
    if chart is None:
        return {"alt": f"No {what} was counted.", "caption": ""}
    out = int(chart.out.sum())
    return {
        "alt": f"Share by week, {digits(100 * chart.centre, 1)} % overall; {counted(out, 'week')} beyond the limits.",
        "caption": f"All agents but the sham by week of the dip: {digits(weeks.events.sum())} of "
        f"{digits(weeks.trials.sum())}. Band: Laney's limits, {digits(chart.sigma_z, 1)} times as wide as for pieces "
        "that share no bath. Only a picture: agents and strengths change from week to week, so no alarm comes from it.",
    }


def _outcome(w: Watched) -> str:
    return _word(w.series.outcome)


def _word(outcome: str) -> str:
    return "pieces lost" if outcome == "loss" else "pests killed"


def _acts(b: Bottle) -> str:
    return "–" if b.acts_like is None else number(b.acts_like, 2)


def _fall(b: TiredBath) -> str:
    fall = b.life.fall
    return f"{points(fall)} at {digits(b.life.fall_at, 1)} per litre" if fall.known else fall.reason


def _load(load: float | None) -> str:
    return "nowhere among the loads tried" if load is None else f"{digits(load, 1)} pieces per litre"


def _hours(b: TiredBath) -> str:
    if b.correlation is None:
        return "hours not recorded"
    if not b.apart:
        return "cannot be told apart"
    return "load, by the log" if _clearer(b) else "neither is clear"


def _clearer(b: TiredBath) -> bool:
    """Whether load shows the fall and hours do not show it better."""
    return b.alarm and (b.hours.p is None or b.load.p <= b.hours.p)


def _range(least: float | None, most: float | None) -> str:
    return "–" if least is None else f"{digits(least, 1)} to {digits(most, 1)}"


def _chance(p: float | None, reason: str = "") -> str:
    if p is None:
        return reason or "–"
    return f"{digits(1000 * p, 1)} in 1000" if p < 0.01 else f"{digits(100 * p)} in 100"
