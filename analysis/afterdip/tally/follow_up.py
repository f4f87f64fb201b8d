"""Trays, checks and pest counts -> the lots in hand, the dips each tray's pieces have had, and every look at them.

A lot is what came together: trays with the same source and the same day of arrival, or, of own cuts, the same source
(mother lot) cut in the same week, Monday to Sunday; a tray without a source or without either day is a lot by itself.
A re-dipped tray belongs to the lot of the first tray of its chain (`earlier_tray`). A tray is in hand while pieces are
left in it: those alive at its last check (all, if it was never checked), less those re-dipped from it that its checks
do not show as removed. A lot is in hand while a tray of it is, unless nothing of it was written down - no dip, check or
pest count - for more than `in_hand_days` days: such lots are counted, as quiet, and left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.removal import dipped_between
from afterdip.tally.series import series_of

IN_HAND_DAYS = 60
ON_PIECES = ("before", "on piece", "later")
_LOT = ["tray", "lot", "coral", "coral_group", "system", "root", "pieces", "first_day", "last_day"]


@dataclass(frozen=True, slots=True)
class LotTally:
    """The lots in hand; days are whole days since 1970-01-01.

    `trays`: one row a tray in hand: tray, lot, coral, coral_group, system, root (first tray of its chain), pieces
    (now), first_day (arrival, cut or first dip), last_day (last record). `dips`: one row a tray in hand and dip its
    pieces had, sham dips left out: tray, place (0 for the first), day, session, agent. `looks`: one row a tray in hand
    and pest count made on its pieces or in their baths: tray, of_tray (the tray of its chain it was counted in), after
    (place of the dip before it, -1 for none), pest, stage, moment, day, examined, there (pieces in that tray then),
    alive, dead. `found`: one row a lot in hand and pest counted in any tray of it: lot, pest, found (pests, dead or
    alive). `hosts`: one row a pest and coral it was ever counted on, zeros too: pest, coral. `quiet_lots`,
    `quiet_pieces`: not written of for too long.
    """

    trays: pd.DataFrame
    dips: pd.DataFrame
    looks: pd.DataFrame
    found: pd.DataFrame
    hosts: pd.DataFrame
    quiet_lots: int
    quiet_pieces: int


def tally_lots(log: Log, *, as_of: str, in_hand_days: int = IN_HAND_DAYS, system: str = "") -> LotTally:
    """Return the lots in hand on a day, YYYY-MM-DD; `system`: only trays in water whose name begins with it."""
    trays = tally_trays(log)
    in_hand = trays[trays["pieces"] > 0]
    if system:
        inside = in_hand["system"].fillna("").str.casefold().str.startswith(system.casefold())
        in_hand = in_hand[inside]
    today = int(np.datetime64(as_of, "D").astype(int))
    last = trays.groupby("lot")["last_day"].max()
    quiet = (today - in_hand["lot"].map(last)) > in_hand_days
    chosen = in_hand[~quiet]
    chains = _chains(trays, chosen.index)
    wanted = trays["lot"].isin(chosen["lot"]).to_numpy()
    wanted[chains["of"]] = True
    counted = _counts(log, trays, wanted)
    host = trays["coral"].to_numpy()[pd.Index(trays["tray"]).get_indexer(log.pests["tray"])]
    corals = log.pests[["pest"]].assign(coral=host).drop_duplicates()
    return LotTally(
        trays=chosen[_LOT].reset_index(drop=True),
        dips=_dips(trays, chains),
        looks=_looks(trays, chains, counted),
        found=_found(trays, counted, set(chosen["lot"])),
        hosts=corals.sort_values(["pest", "coral"], ignore_index=True),
        quiet_lots=int(in_hand.loc[quiet, "lot"].nunique()),
        quiet_pieces=int(in_hand.loc[quiet, "pieces"].sum()),
    )


def _day(dates: pd.Series) -> np.ndarray:
    """Days since 1970-01-01; missing dates come out far in the past."""
    return dates.to_numpy("datetime64[D]").astype(np.int64)


def tally_trays(log: Log) -> pd.DataFrame:
    """Return the log's trays, those no longer in hand too, in its order, with what LotTally tells of each.

    Beside the file's columns and its session's agent, is_control and date: lot, root, pieces (left now), first_day,
    last_day; parent, the row of the tray before (-1 for none), and dip_day.
    """
    trays = log.trays.merge(log.sessions[["session", "agent", "is_control", "date"]], on="session", how="left")
    keys, (parent, root, _) = pd.Index(trays["tray"]), series_of(trays)
    trays = trays.assign(parent=parent, root=trays["tray"].to_numpy()[root], dip_day=_day(trays["date"]))
    first = trays[["tray", "source", "arrived", "cut", "date"]].iloc[root].reset_index(drop=True)
    start = first["arrived"].fillna(first["cut"]).fillna(first["date"])
    counted, checked = (keys.get_indexer(table["tray"]) for table in (log.pests, log.checks))
    last = trays["dip_day"].to_numpy().copy()
    np.maximum.at(last, checked, _day(log.checks["checked"]))
    np.maximum.at(last, counted, _day(log.pests["counted"]))
    pieces = _left(log, trays, checked, parent)
    return trays.assign(lot=_lot_names(first), first_day=_day(start), last_day=last, pieces=pieces)


def _lot_names(first: pd.DataFrame) -> np.ndarray:
    """Name each tray's lot by what its trays share, from the first tray of its chain."""
    monday = first["cut"] - pd.to_timedelta(first["cut"].dt.weekday, unit="D")
    source = first["source"].astype("string")
    arrival = source + ", arrived " + first["arrived"].dt.strftime("%Y-%m-%d").astype("string")
    cut = source + ", cut in the week of " + monday.dt.strftime("%Y-%m-%d").astype("string")
    return arrival.fillna(cut).fillna("tray " + first["tray"].astype("string")).to_numpy(dtype=object)


