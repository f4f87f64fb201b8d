"""Pest rows -> what was found in each dip and where, before against after, and every look at the pieces.

The bath belongs to the session: trays that went through it together shed into the same water, and farms file that
count under one tray or under each. So what fell and what stayed on are added up over a session's trays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log

DIP = ["session", "pest", "stage"]
PART = [*DIP, "coral_group"]
ABOUT = ["agent", "is_control", "date", "strength", "strength_unit", "exposure_min", "rinses"]
STATES = ("alive", "dead")
COMPARTMENTS = [f"{place}_{state}" for place in ("bath", "rinse", "on") for state in STATES]
GLUED = ("egg",)  # stages that do not fall off: what is on the piece is all there was (common practice, no source)
AFTER_DAYS = 3  # a first look within so many days stands for "after the dip"; common practice, no source


@dataclass(frozen=True, slots=True)
class PestTally:
    """Pests by dip and looks by tray, as tables with one column a count.

    `dips`: one row a session x pest x stage x coral group. `bath_alive` ... `on_dead`: the six compartments as
    counted; `trays`, `pieces`. `found`, `removed`, `killed`, `living_on`: pests for shares, brought down to the pieces
    looked at after the dip where those were only part (`partial`); all 0 where a count is not there, and `missing`
    says which.
    `before`, `after`: living pests on the same `paired` pieces; `left` living on `left_pieces` after the dip.
    `rinse_unseen`: rinsed, but the rinse was not counted, so removal is understated.

    `looks`: one row a tray x pest x stage x day on the pieces: `look` is before (the last one), after (the first one,
    within AFTER_DAYS) or later; `day` since the dip, `examined`, `alive`, `dead`, `infested` (NaN: not counted), `had`
    whether the tray had the pest, at any stage, before or in its dip.
    """

    dips: pd.DataFrame
    looks: pd.DataFrame


def tally_pests(log: Log, *, since: pd.Timestamp | None = None, until: pd.Timestamp | None = None) -> PestTally:
    """Count a log's pests; every row belongs to the dip of its tray, a re-dip being a dip of its own.

    `since`, `until`: only dips from that day on and before that day; they are counted as in the whole log.
    """
    sessions = log.sessions[["session", *ABOUT]]
    if since is not None:
        sessions = sessions[sessions["date"] >= since]
    if until is not None:
        sessions = sessions[sessions["date"] < until]
    trays = log.trays[["tray", "session", "pieces", "coral_group"]]
    trays = trays[trays["session"].isin(sessions["session"])]
    rows = log.pests.merge(trays, on="tray").merge(sessions, on="session")
    rows["infested"] = _infested(rows)
    rows["day"] = (rows["counted"] - rows["date"]).dt.days
    looks = _looks(rows.assign(had=_had(rows)))
    trays = rows.drop_duplicates(["tray", *DIP]).groupby(PART, as_index=False)
    dips = trays.agg(trays=("tray", "size"), pieces=("pieces", "sum"), **{name: (name, "first") for name in ABOUT})
    for part in (_fallen(rows), _still_on(looks), _before_and_after(looks), _left(looks)):
        dips = dips.merge(part, on=PART, how="left")
    counts = [name for name in dips.columns if name not in (*PART, *ABOUT)]
    dips[counts] = dips[counts].fillna(0.0)
    dips["is_control"] = dips["is_control"].astype(bool)
    return PestTally(_shares(dips), looks)


def _infested(rows: pd.DataFrame) -> np.ndarray:
    """Infested pieces, filled in where the pests leave no choice: none found, or one piece looked at."""
    pests = (rows["alive"] + rows["dead"]).to_numpy()
    told = rows["infested"].astype("Float64").to_numpy(float, na_value=np.nan)
    sure = np.where(pests == 0, 0.0, np.where(rows["examined"] == 1, 1.0, np.nan))
    return np.where(np.isnan(told), sure, told)


def _had(rows: pd.DataFrame) -> np.ndarray:
    """Whether each row's tray had the pest when it was dipped: in its own counts or, uncounted before, in its bath."""
    found = (rows["alive"] + rows["dead"] > 0) & (rows["moment"] != "later")
    fallen = found & rows["moment"].isin(["bath", "rinse"])

    def anywhere(mask: pd.Series, key: str) -> pd.Series:
        return mask.groupby([rows[key], rows["pest"]]).transform("any")

    looked_before = anywhere(rows["moment"] == "before", "tray")
    return (anywhere(found, "tray") | (anywhere(fallen, "session") & ~looked_before)).to_numpy()


