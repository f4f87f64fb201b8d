"""How many sessions a verdict on two agents still needs, by the farm's own sessions where they tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from afterdip.answers.comparison_reader import ComparisonReader
from afterdip.comparison import Difference, Margins
from afterdip.trial import SessionsNeeded, sessions_needed, sessions_needed_from

ASSUMED_CORRELATION = 0.2  # for planning where the farm's own sessions cannot tell; 0.05-0.3 is usual
POWER = 0.8


@dataclass(frozen=True, slots=True)
class Needed:
    """Sessions with like pieces each agent needs in all, and still: None where nothing more would settle it."""

    kill: SessionsNeeded
    loss: SessionsNeeded
    assumed: tuple[str, ...]  # outcomes reckoned from assumed correlation, the farm's own being unknown
    have_first: dict[str, int]
    have_second: dict[str, int]

    @property
    def total(self) -> int:
        """Sessions per agent."""
        return max(self.kill.total, self.loss.total)

    def still(self, have: dict[str, int]) -> int:
        """Sessions an agent still lacks, the outcome that lacks most counting."""
        return max(0, self.kill.total - have["kill"], self.loss.total - have["loss"])

    def to_json(self) -> dict:
        """Return what is needed, per agent and outcome, and what it was reckoned from."""
        parts = {
            name: {
                "sessions": part.total,
                "to_show_difference": part.to_show_difference,
                "to_show_alike": part.to_show_alike,
                "margin": part.margin,
                "pieces_worth_a_session": part.pieces_worth_a_session,
                "correlation_assumed": name in self.assumed,
                "have_first": self.have_first[name],
                "have_second": self.have_second[name],
            }
            for name, part in (("kill", self.kill), ("loss", self.loss))
        }
        return {
            "per_agent": self.total,
            "first": self.still(self.have_first),
            "second": self.still(self.have_second),
            "power": self.kill.power,
            **parts,
        }


def still_needed(
    reader: ComparisonReader,
    kill: Difference,
    loss: Difference,
    margins: Margins,
    first: str,
    second: str,
) -> Needed:
    """Return the sessions each agent needs before both outcomes can settle, by the farm's own sessions if they tell."""
    parts, assumed, have = {}, [], ({}, {})
    for name, found, margin in (("kill", kill, margins.kill), ("loss", loss, margins.loss)):
        have[0][name], have[1][name] = (e.sessions or 0 for e in (found.first, found.second))
        if found.contrast is not None:
            counts = (found.first.sessions, found.second.sessions)
            parts[name] = sessions_needed_from(found.contrast, counts, margin, power=POWER)
            continue
        assumed.append(name)
        per_session, dead = _per_session(reader, name, first, second)
        mean = float(per_session.mean()) if len(per_session) else 10.0
        spread = float(per_session.std() / mean) if len(per_session) else 0.0
        share = float(dead / per_session.sum()) if len(per_session) else (0.9 if name == "kill" else 0.05)
        parts[name] = sessions_needed(
            share, margin, mean_size=mean, correlation=ASSUMED_CORRELATION, size_cv=spread, power=POWER
        )
    return Needed(parts["kill"], parts["loss"], tuple(assumed), *have)


def _per_session(reader: ComparisonReader, outcome: str, first: str, second: str) -> tuple[np.ndarray, float]:
    """Return how many pests or pieces each session of the two had, and how many of all of them died."""
    if outcome == "kill":
        rows, whole, died = reader.tally.pests, "found", "killed"
        rows = rows[rows["agent"].isin([first, second])]
    else:
        rows, whole, died = reader.losses(first, second, day=reader.common_day(first, second)), "total", "events"
    _, place = np.unique(rows["session"].to_numpy(str), return_inverse=True)
    return np.bincount(place, rows[whole].to_numpy(float)), float(rows[died].sum())
