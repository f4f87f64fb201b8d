"""What a grower weighs beside kill and loss, two agents side by side, and the strengths that they were used at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.tables.base import Table, count, digits, number, three_figures

if TYPE_CHECKING:
    from afterdip.answers.comparison import ComparisonAnswer
    from afterdip.answers.handling import Handling

NONE = "Fewer than two agents were used in this period: there is nothing to compare."


def strengths_sentence(answer: ComparisonAnswer) -> str:
    """Say at which strengths the agents were used where any was used at several: a verdict is of them all together."""
    varied = [row for row in answer.handling if row.varied]
    if not varied:
        return ""
    used = "; ".join(f"{row.agent} {_strengths(row)}" for row in varied)
    return (
        f"An agent's strengths are taken together here (lowest – median – highest: {used}): a verdict is of the "
        "strengths as used, and of no one of them. The page on strength and the working window sets them apart."
    )


def handling_table(answer: ComparisonAnswer | None, *, currency: str = "") -> Table:
    """Set what a grower weighs beside kill and loss."""
    if answer is None:
        return Table("Handling", ("",), (), NONE)
    first, second = answer.handling
    unit = f" {currency}" if currency else ""
    rows = (
        ("active", first.active or "–", second.active or "–"),
        ("strength, lowest – median – highest", _strengths(first), _strengths(second)),
        ("minutes in the bath, median (range)", _minutes(first), _minutes(second)),
        ("clean rinses, needed / done", _rinses(first), _rinses(second)),
        ("clarity of the bath", first.clarity or "not recorded", second.clarity or "not recorded"),
        ("signal word", first.signal_word or "not recorded", second.signal_word or "not recorded"),
        ("needs agitation", _yes(first.separates), _yes(second.separates)),
        ("not for", first.not_for or "–", second.not_for or "–"),
        ("used on the authority of", first.basis or "not recorded", second.basis or "not recorded"),
        ("person-hours per 1,000 pieces", number(first.hours_per_thousand), number(second.hours_per_thousand)),
        (
            "cost per clean surviving piece",
            number(first.cost_per_clean_piece, 2, unit=unit),
            number(second.cost_per_clean_piece, 2, unit=unit),
        ),
    )
    note = (
        "An agent's strengths are taken together on this page. Hours at the first dip; the cost counts labour, agent, "
        "re-dips and lost pieces. Label and safety data sheet rule; prescription medicines need a veterinarian."
    )
    return Table("Handling", ("", first.agent, second.agent), rows, note)


def _strengths(row: Handling) -> str:
    """Return "5 – 10 – 20 mg/L", a range an axis."""
    ranges = (
        f"{' – '.join(three_figures(x) for x in (s.least, s.median, s.most))} {s.unit}" for s in row.strengths
    )
    return "; ".join(ranges) or "not known"


def _minutes(row: Handling) -> str:
    if row.minutes is None:
        return "not recorded"
    low, middle, high = (digits(x, 1).removesuffix(".0") for x in (row.minutes_least, row.minutes, row.minutes_most))
    return f"{middle} ({low} to {high})"


def _rinses(row: Handling) -> str:
    done = "not recorded" if row.rinses_done is None else digits(row.rinses_done, 1).removesuffix(".0")
    return f"{count(row.rinses_needed)} / {done}"


def _yes(value: bool | None) -> str:
    return "not recorded" if value is None else "yes" if value else "no"
