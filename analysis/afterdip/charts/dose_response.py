"""Kill and coral loss against concentration, the window between them, and strength against minutes."""

from __future__ import annotations

from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter, PercentFormatter

from afterdip.answers.dose_response import DoseResponseAnswer
from afterdip.answers.dose_response_cells import MinutesCell, WindowCell
from afterdip.charts.style import ACCENT, QUIET, RULE, SMALL, say_instead
from afterdip.dose_response import ConcentrationCurve, ResponseBand

KILL, LOSS, WINDOW = ACCENT, "#c24e00", "#e3efe6"
_COLUMNS = 2
_LINE = 27  # characters that fit over a panel
_TEXT = 1.15  # inches that title, tick labels and label of a panel take


def panel_rows(answer: DoseResponseAnswer) -> int:
    """Return how many rows of panels the windows shown take, two to a row."""
    return max(1, -(-len(answer.shown) // _COLUMNS))


def panels_height(answer: DoseResponseAnswer) -> float:
    """Return the height in inches of the figure of all panels."""
    return 0.3 + (1.7 + _TEXT) * panel_rows(answer)


def draw_windows(axes: np.ndarray, answer: DoseResponseAnswer) -> None:
    """Draw a panel for each window shown; panels left over stay empty, and one says why if there is none at all."""
    panels = list(np.ravel(axes))
    for ax, cell in zip(panels, answer.shown, strict=False):
        draw_window(ax, cell)
    for ax in panels[len(answer.shown) :]:
        ax.set_axis_off()
    if not answer.shown:
        say_instead(panels[0], "Too few to say: no agent was used\nat enough strengths for a curve.")
    else:
        handles = [Line2D([], [], color=colour, label=words) for colour, words in (
            (KILL, "pests killed"), (LOSS, "corals lost over sham"))]  # fmt: skip
        panels[0].figure.legend(handles=handles, loc="outside upper left", ncols=2, fontsize=SMALL, handlelength=1.4)


def draw_window(ax: Axes, cell: WindowCell) -> None:
    """Draw kill and loss over sham against concentration with limits, session dots and the window shaded.

    The sham stands apart on the left of the log axis; bands and curves cover only strengths tried. Loss dots are each
    session's loss less the sham's average. Dots grow with the count behind them.
    """
    window = cell.window
    dosed = np.concatenate([c.strength[c.strength > 0] for c in (cell.kill.curve, cell.loss.curve)])
    low, high = float(dosed.min()), float(dosed.max())
    span = max(high / low, 2.0)
    sham_at = low / span**0.22
    ax.set_xscale("log")
    for stretch in window.stretches:
        ax.axvspan(*_wide(stretch, span), color=WINDOW, zorder=0)
    _band(ax, cell.kill_band, KILL, "pests killed")
    _band(ax, cell.loss_band, LOSS, "corals lost over sham")
    for target, colour in ((window.kill_target, KILL), (window.loss_limit, LOSS)):
        ax.axhline(target, color=colour, linewidth=0.9, linestyle=(0, (4, 3)))
    _dots(ax, cell.kill.curve, sham_at, KILL, "o", less=0.0)
    _dots(ax, cell.loss.curve, sham_at, LOSS, "^", less=_sham_average(cell.loss.curve))
    ax.axvline(low / span**0.11, color=QUIET, linewidth=0.8, linestyle=":")
    ax.set_xlim(low / span**0.32, high * span**0.08)
    _concentration_axis(ax, low, high, sham_at)
    ax.set_ylim(-0.12, 1.06)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0))
    ax.set_xlabel(f"concentration, {cell.baths.unit}\n{fill(cell.baths.exposure, _LINE)}", fontsize=SMALL)
    against = f"{cell.pest}, {cell.stage}, on {cell.coral_group}"
    ax.set_title(f"{cell.baths.agent}\n{fill(against, _LINE)}", fontsize=SMALL)
    if window.low is None:
        ax.annotate("no window", (0.99, 0.5), xycoords="axes fraction", ha="right", fontsize=SMALL, color=QUIET)


def _wide(stretch: tuple[float, float], span: float) -> tuple[float, float]:
    """Return a stretch wide enough to be seen when it is one strength."""
    least = span**0.01
    return (stretch[0] / least, stretch[1] * least) if stretch[1] / stretch[0] < least else stretch


