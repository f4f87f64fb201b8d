"""Warnings of what a log says in two places and cannot mean: shams with a product, cells that changed places."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from .cells import NOTHING
from .derive import limit_strengths, usable_strength
from .model import Problem
from .notices import Tables, brief, times_others
from .rules import PAIRS
from .schema import CORAL_GROUPS
from .units import amount_unit

BOUNDS = (  # table, column, from, to, in words; corals bear no other water, and a dropper gives some 20 drops
    ("agents", "drops_per_ml", 5, 100, "drops to a mL, as droppers give them"),
    ("sessions", "bath_volume_l", 0.05, 5000, "L of bath"),
    ("sessions", "temperature_c", 15, 35, "C, as corals bear it"),
    ("sessions", "minutes", 0, 1440, "minutes, a day"),
    ("sessions", "rinses", 0, 50, "rinses"),
    ("sessions", "crew", 0, 100, "people"),
    ("labour", "people", 0, 100, "people"),
    ("labour", "minutes", 0, 1440, "minutes, a day"),
)
BATH_CELLS = {"bath_volume_l": "bath_volume", "temperature_c": "temperature"}
MINUTES_JUMP = 10.0  # as for strengths: a slip of a unit or of a decimal point
USUAL_KIND = 0.8  # of an agent's sessions: taken by volume and by mass in turn, neither is a slip


def contradictions(log: Tables, setting: Callable[..., Problem]) -> Iterator[Problem]:
    """Return these warnings; `setting(path, message, ...)` words one of a setting."""
    yield from shams(log)
    yield from other_minutes(log)
    yield from other_kinds(log)
    yield from baths_that_cannot_be(log)
    yield from units_alone(log)
    yield from idle_limits(log)
    yield from unlike_mixes(log)
    yield from idle_settings(log, setting)


def shams(log: Tables) -> Iterator[Problem]:
    """Agents that are a sham and a product (sham_active), and sham dips into which something went (sham_amount).

    Either the agent or the mark is wrong, and every loss over sham leans on it.
    """
    agents, sessions = log.frames["agents"], log.frames["sessions"]
    named = ~agents["active"].str.casefold().isin(NOTHING)
    for i in np.flatnonzero(agents["is_control"] & (named | agents["active_strength"].notna())):
        words = [agents["active"].iloc[i]] if named.iloc[i] else []
        if pd.notna(agents["active_strength"].iloc[i]):
            words.append(f"{brief(agents['active_strength'].iloc[i])} {agents['strength_unit'].iloc[i]}")
        message = f"no for an agent with an active ({', '.join(words)}): a sham is plain tank water, got 'yes'"
        yield log.note("agents", i, "is_control", message, "sham_active")
    for i in np.flatnonzero(sessions["is_control"] & (sessions["amount"] > 0)):
        got = f"{brief(sessions['amount'].iloc[i])} {sessions['amount_unit'].iloc[i] or ''}".strip()
        message = f"no amount in a sham dip, plain tank water, got '{got}' with agent '{sessions['agent'].iloc[i]}'"
        yield log.at_session(i, "amount", message, "sham_amount")


def other_minutes(log: Tables) -> Iterator[Problem]:
    """Sessions `MINUTES_JUMP` times as long or as short as the agent's other sessions (minutes_jump).

    Hours or seconds written for minutes: longer exposure kills corals and shorter spares pests, at the same strength.
    """
    sessions = log.frames["sessions"]
    minutes, (ratio, median) = sessions["minutes"].to_numpy(), times_others(sessions, "minutes", ["agent"])
    for i in np.flatnonzero((ratio > MINUTES_JUMP) & ~sessions["is_control"]):
        usual = f"within {MINUTES_JUMP:g} times that agent's other sessions (median {brief(median[i])})"
        yield log.at_session(i, "minutes", f"minutes {usual}, got {brief(minutes[i])}", "minutes_jump")


def other_kinds(log: Tables) -> Iterator[Problem]:
    """Amounts by mass of an agent that is otherwise taken by volume, and the like (amount_kind).

    `g` for `mL`: the strength is told on another axis, or as that of the active itself, where no jump need show.
    """
    sessions, (_, strength_unit) = log.frames["sessions"], usable_strength(log.frames["agents"])
    treated = np.flatnonzero(~sessions["is_control"])
    of = log.rows_of("sessions", "agent", "agents")[treated]
    rows = pd.DataFrame({"of": of, "unit": sessions["amount_unit"].to_numpy()[treated]}).groupby(["of", "unit"]).indices
    kinds = {(a, unit): amount_unit(unit, strength_unit[a]).kind for a, unit in rows}
    for agent in np.unique(of):
        counts = Counter()
        for (a, unit), places in rows.items():
            counts[kinds[a, unit]] += len(places) * (a == agent)
        usual, n = counts.most_common(1)[0]
        odd = [places for (a, unit), places in rows.items() if a == agent and kinds[a, unit] != usual]
        for i in treated[np.concatenate(odd)] if odd and n >= USUAL_KIND * counts.total() else ():
            got = f"got '{brief(sessions['amount'].iloc[i])} {sessions['amount_unit'].iloc[i]}'"
            message = f"an amount by {usual}, as in {n} of that agent's {counts.total()} sessions, {got}"
            yield log.at_session(i, "amount_unit", message, "amount_kind")


def baths_that_cannot_be(log: Tables) -> Iterator[Problem]:
    """More product than bath, and figures that no dip has (odd_figure), as in `BOUNDS`."""
    sessions = log.frames["sessions"]
    for column, unit in (("product_ml", "mL"), ("product_g", "g")):
        per_litre = (sessions[column] / sessions["bath_volume_l"]).to_numpy()
        for i in np.flatnonzero(per_litre > 1000):
            message = f"less product than bath, got {brief(per_litre[i])} {unit} in a litre"
            yield log.at_session(i, "amount", message, "odd_figure")
    for table, column, low, high, unit in BOUNDS:
        figures = log.frames[table][column].to_numpy(dtype=float, na_value=np.nan)
        for i in np.flatnonzero((figures < low) | (figures > high)):
            message = f"{low:g} to {high:g} {unit}, got {brief(figures[i])}"
            name = BATH_CELLS.get(column, column)
            yield log.note(
                table, i, name, message, "odd_figure", None if table == "agents" else log.session_of(table, i)
            )


def units_alone(log: Tables) -> Iterator[Problem]:
    """Units of agents without the number that they are of (unit_alone): no strength, limit or price is known."""
    agents = log.frames["agents"]
    for number, unit in PAIRS["agents"]:
        for i in np.flatnonzero(agents[number].isna() & agents[unit].notna()):
            message = f"a number, since its unit is '{agents[unit].iloc[i]}', got an empty cell"
            yield log.note("agents", i, number, message, "unit_alone")


def idle_limits(log: Tables) -> Iterator[Problem]:
    """Limits of strength in a unit that none of the agent's sessions is on (idle_limit): nothing is ever over them."""
    agents, sessions = log.frames["agents"], log.frames["sessions"]
    limits, axes = limit_strengths(agents)
    for i in np.flatnonzero(~np.isnan(limits) & agents["max_strength"].isna()):  # not on the axis of most sessions
        mine = (log.rows_of("sessions", "agent", "agents") == i) & ~sessions["is_control"]
        units = sessions.loc[mine, "strength_unit"].unique()
        if len(units) and axes[i] not in units:
            got = f"{brief(agents['max_per_l'].iloc[i])} {agents['max_per_l_unit'].iloc[i]}"
            message = f"a limit that {' or '.join(units)} can be held to, as its sessions are told, got '{got}'"
            yield log.note("agents", i, "max_per_l_unit", message, "idle_limit")


