"""One cell of a log: what each kind of column accepts, and what is refused rather than guessed.

A raw cell is what a file holds: text, or from workbooks and Parquet also int, float, bool, date, date-time or a
`Special`. Each parser returns a value or None (not recorded), or raises `RefusedError` with what was expected.
"""

from __future__ import annotations

import datetime
import decimal
import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from .schema import CORAL_GROUPS, Column
from .units import unit_key

NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?", re.ASCII)
TWO_WAYS = re.compile(r"[+-]?([1-9]\d{0,2})([.,])(\d{3})", re.ASCII)  # a thousand apart, or three decimals
TIME = re.compile(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?)?", re.ASCII)
YES_NO = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}
MOST, MOST_COUNTED = 10**9, 10**6  # no farm measures or counts more of anything; larger numbers are slips
LEAST = 1e-9  # nor less of what is above 0: a bath of 1e-300 L would have no strength that can be told
INVISIBLE = dict.fromkeys([
    *map(ord, "\u200b\u200c\u200d\u2060\ufeff\u200e\u200f\u061c\u00ad"),  # no space, and direction marks
    *map(ord, "\u034f\u115f\u1160\u2800\u3164\uffa0"), *range(0xFE00, 0xFE10),  # letters with no shape; variants of one
])  # fmt: skip
UNSEEN = ("Cc", "Cf", "Cs")  # Unicode's controls, formats (right-to-left overrides among them) and halves of signs
LONGEST, LONGEST_NOTE = 300, 32_767  # characters of a name; of a note, as in a spreadsheet's cell
# How people and programs write that there is nothing: as a name it would make one lot of all pieces of unknown origin.
NOTHING = frozenset(["nan", "nat", "<na>", "null", "n/a", "#n/a", "none", "na", "-", "--", "–", "—", "?", "??"])
ERRORS = frozenset(["#ref!", "#value!", "#name?", "#div/0!", "#num!", "#null!"])  # a spreadsheet's failed formulas
POINTS = "!\"#%&'()*,-./:;?@[\\]_{}–—…‘’“”·"  # of these alone no name is made
LONGEST_NOTHING = 7
INITIALS = {"na"}
MAY_SAY_NOTHING = {"agent": {"none"}, "checker": INITIALS, "person": INITIALS}
FREE = ("active", "not_for", "note")  # where words for nothing are words like others
YEARS = (1950, 2199)


@dataclass(frozen=True, slots=True)
class Special:
    """A spreadsheet cell that is more than its value: `what` is formula, error, merged or one of looks.as_shown."""

    what: str
    shown: str
    value: float | None = None


class RefusedError(Exception):
    """A cell that cannot be read; the argument is what was expected."""


def shown(value: object) -> str:
    """Return a cell as a message quotes it: what the user sees, at most 60 characters, nothing unprintable."""
    if isinstance(value, Special):
        value = value.shown
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    if isinstance(value, int) and abs(value) >= 10**60:
        return "a number of more than 60 digits"  # Python refuses to print very long ones
    text = "".join(c if c.isprintable() else "?" for c in str(value))
    return text if len(text) <= 60 else text[:57] + "..."


def tidy(value: object) -> object:
    """Return the cell without stray, non-breaking or invisible spaces; None when nothing is left.

    Accented letters become one sign each (Unicode's NFC): typed on one machine and copied on another they look the
    same, and are the same name.
    """
    if not isinstance(value, str):
        return None if value is None or value != value else value
    if not value.isascii():
        value = unicodedata.normalize("NFC", value.translate(INVISIBLE))
    return " ".join(value.split()) or None


def all_tidy(cells: list[object], longest: int = LONGEST) -> bool:
    """Return whether `text_of` would leave each of these cells as it is, but for ''; quick for many plain texts."""
    try:
        joined = "".join(cells)
    except TypeError:  # not all text
        return False
    if not (joined.isascii() and joined.isprintable()):
        return False
    text = "\0".join(["", *cells, ""])
    edges = "  " in text or "\0 " in text or " \0" in text or "\0'" in text
    return not edges and (len(joined) <= longest or max(map(len, cells)) <= longest)


