"""A figure of the first page against the months before it: a small picture, its description, a careful sentence."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from afterdip.answers.words import counted
from afterdip.estimate import Estimate

_STEP, _HEIGHT, _PAD = 16, 44, 5  # CSS pixels: between months, of the picture, around the drawn part


@dataclass(frozen=True, slots=True)
class Trend:
    """`picture`: SVG that stands in the page, "" where fewer than two months have a figure; `words`: a sentence."""

    picture: str
    words: str


def trend(
    months: Sequence[tuple[str, Estimate]],
    *,
    month: str,
    say: Callable[[float], str],
    name: str,
    unit: str = "",
    bound: bool = False,
) -> Trend:
    """Return the trend of a figure up to `month`.

    `months`: (YYYY-MM, figure) in any order; those after `month`, and earlier ones with no session, are left out.
    `say`: a number as it is printed, without its `unit`; `name`: what the figure is, for the description. `bound`: the
    lower limit is what is printed.
    """
    upto = sorted((m, value) for m, value in months if m == month or (m < month and not _empty(value)))
    known = [(m, value) for m, value in upto if value.known and not (bound and value.low is None)]
    shown = {m: value.low if bound else value.estimate for m, value in known}
    earlier = [(m, value) for m, value in known if m < month]
    told = {"month": month, "say": lambda x: say(x) + unit, "name": name}
    picture = _picture(upto, known, shown, **told) if len(known) > 1 else ""
    now = dict(known).get(month)
    return Trend(picture, _words(earlier, now, shown, months=upto, month=month, say=say, unit=unit, bound=bound))


def _empty(value: Estimate) -> bool:
    """Whether a month had nothing that the figure could be of."""
    return not value.known and value.sessions == 0


def _words(earlier, now, shown, *, months, month, say, unit, bound) -> str:
    """Return the span of the months before, and whether this month's limits lie wholly outside of it.

    Beside so many months' ups and downs a single month stands out only where its whole interval lies beyond every
    earlier figure. Anything less does not stand out, which is no word on a change: a step months ago lies within.
    """
    before = sum(m < month for m, _ in months)
    if not earlier:
        return "no earlier month to compare with" if not before else f"no figure in {counted(before, 'earlier month')}"
    values = [value.estimate for _, value in earlier]
    low, high = min(shown[m] for m, _ in earlier), max(shown[m] for m, _ in earlier)
    had = f"{len(earlier)} of {before} earlier months" if before > len(earlier) else counted(before, "earlier month")
    ends = say(low) + (f" to {say(high)}" if say(low) != say(high) else "")
    span = f"{had}: {'at least ' if bound else ''}{ends}{unit}"
    if now is None:
        return span
    if now.low is not None and now.low > max(values):
        return f"{span}; higher now than in any of them"
    if now.high is not None and now.high < min(values):
        return f"{span}; lower now than in any of them"
    return f"{span}; this month does not stand out"


def _picture(upto, known, shown, *, month, say, name) -> str:
    """Return the SVG: a bar for each month's limits, a dot for its figure, this month's darker; months apart evenly."""
    ends = [end for _, value in known for end in (value.low, value.high, value.estimate) if end is not None]
    floor, span = min(ends), (max(ends) - min(ends)) or 1.0
    first = _ordinal(upto[0][0])
    width = _STEP * (_ordinal(month) - first) + 2 * _PAD

    def x(m: str) -> float:
        return _PAD + _STEP * (_ordinal(m) - first)

    def y(value: float) -> str:
        return f"{_HEIGHT - _PAD - (_HEIGHT - 2 * _PAD) * (value - floor) / span:.1f}"

    marks = []
    for m, value in known:
        kind = "now" if m == month else "then"
        if value.low is not None and value.high is not None:
            marks.append(f'<path class="{kind}" d="M{x(m)} {y(value.low)}V{y(value.high)}"/>')
        marks.append(f'<circle class="{kind}" cx="{x(m)}" cy="{y(shown[m])}" r="{3 if m == month else 2}"/>')
    told = "; ".join(f"{calendar.month_abbr[int(m[5:])]} {m[:4]} {say(shown[m])}" for m, _ in known)
    return (
        f'<svg class="spark" role="img" aria-label="{escape(name)}, by month: {escape(told)}" '
        f'width="{width}" height="{_HEIGHT}" viewBox="0 0 {width} {_HEIGHT}">{"".join(marks)}</svg>'
    )


def _ordinal(month: str) -> int:
    return 12 * int(month[:4]) + int(month[5:])
