"""What a workbook's number format makes of a number: whether the sheet shows the value that is read."""

from __future__ import annotations

import re
from functools import lru_cache

from .cells import Special

SECTIONS = re.compile(r""";((?:"[^"]*"|\\.|[_*].|\[[^\]]*\]|[^;])*)""")
UNSEEN = re.compile(r"""[_*].|\[\$-[^\]]*\]|\[(?:[A-Za-z]+|Color ?\d+)\]""")  # spaces and fill, a locale, a colour
CONDITION = re.compile(r"\[[<>=]")
LITERAL = re.compile(r"""\[\$([^\]]*?)(?:-[^\]]*)?\]|"([^"]*)"|\\(.)|([^0#?.,E/%@+-])""")
MISLEADING = re.compile(r".*[\d%].*|[.,()-]+")  # words beside a number that would be read as part of it
PLACES = re.compile(r"[0#?@]")
SIGNED = re.compile(r"^-|-$|[0#?]-[0#?]")
SCALED = re.compile(r"[0#?],+(?:\.|$)")  # a comma behind the last place divides by a thousand


def as_shown(value: int | float, look: str) -> object:
    """Return the number, or a Special where its format shows leading zeros, a label, per cent or another number.

    `what` is percent, padded (007: what is shown is what a key means), labelled (no name, but a number like any other)
    or disguised: thousands left off, digits or signs added, nothing at all.
    """
    what = kind(look, 1 if value > 0 else 0)
    if what == "plain" or (what == "disguised" and not value):
        return value
    if what == "percent":
        return Special(what, f"{value * 100:g}%", float(value))
    if what == "padded" and value >= 0 and value == int(value):
        return Special(what, str(int(value)).zfill(len(section(look, 1).strip())), float(value))
    what = "labelled" if what == "padded" else what
    return Special(what, f"{value:g} shown as {look}", float(value))


def section(look: str, sign: int) -> str:
    """Return the part of a format for numbers above 0 (`sign` 1) or 0, without what is not seen."""
    parts = SECTIONS.findall(f";{look}")
    return UNSEEN.sub("", parts[2] if sign == 0 and len(parts) > 2 else parts[0])


@lru_cache(maxsize=1000)
def kind(look: str, sign: int) -> str:
    """Return plain, percent, padded, labelled or disguised, as in as_shown."""
    if CONDITION.search(look):
        return "disguised"
    seen = section(look, sign).replace("General", "0").strip()
    words = ["".join(found).strip() for found in LITERAL.findall(seen)]
    places = LITERAL.sub("", seen)
    if "%" in places:
        return "percent"
    odd = not PLACES.search(places) or SCALED.search(places) or SIGNED.search(places)
    if odd or any(MISLEADING.fullmatch(word) for word in words):
        return "disguised"
    if re.fullmatch("0{2,}", seen):
        return "padded"
    return "labelled" if any(words) or "00" in re.split("[.E]", places)[0] else "plain"
