"""A valid log whose every name means something to a page, a spreadsheet, a terminal, a calendar or a program.

Which names are the same and which are not is as in the small log, so that both give the same figures.
"""

from __future__ import annotations

import itertools
import json

from builders import small_log

SIGNS = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "' onmouseover='alert(1)", "=1+1", "+1", "-1",
    "@SUM(A1)", "=HYPERLINK(\"#\",\"x\")", "$x^{ $ & $y_", "$$", "\\frac{1}{0}", "{{7*7}}{% raw %}", "%s %(x)d %n {0}",
    "`id` $(id) ${HOME}", "</td></table><h1>", "</style><style>*{display:none}", "<!--", "]]>", "javascript:alert(1)",
    "[a](https://example.invalid)", "![i](x)", "a;b,c\\n", "日本語 🐠", "العربية", "*b* _u_ ~~s~~ # h", "| a | b |",
    "&amp;lt;", "null", "NaN", "x" * 290, "__proto__", "_hidden", "C:\\new\\temp", "#REF!", "BEGIN:VEVENT", "'=1+1",
    "'; DROP TABLE trays; --", "\\u003cb\\u003e", "%0d%0aX: y", "0", "007", "1e5", "TRUE", "sham", "none",
)  # fmt: skip
PLACES = {
    "agents": {"agent": "agent", "active": "active", "not_for": "not for"},
    "sessions": {"session": "session", "agent": "agent", "mix": "mix", "lot": "bottle", "note": "note"},
    "trays": {"tray": "tray", "session": "session", "coral": "coral", "coral_group": "group", "source": "lot",
              "earlier_tray": "tray", "system": "water"},
    "checks": {"tray": "tray", "checker": "person"},
    "pests": {"tray": "tray", "pest": "pest"},
    "labour": {"session": "session", "person": "person"},
}  # fmt: skip


def hostile_log():
    """Return (tables as small_log() gives them, the names put in by what they were); names keep their order."""
    tables, numbers = small_log(), itertools.count()
    texts: dict[str, set[str]] = {}
    for table, columns in PLACES.items():
        for column, kind in columns.items():
            texts.setdefault(kind, set()).update(tables[table][column])
    names: dict[tuple[str, str], str] = {}
    for kind, found in texts.items():
        plain = sorted(found - {"", "none"})
        hostile = sorted(f"{SIGNS[n % len(SIGNS)]} {n}" for n in itertools.islice(numbers, len(plain)))
        names |= {(kind, text): name for text, name in zip(plain, hostile, strict=True)}
    for table, columns in PLACES.items():
        for column, kind in columns.items():
            tables[table][column] = [names.get((kind, text), text) for text in tables[table][column]]
    pest, groups = names["pest", "flatworm"], {g: names["group", g] for g in ("sps", "lps")}
    tables["farm"] = (
        tables["farm"]
        .replace("at_temperature_c = 27", "at_temperature_c = 25.5")  # so that dips can be dated
        .replace('"Invented farm"', json.dumps(SIGNS[0] + SIGNS[8]))
        .replace('"EUR"', '"<b>€</b>"')
        .replace("pests.flatworm", f"pests.{json.dumps(pest)}")
        .replace('"invented for tests"', '"</p><i>x</i>"')
    )
    for group, name in groups.items():
        tables["farm"] = tables["farm"].replace(f"\n{group} =", f"\n{json.dumps(name)} =")
    return tables, names
