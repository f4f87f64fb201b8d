"""Removed and killed of what a set of dips found, beside what shaking alone did."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from afterdip.answers.columns import Columns
from afterdip.estimate import Estimate, cannot_say
from afterdip.proportion import difference_of
from afterdip.removal import Shares, shares_of_found
from afterdip.tally.removal import COMPARTMENTS


@dataclass(frozen=True, slots=True)
class SharesCell:
    """Removed and killed of all pests found in a set of dips; `keys` say which dips.

    `sessions`: dips with any count; `compartments`: pests as counted, bath_alive ... on_dead, and those of the sham.
    `sham` are the shares of shaking alone, `removed_over_sham` and `killed_over_sham` the differences, never clipped.
    """

    keys: dict[str, str | bool | float | None]
    sessions: int
    compartments: dict[str, int]
    sham_compartments: dict[str, int]
    removed: Estimate
    killed: Estimate
    sham: Shares
    removed_over_sham: Estimate
    killed_over_sham: Estimate

    @property
    def name(self) -> str:
        """The cell in words, from the keys it has: month, coral group, agent, pest and stage."""
        parts = [str(self.keys[key]) for key in ("month", "coral_group", "agent") if self.keys.get(key)]
        if self.keys.get("pest"):
            parts.append(f"{self.keys['pest']} ({self.keys['stage']})")
        return ", ".join(parts) or "all agents"

    @property
    def pests(self) -> int:
        """Pests in all compartments together."""
        return sum(self.compartments.values())

    def to_json(self) -> dict:
        """Return keys, counts and the six estimates."""
        numbers = {
            "removed": self.removed,
            "killed": self.killed,
            "sham_removed": self.sham.removed,
            "sham_killed": self.sham.killed,
            "removed_over_sham": self.removed_over_sham,
            "killed_over_sham": self.killed_over_sham,
        }
        counts = {name: getattr(self, name) for name in ("sessions", "pests", "compartments", "sham_compartments")}
        return self.keys | counts | {name: number.to_json() for name, number in numbers.items()}


def shares_cell(keys: dict, dips: Columns, sham: Columns, *, confidence_level: float) -> SharesCell:
    """Read the shares of some rows of `PestTally.dips` beside those of the sham's rows; either may be empty."""
    shares = _shares_of(dips, confidence_level=confidence_level)
    shaken = _of_the_sham(_shares_of(sham, confidence_level=confidence_level))
    if keys.get("is_control"):
        itself = cannot_say("this is the sham itself", confidence_level=confidence_level)
        over = (itself, itself)
    else:
        over = (difference_of(shares.removed, shaken.removed), difference_of(shares.killed, shaken.killed))
    return SharesCell(
        keys=keys,
        sessions=dips.count("session"),
        compartments={name: int(dips[name].sum()) for name in COMPARTMENTS},
        sham_compartments={name: int(sham[name].sum()) for name in COMPARTMENTS},
        removed=shares.removed,
        killed=shares.killed,
        sham=shaken,
        removed_over_sham=over[0],
        killed_over_sham=over[1],
    )


def _shares_of(dips: Columns, *, confidence_level: float) -> Shares:
    """Removed and killed; a stage that stays glued on has no removed share unless someone looked for it in the bath."""
    return dips.once(("shares", confidence_level), lambda rows: _read_shares(rows, confidence_level))


def _read_shares(dips: Columns, confidence_level: float) -> Shares:
    columns = (dips[name] for name in ("removed", "killed", "found"))
    shares = shares_of_found(*columns, session=dips["session"], confidence_level=confidence_level)
    if len(dips) and dips["glued"].all() and not dips["bath_rows"].any():
        words = "eggs do not fall; not looked for in the bath"
        silent = cannot_say(words, confidence_level=confidence_level, sessions=shares.killed.sessions)
        return Shares(silent, shares.killed)
    if len(dips) and not dips["found"].any() and (dips["missing"] != "").all():
        reasons, counts = np.unique(dips["missing"], return_counts=True)
        words = f"no denominator: {reasons[counts.argmax()]}"
        silent = cannot_say(words, confidence_level=confidence_level, sessions=0, pests=0)
        return Shares(silent, silent)
    return shares


def _of_the_sham(shares: Shares) -> Shares:
    """Say of a missing share that it is the sham's."""
    return Shares(_named(shares.removed), _named(shares.killed))


def _named(share: Estimate) -> Estimate:
    """The share, or its reason in a sham's words."""
    if share.known:
        return share
    words = f"sham: {share.reason}" if share.sessions else f"no sham to compare with ({share.reason})"
    return replace(share, reason=words)
