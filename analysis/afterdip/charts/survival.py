"""Survival after a dip, drawn: stepped curves with bands and the numbers behind them, losses beside the sham's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator, PercentFormatter

from afterdip.answers.words import percent
from afterdip.charts.style import ACCENT, INK, QUIET, SMALL, AgentStyle, agent_styles, in_legend, say_instead
from afterdip.estimate import Estimate
from afterdip.survival import CumulativeIncidence, SurvivalCurve, at_risk_on

ONE = AgentStyle(ACCENT, "-", "o")
_NOTE = 36  # letters that fit beside a row without pushing the Axes together


def draw_survival(ax: Axes, cells: Sequence, *, horizon_days: float, controls: Sequence[str] = ()) -> None:
    """Draw the alive fraction of each cell that has a curve, its band, the horizon and the pieces still followed.

    `cells` have `label`, `keys`, `curve`. The axis starts at zero, or at a marked break where nothing went lower.
    """
    drawn = [c for c in cells if c.curve is not None]
    if not drawn:
        say_instead(ax, "No pieces were followed: nothing to draw yet.")
        return
    styles = _styles(drawn, controls)
    until = _last_day(drawn, horizon_days)
    shade = 0.14 if len(drawn) < 3 else 0.07  # many bands over one another must not hide the curves
    for cell in drawn:
        _step(ax, cell.curve, styles[cell.label], cell.label, until, shade)
    ax.axvline(horizon_days, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)), zorder=0)
    ax.set_xlim(0, until)
    ax.set_xlabel("days after the first dip")
    ax.set_ylabel("pieces alive")
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    _break_axis(ax, min(float(c.curve.low[c.curve.days <= until].min()) for c in drawn))
    ax.legend(loc="lower left", ncols=2 if len(drawn) > 4 else 1)
    _numbers_followed(ax, {c.label: c.curve for c in drawn}, styles, until)


def draw_ends(ax: Axes, ends: CumulativeIncidence | None, *, horizon_days: float) -> None:
    """Draw the share that died and the share that came off, stacked by day after the first dip."""
    if ends is None:
        say_instead(ax, "No pieces were followed: nothing to draw yet.")
        return
    until = min(float(ends.days[-1]), 1.5 * horizon_days)
    keep = ends.days <= until
    days = np.append(ends.days[keep], until)
    dead, detached = (np.append(row[keep], row[keep][-1]) for row in ends.incidence)
    ax.fill_between(days, 0, dead, step="post", color="#a03c78", alpha=0.85, linewidth=0, label="died")
    ax.fill_between(
        days, dead, dead + detached, step="post", color="#8a6100", alpha=0.55, linewidth=0, label="came off", hatch="//"
    )
    ax.axvline(horizon_days, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)), zorder=0)
    ax.set_xlim(0, until)
    ax.set_ylim(0, None)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_xlabel("days after the first dip")
    ax.set_ylabel("pieces lost, by how")
    ax.legend(loc="upper left")


def draw_estimates(
    ax: Axes, rows: Sequence[tuple[str, Estimate]], *, limit: float | None = None, limit_label: str = "", xlabel: str
) -> None:
    """Draw one dot with its limits per row, top to bottom; where nothing can be said the reason stands instead.

    `limit` is the farm's target, drawn as a line. Zero is always on the axis.
    """
    if not any(e.known for _, e in rows):
        say_instead(ax, rows[0][1].reason if rows else "Nothing to compare yet.")
        return
    known = [(place, e) for place, (_, e) in enumerate(rows) if e.known]
    places, dots, low, high = _dots_and_limits(known)
    ax.hlines(places, low, high, color=ACCENT, linewidth=2.2, capstyle="round")
    ax.plot(dots, places, "o", color=ACCENT, markersize=6, markeredgecolor="white")
    for place, (_, e) in enumerate(rows):
        if not e.known:
            ax.annotate(_short(e.reason), (0, place), xytext=(6, 0), textcoords="offset points", va="center",
                        color=QUIET, fontsize=SMALL)  # fmt: skip
    ax.axvline(0, color=INK, linewidth=0.8)
    if limit is not None:
        ax.axvline(limit, color="#c24e00", linewidth=1.2, linestyle=(0, (5, 2)))
        ax.annotate(limit_label, (limit, 1), xycoords=("data", "axes fraction"), xytext=(3, 3),
                    textcoords="offset points", color="#a34100", fontsize=SMALL)  # fmt: skip
    ax.set_yticks(range(len(rows)), [label for label, _ in rows])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.grid(axis="x")
    ax.grid(visible=False, axis="y")
    ax.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_xlabel(xlabel)


def draw_loss_over_sham(ax: Axes, cells: Sequence, *, target_loss: float, horizon_days: float) -> None:
    """Draw the loss over sham of each cell that is not itself a sham, against the farm's limit."""
    draw_estimates(
        ax,
        [(c.label, c.loss_over_sham) for c in cells if not c.keys["is_control"]],
        limit=target_loss,
        limit_label="farm's limit",
        xlabel=f"dead by day {horizon_days:g}, agent minus sham",
    )


