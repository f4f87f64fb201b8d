"""Which trays are to be looked at on a day: never seen though the first look is overdue, or seen too long ago."""

from __future__ import annotations

import pandas as pd

from afterdip.log.model import Log
from afterdip.log.notices import CHECK_GAP_DUE_DAYS, FIRST_CHECK_DUE_DAYS


def tally_looks_due(log: Log, *, on: str, since: pd.Timestamp) -> pd.DataFrame:
    """Return one row a tray to look at on day `on` (YYYY-MM-DD): tray, session, never (bool); in the log's order.

    A tray dipped again is left out, for its pieces are in another; so is one whose last check left no piece. One seen
    before asks for a look until the horizon of its own dip, for then its follow-up is over. One never seen asks for it
    beyond that day too, if dipped from `since` on: whatever is found, its pieces are no longer unknown. What was
    written down after `on` is not read.
    """
    today = pd.Timestamp(on)
    trays = log.trays[["tray", "session", "earlier_tray"]].merge(log.sessions[["session", "date"]], on="session")
    trays = trays[trays["date"] <= today]
    checks = log.checks.loc[log.checks["checked"] <= today, ["tray", "checked", "alive"]]
    last = checks.sort_values("checked", kind="stable").drop_duplicates("tray", keep="last").set_index("tray")
    seen, alive = trays["tray"].map(last["checked"]), trays["tray"].map(last["alive"])
    here = ~trays["tray"].isin(trays["earlier_tray"].dropna()) & (alive.isna() | (alive > 0))
    age, never = (today - trays["date"]).dt.days, seen.isna()
    first = never & (age > FIRST_CHECK_DUE_DAYS) & ((age <= log.settings.horizon_days) | (trays["date"] >= since))
    again = ((today - seen).dt.days > CHECK_GAP_DUE_DAYS) & (age <= log.settings.horizon_days)
    return trays.assign(never=never).loc[here & (first | again), ["tray", "session", "never"]].reset_index(drop=True)
