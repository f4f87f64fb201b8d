"""The question of the comparison page asked of other models, beside the answer that the verdict rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.answers.words import percent
from afterdip.tables.base import Table, number, points

if TYPE_CHECKING:
    from afterdip.answers.comparison import ComparisonAnswer


def models_table(answer: ComparisonAnswer | None) -> Table:
    """Set the standardised difference beside a regression's and beside the odds ratio of a model of sessions."""
    if answer is None:
        return Table("By other models", ("",), ())
    j = answer.judged
    rows = tuple(
        (name, points(both.adjusted.difference), points(both.logistic), number(odds, 2))
        for name, both, odds in zip(
            ("kill (odds: a pest lives)", "loss (odds: a piece dies)"), (j.kill, j.loss), answer.odds, strict=True
        )
    )
    note = (
        f"{percent(answer.confidence_level)} limits by session. Like with like decides; the others support or "
        f"question it. Regression: {j.first} minus {j.second} over all pieces or pests, the effects of their kinds "
        "adding up, so that kinds only one agent had are kept. Odds ratio: the odds that a pest is not killed, or "
        "that a piece dies, "
        f"with {j.first} over those with {j.second}, each session with a level of its own; 1 is no difference, below 1 "
        f"favours {j.first}. It speaks of a piece in one bath, not of all pieces together: the more baths differ, the "
        "further it lies from 1."
    )
    columns = ("", "like with like", "by regression", "odds ratio")
    return Table("By other models", columns, rows, note)
