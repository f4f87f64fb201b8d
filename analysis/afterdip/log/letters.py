"""Names by their letters: what is the same name in another case, width, alphabet, number or by a slip of the pen."""

from __future__ import annotations

import unicodedata

LONG_NAME = 6  # letters; shorter coral names that differ by one letter may well be two corals
# Letters of two alphabets, in lower case, whose capitals or small ones look like Latin ones; no letter twice, so that
# names in one alphabet stay as different as they are. Without the Greek one that stands for a millionth.
CYRILLIC, ITS_LATIN = "аевіјкмнорсѕтухԁһ", "aebijkmhopcstyxdh"
TURKISH, ITS_I = "ı", "i"
GREEK, ITS_ROMAN = "αβεζηικνορτυχ", "abezhiknoptyx"
LOOK_ALIKE = str.maketrans(CYRILLIC + TURKISH + GREEK, ITS_LATIN + ITS_I + ITS_ROMAN)


def letters_of(name: str) -> str:
    """Return the letters and digits of a name, whatever their case, width or, of look-alikes, alphabet."""
    plain = unicodedata.normalize("NFKC", name).casefold().translate(LOOK_ALIKE)
    return "".join(c for c in plain if c.isalnum())


def of_one(name: str) -> str:
    """Return the letters of a name without the s of several: a zoanthid is one of the Zoanthids."""
    return letters_of(name).removesuffix("s")


def alike(names: list[str], *, by_letters: bool = True) -> list[tuple[str, str]]:
    """Return (name, an earlier name it resembles), one pair per name at most.

    Names are compared by their letters and digits in lower case and of ordinary width; two names of `LONG_NAME` or more
    may also differ by one letter added, dropped, changed or out of place (they share a one-letter deletion), unless not
    `by_letters`. Digits must agree: 'acro 1' is not 'acro 2'.
    """
    pairs, seen = [], {}
    for name in names:
        plain = letters_of(name)
        near = {plain}
        if by_letters and len(plain) >= LONG_NAME:
            near |= {plain[:i] + plain[i + 1 :] for i in range(len(plain)) if not plain[i].isdigit()}
        digits = "".join(c for c in plain if c.isdigit())
        found = next((seen[key, digits] for key in sorted(near, key=len, reverse=True) if (key, digits) in seen), None)
        if found is not None:
            pairs.append((name, found))
        for key in near:
            seen.setdefault((key, digits), name)
    return pairs
