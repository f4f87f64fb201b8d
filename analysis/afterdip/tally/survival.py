"""Tray counts -> how many pieces left observation on which day after the dip, and why.

A piece leaves once: it dies, comes off, is taken out alive, or was alive when its tray was last looked at. A re-dipped
piece (its tray names an `earlier_tray`) has not left: it is followed on through the later tray, and its days go on
counting from its first dip. So the pieces of a chain are counted once, under their first dip's session and agent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.errors import DataError
from afterdip.log.large import ROWS_AT_ONCE, LargeLog
from afterdip.log.model import Log
from afterdip.tally.series import of_unnamed_series, series_of

ENDS = ("dead", "detached", "removed")
_OF_TRAYS = ["tray", "session", "coral", "coral_group", "condition", "origin", "source", "pieces"]


@dataclass(frozen=True, slots=True)
class SurvivalTally:
    """Exits of pieces, shape (n_rows,), and the first-dip tray each row belongs to, as an index into shape (n_trays,).

    `day` counts from the first dip; `since` is the last day the pieces were known alive before it, so a death lies in
    (since, day]. `dead`, `detached`, `removed` and `alive` (at the last look) are counts of pieces that left on `day`
    (fractions of them after `told_at`).
    `trays` has one row per first-dip tray: tray, session, agent, is_control, date, coral, coral_group, condition,
    origin, source, pieces, checked (whether anything is known after the dip), dips (length of its longest series).
    """

    day: np.ndarray
    since: np.ndarray
    dead: np.ndarray
    detached: np.ndarray
    removed: np.ndarray
    alive: np.ndarray
    tray: np.ndarray
    trays: pd.DataFrame

    def select(self, keep: np.ndarray) -> SurvivalTally:
        """Return the part whose first-dip tray is kept; `keep`: bool, shape (n_trays,)."""
        keep = np.asarray(keep, dtype=bool)
        rows = keep[self.tray]
        place = np.cumsum(keep) - 1
        parts = (self.day, self.since, self.dead, self.detached, self.removed, self.alive)
        return SurvivalTally(
            *(a[rows] for a in parts), place[self.tray[rows]], self.trays[keep].reset_index(drop=True)
        )

    def told_at(self, at: int) -> SurvivalTally:
        """Return the tally as read on day `at`: ends found at a look that straddles it are shared, see `share_ends`.

        For curves; methods that take intervals themselves (`since`, `day`) need the tally as it was written.
        """
        rows, day, share = share_ends(self.since, self.day, at=at)
        whole = np.arange(len(rows)) < len(self.day)  # pieces leave alive once, on the day they were last seen
        return SurvivalTally(
            day, self.since[rows], self.dead[rows] * share, self.detached[rows] * share, self.removed[rows] * whole,
            self.alive[rows] * whole, self.tray[rows], self.trays,
        )  # fmt: skip

    def of_trays(self, column: str) -> np.ndarray:
        """Return a column of `trays` for each row, shape (n_rows,)."""
        return self.trays[column].to_numpy()[self.tray]

    @property
    def left(self) -> np.ndarray:
        """Pieces whose death is censored on `day`: detached, removed or last seen alive."""
        return self.detached + self.removed + self.alive

    @property
    def pieces(self) -> int:
        """Pieces behind the rows; every piece once."""
        return round(float((self.dead + self.left).sum()))


def share_ends(since: np.ndarray, day: np.ndarray, *, at: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (row, day, share): where ends found on `day` belong when the log is read on day `at`.

    A look on day 35 says nothing of day 30 by itself: what it finds happened in (`since`, 35]. Left on day 35, a farm
    that looks on days 21 and 35 would seem to lose nothing from day 22 to 30. Where since < at < day the ends count on
    `at` in proportion to the days before it, as if they had happened evenly, and on `day` for the rest. All rows first,
    in order, then once more those that straddle; the shares of a row add up to 1.
    """
    since, day = np.asarray(since), np.asarray(day)
    late = np.flatnonzero((since < at) & (day > at))
    before = (at - since[late]) / (day[late] - since[late])
    share = np.ones(len(day))
    share[late] -= before
    rows = np.concatenate([np.arange(len(day)), late])
    return rows, np.concatenate([day, np.full(len(late), at)]), np.concatenate([share, before])


def exits_told_at(exits: pd.DataFrame, at: int) -> pd.DataFrame:
    """Return rows with since, day, dead and left as `share_ends` has them on day `at`: deaths shared, left whole."""
    rows, day, share = share_ends(exits["since"].to_numpy(), exits["day"].to_numpy(), at=at)
    told, whole = {name: exits[name].to_numpy()[rows] for name in exits}, np.arange(len(rows)) < len(exits)
    return pd.DataFrame(told | {"day": day, "dead": told["dead"] * share, "left": told["left"] * whole})


