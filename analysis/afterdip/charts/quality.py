"""What was written down, week by week, drawn."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.patches import Patch

from afterdip.answers.quality import Recorded
from afterdip.charts.style import INK, QUIET, RULE, SMALL, say_instead

# Dark where all is written down, hatched where half or less is: told apart in grey print too.
CLASSES = (
    (1.0, "all", "#0b5563", ""),
    (0.8, "80 % or more", "#7fb2bd", ""),
    (0.5, "half or more", "#e3c98b", "//"),
    (0.0, "less than half", "#c24e00", "xx"),
)


def draw_recorded(ax: Axes, recorded: Sequence[Recorded], weeks: Sequence[str]) -> None:
    """Draw a row an item and a column a week of dips, coloured by the share written down; empty where none was due."""
    if not any(sum(item.due) for item in recorded):
        say_instead(ax, "No dips in these months.")
        return
    boxes: dict[tuple, list] = {look: [] for look in CLASSES}  # some hundreds: drawn look by look, not one by one
    for row, item in enumerate(recorded):
        top, bottom = row - 0.4, row + 0.4
        for week, (done, due) in enumerate(zip(item.done, item.due, strict=True)):
            if due:
                box = [(week, top), (week + 0.94, top), (week + 0.94, bottom), (week, bottom)]
                boxes[next(look for look in CLASSES if done / due >= look[0])].append(box)
    for (_, _, colour, hatch), corners in boxes.items():
        ax.add_collection(PolyCollection(corners, facecolor=colour, edgecolor="white", hatch=hatch, linewidth=0))
    ax.set_xlim(0, len(weeks))
    ax.set_ylim(len(recorded) - 0.45, -0.55)
    ax.set_yticks(range(len(recorded)), [item.item for item in recorded])
    firsts = [i for i, week in enumerate(weeks) if i == 0 or week[:7] != weeks[i - 1][:7]][1:]
    ax.set_xticks([i + 0.5 for i in firsts], [weeks[i][:7] for i in firsts], rotation=45, ha="right", fontsize=SMALL)
    ax.set_xlabel("week of the dip")
    ax.grid(visible=False)
    ax.tick_params(axis="y", length=0, colors=INK)
    marks = [Patch(facecolor=c, hatch=h, edgecolor="white", label=words) for _, words, c, h in CLASSES]
    marks.append(Patch(facecolor="white", edgecolor=RULE, label="none due"))
    ax.legend(handles=marks, ncols=3, loc="lower left", bbox_to_anchor=(-0.02, 1.0), fontsize=SMALL, handlelength=1.2,
              labelcolor=QUIET)  # fmt: skip
