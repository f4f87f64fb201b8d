"""The layout of a figure of one Axes: nothing cut, no room wasted, labels measured once."""

from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from afterdip.charts.style import figure
from afterdip.charts.survival import draw_estimates, draw_loss_over_sham
from afterdip.estimate import Estimate, cannot_say


def drawn(fig: Figure) -> Figure:
    fig.set_dpi(100)
    FigureCanvasAgg(fig).draw()
    return fig


def long_labels(ax: Axes) -> None:
    ax.plot([0, 1000], [0, 3], label="a line with a name")
    ax.set_yticks([0, 1, 2, 3], ["none", "a long label of a row", "2", "3"])
    ax.set_xlabel("days")
    ax.annotate("to the right of all", (1.02, 0.5), xycoords="axes fraction", annotation_clip=False)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0))


def of_dates(ax: Axes) -> None:
    ax.bar(range(12), range(12))
    ax.set_xticks(range(12), [f"2026-{month:02}" for month in range(1, 13)], rotation=45, ha="right")
    ax.set_ylabel("hours")


def at_data(ax: Axes) -> None:
    """Words that begin at data and reach beyond the Axes: how far, depends on its width."""
    ax.set_xlim(0, 1)
    ax.set_yticks([0, 1], ["a very long label that takes much", "b"])
    ax.text(0.9, 0.5, "looking alone is not enough")


@pytest.mark.parametrize("draw", [long_labels, of_dates, at_data])
def test_nothing_is_cut_and_no_room_is_wasted(draw):
    """What is drawn fills the figure up to the padding, as matplotlib's own layout has it."""
    fig, ax = figure(height=3.0)
    draw(ax)
    box = drawn(fig).get_tightbbox()  # inches
    edges = [box.x0, box.y0, fig.get_figwidth() - box.x1, fig.get_figheight() - box.y1]
    assert min(edges) > 0
    assert min(edges[0], edges[2]) == pytest.approx(3 / 72, abs=0.03)
    assert min(edges[1], edges[3]) == pytest.approx(3 / 72, abs=0.03)
    own = Figure(figsize=fig.get_size_inches(), layout="constrained")
    draw(beside := own.add_subplot())
    drawn(own)
    assert ax.get_position().extents == pytest.approx(beside.get_position().extents, abs=0.02)


def test_labels_are_measured_again_only_where_the_ticks_changed(monkeypatch):
    measured = []
    plain = Axes.get_tightbbox
    monkeypatch.setattr(Axes, "get_tightbbox", lambda ax, *a, **k: measured.append(1) or plain(ax, *a, **k))
    fig, ax = figure()
    long_labels(ax)
    ax.set_xticks([0, 1000])
    drawn(fig)
    assert len(measured) == 1
    fig, ax = figure(height=3.0)
    ax.plot([0, 1], [0, 1])
    ax.set_xlabel("a label\nof\nmany\nlines\n" * 2)  # leaves the Axes much lower than it stood before
    before = ax.get_yticks()
    drawn(fig)
    assert not np.array_equal(before, ax.get_yticks())
    assert len(measured) == 3


def test_an_axes_is_left_where_it_is_if_its_labels_fill_the_figure():
    fig, ax = figure(height=2.0)
    before = ax.get_position().extents
    ax.set_yticks([0], ["a label wider than any figure is, " * 8])
    assert drawn(fig).axes[0].get_position().extents == pytest.approx(before)


def test_a_reason_beside_a_row_is_short_enough_to_fit():
    """An explanation is left to the table: written out it once pushed the Axes together to nothing."""
    why = "sham: looks too far apart: 1 death was found only after a look on day 45, the one before on day 12"
    loss = Estimate(estimate=0.05, low=0.01, high=0.2, sessions=9)
    fig, ax = figure(height=3.0)
    draw_estimates(ax, [("one", loss), ("two", cannot_say(why))], xlabel="dead")
    assert "sham: looks too far apart" in [text.get_text() for text in ax.texts]
    assert drawn(fig).get_tightbbox().x1 < fig.get_figwidth()
    assert ax.get_position().width > 0.7
    cells = [SimpleNamespace(label=name, keys={"is_control": False}, loss_over_sham=e)
             for name, e in (("one", loss), ("two", cannot_say("too few: 2 sessions, needs 6")))]  # fmt: skip
    fig, ax = figure(height=3.0)
    draw_loss_over_sham(ax, cells, target_loss=0.05, horizon_days=30)
    assert "too few to say" in [text.get_text() for text in ax.texts]