def _left(log: Log, trays: pd.DataFrame, place: np.ndarray, parent: np.ndarray) -> np.ndarray:
    """Pieces left in each tray: alive at the last check, less those re-dipped that no check shows as removed.

    `place`: the tray of each check, `parent`: the tray before each tray, as rows of `trays`.
    """
    alive = trays["pieces"].to_numpy(np.int64).copy()
    order = np.argsort(log.checks["checked"].to_numpy(), kind="stable")
    alive[place[order]] = log.checks["alive"].to_numpy(np.int64)[order]  # of several checks the last one stands
    removed, moved = np.zeros_like(alive), np.zeros_like(alive)
    np.add.at(removed, place, log.checks["removed"].to_numpy(np.int64))
    np.add.at(moved, parent[parent >= 0], trays["pieces"].to_numpy(np.int64)[parent >= 0])
    return np.maximum(alive - np.maximum(moved - removed, 0), 0)


def _chains(trays: pd.DataFrame, rows: pd.Index) -> pd.DataFrame:
    """One row a tray in hand and tray of its chain, first dip first: tray, of (row), until (day its pieces left)."""
    parent, dip_day, names = (trays[name].to_numpy() for name in ("parent", "dip_day", "tray"))
    out = []
    for row in rows:
        chain, until = [], np.iinfo(np.int64).max
        step = row
        while step >= 0:
            chain.append((names[row], step, until))
            until, step = dip_day[step], parent[step]
        out += chain[::-1]
    return pd.DataFrame(out, columns=["tray", "of", "until"]).astype({"of": np.int64, "until": np.int64})


def _dips(trays: pd.DataFrame, chains: pd.DataFrame) -> pd.DataFrame:
    """Dips of each chain, sham dips left out: they kill nothing."""
    dips = trays.iloc[chains["of"]][["dip_day", "session", "agent", "is_control"]].reset_index(drop=True)
    dips = dips.assign(tray=chains["tray"].to_numpy())
    dips = dips[~dips["is_control"].astype(bool)].rename(columns={"dip_day": "day"})
    dips = dips.assign(place=dips.groupby("tray").cumcount())
    return dips[["tray", "place", "day", "session", "agent"]].reset_index(drop=True)