def tally_survival(log: Log) -> SurvivalTally:
    """Return the exits of every piece whose first dip is in the log, followed through its re-dips from it.

    Left out is what `of_unnamed_series` tells: those pieces stand under another tray already, or came dipped. Trays
    never checked leave on day 0 (or on the day of their re-dip): unknown, not alive. Raises DataError when more pieces
    were re-dipped from a tray than it can have had.
    """
    trays = _dips(log)
    exits = _exits(log, trays)
    _carry_over(exits, trays)
    return _followed(exits, trays)


def _followed(exits: pd.DataFrame, trays: pd.DataFrame) -> SurvivalTally:
    """Give every exit to the first dip of its chain."""
    root = trays["root"].to_numpy()
    offset = (trays["date"].to_numpy() - trays["date"].to_numpy()[root]) // np.timedelta64(1, "D")
    tally = _assemble(exits, trays, owner=root, offset=offset.astype(np.int64))
    return tally.select(tally.trays["dip"] == 1)


def tally_survival_large(large: LargeLog, *, rows_at_once: int = ROWS_AT_ONCE) -> SurvivalTally:
    """Return what `tally_survival` returns, to the last count and in the same order, with the checks left on disk.

    `rows_at_once`: how many checks are held at a time.
    """
    trays, found, rests = _dips(large.log), [], []
    start = trays["date"].to_numpy("datetime64[D]").astype(np.int64)
    for part in large.parts(rows_at_once=rows_at_once):
        counts = {name: getattr(part, name) for name in (*ENDS, "alive")}
        ends, rest = _ended(trays, part.tray, part.day - start[part.tray], counts)
        found.append(ends)
        rests.append(rest.iloc[part.of])
    ends = pd.concat(found, ignore_index=True).sort_values(["place", "day"], kind="stable")
    exits = pd.concat([ends, pd.concat(rests).sort_values("place")], ignore_index=True)
    _carry_over(exits, trays)
    return _followed(exits, trays)


def tally_each_dip(log: Log) -> SurvivalTally:
    """Return the exits after every single dip, day 0 being that dip; a re-dipped piece leaves alive and starts anew.

    The same piece stands in as many rows as it had dips; `trays` has `dip` (1 for the first of a series, and at least 2
    where a re-dip names no earlier tray) and `first_session`, the label under which its rows belong together when an
    interval is computed.
    """
    trays = _dips(log)
    exits = _exits(log, trays)
    own = np.arange(len(trays))
    return _assemble(exits, trays, owner=own, offset=np.zeros(len(trays), dtype=np.int64))


def _dips(log: Log) -> pd.DataFrame:
    """Trays with their session's facts, the row of the earlier tray (-1 for none) and of the first dip (`root`)."""
    facts = log.sessions[["session", "agent", "is_control", "date"]]
    trays = log.trays[[*_OF_TRAYS, "earlier_tray"]].merge(facts, on="session", how="left", validate="many_to_one")
    parent, root, dip = series_of(trays)
    sessions, unnamed = trays["session"].to_numpy(), of_unnamed_series(trays)
    return trays.assign(parent=parent, root=root, dip=dip + unnamed[root], first_session=sessions[root])


def _exits(log: Log, trays: pd.DataFrame) -> pd.DataFrame:
    """One row per check that found an end, and one per tray for the pieces last seen alive; days count from its dip."""
    place = pd.Index(trays["tray"]).get_indexer(log.checks["tray"])
    day = (log.checks["checked"].to_numpy() - trays["date"].to_numpy()[place]) // np.timedelta64(1, "D")
    order = np.lexsort((day, place))
    counts = {name: log.checks[name].to_numpy(np.int64)[order] for name in (*ENDS, "alive")}
    return pd.concat(_ended(trays, place[order], day[order].astype(np.int64), counts), ignore_index=True)


