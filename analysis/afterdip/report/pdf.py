"""The whole month as one PDF, printed by Chromium where there is one.

The pages are put into one document, each from a new sheet, with the links between them led to their place in it.
Chromium then does what its own "Print to PDF" does: tagged for screen readers, with an outline.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

from afterdip.report.locks import scratch
from afterdip.report.write import pdf_name

PAPERS = ("a4", "letter")
PLACE = "AFTERDIP_BROWSER"  # the environment variable that names a Chromium elsewhere
_NAMES = ("chromium", "chromium-browser", "chrome")
_PLACES = ("/Applications/Chromium.app/Contents/MacOS/Chromium", "/snap/bin/chromium")
_PATIENCE = 180  # seconds
_OWN = re.compile(r'<main id="content">(.*)</main>', re.DOTALL)
_ID = re.compile(r'(?<=[\s<])(id|for|aria-labelledby|aria-describedby)="([^"]+)"')
_LINK = re.compile(r'<a href="([\w-]+\.html)?(#[\w-]+)?"')
_DATA_LINK = re.compile(r'<a href="results\.json"[^>]*>(.*?)</a>')


class PdfError(Exception):
    """No PDF could be made; the message says why and what to do."""


def find_browser() -> Path | None:
    """Return the Chromium of this machine, or None: $AFTERDIP_BROWSER where it is set, else the one on the path."""
    if named := os.environ.get(PLACE):
        return Path(named) if shutil.which(named) else None
    found = next(filter(None, map(shutil.which, (*_NAMES, *_PLACES))), None)
    return Path(found) if found else None


def need_browser() -> Path:
    """Return the Chromium of this machine; raises PdfError, with what to do, where there is none."""
    if (browser := find_browser()) is not None:
        return browser
    named = os.environ.get(PLACE)
    wrong = f"{PLACE} names {named}, which is no program" if named else "Chromium was not found on this machine"
    raise PdfError(
        f"no PDF can be made: {wrong}. Install it (Debian, Ubuntu: apt install chromium) or name one in {PLACE}; or "
        "leave --pdf out and print the pages from any browser"
    )


def flags() -> list[str]:
    """Return how Chromium is started here: without a window, a profile of the reader's, or a look at the network."""
    root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []  # it has none for root
    quiet = ("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run")
    return ["--headless", "--disable-gpu", "--disable-dev-shm-usage", "--mute-audio", *quiet, *root]


def write_pdf(folder: Path, results: dict, *, paper: str = "a4") -> Path:
    """Print the report in `folder`, whose results.json is `results`, into a PDF beside its pages; returns the file.

    `paper`: one of PAPERS. Raises PdfError if there is no Chromium or it does not print.
    """
    browser, target = need_browser(), folder.resolve() / pdf_name(results["month"])
    files = {"index": "index.html", **{page["name"]: page["file"] for page in results["pages"]}}
    pages = {name: (folder / file).read_text(encoding="utf-8") for name, file in files.items()}
    with scratch() as place:
        document = place / "month.html"
        document.write_text(one_document(pages, results, paper=paper), encoding="utf-8")
        asked = [f"--user-data-dir={place}/profile", "--no-pdf-header-footer", "--generate-pdf-document-outline"]
        command = [str(browser), *flags(), *asked, f"--print-to-pdf={target}", document.as_uri()]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=_PATIENCE, stdin=subprocess.DEVNULL)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise PdfError(f"no PDF was made: {browser}: {error}") from error
    if not target.is_file() or not target.read_bytes().startswith(b"%PDF"):
        last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        raise PdfError(f"no PDF was made: {browser} ended with status {done.returncode}: {last}")
    return target


def one_document(pages: Mapping[str, str], results: dict, *, paper: str = "a4") -> str:
    """Return one HTML document of the pages given by name, the first page under "index"."""
    from afterdip.report.site import page_frame

    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {PAPERS}, got {paper!r}")
    parts = [(name, _part(name, html)) for name, html in pages.items()]
    return page_frame(results, page="index").render("month.html.j2", paper=paper, body=_sections(parts))


def _sections(parts: list[tuple[str, str]]) -> str:
    return "\n".join(f'<section class="sheet" id="{name}">{body}</section>' for name, body in parts)


def _part(name: str, html: str) -> str:
    """Return what a page says, its ids made its own and its links led into the one document."""
    body = _OWN.search(html)[1]
    body = _ID.sub(lambda m: f'{m[1]}="{" ".join(f"{name}--{word}" for word in m[2].split())}"', body)
    body = _DATA_LINK.sub(r"\1", body)

    def led(match: re.Match) -> str:
        page = match[1].removesuffix(".html") if match[1] else name
        return f'<a href="#{page}{f"--{match[2][1:]}" if match[2] else ""}"'

    return _LINK.sub(led, body)
