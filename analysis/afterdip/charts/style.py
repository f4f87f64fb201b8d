"""One look for every chart: colours, lines and markers that stay apart for colour-blind readers and in grey print."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import cycle

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from afterdip.charts.room import Room

INK = "#1d2a30"  # text and axes
QUIET = "#5f6b70"  # the sham, notes, grid labels: 5.5:1 on white
RULE = "#d5dadc"  # grid lines
ACCENT = "#0b5563"  # the farm's own, when there is only one curve
GOOD, BAD = "#00795a", "#b84800"  # a limit kept or broken; never without the word

# After Okabe & Ito's colour-blind safe set, darkened until each stands at least 3:1 against white paper.
_COLOURS = ("#0072b2", "#c24e00", "#00795a", "#a03c78", "#8a6100", "#3d4fa1", "#6b3d1e", "#5c7a00")
_LINES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (7, 2, 1.5, 2)), (0, (4, 1.5, 1, 1.5, 1, 1.5)))
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "h")

# On a phone a figure of the house's width is 390 pixels wide, 0.97 to the point: SMALL is then 9.2 pixels.
WIDTH, SMALL = 5.6, 9.5

_RC = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # ships with matplotlib: the same picture on every machine
    "font.size": 10,
    "axes.titlesize": 10.5,
    "axes.titlepad": 7,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": RULE,
    "grid.linewidth": 0.7,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.hinting": "none",  # at the report's resolution nobody sees it, and fitting each letter takes time
    "text.parse_math": False,  # a name with $ in it is a name; log axes have formatters of their own
    "legend.frameon": False,
    "legend.fontsize": SMALL,
    "lines.linewidth": 1.8,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
}
mpl.rcParams.update(_RC)  # at import, so that what a draw function adds later (legend, notes) has the same look


@dataclass(frozen=True, slots=True)
class AgentStyle:
    """How one agent is drawn in every chart of a report."""

    color: str
    linestyle: str | tuple
    marker: str


def figure(width: float = WIDTH, height: float = 3.6, *, rows: int = 1, columns: int = 1) -> tuple[Figure, Axes]:
    """Return a figure (inches) in the house style and its Axes (an array of Axes when rows or columns exceed one)."""
    layout = Room() if rows == columns == 1 else "constrained"
    fig = Figure(figsize=(width, height), layout=layout)  # no pyplot: no list of open figures to close
    return fig, fig.subplots(rows, columns)


def rows_height(rows: int) -> float:
    """Return the height in inches of a figure with so many labelled rows."""
    return 1.1 + 0.27 * max(rows, 2)


def agent_styles(agents: Iterable[str], controls: Iterable[str] = ()) -> dict[str, AgentStyle]:
    """Give each agent one colour, line and marker, by its place in sorted order; sham agents are grey and dotted."""
    controls = set(controls)
    looks = zip(cycle(_COLOURS), cycle(_LINES), cycle(_MARKERS), strict=False)
    styles = {agent: AgentStyle(*next(looks)) for agent in sorted(set(agents) - controls)}
    return styles | {agent: AgentStyle(QUIET, ":", "_") for agent in sorted(controls)}


def in_legend(name: str) -> str:
    """Return a name of the log's as a legend takes it: matplotlib leaves out, unsaid, what begins with an underline."""
    return f" {name}" if name.startswith("_") else name


def say_instead(ax: Axes, words: str) -> None:
    """Put words where a curve cannot honestly stand, for instance "Too few to say: 2 sessions, needs 6"."""
    ax.set_axis_off()
    ax.text(0.5, 0.5, words, ha="center", va="center", wrap=True, fontsize=11, color=QUIET, transform=ax.transAxes)
