"""The working window: the strengths that surely kill enough pests and surely cost few enough corals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .bands import ResponseBand
from .links import Floats
from .shares import Map, shares_on_maps
from .strength_time import StrengthMinutes, tried_together

_GRID = 401


@dataclass(frozen=True, slots=True)
class WorkingWindow:
    """Strengths whose kill is surely enough and whose loss over sham is surely small enough, among those tried.

    `low`, `high` bound the widest stretch, None where there is none; `ratio` is high over low. `stretches` holds all.
    `ends_low`, `ends_high`: the stretch goes as far as strengths were tried and may go on. `by_estimates` is the
    stretch that the estimates alone would give, limits left aside. `reason` says why the window is empty.
    """

    kill_target: float
    loss_limit: float
    low: float | None
    high: float | None
    stretches: tuple[tuple[float, float], ...]
    by_estimates: tuple[float, float] | None
    ends_low: bool
    ends_high: bool
    reason: str

    @property
    def ratio(self) -> float | None:
        """How wide: highest over lowest strength of the window."""
        return None if self.low is None else self.high / self.low


def working_window(kill: ResponseBand, loss: ResponseBand, *, kill_target: float, loss_limit: float) -> WorkingWindow:
    """Return where the lower limit of kill reaches the target and the upper limit of loss over sham stays in its limit.

    `kill` is the band of pests dead (handling included, as the target means it), `loss` that of coral loss over sham;
    both on one axis of strength at one exposure. Limits are two-sided and pointwise at session level, so each side
    fails in about half the stated error. Looked for between the lowest and the highest strength tried with both, never
    outside.
    """
    if not (0.0 < kill_target <= 1.0 and 0.0 <= loss_limit < 1.0):
        raise ValueError(f"kill_target and loss_limit must be shares, got {kill_target!r} and {loss_limit!r}")
    at = _common_strengths(kill, loss)
    killed, kill_low, _ = kill.at(at)
    lost, _, loss_high = loss.at(at)
    kills, spares = kill_low >= kill_target, loss_high <= loss_limit  # NaN is neither
    stretches = _stretches(at, kills & spares)
    widest = max(stretches, key=_width, default=None)
    return WorkingWindow(
        kill_target, loss_limit, low=widest and widest[0], high=widest and widest[1], stretches=stretches,
        by_estimates=max(_stretches(at, (killed >= kill_target) & (lost <= loss_limit)), key=_width, default=None),
        ends_low=bool(widest and widest[0] <= at[0]), ends_high=bool(widest and widest[1] >= at[-1]),
        reason="" if widest else _why_empty(at, kill, loss, kill_low, loss_high, kill_target, loss_limit),
    )  # fmt: skip


def _width(stretch: tuple[float, float]) -> float:
    return stretch[1] / stretch[0]


def _common_strengths(kill: ResponseBand, loss: ResponseBand) -> Floats:
    """Return strengths to look at: the points of both bands and a fine grid, between the ends tried with both."""
    low, high = max(kill.tried[0], loss.tried[0]), min(kill.tried[1], loss.tried[1])
    if not low <= high:  # also where a band is empty
        return np.zeros(0)
    points = np.concatenate([kill.strength, loss.strength, np.geomspace(low, high, _GRID)])
    return np.unique(points[(points >= low) & (points <= high)])


def _stretches(at: Floats, good: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Return the runs of neighbouring good points as pairs of strengths."""
    edges = np.diff(np.concatenate([[0], good.astype(int), [0]]))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return tuple((float(at[a]), float(at[b])) for a, b in zip(starts, stops, strict=True))


def _why_empty(
    at: Floats, kill: ResponseBand, loss: ResponseBand, low: Floats, high: Floats, target: float, limit: float
) -> str:
    """Say what stands between the limits and a window, the kill first."""
    if not at.size:
        return "no strength was tried for both kill and loss"
    if np.isnan(low).all():
        return f"kill cannot be told: {kill.refusal or 'too few sessions'}"
    if np.isnan(high).all():
        return f"loss over sham cannot be told: {loss.refusal or 'too few sessions'}"
    if not (low >= target).any():
        return f"none tried surely kills enough: lower limit {100 * np.nanmax(low):.0f} % at most"
    if not (high <= limit).any():
        least = 100 * np.nanmin(high)
        return f"none tried surely spares enough: upper limit of loss over sham {least:.0f} % at least"
    return "none tried does both: where it surely kills enough, it may cost too many corals"


