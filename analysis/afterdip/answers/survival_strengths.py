"""Which parts of an agent's use are judged for what they cost: its strengths, where the log sets them apart."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from afterdip.answers.comparison_arms import Arm, Strengths, arms_apart
from afterdip.answers.words import at_other_strengths, strength_words


@dataclass(frozen=True, slots=True)
class Part:
    """Sessions of an agent at one strength, or (`strength` None) at all its others, used too seldom or not known."""

    agent: str
    name: str
    sessions: frozenset[str]
    strength: Strengths | None

    def to_json(self) -> dict:
        """Return what it is, not its sessions."""
        return {"agent": self.agent, "name": self.name, "strength": self.strength and self.strength.to_json()}


def parts_of(sessions: pd.DataFrame, agents: set[str]) -> tuple[Part, ...]:
    """Return the parts of every agent whose strengths are judged apart, the weakest first; of other agents none.

    Strengths are set apart as where agents are compared (`arms_apart`, `agents` being the names that are taken), so
    that one strength has one name. What an agent's other sessions cost is asked of all of them together: eight baths
    that killed half are seen, and not laid on the strength used every day.
    """
    arms, _ = arms_apart(sessions, taken=agents)
    found: dict[str, list[Arm]] = {}
    for arm in arms:
        if arm.strength is not None:
            found.setdefault(arm.agent, []).append(arm)
    parts = []
    for agent, own in found.items():
        own = sorted(own, key=lambda arm: arm.order)
        parts += [Part(agent, arm.name, arm.sessions, arm.strength) for arm in own]
        others = frozenset(sessions.loc[sessions["agent"] == agent, "session"]).difference(*(a.sessions for a in own))
        if others:
            apart = strength_words(*((arm.strength.median, arm.strength.unit) for arm in own))
            parts.append(Part(agent, at_other_strengths(agent, apart), others, None))
    return tuple(parts)