def _band(ax: Axes, band: ResponseBand, colour: str, words: str) -> None:
    """Draw a curve with its band, or steps' limits as bars at the strengths tried."""
    if band.source == "curve":
        ax.fill_between(band.strength, band.low, band.high, color=colour, alpha=0.16, linewidth=0)
        ax.plot(band.strength, band.share, color=colour, label=words)
    elif band.source == "steps":
        ax.vlines(band.strength, band.low, band.high, color=colour, linewidth=5, alpha=0.25)
        ax.plot(band.strength, band.share, linestyle="", marker="_", markersize=10, color=colour, label=words)


def _sham_average(curve: ConcentrationCurve) -> float:
    sham = curve.strength == 0
    return float(curve.responded[sham].sum() / curve.n[sham].sum()) if sham.any() else 0.0


def _dots(ax: Axes, curve: ConcentrationCurve, sham_at: float, colour: str, marker: str, *, less: float) -> None:
    """Draw a dot a session, area by its count, the sham's in grey on the left."""
    sham = curve.strength == 0
    size = 5.0 + 40.0 * curve.n / max(float(curve.n.max()), 1.0)
    share = curve.responded / curve.n - less
    ax.scatter(curve.strength[~sham], share[~sham], s=size[~sham], marker=marker, color=colour, alpha=0.45, linewidth=0)
    ax.scatter(np.full(int(sham.sum()), sham_at), share[sham], s=size[sham], marker=marker, color=QUIET, alpha=0.3,
               linewidth=0)  # fmt: skip


def _concentration_axis(ax: Axes, low: float, high: float, sham_at: float) -> None:
    """Label the log axis with plain numbers inside what was tried, and "sham" apart."""
    ticks: list[float] = []
    for value in LogLocator(subs=(1.0, 2.0, 5.0)).tick_values(low, high):
        if low * 0.99 <= value <= high * 1.01 and value >= (ticks[-1] if ticks else low) * (high / low) ** 0.22:
            ticks.append(float(value))
    ax.set_xticks([sham_at, *ticks], labels=["sham", *(f"{t:g}" for t in ticks)])
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.minorticks_off()


def draw_minutes(ax: Axes, cells: tuple[MinutesCell, ...]) -> None:
    """Draw strength by minutes of the first cell that has a map: baths tried, and where both targets are surely met."""
    shown = next((cell for cell in cells if not cell.map.reason), None)
    if shown is None:
        words = cells[0].map.reason if cells else "no agent was used at several strengths and several exposures"
        say_instead(ax, f"No map of strength and minutes:\n{words}.")
        return
    grid = shown.map
    level = np.where(grid.tried, np.where(grid.both, 2.0, 1.0), np.nan)
    ax.set_xscale("log")
    ax.set_yscale("log")
    kinds = (([0.5, 1.5], RULE), ([1.5, 2.5], "#8fc19e"))
    for (bottom, top), colour in kinds:
        part = np.where((level > bottom) & (level < top), 1.0, np.nan)
        ax.pcolormesh(grid.strength, grid.minutes, part, cmap=_one_colour(colour), shading="nearest", zorder=0)
    if np.isfinite(grid.kill_low).sum() > 3:
        lines = ax.contour(grid.strength, grid.minutes, grid.kill_low, levels=(0.5, 0.8, 0.95), colors=KILL,
                           linewidths=1.0)  # fmt: skip
        ax.clabel(lines, fmt=lambda v: f"kill at least {100 * v:.0f} %", fontsize=SMALL)
    size = 12.0 + 30.0 * shown.tried["sessions"] / shown.tried["sessions"].max()
    ax.scatter(shown.tried["strength"], shown.tried["minutes"], s=size, facecolors="none", edgecolors=QUIET)
    for axis, values in ((ax.xaxis, shown.tried["strength"]), (ax.yaxis, shown.tried["minutes"])):
        ticks = _apart(np.unique(values))
        axis.set_ticks(ticks, labels=[f"{float(f'{t:.3g}'):g}" for t in ticks], fontsize=SMALL)
        axis.set_minor_formatter(NullFormatter())
    ax.minorticks_off()
    ax.grid(visible=False)
    ax.set_xlabel(f"concentration, {shown.unit}")
    ax.set_ylabel("minutes in the bath")
    ax.yaxis.set_minor_formatter(FuncFormatter(lambda *_: ""))
    ax.set_title(shown.name, fontsize=SMALL)


def _apart(values: np.ndarray) -> list[float]:
    """Return values at least 30 % apart, so that labels do not run into each other."""
    kept: list[float] = []
    for value in values:
        if not kept or value > 1.3 * kept[-1]:
            kept.append(float(value))
    return kept


def _one_colour(colour: str):
    from matplotlib.colors import ListedColormap

    return ListedColormap([colour])
