"""Following up, drawn: a calendar of dips with the days on which eggs may hatch, and how sure looks make us of lots."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.ticker import PercentFormatter

from afterdip.answers.period import day_of
from afterdip.answers.redip import Redip
from afterdip.answers.release import Release
from afterdip.charts.style import ACCENT, INK, QUIET, SMALL, say_instead

BACK_DAYS = 45  # so far back dips given are drawn
HATCHING = "#f0d9a8"
LATE = "#c24e00"


def draw_calendar(ax: Axes, rows: Sequence[Redip], *, as_of: str) -> None:
    """Draw a line a tray and pest: dips given and planned, the last day for each, and while eggs may still hatch."""
    if not rows:
        say_instead(ax, "No dip can be dated.")
        return
    today = day_of(as_of)
    last = max(dip.latest for row in rows for dip in row.plan.dips)
    start, end = today - BACK_DAYS, max(last, *(row.plan.hatched_by or 0 for row in rows)) + 3
    for place, row in enumerate(rows):
        _hatching(ax, place, row, end)
    given = [(day, place) for place, row in enumerate(rows) for day in row.dips if day >= start]
    planned = [(dip, place, row) for place, row in enumerate(rows) for dip in row.plan.dips]
    late = [(dip.day, place) for dip, place, row in planned if row.plan.status == "overdue" and dip.day == today]
    ax.plot(*_across(given), "o", color=ACCENT, markersize=6)
    ax.hlines([place for _, place, _ in planned], [dip.day for dip, *_ in planned], [dip.latest for dip, *_ in planned],
              color=INK, linewidth=1.6, capstyle="butt")  # fmt: skip
    coming = [(dip.day, place) for dip, place, _ in planned if (dip.day, place) not in late]
    for days, colour in ((coming, ACCENT), (late, LATE)):
        ax.plot(*_across(days), "D", color=colour, markerfacecolor="white", markersize=6, markeredgewidth=1.6)
    ax.axvline(today, color=QUIET, linewidth=0.9, linestyle=(0, (1, 2)))
    side = "left" if today - start < end - today else "right"  # where the axes have room for the words
    ax.annotate(f"as of {as_of}", (today, 1), xycoords=("data", "axes fraction"), ha=side,
                xytext=(3 if side == "left" else -3, 2), textcoords="offset points", fontsize=SMALL,
                color=QUIET)  # fmt: skip
    ax.set_xlim(start, end)
    _dates(ax)
    _labels(ax, [f"{row.tray}, {row.pest} ({row.plan.status})" for row in rows])


def draw_release(ax: Axes, rows: Sequence[Release], *, confidence_level: float) -> None:
    """Draw how sure the looks that count make us of each lot, beside the confidence the farm wants."""
    if not rows:
        say_instead(ax, "No lot can be read yet: the reasons are in the table.")
        return
    for place, row in enumerate(rows):
        sure = row.confidence.estimate
        ax.plot([0, sure], [place, place], color=ACCENT, linewidth=2.2, solid_capstyle="butt")
        face = ACCENT if row.decision == "release" else "white"
        ax.plot([sure], [place], "o", color=ACCENT, markerfacecolor=face, markersize=6.5, markeredgewidth=1.6)
        ax.text(0.0, place - 0.3, f"{row.lot}: {row.pest}", va="bottom", fontsize=SMALL)
        ax.text(_WORDS_AT, place, _missing(row), va="center", fontsize=SMALL, color=QUIET)
    ax.axvline(confidence_level, color=LATE, linewidth=1.2, linestyle=(0, (5, 2)), zorder=0)
    ax.annotate("wanted", (confidence_level, 1), xycoords=("data", "axes fraction"), xytext=(0, 2), ha="center",
                textcoords="offset points", fontsize=SMALL, color="#a34100")  # fmt: skip
    ax.set_xlim(-0.02, 1.4)
    ax.set_xticks([0, 0.25, 0.5, 0.75, 1.0])
    ax.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_xlabel("how sure that fewer are infested than the farm's limit")
    _labels(ax, [""] * len(rows))
    ax.set_ylim(len(rows) - 0.5, -1.0)
    ax.tick_params(axis="y", length=0)


_WORDS_AT = 1.04  # to the right of 100 %


def _missing(row: Release) -> str:
    if row.decision == "release":
        return "may leave"
    if row.cause == "too early":
        return "looks do not count yet"
    return "looking alone is not enough" if row.further_pieces is None else f"look at {row.further_pieces} more"


def _across(points: Sequence[tuple[int, int]]) -> tuple[list[int], list[int]]:
    """Return days and rows, one list each."""
    return [day for day, _ in points], [row for _, row in points]


def _hatching(ax: Axes, place: int, row: Redip, end: int) -> None:
    """Shade from the day up to which eggs may have been laid to the last hatch; hatched in print where that is open."""
    renewed = row.plan.status in ("overdue", "not dipped") or row.series.layers
    begin = row.plan.dips[0].day if renewed else row.series.anchor
    until = row.plan.hatched_by if row.plan.hatched_by is not None else end
    look = {} if row.plan.hatched_by is not None else {"hatch": "///", "alpha": 0.55}
    ax.barh(place, until - begin, left=begin, height=0.62, color=HATCHING, edgecolor="white", zorder=0, **look)


def _dates(ax: Axes) -> None:
    locator = AutoDateLocator(minticks=4, maxticks=9)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))


def _labels(ax: Axes, labels: Sequence[str]) -> None:
    ax.set_yticks(range(len(labels)), labels, fontsize=SMALL)
    ax.set_ylim(len(labels) - 0.4, -0.6)
    ax.grid(axis="x")
    ax.grid(visible=False, axis="y")