def all_names(cells: list[object], column: Column) -> bool:
    """Return whether `name_of` would leave each of these cells as it is, but for ''; quick for many plain texts."""
    if not all_tidy(cells, longest_of(column)):
        return False
    return not any(is_nothing(cell, column) for cell in cells if 0 < len(cell) <= LONGEST_NOTHING)


def parser(column: Column) -> Callable[[object], object]:
    """Return the parser of a column: raw cell -> value, None when empty; raises RefusedError."""
    by_kind = {
        "key": partial(name_of, column=column), "text": partial(name_of, column=column),
        "group": partial(group_of, column=column),
        "yes_no": yes_no_of, "date": day_of, "time": time_of,
        "number": partial(number_of, expected=number_words(column), column=column),
        "count": partial(number_of, expected=number_words(column), column=column),
        "choice": partial(one_of, allowed={word.casefold(): word for word in column.allowed}),
        "unit": partial(one_of, allowed={unit_key(word): word for word in column.allowed}, unit=True),
    }  # fmt: skip
    return by_kind[column.kind]


def longest_of(column: Column) -> int:
    """Return how many characters a text of this column may have."""
    return LONGEST_NOTE if column.name == "note" else LONGEST


def number_words(column: Column) -> str:
    """Return what a number column expects, in words."""
    noun = "whole number" if column.kind == "count" else "number"
    if column.least is not None:
        return f"{noun} of {column.least:g} or more"
    return f"{noun} above {column.above:g}" if column.above is not None else noun


def refuse_special(value: object, expected: str) -> None:
    """Raise RefusedError for formulas, error cells and merged areas, saying what to do."""
    if isinstance(value, Special) and value.what in ("formula", "merged"):
        hint = "typed in, not a formula (paste it as a value)"
        raise RefusedError(
            f"{expected}, {hint if value.what == 'formula' else 'in a cell of its own, not a merged area'}"
        )
    if isinstance(value, Special) and value.what == "error":
        raise RefusedError(expected)


def text_of(value: object, *, longest: int = LONGEST) -> str | None:
    """Return a key or text. A spreadsheet's number passes only where nothing is lost: 7.0 is '7', 3.10 is refused.

    Signs that nobody can see are refused, for the text would not be what it looks like. An apostrophe before = + - @
    is the one that keeps a spreadsheet from reckoning the text, and no part of it.
    """
    value = tidy(value)
    if isinstance(value, str):
        if len(value) > longest:
            raise RefusedError(f"text of at most {longest} characters")
        if not value.isprintable() and any(unicodedata.category(c) in UNSEEN for c in value):
            raise RefusedError("text without control characters")
        return value[1:] if value.startswith(("'=", "'+", "'-", "'@")) else value
    if value is None:
        return value
    refuse_special(value, "text")
    if isinstance(value, Special) and value.what == "padded":
        return value.shown
    if isinstance(value, (int, float)) and not isinstance(value, bool) and value % 1 == 0 and abs(value) < 1e15:
        return str(int(value))
    raise RefusedError("text or a whole number (format the cell as text)")


def name_of(value: object, *, column: Column) -> str | None:
    """Return a key or text of this column, None when empty; words for nothing are refused, an empty cell being one."""
    text = text_of(value, longest=longest_of(column))
    if text is not None and len(text) <= LONGEST_NOTHING and is_nothing(text, column):
        raise RefusedError("a name, or an empty cell where there is none" if column.need == "no" else "a name")
    return text


def is_nothing(text: str, column: Column) -> bool:
    """Return whether a text says, in this column, that there is nothing to say or that a formula failed."""
    word = text.casefold()
    if word in ERRORS or column.name in FREE:
        return word in ERRORS
    return (word in NOTHING or not word.strip(POINTS)) and word not in MAY_SAY_NOTHING.get(column.name, ())


def group_of(value: object, *, column: Column) -> str | None:
    """Return a coral group: the known ones in lower case, the farm's own as typed."""
    text = name_of(value, column=column)
    return text.casefold() if text is not None and text.casefold() in CORAL_GROUPS else text


def yes_no_of(value: object) -> bool | None:
    """Return a yes or no."""
    value = tidy(value)
    refuse_special(value, "yes or no")
    key = shown(value).casefold()
    if value is not None and key not in YES_NO:
        raise RefusedError("yes or no")
    return None if value is None else YES_NO[key]


