"""The survival page's tables and sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from afterdip.answers.words import counted, percent, so_many
from afterdip.tables.base import Table, count, digits, number, per_cent, points

if TYPE_CHECKING:
    from afterdip.answers.survival import SurvivalAnswer, SurvivalCell

WERE = ("was", "were")
FIRST = ("first dipped in the month was", "first dipped in the month were")


def month_sentence(answer: SurvivalAnswer) -> str:
    """Say in one breath what was dipped, what is alive at the horizon and what that is over the sham."""
    month = answer.month
    if not month.pieces:
        return "No piece had its first dip in this month."
    alive = per_cent(month.alive) if month.alive.known else f"cannot say, {month.alive.reason}"
    loss = month.loss_over_sham
    over = points(loss) if loss.known else f"cannot say, {loss.reason}"
    n = answer.redipped_pieces
    again = f" {counted(n, 'piece')} dipped again in the month count under their first dip." if n else ""
    return (
        f"{counted(month.pieces, 'piece')} had their first dip in {counted(month.sessions, 'session')}. Alive on day "
        f"{answer.horizon_days}: {alive}. Loss over sham: {over}.{again}"
    )


def unknown_sentence(answer: SurvivalAnswer) -> str:
    """Say what the month's log leaves open."""
    u, month, day = answer.unknown, answer.month, answer.horizon_days
    late = ""
    if month.straddling and month.alive_spread.known:
        over = month.loss_over_sham_spread
        lost = f" and {points(over)} lost over sham" if over.known else ""
        late = (
            f" {counted(month.straddling, 'death')} found after day {day} may have come before it: spread over the "
            f"days since the look before, that makes {per_cent(month.alive_spread)} alive on day {day}{lost}."
        )
    never = (
        f"{so_many(u.trays_never_checked, u.trays, 'tray', FIRST)} never checked afterwards "
        f"({counted(u.pieces_never_checked, 'piece')}: unknown, not alive; no curve has them)."
        if u.trays_never_checked
        else "Every tray first dipped in the month was checked afterwards."
    )
    followed = so_many(u.sessions_followed_to_horizon, u.sessions, "session", WERE)
    return f"{never} {followed} followed to day {day}.{late}"


def survival_table(answer: SurvivalAnswer, cells: Sequence[SurvivalCell], *, caption: str) -> Table:
    """Set cells as rows: counts, alive at the horizon, came off, and loss over the sham.

    Months in which nothing was dipped are left out, and the note says so.
    """
    day, shown = f"day {answer.horizon_days}", with_dips(cells)
    columns = ("", "sessions", "pieces", "died so far", f"alive on {day}", f"came off by {day}", "loss over sham")
    rows = tuple(
        (
            c.label,
            count(c.sessions),
            count(c.pieces),
            count(int(c.curve.deaths.sum()) if c.curve is not None else None),
            per_cent(c.alive),
            per_cent(c.detached),
            points(c.loss_over_sham),
        )
        for c in shown
    )
    note = (
        f"Died so far: after {day} too. Loss over sham: pieces dead by {day}, agent minus sham of the same season, in "
        f"percentage points; above zero the agent lost more. {percent(answer.confidence_level)} limits by session."
    )
    note += " Months without dips are left out." if len(shown) < len(cells) else ""
    if any("strength" in c.keys for c in cells):
        note += (
            " Strengths stand below their agent, the rarer ones together, where their sessions suffice. Sicker corals "
            "often get the weaker bath."
        )
    return Table(caption, columns, rows, note)


def with_strengths(cells: Sequence[SurvivalCell], parts: Sequence[SurvivalCell]) -> tuple[SurvivalCell, ...]:
    """Return the cells, each followed by the strengths of its agent whose loss over sham can be said."""
    said = [part for part in parts if part.loss_over_sham.known]
    return tuple(row for c in cells for row in (c, *(part for part in said if _same(part, c))))


def _same(part: SurvivalCell, cell: SurvivalCell) -> bool:
    return all(part.keys.get(name) == cell.keys.get(name) for name in ("coral_group", "agent"))


def with_dips(cells: Sequence[SurvivalCell]) -> tuple[SurvivalCell, ...]:
    """Return the cells without those of months in which nothing was dipped: they are no months of unknown survival."""
    return tuple(c for c in cells if c.pieces or "month" not in c.keys)


