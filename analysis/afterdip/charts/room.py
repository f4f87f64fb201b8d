"""Gives the one Axes of a figure the room that its labels, its legend and its notes leave."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import LayoutEngine
from matplotlib.spines import Spine
from matplotlib.transforms import Bbox

_PAD = 3 / 72  # inches of paper around everything
_LEAST = 0.1  # of the figure's width or height: an Axes is never made smaller


class Room(LayoutEngine):
    """A layout for a figure of one Axes that measures its labels once, matplotlib's own ("constrained") twice.

    Half of the time of a figure goes into measuring text. Labels of an axis keep their size when the Axes moves, so
    they are measured again only if the new size has given the axis other ticks. Notes and a legend are measured
    twice: where they stand at data, how far they reach beyond the Axes depends on its size.
    """

    _adjust_compatible = _colorbar_gridspec = False  # what matplotlib asks of an engine: this one does neither

    def execute(self, fig: Figure) -> None:
        """Place the Axes of `fig`, which has one; what is too long for the figure is cut, as on any paper."""
        (ax,) = fig.axes
        size, ticks, labels = fig.bbox.size, None, None
        for _ in range(2):
            if ticks is None or any(map(_unlike, ticks, _ticks(ax))):
                ticks = _ticks(ax)
                tight = ax.get_tightbbox(bbox_extra_artists=[], for_layout_only=True)
                labels = _beyond(ax, [tight])
            around = np.maximum(labels, _beyond(ax, _notes(ax))) + _PAD * fig.dpi
            low, high = around[0] / size, 1 - around[1] / size
            if (high - low < _LEAST).any():
                return
            ax.set_position(Bbox([low, high]))


def _ticks(ax: Axes) -> list[np.ndarray]:
    return [axis.get_majorticklocs() for axis in (ax.xaxis, ax.yaxis)]


def _unlike(before: np.ndarray, after: np.ndarray) -> bool:
    return not np.array_equal(before, after)


def _notes(ax: Axes) -> list[Bbox]:
    """Return where everything stands that is no axis and not cut at the edge of the Axes."""
    artists = [a for a in ax.get_default_bbox_extra_artists() if not isinstance(a, Spine)]
    found = [a.get_tightbbox() for a in artists]
    return [box for box in found if box is not None and np.isfinite(box.extents).all() and box.width > 0 < box.height]


def _beyond(ax: Axes, boxes: list[Bbox]) -> np.ndarray:
    """Return how far boxes reach beyond the Axes, in pixels: left and bottom, right and top, shape (2, 2)."""
    if not boxes:
        return np.zeros((2, 2))
    whole = Bbox.union(boxes)
    return np.maximum([ax.bbox.min - whole.min, whole.max - ax.bbox.max], 0.0)
