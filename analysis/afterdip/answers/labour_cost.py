"""Cost per clean surviving piece: the cells of the labour page that need losses, pests and prices as well as labour."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.answers.period import Period
from afterdip.estimate import Estimate, cannot_say
from afterdip.labour import (
    MIN_SESSIONS,
    PARTS,
    PieceCost,
    PieceInputs,
    cost_per_clean_piece,
    ratio_of_sums,
    session_correlation,
)
from afterdip.log.model import Log
from afterdip.proportion import session_proportion
from afterdip.survival import cumulative_incidence, incidence_at
from afterdip.tally.cost import tally_costs
from afterdip.tally.survival import SurvivalTally, tally_survival


@dataclass(frozen=True, slots=True)
class CostCell:
    """Cost of one set of pieces, counted under their first dip; `examined` of `pieces` were looked at for pests."""

    label: str
    keys: dict[str, str | bool]
    sessions: int
    pieces: int
    examined: int
    inputs: PieceInputs
    cost: PieceCost

    def to_json(self) -> dict:
        """Return the numbers by name."""
        inputs, cost = self.inputs, self.cost
        estimates = ("person_min", "agent", "redip_person_min", "redip_agent", "dead", "detached", "clean")
        totals = (
            "per_survivor", "per_clean_survivor", "hours_per_thousand_clean", "value_doubled", "wage_doubled",
        )  # fmt: skip
        return self.keys | {
            "sessions": self.sessions,
            "pieces": self.pieces,
            "examined": self.examined,
            "wage_per_hour": inputs.wage_per_hour,
            "piece_value": inputs.piece_value,
            "inputs": {name: getattr(inputs, name).to_json() for name in estimates},
            **{name: getattr(cost, name).to_json() for name in totals},
            "parts": {part: cost.parts[part].to_json() for part in PARTS},
            "shares": {part: cost.shares[part].to_json() for part in PARTS},
        }


@dataclass(frozen=True, slots=True)
class CostReader:
    """Reads the cost of any set of first-dip trays off one pair of tallies.

    `costs` has beside its own columns `place`, the session's in the order of names, and `minutes`, all labour.
    """

    costs: pd.DataFrame
    survival: SurvivalTally
    log: Log

    @classmethod
    def of(cls, log: Log) -> CostReader:
        """Tally the log once."""
        survival = tally_survival(log)
        costs = tally_costs(log).set_index("tray").reindex(survival.trays["tray"]).reset_index()
        place = pd.factorize(costs["session"], sort=True)[0]
        return cls(costs.assign(place=place, minutes=costs["person_min"] + costs["upkeep_min"]), survival, log)

    def by(self, period: Period, columns: list[str]) -> tuple[CostCell, ...]:
        """One cell per agent, or agent and coral group, of the pieces first dipped in the window; sham cells last."""
        trays = self.survival.trays
        within = period.in_window(trays["date"]).to_numpy()
        cells = []
        for names, place in trays[within].groupby(columns, sort=True).indices.items():
            values = names if isinstance(names, tuple) else (names,)
            keep = np.zeros(len(trays), dtype=bool)
            keep[np.flatnonzero(within)[place]] = True
            keys = dict(zip(columns, values, strict=True)) | {"is_control": bool(trays["is_control"][keep].any())}
            cells.append(self.cell(", ".join(values), keys, keep))
        return tuple(sorted(cells, key=lambda c: (c.keys["is_control"], c.label)))

    def months(self, period: Period) -> tuple[CostCell, ...]:
        """One cell per month of the window, all agents but the sham."""
        trays = self.survival.trays
        month = trays["date"].dt.to_period("M").astype(str).to_numpy()
        dipped = ~trays["is_control"].to_numpy(bool)
        return tuple(self.cell(m, {"month": m}, dipped & (month == m)) for m in period.months)

    def cell(self, label: str, keys: dict, keep: np.ndarray) -> CostCell:
        """Return the cost of the trays kept; `keep`: bool, shape (n_trays,)."""
        rows = self.costs[keep]
        inputs = self._inputs(rows, self.survival.select(keep))
        counts = {"sessions": int(rows["session"].nunique()), "pieces": int(rows["pieces"].sum())}
        cost = cost_per_clean_piece(inputs, confidence_level=self.log.settings.confidence, **counts)
        examined = int(rows["examined"].sum())
        return CostCell(label, keys, **counts, examined=examined, inputs=inputs, cost=cost)

    def _inputs(self, rows: pd.DataFrame, tally: SurvivalTally) -> PieceInputs:
        level, settings = self.log.settings.confidence, self.log.settings
        told = tally.select(tally.trays["checked"].to_numpy(bool)).told_at(settings.horizon_days)
        dead, detached = self._lost(told)
        return PieceInputs(
            person_min=_each(rows, "minutes", level, "no session with labour written down"),
            agent=_each(rows, "agent_cost", level, "no price in the agents table"),
            redip_person_min=_each(rows, "redip_min", level, "no labour written down"),
            redip_agent=_each(rows, "redip_cost", level, "no price in the agents table"),
            dead=dead,
            detached=detached,
            clean=_clean(rows, level),
            wage_per_hour=settings.wage_per_hour,
            piece_value=_value(tally.trays, _lost_of(told, settings.horizon_days), settings.piece_value),
            correlation=_together(rows, told),
        )

    def _lost(self, told: SurvivalTally) -> tuple[Estimate, Estimate]:
        """Dead and detached by the horizon, of the pieces looked at after their dip."""
        level, day = self.log.settings.confidence, self.log.settings.horizon_days
        if not len(told.day):
            none = cannot_say("no tray was checked after the dip", confidence_level=level)
            return none, none
        ends = cumulative_incidence(
            told.day,
            np.column_stack([told.dead, told.detached]),
            told.removed + told.alive,
            session=told.of_trays("session"),
            confidence_level=level,
        )
        dead, detached = (incidence_at(ends, cause, day, in_difference=True) for cause in ends.causes)
        return dead, detached


def _together(rows: pd.DataFrame, told: SurvivalTally) -> np.ndarray:
    """Return how the inputs go together over the sessions of the first dips, in the order of `labour.INPUTS`."""
    labels = rows["session"].to_numpy()
    names, place = np.unique(np.concatenate([labels, told.trays["session"].to_numpy()]), return_inverse=True)
    of_rows, of_told = place[: len(labels)], place[len(labels) :][told.tray]
    pieces, examined = (rows[name].to_numpy(np.float64) for name in ("pieces", "examined"))
    spent = [rows[name].to_numpy(np.float64) for name in ("minutes", "agent_cost", "redip_min", "redip_cost")]
    seen = told.dead + told.detached + told.removed + told.alive
    ratios = [
        *((top, pieces, of_rows) for top in spent),
        *((ended, seen, of_told) for ended in (told.dead, told.detached)),
        (examined - rows["infested"].to_numpy(np.float64), examined, of_rows),
    ]
    sums = []
    for top, bottom, at in ratios:
        known = ~np.isnan(top)
        sums.append([np.bincount(at[known], x[known], len(names)) for x in (top, bottom)])
    tops, bottoms = zip(*sums, strict=True)
    return session_correlation(tops, bottoms)


def _each(rows: pd.DataFrame, column: str, level: float, nothing: str) -> Estimate:
    """Return the mean per piece, over sessions where it is known."""
    known = rows[column].notna().to_numpy()
    if not known.any():
        return cannot_say(nothing, confidence_level=level)
    columns = pd.DataFrame({name: rows[name].to_numpy()[known] for name in (column, "pieces", "place")})
    sums = columns.groupby("place").sum()  # by a column's name: pandas writes out an array it is given, for an error
    method = "sum over pieces; first dip's session as the unit"
    return ratio_of_sums(
        sums[column], sums["pieces"], confidence_level=level, method=method, pieces=int(sums["pieces"].sum())
    )


def _clean(rows: pd.DataFrame, level: float) -> Estimate:
    """Return the share of examined pieces with no live pest at the last look; none infested is a bound, not a fact."""
    seen = rows[rows["examined"] > 0]
    infested = session_proportion(
        seen["infested"].to_numpy(),
        seen["examined"].to_numpy(),
        session=seen["session"].to_numpy(),
        confidence_level=level,
        min_sessions=MIN_SESSIONS,
    )
    if infested.estimate is None:
        return replace(infested, reason=f"examined for pests: {infested.reason}")
    return replace(
        infested,
        estimate=1 - infested.estimate,
        low=1 - infested.high,
        high=1 - infested.low,
        pieces=int(seen["examined"].sum()),
        method=f"no live pest seen at the last look; {infested.method}",
    )


def _value(trays: pd.DataFrame, lost: pd.Series, values: dict[str, float]) -> float | None:
    """Return the mean value of a lost piece of these trays, None where a coral group has no value; case is the same.

    It is not that of all pieces: where the dear corals die, a mean over all made half the loss of it. `lost`: pieces by
    tray. One more, a piece of the trays' mean value, is reckoned with: it stands for all where none was lost, and gives
    way as they are seen.
    """
    worth = trays["coral_group"].str.casefold().map(values).to_numpy(np.float64)
    if not len(trays) or np.isnan(worth).any():
        return None
    seen = trays["tray"].map(lost).fillna(0.0).to_numpy(np.float64)
    return float((worth @ seen + np.average(worth, weights=trays["pieces"])) / (seen.sum() + 1.0))


def _lost_of(told: SurvivalTally, day: int) -> pd.Series:
    """Return the pieces dead or detached by the day, by tray."""
    soon = told.day <= day
    return pd.Series((told.dead + told.detached)[soon]).groupby(told.of_trays("tray")[soon]).sum()