def _ended(
    trays: pd.DataFrame, place: np.ndarray, day: np.ndarray, counts: dict[str, np.ndarray]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the checks that found an end, and a row a tray for the pieces last seen; checks come by tray and day."""
    same = place[1:] == place[:-1]  # as the row before
    since, last = np.zeros_like(day), np.ones(len(day), dtype=bool)
    since[1:], last[:-1] = np.where(same, day[:-1], 0), ~same
    alive, last_day = trays["pieces"].to_numpy(np.int64).copy(), np.zeros(len(trays), dtype=np.int64)
    alive[place[last]], last_day[place[last]] = counts["alive"][last], day[last]
    some = np.any([counts[name] > 0 for name in ENDS], axis=0)
    ends = {name: counts[name][some] for name in ENDS}
    found = {"place": place[some], "day": day[some], "since": since[some], **ends, "alive": np.zeros_like(day[some])}
    none = dict.fromkeys(ENDS, np.zeros_like(alive))
    rest = {"place": np.arange(len(trays)), "day": last_day, "since": last_day, **none, "alive": alive}
    return pd.DataFrame(found), pd.DataFrame(rest)


def _carry_over(exits: pd.DataFrame, trays: pd.DataFrame) -> None:
    """Take the re-dipped pieces out of their earlier tray's exits, in place: they are followed in the later tray.

    They are looked for among the pieces removed on the day of the re-dip, then on the nearest other days, then among
    those last seen alive: farms write the move down on the day, at the next check, or not at all.
    """
    later = trays[trays["parent"] >= 0]
    if later.empty:
        return
    date = trays["date"].to_numpy()
    moved_on = (later["date"].to_numpy() - date[later["parent"]]) // np.timedelta64(1, "D")
    moves = pd.DataFrame({"place": later["parent"].to_numpy(), "day": moved_on, "pieces": later["pieces"].to_numpy()})
    moves = moves.groupby(["place", "day"], as_index=False)["pieces"].sum()
    removed, alive = exits["removed"].to_numpy().copy(), exits["alive"].to_numpy().copy()
    rows = exits.index[(removed > 0) & exits["place"].isin(moves["place"])]
    same = exits.loc[rows, ["place", "day"]].assign(row=rows).merge(moves, on=["place", "day"])
    taken = np.minimum(removed[same["row"]], same["pieces"])
    removed[same["row"]] -= taken
    found = same.assign(taken=taken).groupby(["place", "day"])["taken"].sum()
    moves["pieces"] -= moves.set_index(["place", "day"]).index.map(found).fillna(0).astype(np.int64)
    wanted = moves.groupby("place")["pieces"].sum()
    about = moves[moves["pieces"] > 0].groupby("place")["day"].min()
    pool = exits.loc[exits["place"].isin(about.index), ["place", "day"]].copy()
    pool["distance"] = (pool["day"] - pool["place"].map(about)).abs()
    for left in (removed, alive):
        pool["has"] = left[pool.index]
        order = pool.sort_values(["place", "distance"], kind="stable")
        before = order.groupby("place")["has"].cumsum() - order["has"]
        take = (order["place"].map(wanted) - before).clip(lower=0).clip(upper=order["has"]).astype(np.int64)
        left[order.index] -= take.to_numpy()
        wanted = wanted.sub(take.groupby(order["place"]).sum(), fill_value=0)
    if (wanted > 0).any():
        names = ", ".join(trays["tray"].to_numpy()[wanted.index[wanted > 0]][:5])
        raise DataError(f"trays, column 'pieces': more pieces re-dipped than the earlier tray can have had: {names}")
    exits["removed"], exits["alive"] = removed, alive


def _assemble(exits: pd.DataFrame, trays: pd.DataFrame, *, owner: np.ndarray, offset: np.ndarray) -> SurvivalTally:
    """Give each exit to the tray that owns it and count its days from that tray's dip."""
    counts = exits[["dead", "detached", "removed", "alive"]].to_numpy()
    exits, counts = exits[counts.any(axis=1)], counts[counts.any(axis=1)]
    place = exits["place"].to_numpy()
    owners = np.flatnonzero(np.bincount(owner))
    about = trays[[*_OF_TRAYS, "first_session", "agent", "is_control", "date", "dip"]]
    about = about.iloc[owners].reset_index(drop=True)
    later_than_dip = (exits["day"].to_numpy() + offset[place]) > 0
    checked = np.bincount(np.searchsorted(owners, owner[place]), weights=later_than_dip, minlength=len(owners)) > 0
    dips = np.zeros(len(trays), dtype=np.int64)
    np.maximum.at(dips, owner, trays["dip"].to_numpy())
    return SurvivalTally(
        day=exits["day"].to_numpy() + offset[place],
        since=exits["since"].to_numpy() + offset[place],
        dead=counts[:, 0],
        detached=counts[:, 1],
        removed=counts[:, 2],
        alive=counts[:, 3],
        tray=np.searchsorted(owners, owner[place]),
        trays=about.assign(checked=checked, dips=dips[owners]),
    )
