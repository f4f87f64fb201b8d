"""What spreadsheets, people and programs do to a log's cells and files: each keeps the meaning in the writer's eyes.

A mutation changes how a cell is written and never what its writer meant, so a reader may give the figure that was
there before, or refuse; any other figure is a silent misreading. Invented for tests; nothing here is a farm's.
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Callable

FULL_WIDTH = {c: chr(ord(c) + 0xFEE0) for c in "0123456789-"}
LOOK_ALIKE = {"A": "А", "O": "О", "T": "Т", "M": "М", "e": "е", "o": "о", "a": "а", "i": "і", "H": "Н"}  # Cyrillic


def _spelt(text: str, signs: dict[str, str]) -> str:
    return "".join(signs.get(c, c) for c in text)


def _decimals(text: str, places: int, mark: str) -> str:
    return f"{float(text):.{places}f}".replace(".", mark)


def _grouped(text: str, mark: str, point: str = ".") -> str:
    """Write a number of 1000 or more with its thousands apart; a smaller one as it is."""
    whole, _, rest = text.partition(".")
    return f"{int(whole):,}".replace(",", mark) + (point + rest if rest else "")


Cell = Callable[[str], str]
NUMBERS: dict[str, Cell] = {
    "decimal comma": lambda t: t.replace(".", ","),
    "one decimal, comma": lambda t: _decimals(t, 1, ","),
    "two decimals, comma": lambda t: _decimals(t, 2, ","),
    "three decimals, comma": lambda t: _decimals(t, 3, ","),
    "three decimals, point": lambda t: _decimals(t, 3, "."),
    "Arabic decimal mark": lambda t: t.replace(".", "٫"),
    "thousands by comma": lambda t: _grouped(t, ","),
    "thousands by point": lambda t: _grouped(t, ".", ","),
    "thousands by point, no decimals": lambda t: _grouped(t.partition(".")[0], ".") if "." not in t else t,
    "thousands by space": lambda t: _grouped(t, " "),
    "thousands by no-break space": lambda t: _grouped(t, "\u00a0"),
    "thousands by narrow space": lambda t: _grouped(t, "\u202f"),
    "thousands by apostrophe": lambda t: _grouped(t, "'"),
    "thousands by typographic apostrophe": lambda t: _grouped(t, "’"),
    "unit": lambda t: f"{t} mL",
    "unit, close": lambda t: f"{t}mL",
    "currency": lambda t: f"€{t}",
    "per cent": lambda t: f"{t}%",
    "per cent, apart": lambda t: f"{t} %",
    "about": lambda t: f"~{t}",
    "below": lambda t: f"<{t}",
    "range": lambda t: f"{t}-{t}",
    "plus-minus": lambda t: f"{t}±1",
    "question mark": lambda t: f"{t}?",
    "star": lambda t: f"{t}*",
    "full stop": lambda t: f"{t}.",
    "trailing letter": lambda t: f"{t}a",
    "letter O": lambda t: t.replace("0", "O"),
    "letter l": lambda t: t.replace("1", "l"),
    "full width": lambda t: _spelt(t, FULL_WIDTH),
    "Arabic digits": lambda t: _spelt(t, {str(i): chr(0x660 + i) for i in range(10)}),
    "superscript": lambda t: t.replace("2", "²").replace("1", "¹"),
    "scientific": lambda t: f"{float(t):e}",
    "scientific, capital": lambda t: f"{float(t):.17G}",
    "underscore": lambda t: f"{t[0]}_{t[1:]}" if len(t) > 1 else t,
    "leading zeros": lambda t: f"00{t}",
    "plus": lambda t: f"+{t}",
    "spaces": lambda t: f"  {t}\t",
    "no-break space": lambda t: f"\u00a0{t}\u00a0",
    "zero-width space": lambda t: f"\u200b{t}\ufeff",
    "left-to-right mark": lambda t: f"\u200e{t}\u200e",
    "right-to-left override": lambda t: f"\u202e{t}\u202c",
    "apostrophe": lambda t: f"'{t}",
    "quotes": lambda t: f'"{t}"',
    "formula": lambda t: f"={t}",
    "text formula": lambda t: f'="{t}"',
    "brackets": lambda t: f"({t})",
    "unicode minus": lambda t: f"−{t}",
    "minus": lambda t: f"-{t}",
    "hexadecimal": lambda t: hex(int(float(t))),
    "date of a spreadsheet": lambda t: str(datetime.date(2026, int(float(t)) % 12 + 1, 1)),
    "twice": lambda t: f"{t} {t}",
    "fraction": lambda t: f"{t}/1",
    "infinity": lambda t: "inf",
    "nan": lambda t: "nan",
    "not available": lambda t: "#N/A",
    "as a list": lambda t: f"[{t}]",
    "NUL escape": lambda t: f"{t}\\0",
    "escape sequence": lambda t: f"\x1b[31m{t}",
}


def _day(text: str) -> datetime.date:
    return datetime.date.fromisoformat(text[:10])


def _serial(text: str, epoch: datetime.date = datetime.date(1899, 12, 30)) -> str:
    return str((_day(text) - epoch).days)


DATES: dict[str, Cell] = {
    "day first, slashes": lambda t: f"{_day(t):%d/%m/%Y}",
    "month first, slashes": lambda t: f"{_day(t):%m/%d/%Y}",
    "day first, points": lambda t: f"{_day(t):%d.%m.%Y}",
    "day first, hyphens": lambda t: f"{_day(t):%d-%m-%Y}",
    "year first, slashes": lambda t: f"{_day(t):%Y/%m/%d}",
    "two-digit year": lambda t: f"{_day(t):%y-%m-%d}",
    "two-digit year, day first": lambda t: f"{_day(t):%d/%m/%y}",
    "no marks": lambda t: f"{_day(t):%Y%m%d}",
    "month by name": lambda t: f"{_day(t):%d-%b-%Y}",
    "month by name, long": lambda t: f"{_day(t):%B %d, %Y}",
    "week": lambda t: "{}-W{:02}-{}".format(*_day(t).isocalendar()),
    "day of the year": lambda t: f"{_day(t):%Y-%j}",
    "serial": _serial,
    "serial with time": lambda t: _serial(t) + ".5",
    "serial, 1904": lambda t: _serial(t, datetime.date(1904, 1, 1)),
    "seconds since 1970": lambda t: str(
        int(datetime.datetime.combine(_day(t), datetime.time(), datetime.UTC).timestamp())
    ),
    "zone Z": lambda t: f"{t[:10]}T{t[11:] or '00:00'}Z",
    "zone by hours": lambda t: f"{t[:10]}T{t[11:] or '00:00'}+10:00",
    "zone by name": lambda t: f"{t[:10]} {t[11:] or '00:00'} UTC",
    "a.m.": lambda t: f"{t[:10]} {t[11:] or '09:30'} AM",
    "one-digit month": lambda t: re.sub(r"-0(\d)-", r"-\1-", t),
    "full width": lambda t: _spelt(t, FULL_WIDTH),
    "typographic hyphens": lambda t: t.replace("-", "‐"),
    "minus signs": lambda t: t.replace("-", "−"),
    "letter O": lambda t: t.replace("0", "O"),
    "left-to-right mark": lambda t: f"\u200e{t}",
    "five-digit year": lambda t: f"1{t}",
    "no such day": lambda t: f"{t[:8]}32{t[10:]}",
    "spaces": lambda t: f" {t} ",
    "space for T": lambda t: t.replace("T", " "),
    "small t": lambda t: t.replace("T", "t"),
    "midnight": lambda t: t if "T" in t else f"{t} 00:00:00",
    "seconds": lambda t: f"{t}:00" if "T" in t else t,
    "formula": lambda t: f'="{t}"',
    "text": lambda t: "yesterday",
    "range": lambda t: f"{t}/{t}",
}
CHOICES: dict[str, Cell] = {
    "capitals": str.upper,
    "small": str.lower,
    "spaces": lambda t: f" {t}\u00a0",
    "inner spaces": lambda t: t.replace(" ", "  "),
    "full stop": lambda t: f"{t}.",
    "plural": lambda t: f"{t}s",
    "cut": lambda t: t[:-1],
    "look-alikes": lambda t: _spelt(t, LOOK_ALIKE),
    "zero-width": lambda t: "\u200b".join(t),
    "right-to-left override": lambda t: f"\u202e{t}",
    "number": lambda t: "1.0",
    "formula": lambda t: f"={t}",
    "tick": lambda t: "✓",
    "not available": lambda t: "N/A",
}
KEYS: dict[str, Cell] = {
    "spaces": lambda t: f" {t}  ",
    "no-break spaces": lambda t: f"\u00a0{t}\u00a0",
    "zero-width spaces": lambda t: f"\ufeff{t}\u200b",
    "direction marks": lambda t: f"{t}\u200f",
    "a letter with no shape": lambda t: f"{t}\u3164",
    "a joiner": lambda t: f"{t}\u034f",
    "a variant": lambda t: f"{t}\ufe0f",
    "other case": str.swapcase,
    "leading zeros cut": lambda t: t.lstrip("0") or t,
    "leading zero": lambda t: f"0{t}",
    "as a decimal number": lambda t: f"{t}.0",
    "scientific": lambda t: f"{t}E+00",
    "look-alikes": lambda t: _spelt(t, LOOK_ALIKE),
    "full width": lambda t: _spelt(t, FULL_WIDTH),
    "letter O": lambda t: t.replace("0", "O"),
    "quotes": lambda t: f"'{t}'",
    "formula": lambda t: f"={t}",
    "hyphen": lambda t: f"{t}-",
    "twice": lambda t: f"{t} {t}",
    "empty": lambda t: "",
    "dash": lambda t: "-",
    "control sign": lambda t: f"{t}\x07",
    "escape sequence": lambda t: f"\x1b[1m{t}",
    "right-to-left override": lambda t: f"\u202e{t}\u202c",
    "next row's": lambda t: re.sub(r"\d(?=\D*$)", lambda m: str((int(m[0]) + 1) % 10), t),
    "decomposed": lambda t: unicodedata.normalize("NFD", t),
}
BY_KIND = {
    "number": NUMBERS, "count": NUMBERS, "date": DATES, "time": DATES, "choice": CHOICES, "unit": CHOICES,
    "yes_no": CHOICES, "key": KEYS,
}  # fmt: skip
CHANGES_MEANING = {"minus", "unicode minus", "date of a spreadsheet", "brackets", "infinity", "nan"}  # must be refused
