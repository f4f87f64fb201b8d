"""Sessions -> what each bath was (bottle, age, what it had served), what it killed and what became of its pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.removal import GLUED, tally_pests
from afterdip.tally.survival import tally_each_dip

NOT_RECORDED = "not recorded"
MOVING = {"none": 0.0, "manual": 1.0, "pump": 1.0, "air": 1.0}


@dataclass(frozen=True, slots=True)
class WatchTally:
    """Frames for watching over time, in order of `started`.

    `sessions`: session, started, date, agent, is_control, bath (the mixed bath; the session itself where it had its
    own), lot, strength (on the agent's own axis, NaN elsewhere), exposure_min, served_per_l (pieces the bath had served
    before, per litre), shared (the bath served several sessions), hours (since it was mixed, NaN unknown), days_open
    (since the bottle's first session), temperature_c, moving (1 kept moving, 0 not, NaN unknown), separates, pieces.

    `trays`: one row a tray: session, pieces, coral_group, condition, redip, held_days (arrival to first dip),
    wound_days (cut to first dip), checked; `exits`: place (row of `trays`), since, day, dead, left. Every dip is a
    dip: pieces dipped again leave alive and start anew, so that each death stands once, after the dip that it followed.

    `kills`: one row a session, pest and stage whose bath and pieces were counted, eggs left out: kind, pest, found,
    killed, and what `sessions` tells of the session.
    """

    sessions: pd.DataFrame
    trays: pd.DataFrame
    exits: pd.DataFrame
    kills: pd.DataFrame


def tally_watch(log: Log, *, since: pd.Timestamp | None = None, until: pd.Timestamp | None = None) -> WatchTally:
    """Return the counts that watching needs, over the whole log; kills only of dips from `since` on, before `until`."""
    tally = tally_each_dip(log)
    ends = {"place": tally.tray, "since": tally.since, "day": tally.day, "dead": tally.dead, "left": tally.left}
    sessions = tally_sessions(log)
    kills = _kills(log, since, until).merge(sessions, on="session", how="left")
    return WatchTally(sessions, _trays(log, tally.trays), pd.DataFrame(ends), kills)


def tally_sessions(log: Log) -> pd.DataFrame:
    """Return WatchTally's `sessions`."""
    s = log.sessions.merge(
        log.agents[["agent", "strength_unit_of_bath", "separates"]], on="agent", how="left", validate="many_to_one"
    )
    pieces = log.trays.groupby("session")["pieces"].sum()
    mixed = s["mix"].notna()
    bath = np.where(mixed, "bath " + s["mix"].astype("string").fillna("") + " of " + s["agent"], s["session"])
    own_axis = (s["strength_unit"] == s["strength_unit_of_bath"]).to_numpy(bool, na_value=False)
    s = s.assign(
        bath=bath,
        pieces=s["session"].map(pieces).fillna(0).astype(np.int64),
        strength=s["strength"].where(own_axis & (s["strength"] > 0)),
        hours=(s["started"] - s["mixed"]).dt.total_seconds() / 3600,
        moving=s["agitation"].map(MOVING).astype(float),
        days_open=(s["date"] - s.groupby(["agent", "lot"])["date"].transform("min")).dt.days.astype(float),
        separates=s["separates"].fillna(False).astype(bool),
    ).sort_values(["started", "session"], kind="stable", ignore_index=True)
    of_bath = s.groupby("bath")["pieces"]
    served = of_bath.cumsum() - s["pieces"]
    s = s.assign(served_per_l=served / s["bath_volume_l"], shared=of_bath.transform("size") > 1)
    return s[[
        "session", "started", "date", "agent", "is_control", "bath", "lot", "strength", "exposure_min", "served_per_l",
        "shared", "hours", "days_open", "temperature_c", "moving", "separates", "pieces",
    ]]  # fmt: skip


def _trays(log: Log, trays: pd.DataFrame) -> pd.DataFrame:
    dates = log.trays.set_index("tray")[["arrived", "cut"]]
    first = trays["dip"] == 1
    held, wound = ((trays["date"] - trays["tray"].map(dates[name])).dt.days for name in ("arrived", "cut"))
    return pd.DataFrame({
        "session": trays["session"],
        "pieces": trays["pieces"],
        "coral_group": trays["coral_group"],
        "condition": trays["condition"].astype(object).where(trays["condition"].notna(), NOT_RECORDED),
        "redip": ~first,
        "held_days": held.where(first & (trays["origin"] == "arrival") & (held >= 0)),
        "wound_days": wound.where(first & (trays["origin"] == "own cut") & (wound >= 0)),
        "checked": trays["checked"],
    })  # fmt: skip


def _kills(log: Log, since: pd.Timestamp | None, until: pd.Timestamp | None) -> pd.DataFrame:
    dips = tally_pests(log, since=since, until=until).dips
    dips = dips[(dips["found"] > 0) & ~dips["stage"].isin(GLUED)]
    dips = dips.assign(kind=dips["pest"] + ", " + dips["stage"])
    return dips.groupby(["session", "kind", "pest"], as_index=False)[["found", "killed"]].sum()


def tally_mixers(log: Log) -> dict[str, str]:
    """Return who mixed the bath of each session, as its labour rows name them; sessions without a name are absent."""
    rows = log.labour[(log.labour["task"] == "mix") & log.labour["session"].notna() & log.labour["person"].notna()]
    return {str(session): ", ".join(sorted(set(who))) for session, who in rows.groupby("session")["person"]}