def _looks(rows: pd.DataFrame) -> pd.DataFrame:
    """Looks at the pieces, in order of time within a tray; of several before the dip only the last."""
    counts = ["moment", "pieces", "day", "examined", "alive", "dead", "infested", "had"]
    seen = rows.loc[~rows["moment"].isin(["bath", "rinse"]), ["tray", *PART, *ABOUT, *counts]]
    order = seen["moment"].map({"before": 0, "on piece": 1, "later": 2})
    seen = seen.assign(order=order).sort_values(["tray", "pest", "stage", "day", "order"], kind="stable")
    before = seen["moment"] == "before"
    of_tray = ["tray", "pest", "stage", before.rename("before")]
    last = before & (seen.groupby(of_tray).cumcount(ascending=False) == 0)
    first = ~before & (seen.groupby(of_tray).cumcount() == 0)
    soon = (seen["moment"] == "on piece") | (seen["day"] <= AFTER_DAYS)
    look = np.select([before, first & soon], ["before", "after"], "later")
    return seen.assign(look=look)[last | ~before].drop(columns="order").reset_index(drop=True)


def _fallen(rows: pd.DataFrame) -> pd.DataFrame:
    """What fell, by place; `bath_seen`, `rinse_seen`: pieces that those counts speak for, `bath_rows`: counts made."""
    parts = []
    for place in ("bath", "rinse"):
        groups = rows[rows["moment"] == place].groupby(PART)
        parts.append(groups[["alive", "dead", "examined"]].sum().add_prefix(f"{place}_"))
        parts.append(groups.size().rename(f"{place}_rows"))
    return pd.concat(parts, axis=1).reset_index()


def _still_on(looks: pd.DataFrame) -> pd.DataFrame:
    """What stayed on: the first "on piece" count of each tray."""
    on = looks[(looks["moment"] == "on piece") & (looks["examined"] > 0)]
    on = on[~on.duplicated(["tray", "pest", "stage"])]
    return on.groupby(PART)[["alive", "dead", "examined"]].sum().add_prefix("on_").reset_index()


def _before_and_after(looks: pd.DataFrame) -> pd.DataFrame:
    """Living pests before and after on the trays that have both, brought to the smaller number of pieces looked at."""
    tray = ["tray", *PART]
    usable = looks[looks["examined"] > 0]
    both = usable[usable["look"] == "before"].merge(usable[usable["look"] == "after"], on=tray, suffixes=("", "_after"))
    paired = np.minimum(both["examined"], both["examined_after"])
    both = both.assign(
        before=both["alive"] * paired / both["examined"],
        after=both["alive_after"] * paired / both["examined_after"],
        paired=paired,
    )
    return both.groupby(PART)[["before", "after", "paired"]].sum().reset_index()


def _left(looks: pd.DataFrame) -> pd.DataFrame:
    """Living pests on the pieces looked at after the dip, whatever was there before."""
    after = looks[looks["look"] == "after"].groupby(PART)[["alive", "examined"]].sum()
    return after.rename(columns={"alive": "left", "examined": "left_pieces"}).reset_index()


def _shares(dips: pd.DataFrame) -> pd.DataFrame:
    """Found, removed and killed of each row, by what its whole session counted."""
    session = dips.groupby(DIP)[["bath_rows", "rinse_rows", "bath_examined", "rinse_examined", "on_examined"]]
    counted = session.transform("sum")
    no_bath = (counted["bath_rows"] == 0) & ~dips["stage"].isin(GLUED)
    no_piece = counted["on_examined"] == 0
    shed_from = counted[["bath_examined", "rinse_examined"]].max(axis=1).clip(lower=1)
    cover = (counted["on_examined"] / shed_from).where(counted["bath_rows"] > 0, 1.0).clip(upper=1.0)
    told = (~(no_bath | no_piece)).astype(float)
    fallen_alive, fallen_dead = (dips[f"bath_{state}"] + dips[f"rinse_{state}"] for state in STATES)
    removed = cover * (fallen_alive + fallen_dead)
    return dips.assign(
        found=told * (removed + dips["on_alive"] + dips["on_dead"]),
        removed=told * removed,
        killed=told * (cover * fallen_dead + dips["on_dead"]),
        living_on=told * dips["on_alive"],
        partial=(told > 0) & (cover < 1),
        rinse_unseen=(told > 0) & (counted["rinse_rows"] == 0) & (dips["rinses"].fillna(0) > 0)
        & ~dips["stage"].isin(GLUED),
        missing=np.select([no_bath & no_piece, no_bath, no_piece], [
            "neither the bath nor the pieces were counted", "what fell into the bath was not counted",
            "what stayed on the pieces was not counted",
        ], ""),
    )
