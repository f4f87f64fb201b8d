"""Which strength to use: curves of kill and of coral loss, the window between them, strength against minutes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.columns import Columns
from afterdip.answers.dose_response_cells import (
    Baths,
    CurveCell,
    MinutesCell,
    WindowCell,
    curve_cell,
    usual_baths,
)
from afterdip.answers.period import Period, period_of
from afterdip.dose_response import (
    LINKS,
    MIN_STRENGTHS,
    StrengthMinutes,
    WindowMap,
    counts_at_horizon,
    fit_cells,
    fit_strength_minutes,
    response_bands,
    same_strength,
    strength_for,
    time_exponent,
    window_maps,
    working_window,
)
from afterdip.log.model import Log
from afterdip.tally.dose_response import ANY_CORAL, StrengthTally, pick, tally_strengths
from afterdip.tally.removal import GLUED

LOSS_LEVEL = 10.0  # per cent of corals over sham
_MAP_SESSIONS = 12  # sessions from which strength and minutes are taken together
_NEARLY = 0.1  # of the horizon: looks are due about a day, so a look so little early speaks for the horizon
_PANELS = 12
_UNUSUAL_SESSIONS = 6  # of them at another than the usual exposure


@dataclass(frozen=True, slots=True)
class MonthCount:
    """What the month alone holds of one agent: sessions, different strengths, pests found; `curve` if it bears one."""

    agent: str
    sessions: int
    strengths: int
    pests: int
    cells: tuple[CurveCell, ...]

    def to_json(self) -> dict:
        """Return the counts and the month's own curves."""
        named = {name: getattr(self, name) for name in ("agent", "sessions", "strengths", "pests")}
        return named | {"kill": [cell.to_json() for cell in self.cells]}


