"""What goes with losses beside the agent: days before the dip, age of the cut, warmth and movement of the bath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from afterdip.answers.watch_series import Rows
from afterdip.estimate import Estimate
from afterdip.monitoring import share_effect


@dataclass(frozen=True, slots=True)
class Effect:
    """Change in a share that goes with one step of something recorded, other things held equal.

    `factor`: its name in results.json; `outcome`: loss or kill; `agent`: empty for all; `step`: in words; `of`: which
    pieces; `least`, `most`: the values recorded, None without any.
    """

    factor: str
    outcome: str
    agent: str
    step: str
    of: str
    least: float | None
    most: float | None
    change: Estimate

    def to_json(self) -> dict:
        """Return keys and the estimate."""
        names = ("factor", "outcome", "agent", "step", "of", "least", "most")
        return {name: getattr(self, name) for name in names} | {"change": self.change.to_json()}


LOSS_FACTORS = (
    ("held_days", "one more day from arrival to the dip", "arrivals, first dips"),
    ("wound_days", "one more day from the cut to the dip", "own cuts, first dips"),
    ("temperature_c", "a bath one degree C warmer", "all dips with a temperature"),
    ("moving", "a bath kept moving, against one at rest", "all dips with agitation recorded"),
)
"""Column of the tally, what one step is, and the pieces it is read off."""


def effects_on_loss(rows: Rows, *, confidence_level: float) -> tuple[Effect, ...]:
    """Return the change in loss by the horizon per step of each factor; agent, strength, coral and condition equal."""
    return tuple(
        _effect(rows, column, "loss", "", step, of, confidence_level=confidence_level)
        for column, step, of in LOSS_FACTORS
    )


def effect_of_moving(rows: Rows, agent: str, *, confidence_level: float) -> Effect:
    """Return the change in kill that goes with keeping the bath of an agent that separates in motion."""
    return _effect(
        rows, "moving", "kill", agent, "a bath kept moving, against one at rest", "pests counted",
        confidence_level=confidence_level,
    )  # fmt: skip


def _effect(
    rows: Rows, column: str, outcome: str, agent: str, step: str, of: str, *, confidence_level: float
) -> Effect:
    known = rows.where(rows.frame[column].notna())
    values = known.frame[column].to_numpy(float)
    design, spread = _used(known)
    change = share_effect(
        values, design, known.frame["events"], known.frame["trials"], session=known.frame["bath"].to_numpy(str),
        spread=spread, confidence_level=confidence_level,
    )  # fmt: skip
    ends = (float(values.min()), float(values.max())) if values.size else (None, None)
    return Effect(column, outcome, agent, step, of, *ends, change)


def _used(rows: Rows) -> tuple[np.ndarray, np.ndarray]:
    """Leave out columns that are nought throughout: kinds of pieces that are not among these."""
    used = np.abs(rows.design).max(axis=0, initial=0.0) > 0
    used[0] = True
    return rows.design[:, used], rows.spread[used]
