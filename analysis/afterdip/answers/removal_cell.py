"""One cell of the removal page: what one set of dips did to one pest at one stage, beside the sham's dips."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from afterdip.answers.columns import Columns
from afterdip.answers.removal_shares import SharesCell, shares_cells
from afterdip.answers.words import counted
from afterdip.estimate import Estimate
from afterdip.removal import (
    ControlledKill,
    FollowUp,
    Infestation,
    Reduction,
    abbott_reductions,
    before_after_reductions,
    controlled_kills,
    follow_ups,
    henderson_tilton_reductions,
    infestations,
    schneider_orelli_reductions,
    shares_of_pests,
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


def removal_cells(
    parts: Sequence[tuple[dict, Columns, Columns, Columns]], *, confidence_level: float
) -> tuple[RemovalCell, ...]:
    """Read cells off (keys, the agent's dips, its looks, the sham's dips), any of them empty, which is then said.

    The limits of one kind are searched for in all cells at once.
    """
    level = {"confidence_level": confidence_level}
    living = [(dips["living_on"], dips["found"], dips["session"]) for _, dips, _, _ in parts]
    against_sham = [not keys.get("is_control") for keys, *_ in parts]
    agents = [(dips, sham) for (_, dips, _, sham), is_agent in zip(parts, against_sham, strict=True) if is_agent]
    reductions = _reductions(agents, **level)
    controls = iter(controlled_kills(_arms(agents, "killed", "found"), **level))
    each = zip(
        parts,
        shares_cells([(keys, dips, sham) for keys, dips, _, sham in parts], **level),
        shares_of_pests(living, **level),
        [next(reductions) if is_agent else () for is_agent in against_sham],
        [next(controls) if is_agent else None for is_agent in against_sham],
        _looks([looks for _, _, looks, _ in parts], **level),
        _follow_ups([looks for _, _, looks, _ in parts], **level),
        strict=True,
    )
    return tuple(
        RemovalCell(
            shares=shares,
            trays=int(dips["trays"].sum()),
            pieces=int(dips["pieces"].sum()),
            left_alive=left_alive,
            reductions=four,
            control=control,
            looks=looked,
            follow_up=followed,
            notes=(*_notes(dips), *_newcomers(looks)),
        )
        for (_, dips, looks, _), shares, left_alive, four, control, looked, followed in each
    )


def _arms(agents: Sequence[tuple[Columns, Columns]], top: str, bottom: str) -> list[tuple]:
    """Two columns and the session of the agent's and of the sham's dips."""
    return [tuple((dips[top], dips[bottom], dips["session"]) for dips in both) for both in agents]


def _reductions(
    agents: Sequence[tuple[Columns, Columns]], *, confidence_level: float
) -> Iterator[tuple[Reduction, ...]]:
    """The four reductions of each agent's dips and its sham's, each from the counts it is defined on."""
    level = {"confidence_level": confidence_level}
    looked_at = _arms(agents, "after", "before")
    return zip(
        before_after_reductions([agent for agent, _ in looked_at], **level),
        abbott_reductions(_arms(agents, "left", "left_pieces"), **level),
        henderson_tilton_reductions(looked_at, **level),
        schneider_orelli_reductions(_arms(agents, "killed", "found"), **level),
        strict=True,
    )


def _looks(parts: Sequence[Columns], *, confidence_level: float) -> list[tuple[Look, ...]]:
    """Infestation in each part at each stretch of time that had a look."""
    named = [_stretches(looks) for looks in parts]
    counts = [
        (rows["alive"], _living_infested(rows), rows["examined"], rows["session"])
        for stretches in named
        for _, rows in stretches
    ]
    found = iter(infestations(counts, confidence_level=confidence_level))
    return [
        tuple(Look(words, len(rows), rows.count("session"), next(found)) for words, rows in stretches)
        for stretches in named
    ]


def _stretches(looks: Columns) -> list[tuple[str, Columns]]:
    """Looks before the dip, the first after it, and by days since, in words; only stretches with a look."""
    named = [("before the dip", looks["before"]), ("after the dip", looks["after"])]
    later, day = looks["later"], looks["day"]
    for first, last in DAY_BANDS:
        words = f"{first} to {last} days later" if last < DAY_BANDS[-1][1] else f"{first} days later or more"
        named.append((words, later & (first <= day) & (day <= last)))
    return [(words, looks.part(mask).last_of_each("tray")) for words, mask in named if mask.any()]


def _living_infested(looks: Columns) -> np.ndarray:
    """Infested pieces; none where nothing living was seen, whatever dead pests still hang on."""
    return np.where(looks["alive"] > 0, looks["infested"], 0.0)


def _follow_ups(parts: Sequence[Columns], *, confidence_level: float) -> list[FollowUp]:
    """What was seen on the pieces after the dip, tray by tray, of the trays that had the pest."""
    with_pest = [looks.part(looks["had"]) for looks in parts]
    seen = [looks.part(~looks["before"]) for looks in with_pest]
    columns = [
        (*(after[name] for name in ("tray", "day", "alive", "session")), looks.count("tray"))
        for looks, after in zip(with_pest, seen, strict=True)
    ]
    return follow_ups(columns, confidence_level=confidence_level)


def _newcomers(looks: Columns) -> tuple[str, ...]:
    """Trays that had none of the pest when they were dipped and some later: nothing that the dip left behind."""
    n = looks.part(~looks["before"] & ~looks["had"] & (looks["alive"] > 0)).count("tray")
    return (f"{counted(n, 'tray')} had none when dipped and some later",) if n else ()


def _notes(dips: Columns) -> tuple[str, ...]:
    """Which sessions' counts could not be used, or only in part."""
    missing = ((why, part.count("session")) for (why,), part in dips.groups("missing"))
    notes = [f"{counted(n, 'session')} left out: {why}" for why, n in missing if why]
    partial, unseen = (dips.part(dips[name]).count("session") for name in ("partial", "rinse_unseen"))
    if partial:
        notes.append(f"{counted(partial, 'session')} with only part of the pieces looked at: what fell counts in part")
    if unseen:
        notes.append(f"{counted(unseen, 'session')} rinsed without a count of the rinse: removal is understated")
    return tuple(notes)