@dataclass(frozen=True, slots=True)
class DoseResponseAnswer:
    """The strength page: curves over the window of months, and what the month alone would bear.

    `kill`, `removed` agent x pest x stage; `loss` agent x coral group; `windows` agent x pest x stage x coral group,
    for stages that dips kill; `minutes` agent x pest where both strength and exposure varied.
    """

    month: str
    window_months: int
    confidence_level: float
    kill_target: float
    loss_limit: float
    horizon_days: int
    doubted: tuple[str, ...]
    unknown_strength: int
    baths: tuple[Baths, ...]
    kill: tuple[CurveCell, ...]
    removed: tuple[CurveCell, ...]
    loss: tuple[CurveCell, ...]
    windows: tuple[WindowCell, ...]
    minutes: tuple[MinutesCell, ...]
    months: tuple[MonthCount, ...]

    @property
    def shown(self) -> tuple[WindowCell, ...]:
        """Windows worth a panel: strengths at least twofold apart, an adult stage, the widest choice of corals."""
        last = {(w.baths.agent, w.pest, w.stage): w for w in self.windows}
        wide = [w for w in last.values() if _several_strengths(w.kill) and w.stage != "juvenile"]
        return tuple(wide[:_PANELS])

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to concentration-response."""
        lists = ("kill", "removed", "loss", "windows", "minutes", "months")
        return {
            "window_months": self.window_months, "kill_target": self.kill_target, "loss_limit": self.loss_limit,
            "horizon_days": self.horizon_days, "doubted_sessions": list(self.doubted),
            "sessions_of_unknown_strength": self.unknown_strength,
            **{name: [cell.to_json() for cell in getattr(self, name)] for name in lists},
        }  # fmt: skip


def answer_dose_response(log: Log, *, month: str, as_of: str, window_months: int = 12) -> DoseResponseAnswer:
    """Return curves and windows over the window of months ending with `month`, read at the farm's targets and level.

    `as_of` is the day the log was read to. A session whose strength is off its agent's others by more than ten times
    and stands alone at it is doubted and left out, as is one whose strength cannot be told.
    """
    period, settings = period_of(month, window_months=window_months), log.settings
    tally, doubted = _without_doubt(log, tally_strengths(log, since=period.start, until=period.end))
    inside = tally.within(period.in_window(tally.baths.set_index("session")["date"]))
    read = _Reader(inside, settings.confidence, 100.0 * settings.target_kill, settings.horizon_days)
    kill, removed, loss = read.kills("killed"), read.kills("removed"), read.losses()
    return DoseResponseAnswer(
        month=month, window_months=window_months, confidence_level=settings.confidence,
        kill_target=settings.target_kill, loss_limit=settings.target_loss, horizon_days=settings.horizon_days,
        doubted=doubted, unknown_strength=tally.unknown_strength, baths=read.baths,
        kill=kill, removed=removed, loss=loss,
        windows=_windows(read, kill, loss, settings.target_kill, settings.target_loss),
        minutes=_minutes(read, settings.target_kill, settings.target_loss),
        months=_months(tally, period, read),
    )  # fmt: skip


def _without_doubt(log: Log, tally: StrengthTally) -> tuple[StrengthTally, tuple[str, ...]]:
    """Leave out sessions warned of as a jump in strength that no other session of the agent confirms."""
    jumps = {w.session for w in log.warnings if w.code == "strength_jump" and w.session is not None}
    baths = tally.baths
    alone = []
    for bath in baths[baths["session"].isin(jumps)].itertuples():
        like = pick(baths, agent=bath.agent, strength_unit=bath.strength_unit)["strength"]
        if ((like / bath.strength).between(1 / 1.15, 1.15)).sum() < 2:
            alone.append(bath.session)
    keep = pd.Series(~baths["session"].isin(alone).to_numpy(), index=baths["session"])
    return tally.within(keep), tuple(sorted(alone))


def _several_strengths(cell: CurveCell) -> bool:
    low, high = cell.curve.tried
    return cell.curve.strengths >= MIN_STRENGTHS and high >= 2.0 * low


class _Reader:
    """Puts sessions together into cells and fits all cells of one outcome in one call."""

    def __init__(self, tally: StrengthTally, level: float, kill_level: float, horizon: int) -> None:
        self.tally, self.level, self.kill_level, self.horizon = tally, level, kill_level, horizon
        dosed = tally.baths[~tally.baths["is_control"]]
        self.baths = tuple(usual_baths(str(agent), rows) for agent, rows in dosed.groupby("agent", sort=True))
        self.pieces = self._pieces()

    def _pieces(self) -> pd.DataFrame:
        """One row a session x coral group: pieces and deaths at the horizon, and over all corals together."""
        exits = self.tally.exits
        keys = exits[["session", "coral_group"]].drop_duplicates().reset_index(drop=True)
        group = exits[["session", "coral_group"]].merge(keys.reset_index(), on=["session", "coral_group"])["index"]
        columns = (exits[name].to_numpy() for name in ("since", "day", "dead", "left"))
        grace = _NEARLY * self.horizon
        n, died = counts_at_horizon(group.to_numpy(), *columns, horizon=self.horizon, grace=grace)
        rows = keys.assign(n=n, died=died)
        whole = rows.groupby("session", as_index=False)[["n", "died"]].sum().assign(coral_group=ANY_CORAL)
        own = rows[rows["coral_group"] != ANY_CORAL]  # a farm may call a group of its own "all corals": never twice
        return self.tally.baths.merge(pd.concat([own, whole]), on="session").query("n > 0")

    def kills(self, outcome: str) -> tuple[CurveCell, ...]:
        """Fit killed or removed for every agent x pest x stage."""
        return self._fit(self.tally.pests, ("pest", "stage"), outcome, "found", outcome, "pests", self.kill_level)

    def losses(self) -> tuple[CurveCell, ...]:
        """Fit death by the horizon for every agent x coral group, and all corals together, which come last."""
        return self._fit(self.pieces, ("coral_group",), "died", "n", "died", "pieces", LOSS_LEVEL)

    def _fit(
        self, frame: pd.DataFrame, names: tuple[str, ...], outcome: str, n: str, responded: str, counted: str,
        far: float,
    ) -> tuple[CurveCell, ...]:  # fmt: skip
        """Fit the cells that have a session with the agent, all at once under each link."""
        rows = Columns.of(frame)
        own = {baths.agent: frame["session"].isin(baths.sessions).to_numpy() for baths in self.baths}
        groups = sorted(rows.groups(*names), key=lambda group: names == ("coral_group",) and group[0] == (ANY_CORAL,))
        parts, kept = [], []
        for baths in self.baths:
            for values, same in groups:
                chosen = same.part(own[baths.agent][same.rows] | same["is_control"])
                if (~chosen["is_control"]).any():
                    parts.append(chosen.rows)
                    kept.append((baths, dict(zip(names, values, strict=True))))
        if not kept:
            return ()
        whole = rows.part(np.concatenate(parts))
        columns = (np.repeat(np.arange(len(parts)), [part.size for part in parts]),
                   *(whole[name] for name in ("strength", n, responded)))  # fmt: skip
        session = pd.factorize(whole["session"], sort=True)[0]
        fits = {link: fit_cells(*columns, session=session, link=link, counted=counted) for link in LINKS}
        return tuple(
            curve_cell(baths, keys, outcome, {link: fit.curve(i) for link, fit in fits.items()}, far_level=far,
                       level=self.level)
            for i, (baths, keys) in enumerate(kept)
        )  # fmt: skip


def _windows(
    read: _Reader, kill: tuple[CurveCell, ...], loss: tuple[CurveCell, ...], kill_target: float, loss_limit: float
) -> tuple[WindowCell, ...]:
    """Put each kill curve beside the loss curves of the corals that carry the pest; one band a curve."""
    losses = {(cell.baths.agent, cell.keys["coral_group"]): cell for cell in loss}
    pairs = [
        (cell, losses[cell.baths.agent, group])
        for cell in kill if cell.keys["stage"] not in GLUED
        for group in _homes(read.tally, cell.keys["pest"]) if (cell.baths.agent, group) in losses
    ]  # fmt: skip
    curves = {id(cell): (cell.curve, over) for pair in pairs for cell, over in zip(pair, (False, True), strict=True)}
    bands = dict(zip(curves, response_bands(list(curves.values()), confidence_level=read.level), strict=True))
    cells = []
    for cell, other in pairs:
        kill_band, loss_band = bands[id(cell)], bands[id(other)]
        window = working_window(kill_band, loss_band, kill_target=kill_target, loss_limit=loss_limit)
        keys = cell.keys["pest"], cell.keys["stage"], other.keys["coral_group"]
        cells.append(WindowCell(cell.baths, *keys, cell, other, kill_band, loss_band, window, read.level))
    return tuple(cells)


def _homes(tally: StrengthTally, pest: str) -> list[str]:
    """Return the coral groups a pest was found on, most pests first, and all corals where it lives on several."""
    homes = pick(tally.homes, pest=pest).sort_values(["found", "coral_group"], ascending=[False, True])
    known = homes["coral_group"].tolist()
    groups = [group for group in known if group != ANY_CORAL]
    return groups if len(known) <= 1 and groups == known else [*groups, ANY_CORAL]


def _minutes(read: _Reader, kill_target: float, loss_limit: float) -> tuple[MinutesCell, ...]:
    """Take strength and minutes together for agents with enough sessions where both varied."""
    found = []
    for baths in read.baths:
        own = pick(read.tally.baths, agent=baths.agent, strength_unit=baths.unit)
        if baths.other_minutes < _UNUSUAL_SESSIONS:
            continue
        for pest in sorted(read.tally.pests["pest"].unique()):
            for stage in ("adult", "any"):
                rows = pick(read.tally.pests, pest=pest, stage=stage)
                rows = rows[rows["session"].isin(own["session"]) | rows["is_control"]]
                if rows["session"].isin(own["session"]).sum() >= _MAP_SESSIONS:
                    home = _homes(read.tally, pest)[-1]
                    fits = _together(rows, "found", "killed", "pests"), _minutes_loss(read, own, home)
                    found.append((baths, own[own["session"].isin(rows["session"])], (pest, stage, home), fits))
    maps = window_maps(
        [fits for *_, fits in found], kill_target=kill_target, loss_limit=loss_limit, confidence_level=read.level
    )
    return tuple(_minutes_cell(read, *parts, shown) for parts, shown in zip(found, maps, strict=True))


def _minutes_loss(read: _Reader, own: pd.DataFrame, home: str) -> StrengthMinutes:
    pieces = pick(read.pieces, coral_group=home)
    pieces = pieces[pieces["session"].isin(own["session"]) | pieces["is_control"]]
    return _together(pieces, "n", "died", "pieces")


def _minutes_cell(
    read: _Reader, baths: Baths, used: pd.DataFrame, keys: tuple[str, str, str],
    fits: tuple[StrengthMinutes, StrengthMinutes], shown: WindowMap,
) -> MinutesCell:  # fmt: skip
    kill, exposures = fits[0], sorted(used["exposure_min"].unique())
    tried = used.assign(strength=same_strength(used["strength"].to_numpy(float)), minutes=used["exposure_min"])
    tried = tried.groupby(["strength", "minutes"]).size().rename("sessions").reset_index()
    return MinutesCell(
        baths.agent, baths.unit, *keys, bool(used["randomised"].all()), tried=tried,
        exponent=time_exponent(kill, confidence_level=read.level),
        middle={f"{m:g}": strength_for(kill, 50.0, float(m), confidence_level=read.level) for m in exposures[:8]},
        map=shown,
    )  # fmt: skip


def _together(rows: pd.DataFrame, n: str, responded: str, counted: str) -> StrengthMinutes:
    columns = (rows[name].to_numpy() for name in ("strength", "exposure_min", n, responded))
    return fit_strength_minutes(*columns, session=rows["session"].to_numpy(str), counted=counted)


def _months(tally: StrengthTally, period: Period, whole: _Reader) -> tuple[MonthCount, ...]:
    """Return what the month alone holds, agent by agent."""
    part = tally.within(period.in_month(tally.baths.set_index("session")["date"]))
    if part.baths.empty:
        return ()
    read = _Reader(part, whole.level, whole.kill_level, whole.horizon)
    cells = read.kills("killed")
    months = []
    for baths in read.baths:
        own = tuple(cell for cell in cells if cell.baths.agent == baths.agent)
        rows = pick(part.baths, agent=baths.agent)
        found = pick(part.pests, agent=baths.agent)["found"].sum()
        strengths = np.unique(same_strength(pick(rows, strength_unit=baths.unit)["strength"].to_numpy(float))).size
        months.append(MonthCount(baths.agent, len(rows), strengths, round(float(found)), own))
    return tuple(months)
