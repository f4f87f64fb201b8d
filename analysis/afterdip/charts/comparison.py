"""Two agents drawn: kill against loss per session, their differences against the margins, and all agents at once."""

from __future__ import annotations

from itertools import groupby
from textwrap import fill
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, PercentFormatter

from afterdip.answers.words import strength_words
from afterdip.charts.style import ACCENT, INK, QUIET, SMALL, AgentStyle, agent_styles, in_legend, say_instead

if TYPE_CHECKING:
    from afterdip.answers.comparison import ComparisonAnswer
    from afterdip.answers.comparison_page import AgentPoint, ComparisonPage

TOO_FEW = "Too few to say"
LINE = 58  # letters that fit under a figure of the house's width
_PERCENT = PercentFormatter(1.0, decimals=0)


def _signed(x: float, _: int) -> str:
    """Return a difference in percentage points for an axis: +2.5, −10, 0."""
    return f"{100 * x:+.3g}".replace("-", "−") if round(x, 6) else "0"


def draw_dots(ax: Axes, answer: ComparisonAnswer | None) -> None:
    """Draw each session's kill against its loss, the farm's targets as lines; the best corner is top left."""
    if answer is None:
        say_instead(ax, "Fewer than two agents: nothing to compare.")
        return
    dots = answer.dots.dropna(subset=["kill", "loss"])
    if dots.empty:
        say_instead(ax, f"{TOO_FEW}: no session has both pests counted and pieces checked.")
        return
    agents = (answer.judged.first, answer.judged.second)
    styles = agent_styles(agents)
    ax.axhline(answer.target_kill, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.axvline(answer.target_loss, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
    for agent in agents:
        own = dots[dots["agent"] == agent]
        style = styles[agent]
        size = 12 + 90 * own["pieces"] / dots["pieces"].max()
        ax.scatter(
            own["loss"], own["kill"], s=size, marker=style.marker, facecolor=style.color, alpha=0.45,
            edgecolor=style.color, linewidth=0.8, label=in_legend(f"{agent} ({len(own)} sessions)"),
        )  # fmt: skip
    ax.set_xlim(-0.02, min(1.02, max(0.2, float(dots["loss"].max()) * 1.08)))
    ax.set_ylim(-0.03, 1.04)
    ax.set_xlabel(f"pieces dead by day {answer.horizon_days}")
    ax.set_ylabel("pests killed, of all found")
    ax.xaxis.set_major_formatter(_PERCENT)
    ax.yaxis.set_major_formatter(_PERCENT)
    ax.legend(loc="lower right", markerscale=0.8)


def draw_differences(ax: Axes, answer: ComparisonAnswer | None) -> None:
    """Draw the differences in kill and in loss, all together and like with like, over the farm's margins."""
    if answer is None:
        say_instead(ax, "Fewer than two agents: nothing to compare.")
        return
    j = answer.judged
    rows = [
        ("kill\nlike with like", j.kill.adjusted.difference, answer.margins.kill, True),
        ("kill\nall together", j.kill.crude.difference, answer.margins.kill, False),
        ("loss\nlike with like", j.loss.adjusted.difference, answer.margins.loss, True),
        ("loss\nall together", j.loss.crude.difference, answer.margins.loss, False),
    ]
    reach = max([0.1, *(abs(x) for _, e, _, _ in rows if e.known for x in (e.low, e.high))]) * 1.08
    for place, (_, gap, margin, main) in enumerate(rows):
        ax.fill_betweenx([place - 0.42, place + 0.42], -margin, margin, color=ACCENT, alpha=0.10, linewidth=0)
        if not gap.known:
            ax.text(0, place, gap.reason, va="center", ha="center", color=QUIET, fontsize=SMALL)
            continue
        colour = ACCENT if main else QUIET
        ax.plot([gap.low, gap.high], [place, place], color=colour, linewidth=2.4, solid_capstyle="round")
        ax.plot([gap.estimate], [place], "o" if main else "s", color=colour, markersize=6, markeredgecolor="white")
    ax.axvline(0, color=INK, linewidth=0.9)
    ax.set_xlim(-reach, reach)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_yticks(range(len(rows)), [name for name, *_ in rows])
    ax.grid(axis="y", visible=False)
    ax.xaxis.set_major_formatter(FuncFormatter(_signed))
    ax.set_xlabel(fill(f"percentage points, {j.first} minus {j.second}", LINE))


def draw_plane(ax: Axes, page: ComparisonPage) -> None:
    """Draw every arm's kill against its loss with limits, ringed where nothing beats it on both.

    Strengths of one agent share its look, stand beside their points and are joined by a line from the weakest on.
    """
    known = [p for p in page.agents if p.kill.known and p.loss.known]
    if not known:
        say_instead(ax, f"{TOO_FEW}: no agent has both kill and loss.")
        return
    styles = agent_styles(p.arm.agent for p in page.agents)
    ax.axhline(page.target_kill, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.axvline(page.target_loss, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
    for agent, some in groupby(known, key=lambda p: p.arm.agent):
        _draw_agent(ax, list(some), styles[agent])
    ax.set_xlim(0, max(p.loss.high for p in known) * 1.05)
    ax.set_ylim(max(0.0, min(p.kill.low for p in known) - 0.05), 1.01)
    ax.set_xlabel(f"pieces dead by day {page.horizon_days}")
    ax.set_ylabel("pests killed, of all found")
    ax.xaxis.set_major_formatter(_PERCENT)
    ax.yaxis.set_major_formatter(_PERCENT)
    if page.apart:  # names with strengths are long: above, they leave the picture its width
        columns = 2 if max(len(text) for text in ax.get_legend_handles_labels()[1]) < LINE // 2 - 2 else 1
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=columns, columnspacing=1.2, handlelength=1.4)
    else:
        ax.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))


def _draw_agent(ax: Axes, points: list[AgentPoint], style: AgentStyle) -> None:
    """Draw one agent's points: one, or one a strength from the weakest on."""
    at = [(p.loss.estimate, p.kill.estimate) for p in points]
    name, several = points[0].agent, len(points) > 1
    if several:
        name = f"{points[0].arm.agent}, {' and '.join(dict.fromkeys(p.arm.strength.unit for p in points))}"
        ax.plot(*zip(*at, strict=True), color=style.color, linewidth=1.0, linestyle=(0, (4, 2)))
    for p, (x, y) in zip(points, at, strict=True):
        ax.plot([p.loss.low, p.loss.high], [y, y], color=style.color, linewidth=1.4, alpha=0.35 if several else 0.7)
        ax.plot([x, x], [p.kill.low, p.kill.high], color=style.color, linewidth=1.4, alpha=0.35 if several else 0.7)
        if p.unbeaten:
            ax.plot([x], [y], "o", markersize=14, markerfacecolor="none", markeredgecolor=style.color)
        if several:
            ax.annotate(strength_words((p.arm.strength.median, "")).strip(), (x, y), xytext=(7, -3),
                        textcoords="offset points", va="top", color=style.color, fontsize=SMALL)  # fmt: skip
    ax.plot(*zip(*at, strict=True), style.marker, color=style.color, markersize=7, markeredgecolor="white",
            label=in_legend(name))  # fmt: skip