@dataclass(frozen=True, slots=True)
class WindowMap:
    """A grid of minutes by strength: where it was tried, and where kill and loss over sham both keep to the targets.

    `strength` (columns,), `minutes` (rows,); `tried`, `both` and the limits `kill_low`, `loss_high` (rows, columns),
    the limits NaN outside what was tried. `reason` says why there is no map; the grid is then empty.
    """

    strength: Floats
    minutes: Floats
    tried: np.ndarray
    both: np.ndarray
    kill_low: Floats
    loss_high: Floats
    kill_target: float
    loss_limit: float
    reason: str


def window_map(
    kill: StrengthMinutes, loss: StrengthMinutes, *, kill_target: float, loss_limit: float, points: int = 13,
    confidence_level: float = 0.95,
) -> WindowMap:  # fmt: skip
    """Return where strength and minutes together surely kill enough and surely spare enough.

    Only inside the hull of the baths tried for both. Limits as in working_window.
    """
    return window_maps(
        [(kill, loss)], kill_target=kill_target, loss_limit=loss_limit, points=points,
        confidence_level=confidence_level,
    )[0]  # fmt: skip


def window_maps(
    pairs: Sequence[tuple[StrengthMinutes, StrengthMinutes]], *, kill_target: float, loss_limit: float,
    points: int = 13, confidence_level: float = 0.95,
) -> list[WindowMap]:  # fmt: skip
    """Return what `window_map` gives for each (kill, loss); many cost little more than one."""
    reasons = [_why_no_map(kill, loss) for kill, loss in pairs]
    grids, asked = [], []
    for (kill, loss), reason in zip(pairs, reasons, strict=True):
        if not reason:
            x, t = (np.geomspace(*_common(kill, loss, name), points) for name in ("strength", "minutes"))
            columns, lines = np.meshgrid(x, t)
            tried = tried_together(kill, columns, lines) & tried_together(loss, columns, lines)
            grids.append((x, t, tried))
            asked += [Map(kill, columns, lines, False, sides=(-1,)), Map(loss, columns, lines, True, sides=(1,))]
    found = shares_on_maps(asked, confidence_level=confidence_level)
    maps = (
        WindowMap(x, t, tried, tried & (kill[1] >= kill_target) & (loss[2] <= loss_limit), kill[1], loss[2],
                  kill_target, loss_limit, "")
        for (x, t, tried), kill, loss in zip(grids, found[::2], found[1::2], strict=True)
    )  # fmt: skip
    return [_no_map(reason, kill_target, loss_limit) if reason else next(maps) for reason in reasons]


def _why_no_map(kill: StrengthMinutes, loss: StrengthMinutes) -> str:
    reason = next((f"{name}: {fit.refusal}" for name, fit in (("kill", kill), ("loss", loss)) if fit.refusal), "")
    if not reason and any(low >= high for low, high in (_common(kill, loss, name) for name in ("strength", "minutes"))):
        return "kill and loss were not tried at the same strengths and minutes"
    return reason


def _no_map(reason: str, kill_target: float, loss_limit: float) -> WindowMap:
    nothing = np.zeros((0, 0))
    empty = nothing.astype(bool)
    return WindowMap(np.zeros(0), np.zeros(0), empty, empty, nothing, nothing, kill_target, loss_limit, reason)


def _common(kill: StrengthMinutes, loss: StrengthMinutes, name: str) -> tuple[float, float]:
    spans = [(values.min(), values.max()) for values in (getattr(f, name)[f.strength > 0] for f in (kill, loss))]
    return float(max(s[0] for s in spans)), float(min(s[1] for s in spans))
