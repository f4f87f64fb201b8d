"""The watch, drawn: each agent's drift against its alarm, shares by week, bottles, and baths that tire."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter

from afterdip.answers.monitoring import Watched, Weeks
from afterdip.answers.watch_baths import TiredBath
from afterdip.answers.watch_effects import Effect
from afterdip.answers.watch_lots import Bottle
from afterdip.charts.style import ACCENT, INK, QUIET, RULE, SMALL, agent_styles, in_legend, say_instead
from afterdip.charts.survival import draw_estimates

ALARM = "#c24e00"
_TALL = 0.42  # of a row's height: from its middle to its alarm


def draw_watch(ax: Axes, watched: Sequence[Watched]) -> None:
    """Draw a row an agent: the running average of baths against expectation, worse upwards, its alarm dashed.

    Each row is scaled so that its alarm stands at the same height; the month that may raise it is drawn strong.
    """
    if not any(w.alarm_above for w in watched):
        say_instead(ax, watched[0].drift.reason if watched else "Nothing was counted in these months.")
        return
    for row, w in enumerate(watched):
        dates = w.series.baths["date"].to_numpy()
        ax.axhline(row, color=RULE, linewidth=0.8)
        if not w.alarm_above:
            ax.annotate(w.drift.reason, (0.02, row), xycoords=("axes fraction", "data"), va="center", fontsize=SMALL,
                        color=QUIET)  # fmt: skip
            continue
        ax.axhline(row - _TALL, color=ALARM, linewidth=0.9, linestyle=(0, (5, 3)))
        height = row - _TALL * np.clip(w.drift.average / w.alarm_above, -1.0, 1.4)
        ax.plot(dates, height, color=QUIET, linewidth=1.1)
        recent = w.drift.recent
        ax.plot(dates[recent], height[recent], color=ACCENT, linewidth=2.4, marker="o", markersize=2.4)
        over = recent & (w.drift.average >= w.alarm_above) if w.alarm else np.zeros(recent.size, bool)
        ax.plot(dates[over], height[over], "o", color=ALARM, markersize=4.5)
    ax.set_yticks(range(len(watched)), [w.series.agent + (" (alarm)" if w.alarm else "") for w in watched])
    ax.set_ylim(len(watched) - 0.4, -0.75)
    ax.grid(visible=False)
    ax.tick_params(axis="y", length=0, colors=INK)
    _months(ax, [d for w in watched for d in w.series.baths["date"]])
    ax.set_xlabel("day of the dip; up: worse than expected, dashed: alarm")


def draw_weeks(ax: Axes, weeks: Weeks) -> None:
    """Draw the share by week with its limits, those of Laney's chart; weeks beyond are marked."""
    if weeks.chart is None:
        say_instead(ax, "Nothing was counted in these months.")
        return
    x, chart = pd.to_datetime(pd.Series(weeks.weeks)).to_numpy(), weeks.chart
    told = weeks.trials > 0
    ax.fill_between(x[told], chart.low[told], chart.high[told], step="mid", color=ACCENT, alpha=0.12, linewidth=0)
    ax.axhline(chart.centre, color=QUIET, linewidth=0.9)
    ax.plot(x[told], chart.share[told], color=ACCENT, marker="o", markersize=3.5, linewidth=1.1)
    ax.plot(x[chart.out], chart.share[chart.out], "o", color=ALARM, markersize=SMALL, markerfacecolor="none",
            markeredgewidth=1.8)  # fmt: skip
    ax.set_ylim(0, min(1.02, 1.1 * np.nanmax(np.r_[chart.high, chart.share])))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_ylabel("pieces lost" if weeks.outcome == "loss" else "pests killed")
    _months(ax, list(pd.to_datetime(pd.Series(weeks.weeks))))


def draw_bottles(ax: Axes, bottles: Sequence[Bottle]) -> None:
    """Draw each bottle's share less that of its agent's other bottles, other things held equal."""
    rows = [(f"{b.agent}, {b.lot}" + (" (alarm)" if b.alarm else ""), b.difference) for b in bottles]
    if not rows:
        say_instead(ax, "No bottle numbers were recorded in the month.")
        return
    draw_estimates(ax, rows, xlabel="pests killed, minus the agent's other bottles")


def draw_baths(ax: Axes, baths: Sequence[TiredBath], *, target: float) -> None:
    """Draw kill against the pieces a bath had served per litre: curve and band, a dot a session, where to change it."""
    shown = [bath for bath in baths if bath.life.load.size]
    if not shown:
        say_instead(ax, baths[0].life.reason if baths else "No bath served more than one session.")
        return
    styles = agent_styles([bath.agent for bath in shown])
    for bath in shown:
        style, life = styles[bath.agent], bath.life
        ax.fill_between(life.load, life.low, life.high, color=style.color, alpha=0.14, linewidth=0)
        ax.plot(life.load, life.kill, color=style.color, linestyle=style.linestyle, label=in_legend(bath.agent))
        load, share, pests = (np.array(column) for column in zip(*bath.dots, strict=True))
        ax.scatter(load, share, s=6 + 2.5 * pests, color=style.color, alpha=0.35, linewidth=0)
        if bath.alarm and bath.change_at:
            ax.axvline(bath.change_at, color=style.color, linewidth=1.2, linestyle=(0, (2, 2)))
            ax.annotate(f"change at {bath.change_at:.1f}", (bath.change_at, 0.02), xytext=(4, 0), fontsize=SMALL,
                        textcoords="offset points", color=style.color)  # fmt: skip
    ax.axhline(target, color=ALARM, linewidth=1.2, linestyle=(0, (5, 2)))
    ax.annotate("target", (1, target), xycoords=("axes fraction", "data"), xytext=(-4, 3), ha="right", fontsize=SMALL,
                textcoords="offset points", color="#a34100")  # fmt: skip
    ax.set_xlim(0, None)
    ax.set_ylim(0, 1.02)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_xlabel("pieces the bath had served before, per litre")
    ax.set_ylabel("pests killed")
    ax.legend(loc="lower right")


def draw_effects(ax: Axes, effects: Sequence[Effect]) -> None:
    """Draw the change in loss that goes with one step of each thing recorded."""
    losses = [e for e in effects if e.outcome == "loss"]
    draw_estimates(ax, [(e.step, e.change) for e in losses], xlabel="change in pieces lost")


def _months(ax: Axes, days: list) -> None:
    """Tick the first of each month."""
    first, last = min(days), max(days)
    ticks = pd.date_range(pd.Timestamp(first).replace(day=1), last, freq="MS")
    step = 1 if len(ticks) <= 14 else 3
    names = [f"{tick:%Y-%m}" for tick in ticks[::step]]
    ax.set_xticks(list(ticks[::step]), names, rotation=45, ha="right", fontsize=SMALL)
    ax.set_xlim(pd.Timestamp(first) - pd.Timedelta(days=2), pd.Timestamp(last) + pd.Timedelta(days=2))
