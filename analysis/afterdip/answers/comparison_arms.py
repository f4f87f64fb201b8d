"""What is compared: an agent, or an agent at one of its strengths where a log sets its strengths clearly apart."""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import pandas as pd

from afterdip.answers.words import strength_words

GAP = 1.25
"""Neighbours further apart than this are two strengths. Of two strengths, one twice the other, measured out with a
scatter of 5 %, every one of 400 simulated logs of 12 + 12 to 100 + 100 sessions is told apart."""
NARROW = 1.5
"""Highest over lowest of what may be called one strength. Of strengths chosen freely (20 to 120 sessions over half a
decade to one and a half, or lognormal with an SD of 0.3 or 0.6), at most 1.5 % of 400 logs have one set apart."""
OFTEN = 12
"""Sessions at a strength that is judged by itself: with 6 a side no simulated farm got a verdict, with 12 some do
(DEVELOPERS.md, "The verdict"), and every strength more makes each pair of the page harder to tell apart."""


@dataclass(frozen=True, slots=True)
class Strengths:
    """The strengths an agent was used at on one axis: lowest, median and highest over its sessions."""

    unit: str
    sessions: int
    least: float
    median: float
    most: float

    @classmethod
    def of(cls, used: pd.DataFrame) -> Strengths:
        """Return those of sessions on one axis, at least one."""
        x = used["strength"]
        return cls(str(used["strength_unit"].iloc[0]), len(x), float(x.min()), float(x.median()), float(x.max()))

    @property
    def narrow(self) -> bool:
        """Whether they may be called one strength."""
        return self.most <= NARROW * self.least

    def to_json(self) -> dict:
        """Return them by name."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Arm:
    """Sessions of one agent: all of them (`strength` None; `mixed`: several strengths together), or those at one."""

    agent: str
    sessions: frozenset[str]
    strength: Strengths | None = None
    mixed: bool = False

    @property
    def name(self) -> str:
        """The agent, or "agent at 500 mg/L", by the median to three figures."""
        if self.strength is None:
            return self.agent
        return f"{self.agent} at {strength_words((self.strength.median, self.strength.unit))}"

    @property
    def order(self) -> tuple[str, str, float]:
        """What arms are sorted by: agents by name, their strengths from the weakest."""
        return (self.agent, self.strength.unit, self.strength.median) if self.strength else (self.agent, "", 0.0)

    def to_json(self) -> dict:
        """Return the arm by name."""
        strength = self.strength.to_json() if self.strength else None
        return {"name": self.name, "agent": self.agent, "strength": strength, "sessions": len(self.sessions)}


@dataclass(frozen=True, slots=True)
class LeftOut:
    """How many sessions of an agent judged by strength were at none of those judged: what they were at, if known."""

    agent: str
    sessions: int
    strength: Strengths | None

    def to_json(self) -> dict:
        """Return them by name."""
        return {
            "agent": self.agent, "sessions": self.sessions, "strength": self.strength and self.strength.to_json(),
        }  # fmt: skip


def whole_agents(sessions: pd.DataFrame) -> tuple[Arm, ...]:
    """Return every agent with all its sessions, shams among them, by name."""
    return tuple(Arm(str(agent), frozenset(used)) for agent, used in sessions.groupby("agent")["session"])


def arms_apart(sessions: pd.DataFrame, taken: Container[str]) -> tuple[tuple[Arm, ...], tuple[LeftOut, ...]]:
    """Return what is compared over these sessions, and what is left out of it.

    An agent's strengths stand apart where neighbours are GAP or more from each other: those of OFTEN sessions or more
    are arms, the others are left out. Taken together as one arm are a sham, an agent of one strength, one of which no
    strength was used OFTEN, one whose strengths run into one another (a stretch used OFTEN that is not NARROW), and
    one whose arm would have a name that is `taken` by an agent.
    """
    arms, left = [], []
    for agent, used in sessions.groupby("agent"):
        parts = list(_parts(str(agent), used))
        often = [part for part in parts if len(part.sessions) >= OFTEN]
        apart = len(parts) > 1 and often and all(p.strength.narrow and p.name not in taken for p in often)
        if not apart:
            mixed = len(parts) > 1 or any(not part.strength.narrow for part in parts)
            arms.append(Arm(str(agent), frozenset(used["session"]), mixed=mixed))
            continue
        arms += often
        left += [LeftOut(p.agent, len(p.sessions), p.strength) for p in parts if p not in often]
        if unknown := int(used["strength"].isna().sum()):
            left.append(LeftOut(str(agent), unknown, None))
    return tuple(arms), tuple(left)


def named_arms(sessions: pd.DataFrame, names: Iterable[str], agents: Iterable[str]) -> tuple[Arm, ...]:
    """Return the arms of these names: an agent's is the agent with all its strengths, "agent at 500 mg/L" one of them.

    Spaces and commas in a number do not matter, nor how often a strength was used. Raises ValueError for a name that
    is neither and for an agent beside itself, whole or in part.
    """
    known = {agent: Arm(agent, frozenset()) for agent in sorted(agents)}
    known |= {arm.name: arm for arm in whole_agents(sessions)}
    parts = [part for agent, used in sessions.groupby("agent") for part in _parts(str(agent), used)]
    at_one = {_plain(part.name): part for part in parts if part.strength.narrow}
    found = []
    for name in names:
        arm = known.get(name) or at_one.get(_plain(name))
        if arm is None:
            more = ", ".join(part.name for part in at_one.values())
            told = f"; at one strength {more}" if more else ""
            raise ValueError(f"the log has no agent '{name}'; it has {', '.join(sorted(known))}{told}")
        found.append(arm)
    for agent, same in groupby(sorted(found, key=lambda arm: arm.agent), key=lambda arm: arm.agent):
        arms = list(same)
        if len(set(arms)) < len(arms) or (len(arms) > 1 and any(arm.strength is None for arm in arms)):
            raise ValueError(f"an agent cannot be compared with itself: {agent}")
    return tuple(found)


def _parts(agent: str, used: pd.DataFrame) -> Iterator[Arm]:
    """Yield an agent's strengths set apart, weakest first, axis by axis; sham and unknown strengths are in none."""
    known = used[used["strength"].notna() & ~used["is_control"]].sort_values(["strength_unit", "strength"])
    for _, on_axis in known.groupby("strength_unit"):
        x = on_axis["strength"].to_numpy(float)
        for part in np.split(np.arange(len(x)), np.flatnonzero(x[1:] >= GAP * x[:-1]) + 1):
            rows = on_axis.iloc[part]
            yield Arm(agent, frozenset(rows["session"]), Strengths.of(rows))


def _plain(name: str) -> str:
    return re.sub(r"[\s,]", "", name)
