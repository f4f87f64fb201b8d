"""The labour page's tables, sentences and captions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from afterdip.answers.words import counted, percent, so_many
from afterdip.estimate import Estimate
from afterdip.tables.base import Table, count, digits, number, per_cent

if TYPE_CHECKING:
    from afterdip.answers.labour import EffortRow, LabourAnswer
    from afterdip.answers.labour_cost import CostCell

PUBLISHED = (  # what, range, source, what it leaves out
    ("cutting and gluing, hours per 1,000", "2–10 team-hours", "Giraldes et al. 2025",
     "fragmenting only; crew size not given, so person-hours are a multiple"),
    ("planting out, hours per 1,000", "20–183 person-hours", "restoration reports, range as collected",
     "under water on a reef, not at a tank"),
    ("dipping, hours per 1,000", "none found", "–", "your own log is the source"),
    ("deaths within 30 days", "0–3 % a month", "published nursery survival, at a constant rate",
     "nurseries at sea, pieces not dipped"),
    ("came off against died", "21 % against 13 %", "Shafir et al. 2006", "one nursery at sea, over months"),
    ("cost of a piece", "US$0.11–0.26", "Levy et al. 2010; Knoester et al.",
     "nursery work at sea; no agent, no lost value, other wages"),
)  # fmt: skip


def hours_sentence(answer: LabourAnswer) -> str:
    """Say what the month took and how much of it was written down."""
    now = answer.months[-1]
    if not now.sessions:
        return f"No dips in {answer.month}."
    dipped = f"{answer.month}: {counted(now.pieces, 'piece')} in {counted(now.sessions, 'session')}"
    worked = f"{digits(now.recorded_hours, 1)} person-hours"
    if answer.sessions_without_labour == answer.sessions and now.recorded_hours:
        unnamed = "No labour row names its session, so what a session takes cannot be said."
        return f"{dipped}, {worked} in the log. {unnamed}"
    without = now.sessions_without_labour
    whole = f": with them at the others' rate, {digits(now.hours, 1)} hours" if without and now.hours else ""
    return f"{dipped}. The log has {worked}; {_lacking(without, now.sessions)}{whole}."


def _lacking(without: int, sessions: int) -> str:
    """Return "3 of 40 sessions have no labour rows", "every session has labour rows"."""
    if not without:
        return "every session has labour rows"
    return f"{so_many(without, sessions, 'session', ('has', 'have'))} no labour rows"


def forecast_sentence(answer: LabourAnswer) -> str:
    """Say the coming month's hours with their limits, for how much, and where that leaves the log behind."""
    f = answer.forecast
    if not f.hours.known:
        return f"Next month's hours: cannot say, {f.hours.reason}."
    asked = f"{digits(f.sessions.estimate)} sessions" if f.sessions.low is None else (
        f"{number(f.sessions, 0)} sessions, as is usual here,"
    )  # fmt: skip
    beyond = f" Beyond the log: {f.beyond}." if f.beyond else ""
    return (
        f"A month of {count(f.pieces)} pieces in {asked} takes {number(f.hours, 1)} person-hours, or "
        f"{number(f.hours_per_thousand, 1)} per 1,000 pieces. {_in_sessions(answer)} The {_level(answer)} "
        f"limits are for a single month, from {f.months} months; {_hindsight(answer)}{beyond}"
    )


def _in_sessions(answer: LabourAnswer) -> str:
    """Say how much of the forecast is work in sessions; all of it, where the log has no row of other work."""
    inside, hours = answer.forecast.session_hours, answer.forecast.hours
    if not inside.known:
        return f"That is all work in the log; how much of it in sessions cannot be said: {inside.reason}."
    if hours.estimate - inside.estimate < 0.05:  # no tenth of an hour is left over to print
        return "All of it is work in sessions: the log has no row of cleaning, cutting or other work beside them."
    rest = "the rest cleaning, cutting and other work that names no session"
    return f"That is all work in the log: {number(inside, 1)} hours in sessions, {rest}."


def _hindsight(answer: LabourAnswer) -> str:
    tried = [m for m in answer.months if m.forecast.known and m.hours is not None]
    if not tried:
        return "no month has put them to the test yet."
    held = sum(m.forecast.low <= m.hours <= m.forecast.high for m in tried)
    return f"they would have held in {count(held)} of {counted(len(tried), 'month')} so far."


def rinse_sentence(answer: LabourAnswer) -> str:
    """Say what one more rinse takes."""
    one, thousand = answer.rinse_person_min, answer.rinse_hours_per_thousand
    if not one.known:
        return f"One more rinse: cannot say, {one.reason}."
    wage = answer.wage_per_hour
    each, hour = (f"{answer.currency} {digits(x, 2)}".strip() for x in (one.estimate * (wage or 0) / 60, wage or 0))
    money = "" if wage is None else f" ({each} at {hour} an hour)"
    return (
        f"One more rinse takes {number(one, 1)} person-minutes in an average session{money}, or {number(thousand, 1)} "
        "hours per 1,000 pieces. Too few rinses leave residue: the label says how many."
    )


