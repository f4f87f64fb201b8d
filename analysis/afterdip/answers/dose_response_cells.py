"""The cells of the strength page: which baths belong together, one agent's curves, its windows, its minutes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.dose_response import (
    ConcentrationCurve,
    ResponseBand,
    WindowMap,
    WorkingWindow,
    concentration_at,
    enough_for_curve,
    inside_tried,
    natural_response,
    same_strength,
    spearman_karber,
)
from afterdip.estimate import Estimate, cannot_say

SAME_MINUTES = 1.25  # exposures up to a quarter longer or shorter than the usual one count as one


@dataclass(frozen=True, slots=True)
class Baths:
    """One agent's baths on one axis of strength at its usual exposure.

    `minutes` usual, shortest and longest of these baths; `other_minutes` and `other_unit` count the agent's sessions
    left out for their exposure or their unit of strength; `randomised` whether lots were drawn in every one of them.
    """

    agent: str
    unit: str
    sessions: frozenset[str]
    minutes: tuple[float, float, float]
    other_minutes: int
    other_unit: int
    randomised: bool

    @property
    def exposure(self) -> str:
        """The exposure in words."""
        usual, low, high = self.minutes
        return f"{usual:g} minutes" if low == high else f"{low:g} to {high:g} minutes, mostly {usual:g}"

    def to_json(self) -> dict:
        """Return what every cell of these baths carries."""
        return {
            "agent": self.agent, "strength_unit": self.unit, "minutes": self.minutes[0],
            "minutes_shortest": self.minutes[1], "minutes_longest": self.minutes[2], "randomised": self.randomised,
        }  # fmt: skip


def usual_baths(agent: str, baths: pd.DataFrame) -> Baths:
    """Choose the unit and the exposure that most of an agent's sessions share; `baths` are that agent's rows."""
    unit = str(baths["strength_unit"].value_counts(sort=True).index[0])
    same = baths[baths["strength_unit"] == unit]
    minutes = same["exposure_min"].to_numpy(float)
    tried, times = np.unique(minutes, return_counts=True)
    near = (tried[:, None] <= tried * SAME_MINUTES) & (tried[:, None] >= tried / SAME_MINUTES)
    usual = float(tried[np.lexsort((np.abs(tried - np.median(minutes)), -times, -(near @ times)))[0]])
    here = same[(minutes <= usual * SAME_MINUTES) & (minutes >= usual / SAME_MINUTES)]
    return Baths(
        agent, unit, frozenset(here["session"]), (usual, float(here["exposure_min"].min()),
                                                  float(here["exposure_min"].max())),
        other_minutes=len(same) - len(here), other_unit=len(baths) - len(same),
        randomised=bool(here["randomised"].all()),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class CurveCell:
    """One curve: pests `killed` or `removed` (`pest`, `stage`), or corals that `died` by the horizon (`coral_group`).

    `middle` is the LC50 (death) or EC50 (off the piece), `far` the concentration at the farm's kill target or, for
    corals, at 10 per cent over sham; both "cannot say" outside the strengths tried. `refusal`: why no curve is shown,
    then `middle` may still be a Spearman-Karber value. `links`: the middle concentration under each link.
    """

    baths: Baths
    keys: dict[str, str]
    outcome: str
    curve: ConcentrationCurve
    refusal: str
    middle: Estimate
    far: Estimate
    far_level: float
    natural: Estimate
    slope: Estimate
    heterogeneity: Estimate
    links: dict[str, Estimate]

    @property
    def symbol(self) -> str:
        """LC for death, EC for an effect that is not death."""
        return "ec" if self.outcome == "removed" else "lc"

    @property
    def name(self) -> str:
        """The cell in words."""
        return ", ".join([self.baths.agent, *self.keys.values()])

    def to_json(self) -> dict:
        """Return the cell's numbers."""
        curve = self.curve
        what = self.baths.to_json() | self.keys | {
            "outcome": self.outcome, "sessions": curve.dosed_sessions, "sham_sessions": curve.sham_sessions,
            "strengths": curve.strengths, "lowest_strength": curve.tried[0], "highest_strength": curve.tried[1],
            "curve": not self.refusal, "reason": self.refusal, f"{self.symbol}50": self.middle.to_json(),
        }  # fmt: skip
        if self.refusal:
            return what
        return what | {
            f"{self.symbol}{self.far_level:g}": self.far.to_json(),
            "natural_response": self.natural.to_json(), "slope": self.slope.to_json(),
            "heterogeneity": self.heterogeneity.to_json(),
            "links": {name: value.to_json() for name, value in self.links.items()},
        }  # fmt: skip


def curve_cell(
    baths: Baths, keys: dict[str, str], outcome: str, by_link: dict[str, ConcentrationCurve], *, far_level: float,
    level: float,
) -> CurveCell:  # fmt: skip
    """Read one cell's figures off its curves (one per link, the logit's being the one shown) at confidence `level`."""
    curve = by_link["logit"]
    refusal = enough_for_curve(curve)
    if refusal:
        nothing = cannot_say(refusal, confidence_level=level, **curve.counts())
        middle = _without_curve(curve, refusal, level)
        rest = dict.fromkeys(("far", "natural", "slope", "heterogeneity"), nothing)
        return CurveCell(
            baths, keys, outcome, curve, refusal=refusal, middle=middle, far_level=far_level, links={}, **rest
        )
    fit = curve.fit
    return CurveCell(
        baths, keys, outcome, curve, "", middle=_inside(curve, 50.0, level), far=_inside(curve, far_level, level),
        far_level=far_level, natural=natural_response(curve, confidence_level=level), slope=_slope(curve, level),
        heterogeneity=Estimate(
            estimate=fit.heterogeneity, confidence_level=level, method="Pearson chi-square over degrees of freedom",
            **curve.counts(),
        ) if fit.df > 0 else cannot_say("no session to spare", confidence_level=level),
        links={name: _inside(other, 50.0, level) for name, other in by_link.items()},
    )  # fmt: skip