def readings_table(answer: SurvivalAnswer) -> Table:
    """Set each agent's survival as read at checks, between checks and by a Weibull law, and its tests."""
    day = f"day {answer.horizon_days}"
    columns = (
        *("", f"alive on {day}, deaths on the day found", "deaths between checks", "smooth curve", "days lived"),
        *("days lived, minus sham", "how unusual if like the sham", "the same, deaths between checks"),
    )
    rows = tuple(
        (
            r.agent,
            per_cent(r.alive),
            _between(r.between_checks),
            "–" if r.weibull is None else f"{digits(100 * r.weibull, 1)}\u00a0%",
            number(r.days_lived, 1),
            number(r.days_over_sham, 1),
            _chance(r.test_p),
            _chance(r.interval_p),
        )
        for r in answer.readings
    )
    note = (
        "Deaths on the day found: Kaplan-Meier. Between checks: anywhere since the check before (Turnbull). Smooth "
        f"curve: Weibull, through the same. Days lived: mean within the first {answer.horizon_days} days. How unusual: "
        "how often so large a difference comes up when whole sessions are dealt to agent and sham at random; the first "
        "of the two within coral groups."
    )
    return Table("When pieces died, reckoned in several ways", columns, rows, note)


def adjusted_table(answer: SurvivalAnswer) -> Table:
    """Set the adjusted hazard ratios."""
    a = answer.adjusted
    rows = [(f"{name} against {a.reference}", number(e, 2)) for name, e in a.agents]
    rows += [(name, number(e, 2)) for name, e in a.health]
    note = (
        "Above 1: died faster. Cox model, each coral group and quarter of the year by itself, condition and origin "
        f"before the dip held equal; {percent(answer.confidence_level)} limits by session. What the log does not "
        "record cannot be allowed for."
    )
    return Table("How fast pieces died, like with like", ("", "hazard ratio"), tuple(rows), note, a.reason or "none")


def _between(bounds: tuple[float, float] | None) -> str:
    if bounds is None:
        return "–"
    low, high = (digits(100 * x, 1) for x in bounds)
    return f"{low}\u00a0%" if low == high else f"{low} to {high}\u00a0%"


def _chance(p: float | None) -> str:
    if p is None:
        return "–"
    return "below 1 in 1000" if p < 0.001 else f"{digits(100 * p, 1)} in 100"


def survival_captions(answer: SurvivalAnswer) -> dict[str, dict[str, str]]:
    """Return alt text and caption of the page's figures by name, ready for show_figure(**...)."""
    day, level = f"day {answer.horizon_days}", f"{percent(answer.confidence_level)} limits by session"
    month, sham = answer.month, answer.month_sham
    dipped = f"{counted(month.pieces, 'piece')} in {counted(month.sessions, 'session')}"
    behind = f"{dipped}; sham {counted(sham.pieces, 'piece')}"
    agents = "; ".join(f"{c.label} {_alive(c)}" for c in answer.agents) or "none"
    pieces, sessions = (sum(getattr(c, name) for c in answer.agents) for name in ("pieces", "sessions"))
    window = f"{counted(pieces, 'piece')}, {counted(sessions, 'session')}"
    off = month.detached
    came_off = f"by {day} {per_cent(off)} had come off" if off.known else f"by {day}: {off.reason}"
    return {
        "month": {
            "alt": f"Stepped curve of the share of pieces alive after the first dip. On {day}, all agents: "
            f"{_alive(month)}; sham: {_alive(sham)}.",
            "caption": f"Pieces alive, by day after the first dip and through re-dips: {behind}. Band: {level}. "
            f"Dotted line: {day}.",
        },
        "ends": {
            "alt": f"Stacked areas of pieces that died and pieces that came off; {came_off}.",
            "caption": f"Pieces lost, by how: {behind}. Pieces taken out alive count until that day.",
        },
        "agents": {
            "alt": f"One stepped survival curve per agent; on {day}: {agents}.",
            "caption": f"Pieces alive by agent of the first dip: {window}. Bands: {level}. Sham in grey, dotted.",
        },
        "groups": {
            "alt": "Dots with limits: loss over sham by coral group and agent; the numbers are in the table below.",
            "caption": f"Pieces dead by {day}, agent minus sham in the same coral group: {window}. Bars: {level}.",
        },
        "months": {
            "alt": "Dots with limits, one per month: "
            + ("; ".join(f"{c.label} {_alive(c)}" for c in with_dips(answer.months)) or "none")
            + ".",
            "caption": f"Alive on {day} by month of the first dip, without sham dips. Bars: {level}. Dashed: target.",
        },
    }


def _alive(cell: SurvivalCell) -> str:
    return f"{per_cent(cell.alive)} alive" if cell.alive.known else cell.alive.reason