def effort_table(answer: LabourAnswer, rows: Sequence[EffortRow], *, caption: str) -> Table:
    """Set kinds of work as rows: fixed per session, by the piece, hours per 1,000."""
    columns = ("", "sessions", "without labour rows", "fixed, person-min", "per piece, person-min", "hours per 1,000")
    cells = tuple(
        (
            row.label,
            count(row.effort.sessions), count(row.effort.unrecorded), number(row.effort.fixed, 1),
            number(row.effort.per_piece, 2), number(row.effort.hours_per_thousand, 1),
        )
        for row in rows
    )  # fmt: skip
    note = (
        f"{_level(answer)} limits by session. A part below zero means these sessions cannot tell the two parts apart. "
        "Hours per 1,000: at the farm's own session sizes, without work that names no session."
    )
    return Table(caption, columns, cells, note)


def months_table(answer: LabourAnswer) -> Table:
    """Set months as rows: counts, hours, hours per 1,000 and the forecast in hindsight."""
    columns = ("month", "pieces", "sessions", "without labour rows", "hours in the log", "hours in all",
               "forecast before it", "session hours per 1,000")  # fmt: skip
    rows = tuple(
        (
            m.month.replace("-", "\u2011"),  # a hyphen that does not break the line
            count(m.pieces),
            count(m.sessions),
            count(m.sessions_without_labour),
            digits(m.recorded_hours, 1),
            "–" if m.hours is None else digits(m.hours, 1),
            number(m.forecast, 1),
            number(m.hours_per_thousand, 1),
        )
        for m in answer.months
    )
    note = (
        "Hours in all: sessions without labour rows at the others' rate. Forecast before it: from earlier months only, "
        f"for the month's pieces and sessions; {_level(answer)} limits for that one month."
    )
    return Table("Hours by month", columns, rows, note)


def crew_table(answer: LabourAnswer) -> Table:
    """Set crew sizes as rows, at the farm's mean session and mix of agents."""
    columns = ("crew", "sessions", "person-minutes", "minutes on the clock", "person-minutes against smallest crew")
    rows = tuple(
        (
            count(c.crew),
            count(c.person_minutes.sessions),
            number(c.person_minutes, 1),
            number(c.clock_minutes, 1),
            "1" if place == 0 and c.person_minutes_ratio.known else number(c.person_minutes_ratio, 2),
        )
        for place, c in enumerate(answer.crews)
    )
    note = (
        "For an average session and mix of agents; minutes on the clock are tasks one after the other. Crews were not "
        f"chosen by lot: whatever else differed on their days is in here. {_level(answer)} limits."
    )
    return Table("Crews of different size", columns, rows, note)


def plan_table(answer: LabourAnswer) -> Table:
    """Set the weeks ahead as rows."""
    rows = tuple((w.week, digits(w.fresh), digits(w.redips), number(w.hours, 1)) for w in answer.plan)
    note = (
        "First dips: at the pace of the last 13 weeks. Re-dips: pieces now in the holding water, times the share this "
        "farm has dipped again after so many days; which pests call for one is on the follow-up page. Hours: for that "
        f"many pieces, if they come, {_level(answer)} limits; more or fewer pieces are not allowed for."
    )
    return Table("The next four weeks", ("week from", "first dips", "re-dips", "crew-hours"), rows, note)


def materials_table(answer: LabourAnswer) -> Table:
    """Set agents as rows: product and money used, and the pieces a litre served."""
    money = f"{answer.currency} per 1,000 pieces".strip()
    columns = ("agent", "baths", "product per session", "product per 1,000 pieces", money, "pieces per litre")
    rows = tuple(
        (
            m.agent,
            count(m.baths),
            _amount(m.product_per_session, 1, m.unit),
            _amount(m.product_per_thousand, 0, m.unit),
            number(m.cost_per_thousand, 2),
            number(m.pieces_per_litre, 1),
        )
        for m in answer.materials
    )
    note = (
        "A bath that served several sessions counts once, shared out by pieces. Product as it leaves the bottle. "
        f"{_level(answer)} limits by bath. More pieces per litre is not better: baths tire."
    )
    return Table("What went into the baths", columns, rows, note)


def _amount(value: Estimate, places: int, unit: str) -> str:
    """Return an amount of product; three places where fewer would show no digit: a strong product is not none."""
    words = "tablets" if unit == "tablet" else unit
    return number(value, 3 if (value.estimate or 1.0) * 10**places < 1 else places, unit=f"\u00a0{words}")