def _inside(curve: ConcentrationCurve, at: float, level: float) -> Estimate:
    """Return the concentration at a level, or say that it lies beyond the strengths tried."""
    found = concentration_at(curve, at, confidence_level=level)
    if found.estimate is None:
        return found
    if inside_tried(curve, found.estimate):
        return _open_outside(found, curve)
    where = "below the weakest" if found.estimate < curve.tried[0] else "above the strongest"
    return cannot_say(f"{where} bath tried", confidence_level=level, **curve.counts())


def _open_outside(found: Estimate, curve: ConcentrationCurve) -> Estimate:
    """Open the limits that lie beyond the strengths tried: nothing there is known but by the shape of the curve."""
    low, high = (None if end is None or not inside_tried(curve, end) else end for end in (found.low, found.high))
    if (low, high) == (found.low, found.high):
        return found
    opened = [w for w, now, then in (("lower", low, found.low), ("upper", high, found.high)) if now != then]
    return replace(found, low=low, high=high, reason=f"{' and '.join(opened)} limit beyond the strengths tried")


def _without_curve(curve: ConcentrationCurve, refusal: str, level: float) -> Estimate:
    """Return a Spearman-Karber value where strengths run from none to all, else the reason why there is no curve."""
    if curve.strengths < 2:
        return cannot_say(refusal, confidence_level=level, **curve.counts())
    found = spearman_karber(
        same_strength(curve.strength), curve.n, curve.responded, counted=curve.counted, confidence_level=level
    )
    if not found.known:
        return replace(found, reason=refusal)
    return replace(found, reason="; ".join(filter(None, (f"no curve: {refusal}", found.reason))))


def _slope(curve: ConcentrationCurve, level: float) -> Estimate:
    """Return the rise of the log odds for ten times the strength, with Wald limits."""
    spread = max(float(v[1, 1]) for v in curve.fit.spread("session"))
    t = curve.fit.quantile("session", level)
    reach = None if t is None else t * spread**0.5
    return Estimate(
        estimate=curve.slope, low=None if reach is None else curve.slope - reach,
        high=None if reach is None else curve.slope + reach, confidence_level=level, **curve.counts(),
        method="log odds per tenfold strength, session-level limits",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class WindowCell:
    """The working window of one agent against one pest on corals that carry it, with the two bands it rests on."""

    baths: Baths
    pest: str
    stage: str
    coral_group: str
    kill: CurveCell
    loss: CurveCell
    kill_band: ResponseBand
    loss_band: ResponseBand
    window: WorkingWindow
    confidence_level: float

    @property
    def name(self) -> str:
        """The cell in words."""
        return f"{self.baths.agent}: {self.pest}, {self.stage}, on {self.coral_group}"

    def to_json(self) -> dict:
        """Return the window's numbers; where it is empty `low`, `high` and `ratio` say why."""
        window = self.window
        counts = {"sessions": self.kill.curve.dosed_sessions, "pests": self.kill.curve.counts()["pests"],
                  "pieces": self.loss.curve.counts()["pieces"]}  # fmt: skip
        method = f"session-level limits, kill by {self.kill_band.source}, loss over sham by {self.loss_band.source}"
        ends = {
            name: cannot_say(window.reason, confidence_level=self.confidence_level, **counts) if value is None
            else Estimate(estimate=value, confidence_level=self.confidence_level, method=method, **counts)
            for name, value in (("low", window.low), ("high", window.high), ("ratio", window.ratio))
        }  # fmt: skip
        return self.baths.to_json() | {
            "pest": self.pest, "stage": self.stage, "coral_group": self.coral_group, "empty": window.low is None,
            **{name: end.to_json() for name, end in ends.items()}, "goes_on_below": window.ends_low,
            "goes_on_above": window.ends_high, "by_estimates": None if window.by_estimates is None
            else list(window.by_estimates), "kill_target": window.kill_target, "loss_limit": window.loss_limit,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class MinutesCell:
    """Strength and minutes of one agent together: n of C^n t for a pest's kill, and the map of both targets.

    `tried` has one row a strength and exposure: strength, minutes, sessions. `middle`: LC50 by minutes.
    """

    agent: str
    unit: str
    pest: str
    stage: str
    coral_group: str
    randomised: bool
    tried: pd.DataFrame
    exponent: Estimate
    middle: dict[str, Estimate]
    map: WindowMap

    @property
    def name(self) -> str:
        """The cell in words."""
        return f"{self.agent}: {self.pest}, {self.stage}, on {self.coral_group}"

    def to_json(self) -> dict:
        """Return the numbers; the map as the share of the baths tried that keeps to both targets."""
        grid = self.map
        corner = None
        if grid.both.any():
            rows, columns = np.nonzero(grid.both)
            corner = {"strength": [float(grid.strength[columns.min()]), float(grid.strength[columns.max()])],
                      "minutes": [float(grid.minutes[rows.min()]), float(grid.minutes[rows.max()])]}  # fmt: skip
        return {
            "agent": self.agent, "strength_unit": self.unit, "pest": self.pest, "stage": self.stage,
            "coral_group": self.coral_group, "randomised": self.randomised,
            "sessions": int(self.tried["sessions"].sum()), "strengths": int(self.tried["strength"].nunique()),
            "exposures": int(self.tried["minutes"].nunique()), "exponent": self.exponent.to_json(),
            "lc50_by_minutes": {name: value.to_json() for name, value in self.middle.items()},
            "both_targets_met_within": corner, "reason": grid.reason,
        }  # fmt: skip