def draw_months(ax: Axes, cells: Sequence, *, target: float) -> None:
    """Draw survival at the horizon month by month with limits; months that cannot say leave a gap with a mark."""
    if not any(c.alive.known for c in cells):
        say_instead(ax, "No month can be read at the horizon yet.")
        return
    known = [(place, cell.alive) for place, cell in enumerate(cells) if cell.alive.known]
    places, dots, low, high = _dots_and_limits(known)
    ax.vlines(places, low, high, color=ACCENT, linewidth=2.2, capstyle="round")
    ax.plot(places, dots, "o", color=ACCENT, markersize=6, markeredgecolor="white")
    for place, cell in enumerate(cells):
        if not cell.alive.known:
            ax.annotate("cannot\nsay yet", (place, 0), xycoords=("data", "axes fraction"), xytext=(0, 6),
                        textcoords="offset points", ha="center", color=QUIET, fontsize=SMALL)  # fmt: skip
    ax.axhline(target, color="#c24e00", linewidth=1.2, linestyle=(0, (5, 2)))
    ax.annotate("target", (1, target), xycoords=("axes fraction", "data"), xytext=(-4, 3), ha="right",
                textcoords="offset points", color="#a34100", fontsize=SMALL)  # fmt: skip
    ax.set_xticks(range(len(cells)), [c.label for c in cells], rotation=45, ha="right")
    ax.set_xlim(-0.6, len(cells) - 0.4)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_ylabel("alive at the horizon")
    _break_axis(ax, min(c.alive.low for c in cells if c.alive.known))


def _dots_and_limits(known: Sequence[tuple[int, Estimate]]) -> tuple[list, list, list, list]:
    """Return places, estimates, lower and upper limits of known estimates; an open limit ends at its dot."""
    places, dots = [place for place, _ in known], [e.estimate for _, e in known]
    low = [e.estimate if e.low is None else e.low for _, e in known]
    high = [e.estimate if e.high is None else e.high for _, e in known]
    return places, dots, low, high


def _styles(cells: Sequence, controls: Sequence[str]) -> dict[str, AgentStyle]:
    """Agents keep the style they have in every chart; one curve alone is the farm's own."""
    agents = {c.label: c.keys.get("agent") for c in cells}
    by_agent = agent_styles([a for a in agents.values() if a], controls)
    sham = AgentStyle(QUIET, ":", "_")
    return {label: by_agent.get(agent, sham if label == "sham" else ONE) for label, agent in agents.items()}


def _step(ax: Axes, curve: SurvivalCurve, style: AgentStyle, label: str, until: float, shade: float) -> None:
    shown = curve.days <= until
    x = np.append(curve.days[shown], min(until, curve.last_day))
    survival, low, high = (np.append(a[shown], a[shown][-1]) for a in (curve.survival, curve.low, curve.high))
    ax.fill_between(x, low, high, step="post", color=style.color, alpha=shade, linewidth=0)
    ax.step(x, survival, where="post", color=style.color, linestyle=style.linestyle, label=in_legend(label))


def _last_day(cells: Sequence, horizon_days: float) -> float:
    return min(max(max(c.curve.last_day for c in cells), horizon_days), 1.5 * horizon_days)


def _break_axis(ax: Axes, lowest: float) -> None:
    """Start the axis at zero where the data reach far down; otherwise nearer, and say so in words and with a mark."""
    start = max(0.0, np.floor((lowest - 0.05) * 10) / 10)
    if start < 0.4:
        ax.set_ylim(0, 1.01)
        return
    ax.set_ylim(start, 1 + 0.02 * (1 - start))
    ax.yaxis.set_major_locator(MaxNLocator(nbins=8, steps=[1, 2, 5, 10]))  # whole per cents, as they are printed
    ax.annotate(f"axis starts at {percent(start)}", (1, 1), xycoords="axes fraction", xytext=(0, 5),
                textcoords="offset points", fontsize=SMALL, color=QUIET, ha="right")  # fmt: skip
    slash = {"transform": ax.transAxes, "color": QUIET, "clip_on": False, "linewidth": 1}
    for y in (0.015, 0.035):
        ax.plot([-0.008, 0.008], [y - 0.008, y + 0.008], **slash)


def _numbers_followed(
    ax: Axes, curves: Mapping[str, SurvivalCurve], styles: Mapping[str, AgentStyle], until: float
) -> None:
    """Write below the axis how many pieces were still followed, a line per curve, as readers of such plots expect."""
    ticks = [t for t in ax.get_xticks() if 0 <= t <= until]
    offset, step = -46, 11  # points below the axis, and from line to line
    ax.annotate("pieces followed", (0, 0), xycoords="axes fraction", xytext=(-18, offset + step),
                textcoords="offset points", fontsize=SMALL, color=QUIET, ha="right", va="center")  # fmt: skip
    for line, label in enumerate(curves):
        ax.annotate(label, (0, 0), xycoords="axes fraction", xytext=(-18, offset - step * line), ha="right",
                    va="center", textcoords="offset points", fontsize=SMALL, color=styles[label].color)  # fmt: skip
    counts = [at_risk_on(curve, ticks) for curve in curves.values()]
    for tick, column in zip(ticks, zip(*counts, strict=True), strict=True):  # a column is one text: cheaper to set
        ax.annotate("\n".join(f"{n:.0f}" for n in column), (tick, 0), xycoords=("data", "axes fraction"), va="top",
                    xytext=(0, offset + step / 2), textcoords="offset points", ha="center", fontsize=SMALL,
                    linespacing=step / SMALL)  # fmt: skip


def _short(reason: str) -> str:
    """Return a reason as it fits beside a row: from the end, what explains it further is left to the table."""
    if "too few" in reason:
        return "too few to say"
    while len(reason) > _NOTE and ": " in reason:
        reason = reason.rpartition(": ")[0]
    return reason
