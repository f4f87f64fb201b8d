"""Who got which pieces, and what became of each session: what a comparison shows beside its differences."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from afterdip.answers.comparison_reader import ComparisonReader
from afterdip.tally.comparison import LIKE_PIECES


@dataclass(frozen=True, slots=True)
class BalanceRow:
    """How many pieces of one kind each agent got, of all its own; `factor` is coral group, condition or origin."""

    factor: str
    level: str
    first_pieces: int
    second_pieces: int
    first_share: float
    second_share: float

    def to_json(self) -> dict:
        """Return the row by name."""
        return {name: getattr(self, name) for name in self.__slots__}


def balance(reader: ComparisonReader, first: str, second: str) -> tuple[BalanceRow, ...]:
    """Count who got which, by factor and level."""
    trays = reader.tally.trays
    own = {agent: trays[trays["agent"] == agent] for agent in (first, second)}
    sizes = {agent: max(1, int(rows["pieces"].sum())) for agent, rows in own.items()}
    rows = []
    for factor in LIKE_PIECES:
        counts = {agent: part.groupby(factor)["pieces"].sum() for agent, part in own.items()}
        for level in sorted(set(counts[first].index) | set(counts[second].index)):
            a, b = (int(counts[agent].get(level, 0)) for agent in (first, second))
            rows.append(BalanceRow(factor, str(level), a, b, a / sizes[first], b / sizes[second]))
    return tuple(rows)


def dots(reader: ComparisonReader, losses: pd.DataFrame, first: str, second: str) -> pd.DataFrame:
    """Return kill and loss of every session: columns session, agent, kill, pests, loss, pieces."""
    loss = losses.groupby(["session", "agent"], as_index=False)[["total", "events"]].sum()
    pests = reader.tally.pests[reader.tally.pests["agent"].isin([first, second])]
    kill = pests.groupby(["session", "agent"], as_index=False)[["found", "killed"]].sum()
    both = loss.merge(kill, on=["session", "agent"], how="outer").sort_values("session", ignore_index=True)
    return pd.DataFrame(
        {
            "session": both["session"],
            "agent": both["agent"],
            "kill": both["killed"] / both["found"],
            "pests": both["found"],
            "loss": both["events"] / both["total"],
            "pieces": both["total"],
        }
    )
