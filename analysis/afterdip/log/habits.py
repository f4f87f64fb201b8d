"""Warnings of figures and names that break a farm's own steady habit: slips of a unit, a point or a column.

A habit is looked for before anything is held against it: where doses, times or counts vary freely, nothing is said.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from .contradictions import MINUTES_JUMP
from .model import Problem
from .notices import STRENGTH_JUMP, Tables, brief, median_of_others, times_others
from .schema import TASKS
from .units import AMOUNTS, LITRES

FEW = 10  # fewer figures make no habit
SOME = 20  # of one name, or of figures that scatter
SHARE = 0.95  # of the rows that keep to a habit
RARE = 0.02  # of the rows: a figure as rare as this is none of the farm's usual ones
TOLERANCE = 0.02  # natural logarithm: figures as near as this are one
SLIPS = (10.0, 1000.0, LITRES["US gal"])  # a decimal point, a prefix, gallons for litres
OUTSIDE = 3.0  # times beyond all usual figures
WIDER = 2.0  # times as far from the middle as any other of its kind, as logarithms
MANY_PESTS = 10.0  # times the next highest counts
FEW_PESTS = 50  # a count below is nowhere a slip that matters


def habits(log: Tables) -> Iterator[Problem]:
    """Return these warnings."""
    yield from baths(log)
    yield from people_and_rinses(log)
    yield from labour_minutes(log)
    yield from pests_beyond_all(log)
    yield from groups_of_corals(log)
    yield from labour_of_sessions(log)


def off_habit(figures: np.ndarray, of: np.ndarray) -> np.ndarray:
    """Return the usual figure that each of `figures` breaks with, NaN where it breaks with none; both shape (n,).

    `of` groups the figures by whole numbers of 0 or more. In a group the usual figures are those that come at least
    three times and are not `RARE`; `SHARE` of the others must be usual. A rare figure breaks the habit if it lies
    `OUTSIDE` times beyond them all, or if it is one of them but for one of `SLIPS`. What is unknown or 0 is left out.
    """
    which, levels = pd.factorize(np.where(figures > 0, figures, np.nan))  # -1 where unknown
    pair, pairs = pd.factorize(of * (len(levels) + 1) + which)
    group, level = np.divmod(pairs, len(levels) + 1)
    of_pairs = np.full(len(pairs), np.nan)
    counts = np.bincount(pair, minlength=len(pairs))
    for rows in pd.Series(np.arange(len(pairs))).groupby(np.where(level < len(levels), group, -1)).indices.values():
        rows = rows[level[rows] < len(levels)]
        of_pairs[rows] = _broken(np.log(levels[level[rows]]), counts[rows])
    return of_pairs[pair]


def _broken(figures: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Return the same for one group: distinct `figures` as logarithms, and how often each comes."""
    n, none = counts.sum(), np.full(len(figures), np.nan)
    if n < FEW:
        return none
    levels, which = np.unique(np.round(figures / TOLERANCE), return_inverse=True)
    order = np.lexsort((counts, which))
    frequent = figures[order[np.searchsorted(which[order], np.arange(len(levels)), side="right") - 1]]
    counts = np.bincount(which, counts)
    rare = (counts == 1) | (counts <= RARE * n)
    usual = (counts >= 3) & ~rare
    if not rare.any() or counts[usual].sum() < SHARE * (n - 1):
        return none
    apart = np.abs(levels[:, None] - levels[None, usual]) * TOLERANCE
    slip = np.abs(apart[:, :, None] - np.log(SLIPS)).min(axis=2) <= TOLERANCE
    broken = rare & (slip.any(axis=1) | (apart.min(axis=1) >= np.log(OUTSIDE) - TOLERANCE / 2))
    meant = np.where(slip.any(axis=1), slip.argmax(axis=1), apart.argmin(axis=1))
    return np.where(broken, np.exp(frequent[usual])[meant], np.nan)[which]


