"""The question of the comparison page asked of other models, beside the answer that the verdict rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.tables.base import Table, number, points
from afterdip.tables.comparison import NONE

if TYPE_CHECKING:
    from afterdip.answers.comparison import ComparisonAnswer


def models_table(answer: ComparisonAnswer | None) -> Table:
    """Set the standardised difference beside a regression's and beside the odds ratio of a model of sessions."""
    if answer is None:
        return Table("Asked of other models", ("",), (), NONE)
    j = answer.judged
    rows = tuple(
        (name, points(both.adjusted.difference), points(both.logistic), number(odds, 2))
        for name, both, odds in zip(
            ("kill (odds: a pest lives)", "loss (odds: a piece dies)"), (j.kill, j.loss), answer.odds, strict=True
        )
    )
    note = (
        f"{answer.confidence_level:.0%} limits, the session as the unit. Like with like decides; the others only "
        f"support or question it. Regression: {j.first} minus {j.second} over all pieces or pests, the same kinds "
        "adding up, so that those which only one agent had are kept. Odds ratio: the odds that a pest is not killed, "
        f"or that a piece dies, with {j.first} over those with {j.second}, when every session has a level of its own; "
        f"1 is no difference, below 1 speaks for {j.first}. It is about a piece in one bath and not about all pieces "
        "together: the more baths differ, the further it lies from 1."
    )
    columns = ("", "like with like", "by regression", "odds ratio")
    return Table("Asked of other models", columns, rows, note)
