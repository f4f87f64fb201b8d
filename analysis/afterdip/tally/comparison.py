"""Tables -> counts per session and group of like pieces, for comparing agents on loss and on kill.

Loss is judged on first dips only: a re-dipped piece was already judged under its first agent, and what it did later
tells of both. Pests found at a re-dip are other animals, so they count, but only against pests found at re-dips.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.removal import GLUED, tally_pests
from afterdip.tally.survival import tally_each_dip

LIKE_PIECES = ("coral_group", "condition", "origin")
LIKE_PESTS = ("pest", "stage", "coral_group", "condition", "dip")
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, slots=True)
class ComparisonTally:
    """Frames for a comparison.

    `trays`: first dips, one row each: tray, session, agent, is_control, date, LIKE_PIECES, pieces, checked.
    `exits`: place (row of `trays`), day since the dip, since (day of the look before), dead, left. `pests`: one row a
    session x LIKE_PESTS with found and killed, agent, is_control and date. `redipped`: trays of re-dips, left out of
    loss; `uncounted`: rows of pests whose bath or pieces were not counted, so that no share of all found can be told.
    `before_after`: as `pests`, with `before`, living pests on the pieces, and `gone`, how many fewer the same pieces
    had after the dip (never below 0).
    """

    trays: pd.DataFrame
    exits: pd.DataFrame
    pests: pd.DataFrame
    redipped: pd.DataFrame
    uncounted: pd.DataFrame
    before_after: pd.DataFrame


def tally_comparison(
    log: Log, *, since: pd.Timestamp | None = None, until: pd.Timestamp | None = None
) -> ComparisonTally:
    """Return the counts that comparisons are made of; pests only of dips from `since` on and before `until`."""
    tally = tally_each_dip(log)
    first = (tally.trays["dip"] == 1).to_numpy()
    part = tally.select(first)
    trays = part.trays.assign(**{name: _named(part.trays[name]) for name in LIKE_PIECES})
    ends = {"place": part.tray, "since": part.since, "day": part.day, "dead": part.dead, "left": part.left}
    dips = tally_pests(log, since=since, until=until).dips
    dips = dips.merge(_usual(tally.trays), on=["session", "coral_group"], how="left")
    dips = dips[~dips["stage"].isin(GLUED)]  # eggs outlive every dip: their kill would only dilute the animals'
    counted = dips["found"] > 0
    paired = dips[dips["before"] > 0]
    silent = ~counted & (dips["bath_rows"] + dips["on_examined"] > 0) & (dips["missing"] != "")
    return ComparisonTally(
        trays=trays,
        exits=pd.DataFrame(ends),
        pests=dips[counted].reset_index(drop=True),
        redipped=tally.trays[~first].reset_index(drop=True),
        uncounted=dips[silent].reset_index(drop=True),
        before_after=paired.assign(gone=(paired["before"] - paired["after"]).clip(lower=0)).reset_index(drop=True),
    )


def _usual(trays: pd.DataFrame) -> pd.DataFrame:
    """Return for each session and coral group the condition and the kind of dip that most of its pieces had.

    Pests are counted per bath, not per piece: where conditions are mixed the bath goes with the greater part.
    """
    kind = np.where(trays["dip"] == 1, "first dip", "re-dip")
    named = trays.assign(condition=_named(trays["condition"]), dip=kind)
    keys = ["session", "coral_group"]
    found = named[keys].drop_duplicates().set_index(keys)
    for name in ("condition", "dip"):
        sums = named.groupby([*keys, name], as_index=False)["pieces"].sum().sort_values([*keys, "pieces", name])
        found[name] = sums.groupby(keys)[name].last()
    return found.reset_index()


def _named(column: pd.Series) -> pd.Series:
    """Return text with missing values said in words: not recorded is a group of its own, never the common one."""
    return column.astype(object).where(column.notna(), NOT_RECORDED)


def labels(frame: pd.DataFrame, columns: tuple[str, ...]) -> np.ndarray:
    """Return one text per row naming its group of like pieces, shape (n_rows,)."""
    if frame.empty:
        return np.array([], dtype=str)
    return np.array([", ".join(map(str, row)) for row in zip(*(frame[name] for name in columns), strict=True)])