def baths(log: Tables) -> Iterator[Problem]:
    """Volumes, strengths and minutes off what the agent's sessions keep to (odd_figure).

    A session warned of as a jump is not warned of again, nor is the strength of a bath whose volume is off. A volume
    that the amount goes with is another tub and no slip.
    """
    sessions = log.frames["sessions"]
    of = log.rows_of("sessions", "agent", "agents")
    sham = sessions["is_control"].to_numpy()
    volume = off_habit(sessions["bath_volume_l"].to_numpy(), of)
    if not np.isnan(volume).all():
        volume[_poured_for(sessions, volume)] = np.nan
    strength = off_habit(sessions["strength"].to_numpy(), of * 1000 + pd.factorize(sessions["strength_unit"])[0])
    minutes = off_habit(sessions["minutes"].to_numpy(), of)
    if not np.isnan(strength).all():
        strength[~np.isnan(volume) | _jump(sessions, "strength", ["agent", "strength_unit"], STRENGTH_JUMP)] = np.nan
    if not np.isnan(minutes).all():
        minutes[~sham & _jump(sessions, "minutes", ["agent"], MINUTES_JUMP)] = np.nan
    for usual, column, name, figures in (
        (volume, "bath_volume", "L", sessions["bath_volume_l"]),
        (strength, "amount", "", sessions["strength"]),
        (minutes, "minutes", "minutes", sessions["minutes"]),
    ):
        for i in np.flatnonzero(~np.isnan(usual)):
            unit = name or sessions["strength_unit"].iloc[i]
            message = f"about {brief(usual[i])} {unit}, as that agent's sessions keep to, got {brief(figures.iloc[i])}"
            yield log.at_session(i, column, message, "odd_figure")


def _poured_for(sessions: pd.DataFrame, usual: np.ndarray) -> np.ndarray:
    """Return whether as much was poured in all as makes the agent's strength in this volume, not in the `usual` one."""
    in_all = sessions["amount_unit"].isin([name for name, unit in AMOUNTS.items() if not unit.per_litre])
    median = median_of_others(sessions, "strength", ["agent", "strength_unit"])
    with np.errstate(invalid="ignore", divide="ignore"):
        here = np.abs(np.log(sessions["strength"] / median))
        there = np.abs(np.log(sessions["strength"] * sessions["bath_volume_l"] / usual / median))
    return (in_all & (here < there)).to_numpy(dtype=bool)


def _jump(sessions: pd.DataFrame, column: str, alike: list[str], most: float) -> np.ndarray:
    return times_others(sessions, column, alike)[0] > most * (1 + 1e-9)


def people_and_rinses(log: Tables) -> Iterator[Problem]:
    """Rinses, crews and people at work off what the farm keeps to (odd_figure)."""
    for table, column in (("sessions", "rinses"), ("sessions", "crew"), ("labour", "people")):
        frame = log.frames[table]
        figures = frame[column].to_numpy(dtype=float, na_value=np.nan)
        usual = off_habit(figures, np.zeros(len(figures), dtype=np.int64))
        for i in np.flatnonzero(~np.isnan(usual)):
            message = f"{column} as usual on the farm, nearest {brief(usual[i])}, got {brief(figures[i])}"
            yield log.note(table, i, column, message, "odd_figure", log.session_of(table, i))


def labour_minutes(log: Tables) -> Iterator[Problem]:
    """Minutes of work that lie `WIDER` times as far from the task's middle as any others (odd_figure).

    Work scatters, so that a slip shows only beyond that: of a hundred rows and more the two next highest may be slips
    too.
    """
    minutes = log.frames["labour"]["minutes"].to_numpy()
    for task in TASKS if len(minutes) else ():
        rows = np.flatnonzero(log.where("labour", "task", task))
        if len(rows) < SOME:
            continue
        middle = np.median(minutes[rows])
        apart = np.abs(np.log(minutes[rows] / middle))
        widest = np.sort(apart)[-2 if len(rows) < 5 * SOME else -3]
        for i in rows[apart > max(WIDER * widest, np.log(OUTSIDE))]:
            message = f"minutes as of the other rows of '{task}' (median {brief(middle)}), got {brief(minutes[i])}"
            yield log.note("labour", i, "minutes", message, "odd_figure", log.session_of("labour", i))


