"""The gate every page passes: nothing on it runs, and nothing is loaded from anywhere else."""

from __future__ import annotations

import re
from html.parser import HTMLParser

_RUNS = {"script", "iframe", "object", "embed", "applet", "base", "frame", "form"}
_LOADS = {"src", "href", "srcset", "action", "formaction", "poster", "data", "background", "xlink:href", "cite", "ping"}
_OUTSIDE = re.compile(r"^\s*([a-z][a-z0-9+.-]*:|//)", re.IGNORECASE)
_STYLE = re.compile(r"@import|expression\s*\(|url\(\s*['\"]?(?!data:image/)", re.IGNORECASE)


class _Gate(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.wrong: list[str] = []
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        if tag in _RUNS or (tag == "link" or (tag == "meta" and "http-equiv" in dict(attrs))):
            self.wrong.append(f"<{tag}>")
        for name, value in attrs:
            value = value or ""
            picture = tag == "img" and name == "src" and value.startswith("data:image/")
            if name.startswith("on") or name == "srcdoc":
                self.wrong.append(f"<{tag} {name}>")
            elif name in _LOADS and _OUTSIDE.match(value) and not picture:
                self.wrong.append(f'<{tag} {name}="{value[:60]}">')
            elif name == "style" and _STYLE.search(value):
                self.wrong.append(f'<{tag} style="{value[:60]}">')
        if tag == "img" and not (dict(attrs).get("alt") or "").strip():
            self.wrong.append("<img> without alt text")

    def handle_data(self, data: str) -> None:
        if self._in_style and (found := _STYLE.search(data)):
            self.wrong.append(f"<style> with {found[0]}")

    def handle_endtag(self, tag: str) -> None:
        if tag == "style":
            self._in_style = False


def check_selfcontained(html: str, *, page: str) -> None:
    """Raise ValueError naming what would run or be loaded from elsewhere, or a figure that nobody can be told of."""
    gate = _Gate()
    gate.feed(html)
    gate.close()
    if gate.wrong:
        raise ValueError(f"{page}: a page may not hold {', '.join(gate.wrong[:5])}")
