"""The report's first page, drawn from results.json alone."""

from __future__ import annotations

from afterdip.report.selfcontained import check_selfcontained
from afterdip.report.site import page_frame


def render_index(results: dict) -> str:
    """Return index.html. A part whose results are not in the report says so."""
    html = page_frame(results, page="index").render("index.html.j2", title="This month", results=results)
    check_selfcontained(html, page="index.html")
    return html