def pests_beyond_all(log: Tables) -> Iterator[Problem]:
    """Counts of pests `MANY_PESTS` times the third highest of that pest and stage (odd_figure).

    Not where the tray's other counts of that pest come to a third of it: such a tray was full of them.
    """
    pests = log.frames["pests"]
    if len(pests) < SOME:
        return
    columns = log.typed["pests"].columns
    kind = columns["pest"].ids() * 10 + columns["stage"].ids()
    tray = log.rows_of("pests", "tray", "trays")
    session = log.rows_of("trays", "session", "sessions")[tray]
    found = (pests["alive"] + pests["dead"]).to_numpy()
    for column in ("alive", "dead"):
        counts = pests[column].to_numpy()
        for i in np.flatnonzero(counts >= FEW_PESTS)[np.argsort(-counts[counts >= FEW_PESTS], kind="stable")][:100]:
            others = np.sort(counts[kind == kind[i]])
            elsewhere = found[(tray == tray[i]) & (kind == kind[i])].sum() - counts[i]
            if len(others) >= SOME and counts[i] > max(MANY_PESTS * max(others[-3], 1), 3 * elsewhere):
                message = f"a count as others of '{pests['pest'].iloc[i]}' ({others[-3]} or fewer), got {counts[i]}"
                name = log.frames["sessions"]["session"].iloc[session[i]]
                yield log.note("pests", i, column, message, "odd_figure", name)


def groups_of_corals(log: Tables) -> Iterator[Problem]:
    """Corals in another group than `SHARE` of their trays are in (odd_group), once per coral and group."""
    trays, columns = log.frames["trays"], log.typed["trays"].columns
    coral, group = columns["coral"].ids(), columns["coral_group"].ids()
    pair, pairs = pd.factorize(coral * (group.max(initial=0) + 1) + group)
    first = pd.Series(np.arange(len(pair))).groupby(pair).first().to_numpy()  # a row of each pair
    sizes = pd.DataFrame({"coral": coral[first], "row": first, "n": np.bincount(pair, minlength=len(pairs))})
    for _, part in sizes.groupby("coral"):
        usual = part.loc[part["n"].idxmax()]
        if len(part) > 1 and part["n"].sum() >= SOME and usual["n"] >= SHARE * part["n"].sum():
            for odd in part[part["row"] != usual["row"]].itertuples():
                name, like, got = (trays[name].iloc[row] for name, row in (
                    ("coral", odd.row), ("coral_group", usual["row"]), ("coral_group", odd.row)))  # fmt: skip
                message = f"'{name}' in the group '{like}', as in {usual['n']} trays, got '{got}' in {odd.n}"
                session = trays["session"].iloc[odd.row]
                yield log.note("trays", odd.row, "coral_group", message, "odd_group", session)


def labour_of_sessions(log: Tables) -> Iterator[Problem]:
    """Work of a task that names its session, or its pieces, in `SHARE` of the rows and here does not (labour_link).

    The pieces of a session are those of its trays: rows of either table may have been lost, too.
    """
    labour, sessions, trays = (log.frames[name] for name in ("labour", "sessions", "trays"))
    if not len(labour):
        return
    of = log.rows_of("labour", "session", "sessions")
    held = np.bincount(log.rows_of("trays", "session", "sessions"), trays["pieces"], len(sessions))
    pieces = labour["pieces"].to_numpy(dtype=float, na_value=np.nan)
    told = (of >= 0) & np.isfinite(pieces)
    every = np.ones(len(labour), dtype=bool)
    for column, asked, kept in (("session", every, of >= 0), ("pieces", told, pieces == held[of])):
        for task in TASKS:
            place = np.flatnonzero(asked & log.where("labour", "task", task))
            odd = place[~kept[place]]
            if len(place) < SOME or len(odd) > (1 - SHARE) * len(place):
                continue
            for i in odd:
                what = f"{brief(held[of[i]])} pieces, as the trays hold, in"
                what = "the session of" if column == "session" else what
                got = "none" if column == "session" else brief(pieces[i])
                message = f"{what} '{task}', as in {len(place) - len(odd)} of {len(place)} rows, got {got}"
                yield log.note("labour", i, column, message, "labour_link", log.session_of("labour", i))
