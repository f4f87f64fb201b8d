"""One cell of the removal page: what one set of dips did to one pest at one stage, beside the sham's dips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from afterdip.answers.columns import Columns
from afterdip.answers.removal_shares import SharesCell, shares_cell
from afterdip.estimate import Estimate
from afterdip.removal import (
    ControlledKill,
    FollowUp,
    Infestation,
    Reduction,
    abbott_reduction,
    before_after_reduction,
    controlled_kill,
    follow_up,
    henderson_tilton_reduction,
    infestation,
    schneider_orelli_reduction,
    shares_of_found,
)
from afterdip.tally.removal import GLUED

DAY_BANDS = ((0, 3), (4, 10), (11, 21), (22, 45), (46, 100_000))
"""Days after the dip into which looks are gathered; a tray counts once in a band, with its last look there."""


@dataclass(frozen=True, slots=True)
class Look:
    """The pieces at one stretch of time: before the dip, right after it, or some days later; `when` in words."""

    when: str
    trays: int
    sessions: int
    infestation: Infestation

    def to_json(self) -> dict:
        """Return when, the counts and the infestation."""
        return {"when": self.when, "trays": self.trays, "sessions": self.sessions, **self.infestation.to_json()}


@dataclass(frozen=True, slots=True)
class RemovalCell:
    """Everything about one agent, pest and stage over the window.

    `shares`: removed and killed beside the sham's; `left_alive`: of all found, the share still on and living;
    `reductions`, `control`: the four reductions and the control rule's kill, none of them for the sham itself;
    `looks`, `follow_up`: the pieces before, after and later. `trays`, `pieces`: dipped with any count of the pest.
    `notes` say which counts could not be used, and why.
    """

    shares: SharesCell
    trays: int
    pieces: int
    left_alive: Estimate
    reductions: tuple[Reduction, ...]
    control: ControlledKill | None
    looks: tuple[Look, ...]
    follow_up: FollowUp
    notes: tuple[str, ...]

    def to_json(self) -> dict:
        """Return every number."""
        return {
            **self.shares.to_json(),
            "trays": self.trays,
            "pieces": self.pieces,
            "left_alive": self.left_alive.to_json(),
            "reductions": [reduction.to_json() for reduction in self.reductions],
            "control_rule": self.control.to_json() if self.control is not None else None,
            "looks": [look.to_json() for look in self.looks],
            "follow_up": self.follow_up.to_json(),
            "notes": list(self.notes),
        }


def grown(cells: Sequence[RemovalCell]) -> tuple[RemovalCell, ...]:
    """Return the cells of adults and of pests whose stages were not told apart."""
    return tuple(cell for cell in cells if cell.shares.keys["stage"] in ("adult", "any"))


def loose(cells: Sequence[RemovalCell]) -> tuple[RemovalCell, ...]:
    """Return the cells of every stage that can fall off: eggs apart."""
    return tuple(cell for cell in cells if cell.shares.keys["stage"] not in GLUED)


def removal_cell(keys: dict, dips: Columns, looks: Columns, sham: Columns, *, confidence_level: float) -> RemovalCell:
    """Read one cell off the agent's dips and looks and the sham's dips; any may be empty, which is then said."""
    level = {"confidence_level": confidence_level}
    living = dips["living_on"]
    is_sham = bool(keys.get("is_control"))
    return RemovalCell(
        shares=shares_cell(keys, dips, sham, **level),
        trays=int(dips["trays"].sum()),
        pieces=int(dips["pieces"].sum()),
        left_alive=shares_of_found(living, living, dips["found"], session=dips["session"], **level).removed,
        reductions=() if is_sham else _reductions(dips, sham, **level),
        control=None if is_sham else _controlled(dips, sham, **level),
        looks=_looks(looks, **level),
        follow_up=_follow_up(looks, **level),
        notes=(*_notes(dips), *_newcomers(looks)),
    )


def _controlled(dips: Columns, sham: Columns, *, confidence_level: float) -> ControlledKill:
    """Kill by the control rule."""
    counts = [table[name] for table in (dips, sham) for name in ("killed", "found")]
    sessions = {"session": dips["session"], "sham_session": sham["session"]}
    return controlled_kill(*counts, **sessions, confidence_level=confidence_level)


def _reductions(dips: Columns, sham: Columns, *, confidence_level: float) -> tuple[Reduction, ...]:
    """The four reductions, each from the counts it is defined on."""
    level = {"confidence_level": confidence_level}
    both = {"session": dips["session"], "sham_session": sham["session"], **level}

    def arms(*names: str) -> list[np.ndarray]:
        return [table[name] for table in (dips, sham) for name in names]

    return (
        before_after_reduction(dips["after"], dips["before"], session=dips["session"], **level),
        abbott_reduction(*arms("left", "left_pieces"), **both),
        henderson_tilton_reduction(*arms("after", "before"), **both),
        schneider_orelli_reduction(*arms("killed", "found"), **both),
    )


def _looks(looks: Columns, *, confidence_level: float) -> tuple[Look, ...]:
    """Infestation before the dip, at the first look after it, and by days since; only stretches with a look."""
    named = [("before the dip", looks["before"]), ("after the dip", looks["after"])]
    later, day = looks["later"], looks["day"]
    for first, last in DAY_BANDS:
        words = f"{first} to {last} days later" if last < DAY_BANDS[-1][1] else f"{first} days later or more"
        named.append((words, later & (first <= day) & (day <= last)))
    rows = [(words, looks.part(mask).last_of_each("tray")) for words, mask in named if mask.any()]
    return tuple(
        Look(
            words, len(part), part.count("session"),
            infestation(
                part["alive"], _living_infested(part), part["examined"], session=part["session"],
                confidence_level=confidence_level,
            ),
        )
        for words, part in rows
    )  # fmt: skip


def _living_infested(looks: Columns) -> np.ndarray:
    """Infested pieces; none where nothing living was seen, whatever dead pests still hang on."""
    return np.where(looks["alive"] > 0, looks["infested"], 0.0)


def _follow_up(looks: Columns, *, confidence_level: float) -> FollowUp:
    """What was seen on the pieces after the dip, tray by tray, of the trays that had the pest."""
    looks = looks.part(looks["had"])
    seen = looks.part(~looks["before"])
    columns = (seen[name] for name in ("tray", "day", "alive"))
    return follow_up(*columns, session=seen["session"], trays=looks.count("tray"), confidence_level=confidence_level)


def _newcomers(looks: Columns) -> tuple[str, ...]:
    """Trays that had none of the pest when they were dipped and some later: nothing that the dip left behind."""
    n = looks.part(~looks["before"] & ~looks["had"] & (looks["alive"] > 0)).count("tray")
    return (f"{_some(n, 'tray')} without the pest when dipped had it later",) if n else ()


def _notes(dips: Columns) -> tuple[str, ...]:
    """Which sessions' counts could not be used, or only in part."""
    missing = ((why, part.count("session")) for (why,), part in dips.groups("missing"))
    notes = [f"{_some(n, 'session')} left out of the shares: {why}" for why, n in missing if why]
    partial, unseen = (dips.part(dips[name]).count("session") for name in ("partial", "rinse_unseen"))
    if partial:
        notes.append(f"{_some(partial, 'session')} with only part of the pieces looked at: what fell counts in part")
    if unseen:
        notes.append(f"{_some(unseen, 'session')} rinsed without a count of the rinse: removal is understated")
    return tuple(notes)


def _some(n: int, what: str) -> str:
    """Return "1 session" or "3 sessions"."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
