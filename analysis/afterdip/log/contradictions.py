"""Warnings of what a log says in two places and cannot mean: shams with a product, habits broken, dates far apart."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from .cells import NOTHING
from .derive import usable_strength
from .model import Problem
from .notices import Tables, brief, median_of_others
from .schema import CORAL_GROUPS
from .units import amount_unit

MINUTES_JUMP = 10.0  # as for strengths: a slip of a unit or of a decimal point
USUAL_KIND = 0.8  # of an agent's sessions: taken by volume and by mass in turn, neither is a slip
FAR_DAYS = 7  # a bath is counted, and its work done, within days; further off, a date is a slip of month for day
AT_THE_DIP = ("dip", "watch", "rinse")  # tasks
ON_THE_DAY = ("bath", "rinse", "on piece")  # moments of pest counts


def contradictions(log: Tables, setting: Callable[..., Problem]) -> Iterator[Problem]:
    """Return these warnings; `setting(path, message, ...)` words one of a setting."""
    yield from shams(log)
    yield from groups_for_corals(log)
    yield from other_minutes(log)
    yield from other_kinds(log)
    yield from far_dates(log)
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


def groups_for_corals(log: Tables) -> Iterator[Problem]:
    """Corals named like a coral group, in a group that is none of the known ones (group_for_coral), once per name.

    The two cells changed places: the tray has no like pieces, and the coral is a group of its own.
    """
    trays, columns = log.frames["trays"], log.typed["trays"].columns
    is_group = [columns[name].where(lambda word: word.casefold() in CORAL_GROUPS) for name in ("coral", "coral_group")]
    odd = trays.loc[is_group[0] & ~is_group[1], ["coral", "coral_group"]]
    for i, (coral, group) in odd.drop_duplicates().iterrows():
        message = f"a coral's name, with its group in coral_group, got '{coral}' in the group '{group}'"
        yield log.note("trays", i, "coral", message, "group_for_coral", trays["session"].iloc[i])


def other_minutes(log: Tables) -> Iterator[Problem]:
    """Sessions `MINUTES_JUMP` times as long or as short as the agent's other sessions (minutes_jump).

    Hours or seconds written for minutes: longer exposure kills corals and shorter spares pests, at the same strength.
    """
    sessions = log.frames["sessions"]
    minutes, median = sessions["minutes"].to_numpy(), median_of_others(sessions, "minutes", ["agent"])
    with np.errstate(invalid="ignore"):  # NaN for the only session of an agent
        far = np.maximum(minutes / median, median / minutes) > MINUTES_JUMP
    for i in np.flatnonzero(far & ~sessions["is_control"]):
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


def far_dates(log: Tables) -> Iterator[Problem]:
    """Counts and work at a dip dated more than `FAR_DAYS` from it (far_date)."""
    dates = log.frames["sessions"]["date"].to_numpy()
    pests, labour = log.frames["pests"], log.frames["labour"]
    if len(pests):
        session = log.rows_of("trays", "session", "sessions")[log.rows_of("pests", "tray", "trays")]
        yield from _far(log, "pests", "counted", pests["moment"].isin(ON_THE_DAY).to_numpy(), dates[session])
    if len(labour):
        session = log.rows_of("labour", "session", "sessions")
        yield from _far(
            log, "labour", "done", labour["task"].isin(AT_THE_DIP).to_numpy() & (session >= 0), dates[session]
        )


def _far(log: Tables, table: str, column: str, bound: np.ndarray, dipped: np.ndarray) -> Iterator[Problem]:
    day = log.frames[table][column].to_numpy()
    for i in np.flatnonzero(bound & (np.abs(day - dipped) > np.timedelta64(FAR_DAYS, "D"))):
        message = f"a date within {FAR_DAYS} days of the dip ({str(dipped[i])[:10]}), got '{str(day[i])[:10]}'"
        yield log.note(table, i, column, message, "far_date")


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
