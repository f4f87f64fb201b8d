"""Trays -> what each first-dipped tray took in minutes and money through all its dips, and whether it ended clean."""

from __future__ import annotations

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.labour import tally_baths
from afterdip.tally.series import of_unnamed_series, series_of

_OF_TRAYS = ["tray", "session", "pieces", "earlier_tray", "origin"]
AFTER_DIP = ("on piece", "later")  # moments at which a piece itself was looked at after its dip


def tally_costs(log: Log) -> pd.DataFrame:
    """Return one row per first-dip tray, in the log's order, with sums over its pieces.

    Columns: tray, session, pieces; person_min (of the first dip, its session's minutes shared out by pieces, NaN where
    the session has no labour rows), upkeep_min (labour rows that name no session, shared out over all dips alike),
    agent_cost (NaN without a price), redip_min, redip_cost (all later dips in the series), examined and infested
    pieces at the last look after the dip (both NaN where nobody looked).

    Later dips whose session has no labour rows are taken to cost a piece what that agent's others do. infested counts
    a piece once for every pest it may carry, at most all examined: the share of clean pieces is not overstated.
    """
    trays = log.trays[_OF_TRAYS].merge(_per_piece(log), on="session", how="left", validate="many_to_one")
    _, root, dip = series_of(trays)
    first = (dip == 1) & ~of_unnamed_series(trays)
    pieces = trays["pieces"].to_numpy(np.float64)
    total = {
        "person_min": pieces * trays["minutes_each"].to_numpy(np.float64),
        "upkeep_min": pieces * _upkeep_each(log),
        "agent_cost": pieces * trays["cost_each"].to_numpy(np.float64),
        "redip_min": np.where(first, 0.0, pieces * (trays["filled_each"].to_numpy(np.float64) + _upkeep_each(log))),
        "redip_cost": np.where(first, 0.0, pieces * trays["cost_each"].to_numpy(np.float64)),
    }
    out = trays.loc[first, ["tray", "session", "pieces"]].reset_index(drop=True)
    for name, values in total.items():
        if name.startswith("redip"):
            out[name] = np.bincount(root, values, len(trays))[first]
        else:
            out[name] = values[first]
    out[["examined", "infested"]] = _last_look(log, trays, root)[first]
    return out


def tally_redip_lags(log: Log, *, end: pd.Timestamp) -> np.ndarray:
    """Return the share of dipped pieces that go into another dip after 0, 1, 2, ... days, shape (n_days,).

    Dips before `end` only; each lag over the pieces dipped long enough before `end` to have been seen at it.
    """
    trays = _dipped_before(log, end)
    before = trays.set_index("tray")["date"]
    later = trays[trays["earlier_tray"].isin(before.index)]
    lags = (later["date"] - later["earlier_tray"].map(before)).dt.days.to_numpy(np.int64)
    age = (end - trays["date"]).dt.days.to_numpy(np.int64)
    longest = int(lags.max()) if len(lags) else 0
    moved = np.bincount(lags, later["pieces"], longest + 1)
    seen = np.array([trays.loc[age > lag, "pieces"].sum() for lag in range(longest + 1)], dtype=np.float64)
    return np.divide(moved, seen, out=np.zeros(longest + 1), where=seen > 0)


def tally_plan(log: Log, *, start: pd.Timestamp, weeks: int = 4, recent_weeks: int = 13) -> pd.DataFrame:
    """Return the pieces to expect week by week from `start`: columns week (its first day), fresh, redips.

    `fresh`: first dips a week over the last `recent_weeks`. `redips`: pieces now in the holding water times the share
    that this farm has dipped again after so many days (`tally_redip_lags`); a habit, not a schedule of what ought to
    be dipped.
    """
    lags = tally_redip_lags(log, end=start)
    trays = _dipped_before(log, start)
    age = (start - trays["date"]).dt.days.to_numpy(np.int64)
    fresh = trays["earlier_tray"].isna().to_numpy() & ~of_unnamed_series(trays) & (age <= 7 * recent_weeks)
    span = min(recent_weeks, max(int(age.max()) / 7, 1.0)) if len(age) else 1.0
    pieces = trays["pieces"].to_numpy(np.float64)
    days = np.arange(7 * weeks)
    reach = np.minimum(age[:, None] + days[None, :], len(lags), dtype=np.int32)
    chance = np.append(lags, 0.0)[reach]
    return pd.DataFrame(
        {
            "week": [start + pd.Timedelta(weeks=week) for week in range(weeks)],
            "fresh": float(pieces[fresh].sum() / span),
            "redips": (pieces @ chance).reshape(weeks, 7).sum(axis=1),
        }
    )


def _dipped_before(log: Log, day: pd.Timestamp) -> pd.DataFrame:
    """Return the trays dipped before a day, with the date of their dip."""
    trays = log.trays[_OF_TRAYS].merge(log.sessions[["session", "date"]], on="session")
    return trays[trays["date"] < day]


def _per_piece(log: Log) -> pd.DataFrame:
    """Minutes and money a piece took in each session; minutes filled from the agent's others where none are known."""
    minutes = log.labour.groupby("session")["person_min"].sum()
    baths = tally_baths(log)
    each = baths.assign(minutes_each=baths["session"].map(minutes) / baths["pieces"])
    known = each["minutes_each"].notna()
    sums = each.assign(m=each["minutes_each"] * each["pieces"])[known].groupby("agent")[["m", "pieces"]].sum()
    usual = sums["m"] / sums["pieces"]
    overall = sums["m"].sum() / sums["pieces"].sum() if len(sums) else np.nan
    filled = each["minutes_each"].fillna(each["agent"].map(usual)).fillna(overall)
    return pd.DataFrame(
        {
            "session": each["session"],
            "minutes_each": each["minutes_each"],
            "filled_each": filled,
            "cost_each": each["cost"] / each["pieces"],
        }
    )


def _upkeep_each(log: Log) -> float:
    shared = log.labour.loc[log.labour["session"].isna(), "person_min"].sum()
    pieces = log.trays["pieces"].sum()
    return float(shared / pieces) if pieces else 0.0


def _last_look(log: Log, trays: pd.DataFrame, root: np.ndarray) -> np.ndarray:
    """Return examined and infested pieces at each series' last look at its pieces, NaN where there was none."""
    looks = log.pests[log.pests["moment"].isin(AFTER_DIP)]
    place = root[pd.Index(trays["tray"]).get_indexer(looks["tray"])]
    carried = looks["infested"].astype("Float64").to_numpy(np.float64, na_value=np.nan)
    most = np.minimum(looks["alive"], looks["examined"]).to_numpy(np.float64)  # every live pest on a piece of its own
    rows = pd.DataFrame(
        {
            "place": place,
            "tray": looks["tray"].to_numpy(),
            "counted": looks["counted"].to_numpy(),
            "examined": looks["examined"].to_numpy(np.float64),
            "infested": np.where(np.isnan(carried), most, np.where(looks["alive"] > 0, carried, 0.0)),
        }
    )
    by_look = rows.groupby(["place", "tray", "counted"], as_index=False).agg({"examined": "max", "infested": "sum"})
    by_look["infested"] = by_look[["infested", "examined"]].min(axis=1)
    last = by_look.sort_values(["place", "counted", "tray"]).groupby("place").tail(1)
    out = np.full((len(trays), 2), np.nan)
    out[last["place"].to_numpy(np.int64)] = last[["examined", "infested"]].to_numpy()
    return out