def unlike_mixes(log: Tables) -> Iterator[Problem]:
    """Sessions of one mixed bath and agent that tell it otherwise than the first (mix_differs)."""
    sessions = log.frames["sessions"]
    mixed = sessions[~log.typed["sessions"].columns["mix"].missing]
    for column in ("mixed", "amount", "amount_unit", "bath_volume", "bath_volume_unit", "lot") if len(mixed) else ():
        first = mixed.groupby(["mix", "agent"], sort=False)[column].transform("first")
        for i in mixed.index[(mixed[column].notna() & (mixed[column] != first)).to_numpy(dtype=bool, na_value=False)]:
            show = str if first.dtype == object else brief if first.dtype.kind == "f" else lambda day: str(day)[:16]
            message = f"{show(first[i])}, as in the first session of bath '{mixed['mix'][i]}', got "
            message += show(mixed[column][i])
            yield log.at_session(i, column, message, "mix_differs")


def idle_settings(log: Tables, setting: Callable[..., Problem]) -> Iterator[Problem]:
    """Values of coral groups that no tray is in, and pests under a name like one that was counted (idle_setting).

    The groups every farm knows may come yet; so may a pest of another name.
    """
    groups = {group.casefold() for group in log.frames["trays"]["coral_group"].unique()} | set(CORAL_GROUPS)
    for name in log.settings.piece_value:
        if name not in groups:
            yield setting(f"value.{name}", f"a coral group of the log, got '{name}': not used{near(name, groups)}",
                          kind="warning", code="idle_setting")  # fmt: skip
    pests = {plain(pest): pest for pest in log.frames["pests"]["pest"].unique()}
    for name in log.settings.pests:
        hint = near(plain(name), pests)
        if plain(name) not in pests and hint:
            yield setting(f"pests.{name}", f"a pest by its name in the log, got '{name}': not used{hint}",
                          kind="warning", code="idle_setting")  # fmt: skip


def plain(pest: str) -> str:
    """Return a pest's name as life cycles are looked up: without regard to case, hyphens, spaces or a plural s."""
    return re.sub(r"[\W_]+", " ", pest.casefold()).strip().removesuffix("s")


def near(name: str, known) -> str:
    """Return a hint at the known name nearest to this one, '' if none is near."""
    found = difflib.get_close_matches(name, known, n=1, cutoff=0.75)
    return f" (did you mean '{known[found[0]] if isinstance(known, dict) else found[0]}'?)" if found else ""
