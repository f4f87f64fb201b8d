"""Labour rows and baths -> person-minutes per session, task and month, and what each bath used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.series import of_unnamed_series

SETTLED_SHARE = 0.95  # of a session's minutes are done within this share's lag, after which it counts as finished


@dataclass(frozen=True, slots=True)
class LabourTally:
    """Sessions of a stretch of months with their minutes, and the months' totals.

    `sessions`: one row each: session, date, agent, is_control, month (0 the oldest), pieces, redipped (pieces dipped
    before), rinses, crew, minutes (person-minutes, NaN where no labour row names the session), clock (elapsed
    minutes, tasks one after the other), settled. `tasks`: task -> person-minutes, shape (n_sessions,), NaN where the
    session has no labour rows, 0 where it has rows but none of the task. `shared`: task -> shape (n_months,), rows
    that name no session. `done`: shape (n_months,), sessions' person-minutes by the month the work was done.
    `carry`: share of a session's minutes done in its own month, the next, ... `earlier_sessions`: dipped before the
    stretch. `without_pieces`: sessions left out because no tray names them.
    """

    months: tuple[str, ...]
    sessions: pd.DataFrame
    tasks: dict[str, np.ndarray]
    shared: dict[str, np.ndarray]
    done: np.ndarray
    carry: tuple[float, ...]
    earlier_sessions: int
    without_pieces: int

    @property
    def shared_minutes(self) -> np.ndarray:
        """Person-minutes that name no session, all tasks together, shape (n_months,)."""
        return np.sum([*self.shared.values(), np.zeros(len(self.months))], axis=0)


def tally_labour(log: Log, *, months: tuple[str, ...]) -> LabourTally:
    """Return the labour of the months (YYYY-MM, consecutive, oldest first); work done later is not looked at.

    A session belongs to the month of its dip, a row to the month it was done. `settled` is False for sessions so late
    that some of their work (by the lag that holds 95 % of all sessions' minutes) is still to come.
    """
    start, end = pd.Timestamp(f"{months[0]}-01"), (pd.Period(months[-1], freq="M") + 1).start_time
    sessions = _sessions(log)
    dipped = sessions["date"].between(start, end, inclusive="left") & (sessions["pieces"] > 0)
    empty = int((sessions["date"].between(start, end, inclusive="left") & (sessions["pieces"] == 0)).sum())
    rows = log.labour.loc[log.labour["done"] < end, ["done", "task", "people", "minutes", "session", "person_min"]]
    rows = rows.merge(sessions[["session", "date"]], on="session", how="left")
    linked = rows[rows["date"].notna()]
    lag = _lag_days(linked)
    chosen = sessions[dipped].reset_index(drop=True)
    chosen["month"] = _month(chosen["date"], months[0])
    own = linked[linked["session"].isin(chosen["session"])]
    minutes, clock = own.groupby("session")["person_min"].sum(), own.groupby("session")["minutes"].sum()
    chosen["minutes"], chosen["clock"] = chosen["session"].map(minutes), chosen["session"].map(clock)
    chosen["crew"] = chosen["crew"].fillna(chosen["session"].map(own.groupby("session")["people"].max()))
    chosen["settled"] = chosen["date"] + pd.Timedelta(days=lag) < end
    shared = rows[rows["date"].isna() & (rows["done"] >= start)]
    inside = linked[linked["done"] >= start]
    return LabourTally(
        months=months,
        sessions=chosen,
        tasks=_by_task(own, chosen),
        shared={
            str(task): np.bincount(_month(part["done"], months[0]), part["person_min"], len(months))
            for task, part in shared.groupby("task")
        },
        done=np.bincount(_month(inside["done"], months[0]), inside["person_min"], len(months)),
        carry=_carry(own),
        earlier_sessions=int((sessions["date"] < start).sum()),
        without_pieces=empty,
    )


def tally_baths(log: Log) -> pd.DataFrame:
    """Return one row per session: session, mix, agent, date, pieces, litres, product, unit, cost, first.

    `product` is the session's share, by pieces, of what went into its bath, in `unit` (mL, g or tablet). The log layer
    has split a bath that serves several sessions (`mix`) evenly between them, so their sum is what went in, top-ups
    included. `litres`: the share of the largest volume written down for the bath.
    `cost` in the farm's money, NaN without a price in that unit; a sham costs nothing. `bath`: the label of the bath.
    """
    facts = _sessions(log)
    baths = facts[facts["pieces"] > 0].copy()
    baths["bath"] = baths["mix"].fillna("session " + baths["session"])
    amounts = {"mL": "product_ml", "g": "product_g", "tablet": "product_tablets"}
    agents = log.agents.set_index("agent")
    price, unit = baths["agent"].map(agents["price"]), baths["agent"].map(agents["price_unit"])
    share = baths["pieces"] / baths.groupby("bath")["pieces"].transform("sum")
    baths["unit"], baths["product"] = None, np.nan
    for name, column in amounts.items():
        whole = baths.groupby("bath")[column].transform("sum", min_count=1)
        use = whole.notna() & baths["product"].isna()
        baths.loc[use, "unit"], baths.loc[use, "product"] = name, (whole * share)[use]
    baths["litres"] = baths.groupby("bath")["bath_volume_l"].transform("max") * share
    baths["cost"] = (baths["product"] * price).where(unit.astype("object") == baths["unit"])
    baths.loc[baths["is_control"], "cost"] = 0.0
    return baths[["session", "bath", "agent", "date", "is_control", "pieces", "litres", "product", "unit", "cost"]]


def tally_cutting(log: Log, *, months: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return person-minutes and pieces of each day of cutting and gluing that names its pieces, shape (n_days,) each.

    Pieces cut and glued on one day are the same pieces: the larger of the two counts stands.
    """
    start, end = pd.Timestamp(f"{months[0]}-01"), (pd.Period(months[-1], freq="M") + 1).start_time
    rows = log.labour[log.labour["task"].isin(("cut", "glue")) & log.labour["pieces"].notna()]
    rows = rows[rows["done"].between(start, end, inclusive="left")]
    rows = rows.assign(pieces=rows["pieces"].astype(np.float64))
    days = rows.groupby(["done", "task"])[["person_min", "pieces"]].sum()
    days = days.groupby("done").agg({"person_min": "sum", "pieces": "max"})
    days = days[days["pieces"] > 0]
    return days["person_min"].to_numpy(np.float64), days["pieces"].to_numpy(np.float64)


def _sessions(log: Log) -> pd.DataFrame:
    again = log.trays["earlier_tray"].notna() | of_unnamed_series(log.trays)
    trays = log.trays.assign(redipped=log.trays["pieces"].where(again, 0))
    counts = trays.groupby("session")[["pieces", "redipped"]].sum()
    sessions = log.sessions.join(counts, on="session")
    sessions[["pieces", "redipped"]] = sessions[["pieces", "redipped"]].fillna(0).astype(np.int64)
    for name in ("rinses", "crew"):
        sessions[name] = sessions[name].astype("Float64").to_numpy(np.float64, na_value=np.nan)
    return sessions


def _month(dates: pd.Series, first: str) -> np.ndarray:
    origin = pd.Period(first, freq="M")
    return ((dates.dt.year - origin.year) * 12 + dates.dt.month - origin.month).to_numpy(np.int64)


def _by_task(rows: pd.DataFrame, sessions: pd.DataFrame) -> dict[str, np.ndarray]:
    table = rows.pivot_table(index="session", columns="task", values="person_min", aggfunc="sum", fill_value=0.0)
    table = table.reindex(sessions["session"])
    return {str(task): table[task].to_numpy(np.float64) for task in table.columns}


def _lag_days(linked: pd.DataFrame) -> int:
    """Return the days after a dip within which SETTLED_SHARE of sessions' minutes are done."""
    if linked.empty or not linked["person_min"].sum() > 0:
        return 0
    days = ((linked["done"] - linked["date"]).dt.days).clip(lower=0)
    by_day = linked.groupby(days)["person_min"].sum().cumsum()
    return int(by_day.index[np.searchsorted(by_day.to_numpy(), SETTLED_SHARE * by_day.iloc[-1])])


def _carry(rows: pd.DataFrame) -> tuple[float, ...]:
    if rows.empty or not rows["person_min"].sum() > 0:
        return (1.0,)
    apart = (rows["done"].dt.year - rows["date"].dt.year) * 12 + rows["done"].dt.month - rows["date"].dt.month
    shares = np.bincount(apart.clip(lower=0), rows["person_min"])
    return tuple((shares / shares.sum()).tolist())