def cost_table(answer: LabourAnswer, cells: Sequence[CostCell], *, caption: str) -> Table:
    """Set cells as rows: cost of a surviving and of a clean surviving piece, and what doubling value or wage does."""
    money, shown = answer.currency, [c for c in cells if c.pieces or "month" not in c.keys]
    columns = ("", "sessions", "pieces", "no live pest seen", f"{money} per surviving piece".strip(),
               f"{money} per clean surviving piece".strip(), "if value × 2", "if wage × 2")  # fmt: skip
    rows = tuple(
        (
            c.label, count(c.sessions), count(c.pieces), per_cent(c.inputs.clean, 0),
            number(c.cost.per_survivor, 2), number(c.cost.per_clean_survivor, 2),
            *(_plain(e) for e in (c.cost.value_doubled, c.cost.wage_doubled)),
        )
        for c in shown
    )  # fmt: skip
    note = (
        "Pieces count under their first dip, with all later dips. Died, came off: by the day judged, at the value in "
        "farm.toml. × 2: a clean surviving piece if pieces were worth, or an hour cost, twice as much. No live pest "
        "seen: of pieces looked at, at the last look, eggs included; not proven clean. "
        f"{_level(answer)} limits by session. Agents were not chosen by lot: see the page on agents compared."
    )
    note += " Months without dips are left out." if len(shown) < len(cells) else ""
    return Table(caption, columns, rows, note)


def shares_table(answer: LabourAnswer, cells: Sequence[CostCell], *, caption: str) -> Table:
    """Set cells as rows: which share of the cost is labour, agent, re-dips, and pieces that died or came off."""
    names = {"labour": "labour", "agent": "agent", "redips": "re-dips", "dead": "died", "detached": "came off"}
    rows = tuple((c.label, *(per_cent(c.cost.shares[part], 0) for part in names)) for c in cells)
    note = f"Labour and agent of the first dip. {_level(answer)} limits by session."
    return Table(caption, ("", *names.values()), rows, note)


def published_table(answer: LabourAnswer) -> Table:
    """Set the farm's own figures beside published ones, with source and what those leave out."""
    month = answer.cost_months[-1]
    own = (
        number(answer.cutting_hours_per_thousand, 1),
        "–",
        number(answer.total.effort.hours_per_thousand, 1),
        per_cent(month.inputs.dead),
        f"{per_cent(month.inputs.detached)} against {per_cent(month.inputs.dead)}",
        number(month.cost.per_survivor, 2),
    )
    rows = tuple((what, mine, *rest) for (what, *rest), mine in zip(PUBLISHED, own, strict=True))
    columns = ("", "this farm", "published", "source", "what the published figure leaves out")
    note = f"Plausible ranges, not targets. Losses and cost of a piece: first dipped in {answer.month}, all agents."
    return Table("This farm beside published figures", columns, rows, note)


def labour_captions(answer: LabourAnswer) -> dict[str, dict[str, str]]:
    """Return alt text and caption of the page's figures by name, ready for show_figure(**...)."""
    level, window = _level(answer), f"{counted(answer.pieces, 'piece')}, {counted(answer.sessions, 'session')}"
    unrecorded = _lacking(answer.sessions_without_labour, answer.sessions)
    ahead = answer.forecast.hours
    next_month = f"{number(ahead, 1)} hours" if ahead.known else f"cannot say, {ahead.reason}"
    rates = (f"{r.label} {number(r.effort.hours_per_thousand, 1)}" for r in (*answer.tasks, *answer.agents))
    work = "; ".join(rates) or "none"
    costs = "; ".join(f"{c.label} {number(c.cost.per_clean_survivor, 2)}" for c in answer.cost_agents) or "none"
    weeks = "; ".join(f"{w.week} {number(w.hours, 1)}" for w in answer.plan)
    mean = answer.pieces / answer.sessions if answer.sessions else 0.0
    split = f"{window}; {unrecorded}. {level} limits are in the table."
    return {
        "hours": {
            "alt": "Bars of person-hours by month, each with the forecast from the months before; next month: "
            f"{next_month}.",
            "caption": f"Person-hours by month, and forecasts with {level} limits for one month: {window}; "
            f"{unrecorded}.",
        },
        "tasks": {"alt": f"Bars of person-minutes per session, fixed and by the piece. Hours per 1,000: {work}.",
                  "caption": f"By task, for an average session ({digits(mean, 1)} pieces). {split}"},
        "agents": {"alt": f"Bars of person-minutes per session, fixed and by the piece. Hours per 1,000: {work}.",
                   "caption": f"By agent, each for its own average session. {split}"},
        "costs": {
            "alt": f"Stacked bars of cost per clean surviving piece by agent: {costs}.",
            "caption": f"{answer.currency or 'Cost'} per clean surviving piece, by agent of the first dip, stacked by "
            f"what it is made of; lines: {level} limits by session; {window}.",
        },
        "plan": {"alt": f"Bars of crew-hours for the next four weeks: {weeks}.",
                 "caption": f"Crew-hours by week if these pieces come, {level} limits; from {window}."},
    }  # fmt: skip


def _level(answer: LabourAnswer) -> str:
    return percent(answer.confidence_level)


def _plain(value: Estimate) -> str:
    return "–" if value.estimate is None else digits(value.estimate, 2)
