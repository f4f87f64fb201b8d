"""An executed notebook as a page: what its cells show, without their code, as one file that needs no network.

The pages are made here and not by nbconvert's HTML exporter: that one drops the alt text of figures (7.17), links
scripts and fonts from the network unless half its blocks are overridden, and knows nothing of captions. A page needs
four kinds of output, which is less than those overrides. Text cells are read by mistune, as nbconvert does.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from html import escape
from typing import TYPE_CHECKING

import mistune

from afterdip.report.notebook import Notebook
from afterdip.report.selfcontained import check_selfcontained
from afterdip.report.site import page_frame

if TYPE_CHECKING:
    from nbformat import NotebookNode


def render_page(notebook: Notebook, node: NotebookNode, results: dict) -> str:
    """Return the page of an executed notebook; `results` is the report's results.json.

    Raises ValueError if anything on the page would be loaded from elsewhere or run.
    """
    sections: list[tuple[str, str]] = []
    body = "\n".join(_blocks(node, sections))
    frame = page_frame(results, page=notebook.name)
    html = frame.render("page.html.j2", title=notebook.title, body=body, sections=sections)
    check_selfcontained(html, page=f"{notebook.name}.html")
    return html


def _blocks(node: NotebookNode, sections: list[tuple[str, str]]) -> Iterator[str]:
    """Yield the page's parts in order; appends (id, words) of every second-level heading to `sections`."""
    for cell in node.cells:
        if cell.cell_type == "markdown":
            yield markdown(cell.source, sections)
        elif cell.cell_type == "code":
            yield from outputs_html(cell.outputs)


def markdown(text: str, sections: list[tuple[str, str]] | None = None) -> str:
    """Return Markdown as HTML; markup inside it is shown as text, links to the web become their address in print."""
    renderer = _Words(sections if sections is not None else [])
    return mistune.create_markdown(renderer=renderer, escape=True)(text)


class _Words(mistune.HTMLRenderer):
    """Text cells: headings with ids, links that stay within the report; the `# Title` is left to the template."""

    def __init__(self, sections: list[tuple[str, str]]) -> None:
        super().__init__(escape=True)
        self._sections = sections

    def heading(self, text: str, level: int, **attrs) -> str:
        if level == 1:
            return ""  # the page's title, which the template sets
        words = re.sub(r"<[^>]+>", "", text)
        anchor = re.sub(r"\W+", "-", words.lower()).strip("-") or "part"
        if taken := sum(1 for known, _ in self._sections if re.fullmatch(rf"{re.escape(anchor)}(-\d+)?", known)):
            anchor = f"{anchor}-{taken + 1}"
        if level == 2:
            self._sections.append((anchor, words))
        return f'<h{level} id="{anchor}">{text}</h{level}>\n'

    def link(self, text: str, url: str, title: str | None = None) -> str:
        if re.fullmatch(r"[\w-]+\.(ipynb|html)(#[\w-]+)?|#[\w-]+", url):
            return f'<a href="{escape(url.replace(".ipynb", ".html"))}">{text}</a>'
        return text if escape(url) == text else f"{text} ({escape(url)})"

    def image(self, text: str, url: str, title: str | None = None) -> str:
        return text  # a picture lies in a file of its own, and a page is one file


def outputs_html(outputs: Iterable[NotebookNode]) -> Iterator[str]:
    """Yield the HTML of a cell's outputs; a figure takes the caption after it, errors and stderr are left out."""
    waiting = ""
    for output in outputs:
        if waiting:
            caption = output.data["text/html"] if output.get("metadata", {}).get("afterdip") == "caption" else ""
            yield f"<figure>{waiting}{caption}</figure>"
            waiting = ""
            if caption:
                continue
        if output.output_type == "stream" and output.name == "stdout":
            yield f'<pre tabindex="0">{escape(output.text)}</pre>'
        elif output.output_type in ("display_data", "execute_result"):
            if "image/png" in output.data:
                waiting = _image(output)
            else:
                yield _other(output.data)
    if waiting:
        yield f"<figure>{waiting}</figure>"


def _image(output: NotebookNode) -> str:
    known = output.metadata.get("image/png", {})
    alt = known.get("alt") or output.data.get("text/plain", "Figure without a description")
    width = f' width="{int(known["width"])}"' if "width" in known else ""
    data = "".join(output.data["image/png"].split())
    return f'<img src="data:image/png;base64,{escape(data)}" alt="{escape(alt)}"{width}>'


def _other(data: dict) -> str:
    if "text/html" in data:
        return data["text/html"]
    if "text/markdown" in data:
        return markdown(data["text/markdown"])
    return f'<pre tabindex="0">{escape(data["text/plain"])}</pre>' if "text/plain" in data else ""
