"""Removed and killed of what a set of dips found, beside what shaking alone did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from afterdip.answers.columns import Columns
from afterdip.estimate import Estimate, cannot_say
from afterdip.proportion import by_session, difference_of
from afterdip.removal import Shares, shares_of_pests
from afterdip.tally.removal import COMPARTMENTS, NOT_COUNTED


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

    @property
    def uncounted(self) -> str:
        """What none of these dips counted, so that its pests are not all there were; "" where shares can be said."""
        words = self.killed.reason.removeprefix("no denominator: ")
        return words if words in NOT_COUNTED else ""

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


def shares_cells(
    parts: Sequence[tuple[dict, Columns, Columns]], *, confidence_level: float
) -> tuple[SharesCell, ...]:
    """Read the shares of parts of `PestTally.dips`, (keys, dips, the sham's dips), in one search; any may be empty.

    The sham stands beside many cells: the same rows are read once. Limits of a difference are joined from such as are
    meant for it, not from those printed beside it.
    """
    rows = {dips.rows.tobytes(): dips for _, *both in parts for dips in both}
    summed = [by_session(*(dips[name] for name in ("session", "removed", "killed", "found"))) for dips in rows.values()]
    counts = [(gone, found, None) for removed, killed, found in summed for gone in (removed, killed)]
    joined = np.repeat([False, True], len(counts))
    found = iter(shares_of_pests([*counts, *counts], confidence_level=confidence_level, in_difference=joined))
    alone, joined = (
        {
            key: _said(dips, Shares(next(found), next(found)), confidence_level=confidence_level)
            for key, dips in rows.items()
        }
        for _ in range(2)
    )
    return tuple(_shares_cell(*part, alone, joined, confidence_level) for part in parts)


def _shares_cell(
    keys: dict, dips: Columns, sham: Columns, alone: dict[bytes, Shares], joined: dict[bytes, Shares],
    confidence_level: float,
) -> SharesCell:  # fmt: skip
    """One cell from its rows and the shares of both sides, with limits of their own and to be joined."""
    mine, shams, counted = dips.rows.tobytes(), sham.rows.tobytes(), sham.count("session")
    shares, shaken = alone[mine], _of_the_sham(alone[shams], counted=counted)
    if keys.get("is_control"):
        itself = cannot_say("this is the sham itself", confidence_level=confidence_level)
        over = (itself, itself)
    else:
        dosed, bare = joined[mine], _of_the_sham(joined[shams], counted=counted)
        over = (difference_of(dosed.removed, bare.removed), difference_of(dosed.killed, bare.killed))
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


def _said(dips: Columns, shares: Shares, *, confidence_level: float) -> Shares:
    """A stage that stays glued on has no removed share unless someone looked for it in the bath; nor have no counts."""
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


def _of_the_sham(shares: Shares, *, counted: int) -> Shares:
    """Say of a missing share that it is the sham's; `counted`: sham dips in which pests were counted, zeros too."""
    return Shares(_named(shares.removed, counted), _named(shares.killed, counted))


def _named(share: Estimate, counted: int) -> Estimate:
    """The share, or its reason in a sham's words: no sham with a count is not a sham in which nothing was found."""
    if share.known:
        return share
    if not counted:
        return replace(share, reason="no sham dip with a pest count to compare with")
    if share.reason == "no denominator: no pest was found":
        return replace(share, reason="no sham dip with pests to compare with")
    words = share.reason.removeprefix("no denominator: ")
    return replace(share, reason=f"sham: {words}" if share.sessions else f"no sham to compare with ({words})")