def _counts(log: Log, trays: pd.DataFrame, wanted: np.ndarray) -> pd.DataFrame:
    """Pest rows of the trays `wanted` (bool, (n_trays,)) with their row, the day, and the pieces in it on that day."""
    keys, named = pd.Index(trays["tray"]), trays["tray"][wanted]
    rows = log.pests.loc[
        log.pests["tray"].isin(named), ["tray", "pest", "stage", "moment", "examined", "alive", "dead", "counted"]
    ]
    rows = rows.assign(of=keys.get_indexer(rows["tray"])).rename(columns={"tray": "of_tray"})
    checks = log.checks.loc[log.checks["tray"].isin(named), ["tray", "checked", "alive"]]
    checks = checks.rename(columns={"tray": "of_tray", "alive": "there"})
    rows = pd.merge_asof(
        rows.reset_index(names="order").sort_values("counted", kind="stable"),
        checks.sort_values("checked", kind="stable"), left_on="counted", right_on="checked", by="of_tray",
    ).sort_values("order")  # fmt: skip
    there = rows["there"].where(rows["moment"] == "later")
    pieces = log.trays["pieces"].to_numpy()[rows["of"]]
    return rows.assign(there=there.fillna(pd.Series(pieces, rows.index)).astype(np.int64), day=_day(rows["counted"]))


def _looks(trays: pd.DataFrame, chains: pd.DataFrame, counted: pd.DataFrame) -> pd.DataFrame:
    """Counts of every tray of each chain, made while the pieces were in it, with the dip they came after."""
    control = trays["is_control"].to_numpy(bool)[chains["of"]]
    place = pd.Series(~control).groupby(chains["tray"].to_numpy()).cumsum() - 1
    steps = chains.assign(here=place.to_numpy(), control=control)
    rows = steps.merge(counted, on="of")
    rows = rows[rows["day"] <= rows["until"]]
    before = (rows["moment"] == "before") & ~rows["control"]  # made before this dip, so after the one before it
    rows = rows.assign(after=rows["here"] - before)
    names = ["tray", "of_tray", "after", "pest", "stage", "moment", "day", "examined", "there", "alive", "dead"]
    return rows[names].reset_index(drop=True)


def _found(trays: pd.DataFrame, counted: pd.DataFrame, lots: set[str]) -> pd.DataFrame:
    """Pests found in each lot in hand, in all its trays, those no longer in hand too."""
    rows = counted.assign(lot=trays["lot"].to_numpy()[counted["of"]], found=counted["alive"] + counted["dead"])
    rows = rows[rows["lot"].isin(lots)]
    return rows.groupby(["lot", "pest"], as_index=False)["found"].sum()


def tally_counted_twice(
    log: Log, *, since: pd.Timestamp | None = None, until: pd.Timestamp | None = None
) -> pd.DataFrame:
    """Pests counted twice, on the pieces before a dip and again in it: one row a session, pest and stage.

    `since`, `until`: only dips from that day on and before that day.

    Columns: session, date, pest, stage, seen (before), found (bath, rinse and still on), dead or alive. Only where
    every tray of the session with a count of that pest and stage had all its pieces looked at both times and the bath
    was counted; sham dips, which leave pests where they are, and eggs, which do not fall, are left out.
    """
    about = dipped_between(log.sessions[["session", "is_control", "date"]], since, until)
    about = about.loc[~about["is_control"].astype(bool), ["session", "date"]]
    about = log.trays[["tray", "session", "pieces"]].merge(about, on="session")
    rows = log.pests[log.pests["tray"].isin(about["tray"])]
    rows = rows[(rows["stage"] != "egg") & (rows["moment"] != "later")].merge(about, on="tray")
    whole = rows["examined"] == rows["pieces"]
    rows = rows.assign(
        pests=rows["alive"] + rows["dead"],
        before=(rows["moment"] == "before") & whole,
        on=(rows["moment"] == "on piece") & whole,
        bath=rows["moment"] == "bath",
    )
    tray = rows.groupby(["session", "date", "pest", "stage", "tray"])[["before", "on", "bath"]].any().reset_index()
    dip = tray.groupby(["session", "date", "pest", "stage"]).agg(before=("before", "all"), on=("on", "all"),
                                                               bath=("bath", "any"))  # fmt: skip
    seen = rows["pests"].where(rows["moment"] == "before", 0)
    found = rows["pests"].where(rows["moment"] != "before", 0)
    sums = rows.assign(seen=seen, found=found).groupby(["session", "date", "pest", "stage"])[["seen", "found"]].sum()
    return sums[dip.all(axis=1).reindex(sums.index)].reset_index()
