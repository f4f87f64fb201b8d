"""Tables as text, and the one place where numbers are rounded for print."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape

from afterdip.estimate import Estimate

_NUMERIC = re.compile(r"^[<>≤≥−+~]?\s?[\d.,]+")
MINUS = "−"
_SHORT, _PHRASE = 18, 40  # characters
SHOWN, FOLDED_FROM = 15, 21  # rows shown, and how many a table must have for the others to be folded away


@dataclass(frozen=True, slots=True)
class Table:
    """A caption, column headings and rows of text (plain, not HTML); the first column names the row.

    `note`: how to read the rows; it is printed with them. `none`: what stands where there are no rows.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    none: str = "none"

    def __post_init__(self) -> None:
        """Refuse ragged rows."""
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"every row of '{self.caption}' needs {len(self.columns)} cells")

    def to_html(self) -> str:
        """Return the table as HTML; every text is escaped, numbers keep to one line, wide tables scroll alone.

        Of a long table the rows after SHOWN are folded away: a reader opens them, paper says how many there are.
        """
        folded = len(self.rows) >= FOLDED_FROM
        shown, rest = (self.rows[:SHOWN], self.rows[SHOWN:]) if folded else (self.rows, ())
        more = f"{digits(len(rest))} more rows"
        parts = [self._part(shown, self.caption)]
        if rest:
            continued = self._part(rest, f"{self.caption}, continued")
            parts.append(f"<details><summary>{more}</summary>{continued}</details>")
            parts.append(f'<p class="note paper">{more} on the page and in results.json.</p>')
        if self.note and self.rows:
            parts.append(f'<p class="note">{escape(self.note)}</p>')
        return "".join(parts)

    def _part(self, rows: tuple[tuple[str, ...], ...], caption: str) -> str:
        head = "".join(f'<th scope="col">{escape(c)}</th>' for c in self.columns)
        body = "".join(f"<tr>{''.join(_cell(text, i) for i, text in enumerate(row))}</tr>" for row in rows)
        if not rows:
            body = f'<tr><td colspan="{len(self.columns)}">{escape(self.none)}</td></tr>'
        return (
            f'<div class="table" role="region" tabindex="0" aria-label="{escape(caption)}"><table>'
            f"<caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
        )


def _cell(text: str, place: int) -> str:
    """Return one cell; its class keeps numbers and short words on a line, and gives sentences room on a phone."""
    kind = "number" if _NUMERIC.match(text) and len(text) <= _PHRASE else ""
    kind = kind or ("short" if len(text) <= _SHORT else "phrase" if len(text) <= _PHRASE else "words")
    row = ' scope="row"' if place == 0 else ""
    tag = "th" if place == 0 else "td"
    return f'<{tag}{row} class="{kind}">{escape(text)}</{tag}>'


def as_text(table: Table) -> str:
    """Return a table for the terminal: caption, aligned columns, note; of one without rows the caption and why."""
    if not table.rows:
        return f"{table.caption}\n{table.none}"
    lines = [table.columns, *table.rows]
    widths = [max(len(line[i]) for line in lines) for i in range(len(table.columns))]
    body = ("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines)
    return "\n".join([table.caption, *body, *([table.note] if table.note else [])])


def digits(value: float, places: int = 0) -> str:
    """Return a number with thousands apart and a true minus sign; minus zero is zero."""
    text = f"{value:,.{places}f}"
    if not text.strip("-0.,"):
        text = text.lstrip("-")
    return text.replace("-", MINUS).replace(",", "\u202f")


def three_figures(value: float) -> str:
    """Return a strength or the like to three figures."""
    places = next((n for n in range(6) if abs(value) * 10**n >= 100), 6)
    text = digits(value, places)
    return text.rstrip("0").rstrip(".") if places else text


def count(n: int | None) -> str:
    """Return a count, or a dash where there is none."""
    return "–" if n is None else digits(n)


def out_of(part: int, whole: int) -> str:
    """Return "3 of 40"."""
    return f"{count(part)} of {count(whole)}"


def number(value: Estimate, places: int = 1, *, unit: str = "", scale: float = 1.0) -> str:
    """Return "12.3 (10.1 to 14.9)" in `unit` after multiplying by `scale`; the reason where there is no number.

    An open end reads "10.1 or more" or "up to 14.9".
    """
    if value.estimate is None:
        return _why_none(value)
    low, high = (None if limit is None else digits(limit * scale, places) for limit in (value.low, value.high))
    if low is not None and high is not None:
        limits = f"({low} to {high})"
    elif low is not None:
        limits = f"({low} or more)"
    else:
        limits = f"(up to {high})" if high is not None else ""
    return " ".join(part for part in (digits(value.estimate * scale, places) + unit, limits) if part)


def _why_none(value: Estimate) -> str:
    """Return the reason in a reader's words: what was not counted or not found, and not what a fraction lacks."""
    return value.reason.replace("no denominator: ", "")


def per_cent(value: Estimate, places: int = 1) -> str:
    """Return "93.1 % (90.2 to 95.3)"; nothing seen and everything seen read as bounds: "0 % (up to 14.6)"."""
    if value.estimate == 0.0 and value.low == 0.0 and value.high is not None:
        return f"0\u00a0% (up to {digits(100 * value.high, places)})"
    if value.estimate == 1.0 and value.high == 1.0 and value.low is not None:
        return f"100\u00a0% (at least {digits(100 * value.low, places)})"
    return number(value, places, unit="\u00a0%", scale=100.0)


def points(value: Estimate, places: int = 1) -> str:
    """Return a difference of two proportions in percentage points, always signed: "+2.3 points (−0.4 to +5.0)"."""
    if value.estimate is None:
        return _why_none(value)
    signed = [
        None if x is None else ("+" if round(100 * x, places) > 0 else "") + digits(100 * x, places)
        for x in (value.estimate, value.low, value.high)
    ]
    return f"{signed[0]} points ({signed[1] or 'open'} to {signed[2] or 'open'})"