def number_of(value: object, *, expected: str, column: Column) -> float | None:
    """Return a finite number within the column's bounds. What can be read in two ways is refused.

    `1,200,000` and `1,200.5` are numbers; `1,5`, `1,200` (1200 here, 1.2 there) and `1.200` are not. Only a `1.234` in
    a column of measures is taken at its word, as the log's decimal point: a measure may well have three decimals.
    """
    value = tidy(value)
    refuse_special(value, expected)
    if value is None:
        return None
    if isinstance(value, Special):
        if value.what == "percent":
            raise RefusedError(f"{expected}, in a cell not formatted as per cent")
        if value.what == "disguised":
            raise RefusedError(f"{expected}, in a cell whose format shows the number itself")
        value = value.value
    if isinstance(value, str):
        if not (NUMBER.fullmatch(value) or THOUSANDS.fullmatch(value)):
            raise RefusedError(expected)
        refuse_two_ways(value, expected, column)
        value = value.replace(",", "")
        if column.kind == "count" and not value.isdecimal() and fractional(value):
            raise RefusedError(expected)
        value = float(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < math.inf:
        raise RefusedError(expected)
    check_bounds(value, expected, column)
    return float(value) + 0.0  # -0 is 0


def fractional(number: str) -> bool:
    """Return whether a number as written is not whole, however far behind the point; a float may not tell."""
    exact = decimal.Decimal(number)
    return exact != exact.to_integral_value()


def refuse_two_ways(text: str, expected: str, column: Column) -> None:
    """Raise RefusedError for a number that is a thousand times another where points and commas change their parts."""
    found = TWO_WAYS.fullmatch(text)
    if found and (found[2] == "," or column.kind == "count" or text.endswith("0")):
        decimal = f"{found[1]}.{found[3]}".rstrip("0").rstrip(".")
        raise RefusedError(f"{expected}, written as {found[1]}{found[3]} or as {decimal}")


def check_bounds(value: float, expected: str, column: Column) -> None:
    """Raise RefusedError for a number outside the column's bounds, or not whole where it counts."""
    low = (column.least is not None and value < column.least) or (column.above is not None and value <= column.above)
    if low or (column.kind == "count" and value != int(value)):
        raise RefusedError(expected)
    if column.above == 0 and value < LEAST:
        raise RefusedError(f"{expected}, at least {LEAST:.9f}")
    most = MOST_COUNTED if column.kind == "count" else MOST
    if abs(value) > most:
        raise RefusedError(f"{expected}, at most {most}")


def one_of(value: object, *, allowed: dict[str, str], unit: bool = False) -> str | None:
    """Return the allowed word that this cell spells, whatever its case (and for units its spaces)."""
    value = tidy(value)
    words = "one of " + ", ".join(allowed.values())
    refuse_special(value, words)
    if value is None:
        return None
    key = unit_key(str(value)) if unit else str(value).casefold()
    if not isinstance(value, str) or key not in allowed:
        raise RefusedError(words)
    return allowed[key]


def day_of(value: object) -> datetime.datetime | None:
    """Return a day at midnight. A date-time gives its day; anything but year-month-day is refused as ambiguous."""
    moment = time_of(value, expected="a date as 2026-10-03 (year-month-day)")
    return None if moment is None else moment.replace(hour=0, minute=0, second=0, microsecond=0)


def time_of(
    value: object, *, expected: str = "a date and time as 2026-10-03T09:30 (no time zone)"
) -> datetime.datetime | None:
    """Return a date-time, to the microsecond; a date alone means midnight. Zones are refused."""
    value = tidy(value)
    refuse_special(value, expected)
    if value is None:
        return None
    if isinstance(value, str):
        try:
            value = datetime.datetime.fromisoformat(value) if TIME.fullmatch(value) else None
        except ValueError as error:  # 2026-02-30
            raise RefusedError(expected) from error
    elif isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        value = datetime.datetime(value.year, value.month, value.day)
    if not isinstance(value, datetime.datetime) or value.tzinfo is not None:
        raise RefusedError(expected)
    if not YEARS[0] <= value.year <= YEARS[1]:
        raise RefusedError(f"{expected} from {YEARS[0]} to {YEARS[1]}")
    return value
