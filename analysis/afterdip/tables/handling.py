"""What a grower weighs beside kill and loss, two agents side by side, and the strengths that they were used at."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING

from afterdip.answers.comparison_arms import OFTEN
from afterdip.answers.words import and_so_on, counted, strength_words
from afterdip.tables.base import Table, count, digits, number, three_figures

if TYPE_CHECKING:
    from afterdip.answers.comparison import ComparisonAnswer
    from afterdip.answers.comparison_arms import LeftOut
    from afterdip.answers.comparison_page import ComparisonPage
    from afterdip.answers.handling import Handling

_TOGETHER = "An agent's strengths are taken together here."
NONE = "Fewer than two agents were used in this period: there is nothing to compare."


def strengths_sentence(answer: ComparisonAnswer) -> str:
    """Say of which strengths the verdict is: several of an agent taken together, or one and not its others."""
    parts = []
    if varied := [row for row in answer.handling if row.varied and row.name == row.agent]:
        used = "; ".join(f"{row.agent} {_strengths(row)}" for row in varied)
        parts.append(
            f"An agent's strengths are taken together here (lowest – median – highest: {used}): the verdict is "
            "about the strengths as used, not about any one of them. The page on strength takes them apart."
        )
    first, second = answer.handling
    left = {row.agent: row.elsewhere for row in answer.handling}
    if first.agent == second.agent:
        left = {first.agent: first.elsewhere - second.sessions}
    if others := [f"{counted(n, 'session')} of {agent}" for agent, n in left.items() if n]:
        parts.append(f"At other or unknown strengths, and not compared here: {and_so_on(others)}.")
    return " ".join(parts)


def arms_sentence(page: ComparisonPage) -> str:
    """Say which agents are judged by strength and what that leaves out, and whose strengths are taken together."""
    parts = []
    if page.apart:
        agents = and_so_on(list(dict.fromkeys(arm.agent for arm in page.apart)))
        parts.append(
            f"Judged at each strength used in {OFTEN} sessions or more, whatever the minutes: {agents}."
        )
    if page.left_out:
        parts.append(f"Left out, used less often: {'; '.join(_left_out(page.left_out))}.")
    if mixed := [point.agent for point in page.agents if point.arm.mixed]:
        parts.append(
            f"Judged over all strengths together, as they run into one another or none has {OFTEN} sessions: "
            f"{and_so_on(mixed)}."
        )
    return " ".join(parts)


def short_sentence(page: ComparisonPage) -> str:
    """Say which of them kill less than the farm's target even by their upper limit, by name; "" where none does."""
    short = [p.agent for p in page.agents if p.kill.high is not None and p.kill.high < page.target_kill]
    if not short:
        return ""
    target = digits(100 * page.target_kill, 1).removesuffix(".0")
    return f"Short of the target of {target}\u00a0% of pests killed, even by the upper limit: {and_so_on(short)}."


def _left_out(left: tuple[LeftOut, ...]) -> Iterator[str]:
    """Yield "IOD at 250 and 500 mg/L (20 sessions)" an agent; of strengths close together their median."""
    for agent, some in groupby(left, key=lambda part: part.agent):
        own = list(some)
        known = strength_words(*((part.strength.median, part.strength.unit) for part in own if part.strength))
        unknown = "unknown strengths" if any(part.strength is None for part in own) else ""
        places = " and ".join(filter(None, (known, unknown)))
        yield f"{agent} at {places} ({counted(sum(part.sessions for part in own), 'session')})"


def handling_table(answer: ComparisonAnswer | None, *, currency: str = "") -> Table:
    """Set what a grower weighs beside kill and loss."""
    if answer is None:
        return Table("Handling", ("",), ())
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
    together = "" if first.name != first.agent or second.name != second.agent else f"{_TOGETHER} "
    note = (
        f"{together}Hours at the first dip; the cost counts labour, agent, "
        "re-dips and lost pieces. Label and safety data sheet rule; prescription medicines need a veterinarian."
    )
    return Table("Handling", ("", first.name, second.name), rows, note)


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
