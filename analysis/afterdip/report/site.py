"""What all pages of a report share: the frame around them, drawn from results.json alone."""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

TEMPLATES = Path(__file__).with_name("template")


@dataclass(frozen=True, slots=True)
class Frame:
    """The values every template sees."""

    values: dict[str, object]

    def render(self, template: str, **more: object) -> str:
        """Return a template filled in; text is escaped except what is passed as `body`.

        A number keeps its per cent sign: on a phone's short lines the sign stood alone at the head of the next.
        """
        marked = {name: Markup(value) if name == "body" else value for name, value in more.items()}
        page = _templates().get_template(template).render(**self.values, **marked).strip() + "\n"
        return re.sub(r"(?<=\d) %", "\u00a0%", page)


def page_frame(results: dict, *, page: str) -> Frame:
    """Return the frame of one page; `page` is its name, "index" for the first."""
    farm = results["settings"].get("name", "")
    return Frame(
        {
            "farm": farm,
            "month": month_in_words(results["month"]),
            "as_of": results["as_of"],
            "version": results["version"],
            "pages": results["pages"],
            "page": page,
            "parameters": results["parameters"].get(page, {}),
            "files": results["log"]["files"],
            "palette": palette(),
            "running": _css_text(f"{farm} · Dip report, {month_in_words(results['month'])}"),
        }
    )


def palette() -> dict[str, str]:
    """Return the house's colours by name, for a template."""
    from afterdip.charts import style

    names = ("ink", "quiet", "rule", "accent", "good", "bad")
    return {name: getattr(style, name.upper()) for name in names}


def _css_text(text: str) -> Markup:
    """Return text for between the quotes of a CSS string; nothing in it can end the string or the style sheet."""
    return Markup("".join(c if c.isalnum() or c in " ,.-·" else f"\\{ord(c):06x}" for c in text).strip(" ·"))


def month_in_words(month: str) -> str:
    """Return "October 2026" for "2026-10"."""
    year, number = month.split("-")
    return f"{calendar.month_name[int(number)]} {year}"


def span_in_words(results: dict, page: str) -> str:
    """Return the stretch of time behind a page's figures by agent: "12 months to October 2026"."""
    return f"{results['parameters'][page]['window_months']} months to {month_in_words(results['month'])}"


@cache
def _templates() -> Environment:
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
