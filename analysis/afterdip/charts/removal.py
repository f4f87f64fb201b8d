"""Pest removal, drawn: where the pests were found, removed and killed beside the sham, what came back, the trend."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter

from afterdip.answers.removal_cell import RemovalCell
from afterdip.answers.removal_shares import SharesCell
from afterdip.charts.style import ACCENT, QUIET, SMALL, agent_styles, say_instead
from afterdip.estimate import Estimate

COMPARTMENTS = (
    ("bath_dead", "bath, dead", "#0b5563", ""),
    ("bath_alive", "bath, alive", "#5f9aa6", ""),
    ("rinse_dead", "rinse, dead", "#6b5b95", ""),
    ("rinse_alive", "rinse, alive", "#b5aace", ""),
    ("on_dead", "still on, dead", "#d9b25f", "///"),
    ("on_alive", "still on, alive", "#c24e00", "///"),
)
"""Column, words, colour and hatching, from what is dealt with to what is not: dark to light to a warning colour."""
TARGET = "#c24e00"


def draw_compartments(ax: Axes, cells: Sequence[SharesCell]) -> None:
    """Draw where the pests of each cell were found, as stacked bars to 100 % of what was found, counts beside them.

    Where the bath or the pieces were not counted there is no whole to share out: words, and no bar.
    """
    shown = [cell for cell in cells if cell.pests]
    if all(cell.uncounted for cell in shown):
        none = "No pests were found in these dips: nothing to share out."
        say_instead(ax, _cannot(shown) if shown else none)
        return
    start = [0.0] * len(shown)
    for column, words, colour, hatch in COMPARTMENTS:
        widths = [0.0 if cell.uncounted else cell.compartments[column] / cell.pests for cell in shown]
        ax.barh(range(len(shown)), widths, left=start, color=colour, hatch=hatch, edgecolor="white", linewidth=0.6,
                height=0.72, label=words)  # fmt: skip
        start = [left + width for left, width in zip(start, widths, strict=True)]
    for place, cell in enumerate(shown):
        ax.annotate(f"{cell.pests} in {cell.sessions} sessions", (1.01, place), va="center", fontsize=SMALL,
                    color=QUIET, annotation_clip=False)  # fmt: skip
        ax.annotate(cell.uncounted, (0.02, place), va="center", fontsize=SMALL, color=QUIET)
    _rows(ax, [cell.name for cell in shown])
    ax.set_xlim(0, 1)
    ax.set_xlabel("of all pests found in the dip")
    ax.legend(ncols=3, loc="lower left", bbox_to_anchor=(0, 1.0), fontsize=SMALL, handlelength=1.4)


def _cannot(cells: Sequence[SharesCell]) -> str:
    """Say what none of the dips counted, the commonest first; "" where all that is lacking is number."""
    words = [cell.uncounted for cell in cells if cell.uncounted]
    return f"{max(words, key=words.count).capitalize()}:\nnobody can say what share was removed." if words else ""


def draw_shares(ax: Axes, cells: Sequence[RemovalCell], *, target: float, controls: Sequence[str] = ()) -> None:
    """Draw killed (filled) and removed (open) of all found with limits, the sham's in grey on the row's upper edge.

    Agents stand under their pest and stage; cells come in that order.
    """
    shown = [cell.shares for cell in cells if not cell.shares.keys["is_control"]]
    if not any(cell.killed.known or cell.removed.known for cell in shown):
        say_instead(ax, _cannot(shown) or "Too few pests or sessions to say what was removed or killed.")
        return
    styles = agent_styles([str(cell.keys["agent"]) for cell in shown], controls)
    labels: list[str] = []
    kind = ""
    for cell in shown:
        if _kind(cell) != kind:
            kind = _kind(cell)
            ax.annotate(kind, (0.5, len(labels) + 0.2), va="center", ha="center", fontsize=SMALL, weight="bold")
            labels.append("")
        _share_row(ax, cell, len(labels), styles[str(cell.keys["agent"])].color)
        labels.append(str(cell.keys["agent"]))
    _rows(ax, labels)
    ax.tick_params(axis="y", length=0)
    _target(ax, target)
    ax.set_xlim(-0.01, 1.01)
    ax.set_xlabel("of all pests found in the dip")


def _share_row(ax: Axes, cell: SharesCell, place: int, colour: str) -> None:
    """One agent's killed and removed with the sham's above them."""
    if not cell.killed.known and not cell.removed.known:
        few = "too few" in cell.killed.reason
        words = "too few to say" if few else "none found" if "no pest" in cell.killed.reason else "not counted"
        ax.annotate(words, (0.6, place + 0.1), va="center", ha="center", fontsize=SMALL, color=QUIET)
    _limits(ax, cell.killed, place + 0.1, colour, filled=True)
    _limits(ax, cell.removed, place + 0.3, colour, filled=False)
    _limits(ax, cell.sham.killed, place - 0.3, QUIET, filled=True, small=True)
    _limits(ax, cell.sham.removed, place - 0.15, QUIET, filled=False, small=True)


def draw_looks(ax: Axes, cells: Sequence[RemovalCell]) -> None:
    """Draw the infested share of the pieces at each look, before, after and later; zeros as bounds.

    A colour is a pest, a line a stage: full with filled markers for the grown, dashed with open ones for the young.
    """
    shown = [cell for cell in cells if any(look.infestation.prevalence.known for look in cell.looks)]
    if not shown:
        say_instead(ax, "Too few looks at the pieces to say how many were infested.")
        return
    stretches = sorted({look.when for cell in shown for look in cell.looks}, key=_when)
    styles = agent_styles([str(cell.shares.keys["pest"]) for cell in shown])
    for number, cell in enumerate(shown):
        style, young = styles[str(cell.shares.keys["pest"])], cell.shares.keys["stage"] == "juvenile"
        shift = 0.1 * (number - (len(shown) - 1) / 2)
        told = [look for look in cell.looks if look.infestation.prevalence.known]
        x = [stretches.index(look.when) + shift for look in told]
        seen = [look.infestation.prevalence for look in told]
        ax.plot(x, [e.estimate for e in seen], color=style.color, linestyle="--" if young else "-", linewidth=1.1,
                marker=style.marker, markersize=6, markerfacecolor="white" if young else style.color,
                label=_kind(cell.shares))  # fmt: skip
        ax.vlines(x, [e.low for e in seen], [e.high for e in seen], color=style.color, linewidth=2, alpha=0.5)
    ax.set_xticks(range(len(stretches)), [_two_lines(words) for words in stretches], fontsize=SMALL)
    ax.set_ylim(0, None)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_ylabel("pieces with living pests")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), fontsize=SMALL)


def draw_kill_by_month(ax: Axes, cells: Sequence[SharesCell], *, target: float) -> None:
    """Draw what was killed of all found, month by month with limits; months that cannot say leave words."""
    if not any(cell.killed.known for cell in cells):
        say_instead(ax, _cannot(cells) or "No month has enough pests and sessions to say what was killed.")
        return
    for place, cell in enumerate(cells):
        e = cell.killed
        if e.known:
            ax.plot([place, place], [e.low, e.high], color=ACCENT, linewidth=2.2, solid_capstyle="round")
            ax.plot([place], [e.estimate], "o", color=ACCENT, markersize=6, markeredgecolor="white")
        note = f"{e.sessions}" if e.known else "too\nfew"
        ax.annotate(note, (place, 0), xycoords=("data", "axes fraction"), xytext=(0, 4), textcoords="offset points",
                    ha="center", fontsize=SMALL, color=QUIET)  # fmt: skip
    ax.axhline(target, color=TARGET, linewidth=1.2, linestyle=(0, (5, 2)))
    ax.set_xticks(range(len(cells)), [cell.name for cell in cells], rotation=45, ha="right")
    ax.set_xlim(-0.6, len(cells) - 0.4)
    ax.set_ylim(0, 1.01)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_ylabel("killed, of all pests found")


def _limits(ax: Axes, e: Estimate, y: float, colour: str, *, filled: bool, small: bool = False) -> None:
    """One estimate with its limits; a bound keeps its dot at the edge."""
    if not e.known:
        return
    width, size = (1.3, 3.5) if small else (2.2, 5.5)
    alpha = 1.0 if filled else 0.6
    ax.plot([e.low, e.high], [y, y], color=colour, linewidth=width, solid_capstyle="round", alpha=alpha)
    face = colour if filled else "white"
    ax.plot([e.estimate], [y], "o", color=colour, markersize=size, markerfacecolor=face, markeredgecolor=colour)


def _rows(ax: Axes, labels: Sequence[str]) -> None:
    """Label rows from top to bottom on a per cent axis."""
    ax.set_yticks(range(len(labels)), labels, fontsize=SMALL)
    ax.set_ylim(len(labels) - 0.45, -0.55)
    ax.grid(visible=False, axis="y")
    ax.grid(axis="x")
    ax.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))


def _target(ax: Axes, target: float) -> None:
    """The farm's target for kill as a line with its word."""
    ax.axvline(target, color=TARGET, linewidth=1.2, linestyle=(0, (5, 2)))
    ax.annotate("target for killed", (target, 1), xycoords=("data", "axes fraction"), xytext=(-3, 3), ha="right",
                textcoords="offset points", color="#a34100", fontsize=SMALL)  # fmt: skip


def _kind(cell: SharesCell) -> str:
    """Pest and stage in words."""
    stage = "" if cell.keys["stage"] == "any" else f", {cell.keys['stage']}"
    return f"{cell.keys['pest']}{stage}"


def _when(words: str) -> float:
    """Order looks: before, after, then by the first day named."""
    first = words.split()[0]
    return float(first) if first.isdigit() else {"before": -2.0, "after": -1.0}[first]


def _two_lines(words: str) -> str:
    return words.replace(" days", "\ndays").replace(" the dip", "\nthe dip")
