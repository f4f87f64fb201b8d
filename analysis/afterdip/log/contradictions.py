"""Warnings of what a log says in two places and cannot mean: shams with a product, dates far apart, idle settings."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from .cells import NOTHING
from .model import Problem
from .notices import Tables, brief
from .schema import CORAL_GROUPS

FAR_DAYS = 7  # a bath is counted, and its work done, within days; further off, a date is a slip of month for day
AT_THE_DIP = ("dip", "watch", "rinse")  # tasks
ON_THE_DAY = ("bath", "rinse", "on piece")  # moments of pest counts


def contradictions(log: Tables, setting: Callable[..., Problem]) -> Iterator[Problem]:
    """Return these warnings; `setting(path, message, ...)` words one of a setting."""
    yield from shams(log)
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
