"""Labour and cost, drawn: hours by month beside their forecasts, work by task, what a piece costs, the weeks ahead."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from afterdip.answers.labour import EffortRow, LabourAnswer
from afterdip.answers.labour_cost import CostCell
from afterdip.answers.labour_months import MonthRow, WeekRow
from afterdip.charts.style import ACCENT, INK, RULE, SMALL, say_instead
from afterdip.estimate import Estimate
from afterdip.labour import PARTS

FIXED, EACH = "#0b5563", "#8fb8c0"
PART_LOOKS = {  # colour and hatch, so that the parts stay apart in grey print
    "labour": ("#0b5563", "", "labour"),
    "agent": ("#3d4fa1", "\\\\\\", "agent"),
    "redips": ("#8fb8c0", "...", "re-dips"),
    "dead": ("#a03c78", "", "pieces that died"),
    "detached": ("#d9b35c", "//", "pieces that came off"),
}


def draw_hours(ax: Axes, answer: LabourAnswer) -> None:
    """Draw each month's hours, what the months before it led one to expect, and the coming month's forecast.

    Hours in the log stand solid, those of sessions without labour rows hatched on top.
    """
    months: Sequence[MonthRow] = answer.months
    if not any(m.hours for m in months) and not answer.forecast.hours.known:
        say_instead(ax, f"Too few to say: {answer.forecast.hours.reason}")
        return
    places = np.arange(len(months))
    recorded = np.array([m.recorded_hours for m in months])
    missing = np.array([max((m.hours or m.recorded_hours) - m.recorded_hours, 0.0) for m in months])
    ax.bar(places, recorded, width=0.62, color=EACH, label="in the log")
    ax.bar(places, missing, bottom=recorded, width=0.62, facecolor="white", edgecolor=EACH, hatch="////",
           label="sessions without labour rows, at the others' rate")  # fmt: skip
    named = False
    for place, value in [*zip(places, (m.forecast for m in months), strict=True), (len(months), answer.forecast.hours)]:
        if value.known:
            colour = INK if place < len(months) else "#c24e00"
            _interval(ax, place, value, colour, "" if named else "forecast from the months before")
            named = True
    ax.set_xticks([*places, len(months)], [*(_short(m.month) for m in months), "next"])
    ax.set_ylabel("person-hours")
    ax.set_ylim(0, None)
    ax.legend(loc="upper left", bbox_to_anchor=(0, -0.14))


def draw_work(ax: Axes, rows: Sequence[EffortRow]) -> None:
    """Draw, for a session of mean size, the person-minutes that are fixed and those that go by the piece.

    A negative part, which means that the split cannot be told, is drawn as nothing; the table has its figures.
    """
    known = [row for row in rows if row.effort.fixed.known]
    if not known:
        say_instead(ax, f"Too few to say: {rows[0].effort.fixed.reason}" if rows else "No labour written down.")
        return
    places = np.arange(len(known))
    fixed = np.array([max(row.effort.fixed.estimate, 0.0) for row in known])
    each = np.array([max(row.effort.per_piece.estimate, 0.0) * _size(row) for row in known])
    ax.barh(places, fixed, color=FIXED, height=0.62, label="fixed per session")
    ax.barh(places, each, left=fixed, color=EACH, height=0.62, hatch="..", edgecolor="white", label="by the piece")
    ax.set_yticks(places, [row.label for row in known])
    ax.set_ylim(len(known) - 0.4, -0.6)
    ax.set_xlabel("person-minutes for a session of mean size")
    ax.grid(axis="x")
    ax.grid(visible=False, axis="y")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2)  # above: below, few rows let it cover the axis


def draw_costs(ax: Axes, cells: Sequence[CostCell], *, currency: str) -> None:
    """Draw what one clean surviving piece costs, stacked by part, and the limits of the whole."""
    known = [c for c in cells if c.cost.per_clean_survivor.known]
    if not known:
        why = cells[0].cost.per_clean_survivor.reason if cells else "no pieces dipped"
        say_instead(ax, f"Cannot say: {why}")
        return
    places, left = np.arange(len(known)), np.zeros(len(known))
    for part in PARTS:
        colour, hatch, label = PART_LOOKS[part]
        width = np.array([c.cost.parts[part].estimate for c in known])
        ax.barh(places, width, left=left, height=0.62, color=colour, hatch=hatch, edgecolor="white", label=label)
        left += width
    for place, cell in zip(places, known, strict=True):
        whole = cell.cost.per_clean_survivor
        ax.plot([whole.low, whole.high], [place, place], color=INK, linewidth=1.2)
        ax.plot([whole.low, whole.high], [place, place], "|", color=INK, markersize=7)
    ax.set_yticks(places, [c.label for c in known])
    ax.set_ylim(len(known) - 0.4, -0.6)
    ax.set_xlim(0, None)
    ax.set_xlabel(f"{currency} per clean surviving piece".strip())
    ax.grid(axis="x")
    ax.grid(visible=False, axis="y")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, columnspacing=1.2, handlelength=1.4)


def draw_plan(ax: Axes, weeks: Sequence[WeekRow]) -> None:
    """Draw the crew-hours of the weeks ahead, with limits, and the pieces they are for."""
    if not any(w.hours.known for w in weeks):
        say_instead(ax, f"Cannot say: {weeks[0].hours.reason}" if weeks else "Nothing planned.")
        return
    for place, week in enumerate(weeks):
        if week.hours.known:
            ax.bar(place, week.hours.estimate, width=0.5, color=RULE)
            _interval(ax, place, week.hours, ACCENT, "")
        ax.annotate(f"{week.fresh:.0f} first dips\n{week.redips:.0f} re-dips", (place, 0), xytext=(0, 5),
                    textcoords="offset points", ha="center", va="bottom", fontsize=SMALL, color=INK)  # fmt: skip
    ax.set_xticks(range(len(weeks)), [f"week of\n{w.week}" for w in weeks])
    ax.set_ylim(0, None)
    ax.set_ylabel("crew-hours")


def _interval(ax: Axes, place: float, value: Estimate, colour: str, label: str) -> None:
    ax.plot([place, place], [value.low, value.high], color=colour, linewidth=1.6, solid_capstyle="butt")
    ax.plot([place], [value.estimate], "o", color=colour, markersize=5, markeredgecolor="white", label=label or None)


def _size(row: EffortRow) -> float:
    return row.effort.fixed.pieces / row.effort.fixed.sessions


def _short(month: str) -> str:
    """Return "Nov 25" for 2025-11, in English whatever the machine's language."""
    names = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    return f"{names[int(month[5:]) - 1]}\n{month[2:4]}"
