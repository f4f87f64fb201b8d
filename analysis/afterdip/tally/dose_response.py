"""Sessions as a concentration-response curve takes them: strength, minutes, and what became of pests and pieces.

Kill is counted in every dip, re-dips being dips of their own. Coral loss is counted after first dips only, up to the
next dip: a later bath at another strength would be held against the first one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.removal import tally_pests
from afterdip.tally.survival import tally_each_dip

BATH = ["session", "agent", "is_control", "date", "strength", "strength_unit", "exposure_min", "randomised"]
ANY_CORAL = "all corals"


@dataclass(frozen=True, slots=True)
class StrengthTally:
    """`baths` one row a session (BATH; sham strength 0, unknown strengths left out, `unknown_strength` counts them).

    `pests` one row a session x pest x stage: BATH, found, killed, removed. `homes` pest, coral_group, found: which
    corals each pest was found on. `exits` rows of pieces leaving observation after a first dip: BATH, coral_group,
    tray, since, day, dead, left.
    """

    baths: pd.DataFrame
    pests: pd.DataFrame
    homes: pd.DataFrame
    exits: pd.DataFrame
    unknown_strength: int

    def within(self, inside: pd.Series) -> StrengthTally:
        """Return the part of the sessions chosen; `inside`: bool by session key."""
        keep = set(inside.index[inside])
        parts = (frame[frame["session"].isin(keep)] for frame in (self.baths, self.pests, self.exits))
        baths, pests, exits = parts
        return StrengthTally(baths, pests, self.homes, exits, self.unknown_strength)


def tally_strengths(
    log: Log, *, since: pd.Timestamp | None = None, until: pd.Timestamp | None = None
) -> StrengthTally:
    """Count a log's sessions by strength and minutes; sessions without a known strength are left out and counted.

    `since`, `until`: pests, homes and exits only of dips from that day on and before that day; `baths` are always all.
    """
    baths = log.sessions[BATH].assign(randomised=log.sessions["randomised"].fillna(False).astype(bool))
    baths = baths.assign(strength=baths["strength"].where(~baths["is_control"], 0.0).astype(float))
    known = baths["strength"].notna() & baths["exposure_min"].gt(0) & (baths["is_control"] | baths["strength"].gt(0))
    baths = baths[known].reset_index(drop=True)
    dips = tally_pests(log, since=since, until=until).dips
    dips = dips[dips["found"] > 0]
    pests = dips.groupby(["session", "pest", "stage"], as_index=False)[["found", "killed", "removed"]].sum()
    homes = dips.groupby(["pest", "coral_group"], as_index=False)["found"].sum()
    inside = baths
    if since is not None:
        inside = inside[inside["date"] >= since]
    if until is not None:
        inside = inside[inside["date"] < until]
    return StrengthTally(baths, baths.merge(pests, on="session"), homes, _exits(log, inside), int((~known).sum()))


def _exits(log: Log, baths: pd.DataFrame) -> pd.DataFrame:
    """Exits of first dips into these baths, of trays that were looked at at all."""
    tally = tally_each_dip(log)
    first = (tally.trays["dip"] == 1) & tally.trays["checked"].astype(bool)
    first &= tally.trays["session"].isin(baths["session"])
    part = tally.select(first.to_numpy())
    rows = pd.DataFrame(
        {
            "session": part.of_trays("session"), "coral_group": part.of_trays("coral_group"), "tray": part.tray,
            "since": part.since, "day": part.day, "dead": part.dead, "left": part.left,
        }
    )  # fmt: skip
    return baths.merge(rows, on="session")


def pick(frame: pd.DataFrame, **values: object) -> pd.DataFrame:
    """Return the rows that have these values in these columns."""
    keep = np.ones(len(frame), dtype=bool)
    for name, value in values.items():
        keep &= (frame[name] == value).to_numpy()
    return frame[keep]
