"""Whether the work got quicker or slower, and since when: the labour page's sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.answers.words import day_in_words
from afterdip.tables.base import number, per_cent

if TYPE_CHECKING:
    from afterdip.answers.labour import LabourAnswer


def learning_sentence(answer: LabourAnswer) -> str:
    """Say whether the work got quicker once sessions and pieces are allowed for."""
    rate, drift = answer.learning.rate, answer.learning.per_month
    if not rate.known:
        return f"Learning: cannot say, {rate.reason}."
    if drift.high < 0 or rate.high < 1:
        verdict = "The work got quicker over the window."
    elif drift.low > 0 or rate.low > 1:
        verdict = "The work got slower over the window."
    else:
        verdict = "No sign yet that the work got quicker or slower."
    return (
        f"{verdict} Minutes for the same sessions and pieces changed by {per_cent(drift)} a month; with each "
        f"doubling of the sessions done, {per_cent(rate)} of them remained (unit model, Crawford; the log's first "
        "session counts as the first ever)."
    )


def jump_sentence(answer: LabourAnswer) -> str:
    """Say since when a bath has taken more or fewer minutes than before, how many, or that no day stands out."""
    jump = answer.jump
    if not jump.day:
        return f"A day since which baths take more or fewer minutes: cannot say, {jump.ratio.reason}."
    some = "" if jump.earliest == jump.latest else (
        f" It may have come on any day from {day_in_words(jump.earliest)} to {day_in_words(jump.latest)}."
    )  # fmt: skip
    return (
        f"Since {day_in_words(jump.day)} a bath of the same agent and pieces has taken {number(jump.ratio, 2)} times "
        f"the person-minutes it took before.{some}"
    )
