"""Pest rows -> what was found in each dip and where, before against after, and every look at the pieces.

The bath belongs to the session: trays that went through it together shed into the same water, and farms file that
count under one tray or under each. So what fell and what stayed on are added up over a session's trays.
"""

from __future__ import annotations

from collections.abc import Sequence
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
NOT_COUNTED = (
    "neither the bath nor the pieces were counted", "what fell into the bath was not counted",
    "what stayed on the pieces was not counted",
)  # fmt: skip
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
    sessions = dipped_between(log.sessions[["session", *ABOUT]], since, until)
    trays = log.trays[["tray", "session", "pieces", "coral_group"]]
    trays = trays[trays["session"].isin(sessions["session"])]
    rows = log.pests[log.pests["tray"].isin(trays["tray"])]  # a merge would first number the names of all rows
    rows = rows.merge(trays, on="tray").merge(sessions, on="session")
    rows["infested"] = _infested(rows)
    rows["day"] = (rows["counted"] - rows["date"]).dt.days
    rows["place"] = _codes(rows, *PART)
    rows["had"] = _had(rows)
    looks, key = _looks(rows)
    once = rows[~rows.duplicated(["tray", "place"]) & (rows["place"] >= 0)]
    first = once.drop_duplicates("place").sort_values("place").set_index("place")
    dips = first[PART].assign(trays=once.groupby("place").size(), pieces=once.groupby("place")["pieces"].sum())
    dips = dips.assign(**{name: first[name] for name in ABOUT})
    places = len(dips)
    for part in (_fallen(rows, places), _still_on(looks, key, places), _before_and_after(looks, key, places),
                 _left(looks, places)):  # fmt: skip
        dips = dips.assign(**part)
    dips = dips.reset_index(drop=True)
    dips["is_control"] = dips["is_control"].astype(bool)
    return PestTally(_shares(dips), looks.drop(columns="place"))


def dipped_between(
    sessions: pd.DataFrame, since: pd.Timestamp | None, until: pd.Timestamp | None
) -> pd.DataFrame:
    """Return the sessions from the day `since` on and before the day `until`; None for no end."""
    if since is not None:
        sessions = sessions[sessions["date"] >= since]
    return sessions if until is None else sessions[sessions["date"] < until]


def _codes(rows: pd.DataFrame, *names: str) -> np.ndarray:
    """Number the rows' combinations of these columns in sorted order; -1 where a value is missing.

    Counts are added up by these numbers: by four columns of text it takes several times as long.
    """
    return rows.groupby(list(names), sort=True).ngroup().to_numpy()


def _sums(rows: pd.DataFrame, names: Sequence[str], places: int) -> dict[str, np.ndarray]:
    """Add up columns of whole numbers by the rows' places, each of shape (places,)."""
    rows = rows[rows["place"] >= 0]
    return {name: np.bincount(rows["place"], weights=rows[name], minlength=places) for name in names}


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

    def anywhere(mask: pd.Series, key: str) -> np.ndarray:
        code = _codes(rows, key, "pest")
        return (np.bincount(code, weights=mask) > 0)[code] if code.size else np.zeros(0, dtype=bool)

    looked_before = anywhere(rows["moment"] == "before", "tray")
    return anywhere(found, "tray") | (anywhere(fallen, "session") & ~looked_before)


def _looks(rows: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
    """Looks at the pieces, in order of time within a tray; of several before the dip only the last.

    With each look's tray, pest and stage as one number.
    """
    counts = ["moment", "pieces", "day", "examined", "alive", "dead", "infested", "had", "place"]
    seen = rows.loc[~rows["moment"].isin(["bath", "rinse"]), ["tray", *PART, *ABOUT, *counts]]
    key, order = _codes(seen, "tray", "pest", "stage"), seen["moment"].map({"before": 0, "on piece": 1, "later": 2})
    sort = np.lexsort((order, seen["day"], key))
    seen, key = seen.iloc[sort], key[sort]
    before = (seen["moment"] == "before").to_numpy()
    both = 2 * key + before
    last, first = np.zeros(key.size, dtype=bool), np.zeros(key.size, dtype=bool)
    last[key.size - 1 - np.unique(both[::-1], return_index=True)[1]] = True
    first[np.unique(both, return_index=True)[1]] = True
    soon = (seen["moment"] == "on piece") | (seen["day"] <= AFTER_DAYS)
    look = np.select([before, first & soon], ["before", "after"], "later")
    kept = last | ~before
    return seen.assign(look=look)[kept].reset_index(drop=True), key[kept]


def _fallen(rows: pd.DataFrame, places: int) -> dict[str, np.ndarray]:
    """What fell; `bath_examined`, `rinse_examined`: pieces those counts speak for, `bath_rows`: counts made."""
    found = {}
    for place in ("bath", "rinse"):
        there = rows[rows["moment"] == place].assign(rows=1)
        sums = _sums(there, ["alive", "dead", "examined", "rows"], places)
        found |= {f"{place}_{name}": values for name, values in sums.items()}
    return found


def _still_on(looks: pd.DataFrame, key: np.ndarray, places: int) -> dict[str, np.ndarray]:
    """What stayed on: the first "on piece" count of each tray."""
    on = looks.assign(key=key)[(looks["moment"] == "on piece") & (looks["examined"] > 0)].drop_duplicates("key")
    return {f"on_{name}": values for name, values in _sums(on, ["alive", "dead", "examined"], places).items()}


def _before_and_after(looks: pd.DataFrame, key: np.ndarray, places: int) -> dict[str, np.ndarray]:
    """Living pests before and after on the trays that have both, brought to the smaller number of pieces looked at."""
    usable = looks[["look", "place", "alive", "examined"]].assign(key=key)[looks["examined"] > 0]
    both = usable[usable["look"] == "before"].merge(
        usable.loc[usable["look"] == "after", ["key", "alive", "examined"]], on="key", suffixes=("", "_after")
    )
    paired = np.minimum(both["examined"], both["examined_after"])
    both = both.assign(
        before=both["alive"] * paired / both["examined"],
        after=both["alive_after"] * paired / both["examined_after"],
        paired=paired,
    )
    both = both[both["place"] >= 0].groupby("place")[["before", "after", "paired"]].sum()
    both = both.reindex(range(places), fill_value=0.0)
    return {name: both[name].to_numpy(float) for name in both}


def _left(looks: pd.DataFrame, places: int) -> dict[str, np.ndarray]:
    """Living pests on the pieces looked at after the dip, whatever was there before."""
    sums = _sums(looks[looks["look"] == "after"], ["alive", "examined"], places)
    return {"left": sums["alive"], "left_pieces": sums["examined"]}


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
        missing=np.select([no_bath & no_piece, no_bath, no_piece], NOT_COUNTED, ""),
    )
