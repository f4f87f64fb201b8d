"""Every page of the committed demo month in headless Chromium with the network off, wide and on a phone.

tests/test_reports_folder.py holds that month to what the code makes today; months of other kinds are written here.
"""

import json
import re
from pathlib import Path

import pytest

from afterdip.report.pdf import find_browser, one_document
from browser import MISSING, Browser
from builders import small_log, write_log
from support_notebooks import clean_environment

pytestmark = pytest.mark.skipif(find_browser() is None, reason=MISSING)

REPORT = Path(__file__).parents[1] / "reports" / "2026-10"
PAGES = sorted(path.name for path in REPORT.glob("*.html"))
WIDTHS = (1280, 390)
MEGABYTES = 3
SMALLEST = 9  # CSS pixels a letter of a figure must have on a phone
# axe-core 4.4: https://dequeuniversity.com/rules/axe/4.4; only what blocks or seriously hinders a reader fails.
RULES = """axe.run(document, {resultTypes: ['violations']}).then(r => r.violations
  .filter(v => ['serious', 'critical'].includes(v.impact))
  .map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(' | ')))"""
TOO_WIDE = """[...document.querySelectorAll('body *')].filter(e => !e.closest('.table')
  && !e.closest('details:not([open])')
  && e.getBoundingClientRect().right > document.documentElement.clientWidth + 1).map(e => e.outerHTML.slice(0, 120))"""
UNTOLD = "[...document.images].filter(i => !i.alt.trim() || !i.complete || !i.naturalWidth).length"
TABLES = """[...document.querySelectorAll('table')].filter(t => !t.caption || !t.caption.textContent.trim()
  || ![...t.querySelectorAll('thead th')].every(h => h.scope === 'col')
  || ![...t.querySelectorAll('tbody tr')].every(r => r.cells.length === 1 || r.querySelector('th[scope=row]')))
  .map(t => t.outerHTML.slice(0, 160))"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with Browser(tmp_path_factory.mktemp("profile")) as running:
        yield running


@pytest.fixture(scope="module")
def axe():
    import axe_core_python

    return (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


def violations(browser, axe):
    """Return what axe finds, with everything folded away opened first; the page itself has no script."""
    browser.ask("document.querySelectorAll('details').forEach(d => d.open = true)")
    browser.ask(f"{axe}; 0")
    return browser.ask(RULES)


def faults(browser, axe, page, width):
    """Return everything that is wrong with a page at a width."""
    browser.open(page, width=width)
    outside = [url for url in browser.requests() if not url.startswith(("file:", "data:"))]
    found = {
        "asked for": outside,
        "console": browser.complaints(),
        "scrolls sideways": [browser.ask("document.documentElement.scrollWidth")],
        "too wide": browser.ask(TOO_WIDE),
        "tables": browser.ask(TABLES),
        "without alt": browser.ask(UNTOLD),
        "axe": violations(browser, axe),
    }
    if found["scrolls sideways"][0] <= browser.ask("document.documentElement.clientWidth"):
        del found["scrolls sideways"]
    return {name: what for name, what in found.items() if what}


def test_the_demo_month_is_there():
    assert "index.html" in PAGES
    assert len(PAGES) >= 8


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_a_page_holds_in_a_real_browser(browser, axe, name, width):
    assert faults(browser, axe, REPORT / name, width) == {}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_stays_small(name):
    assert (REPORT / name).stat().st_size < MEGABYTES * 1_000_000


def test_the_browser_would_notice(browser, axe, tmp_path):
    """The checks above can fail: a page with every fault they look for."""
    page = tmp_path / "bad.html"
    page.write_text(
        "<!doctype html><html><head><title>x</title></head><body><p style='color:#ccc'>pale</p><img src='data:,'>"
        "<div style='width:2000px'>wide</div><table><tr><td>1</td></tr></table><img alt='x' src='https://host.invalid/x.png'>"
        "<script>console.error('no')</script></body></html>"
    )
    found = faults(browser, axe, page, 390)
    assert set(found) == {"asked for", "console", "scrolls sideways", "too wide", "tables", "without alt", "axe"}
    rules = {line.split(":")[0] for line in found["axe"]}
    assert rules >= {"color-contrast", "image-alt", "html-has-lang"}


def test_every_link_leads_somewhere(browser):
    for name in PAGES:
        browser.open(REPORT / name, width=1280)
        for href in browser.ask("[...document.querySelectorAll('a')].map(a => a.getAttribute('href'))"):
            file, _, anchor = href.partition("#")
            target = REPORT / (file or name)
            assert target.is_file(), f"{name} leads to {href}"
            assert not anchor or f'id="{anchor}"' in target.read_text(encoding="utf-8"), f"{name} leads to {href}"


def test_the_keyboard_reaches_the_content_the_links_and_what_scrolls(browser):
    browser.open(REPORT / "index.html", width=390)
    seen = []
    for _ in range(4):
        for kind in ("keyDown", "keyUp"):
            browser.call("Input.dispatchKeyEvent", type=kind, key="Tab", code="Tab", windowsVirtualKeyCode=9)
        seen.append(browser.ask("document.activeElement.outerHTML.slice(0, 60)"))
    assert 'class="skip"' in seen[0]
    assert 'aria-current="page"' in seen[1]
    assert len(set(seen)) == 4
    assert browser.ask("[...document.querySelectorAll('.table')].every(t => t.tabIndex === 0)")


def test_letters_of_figures_can_be_read_on_a_phone(browser):
    from afterdip.charts.style import SMALL, WIDTH

    browser.open(REPORT / "survival.html", width=390)
    shown = browser.ask("document.querySelector('figure img').getBoundingClientRect().width")
    assert SMALL * shown / (WIDTH * 72) >= SMALLEST


def test_print_is_dark_on_white_and_fits_both_papers(browser):
    browser.open(REPORT / "index.html", width=1280)
    browser.call("Emulation.setEmulatedMedia", media="print")
    try:
        assert browser.ask("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert browser.ask("getComputedStyle(document.querySelector('nav')).display") == "none"
        for width in (680, 695):  # A4 and Letter less the margins of 15 mm, at 96 pixels to the inch
            browser.size(width)
            assert browser.ask("document.documentElement.scrollWidth") <= width
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")


def test_the_pdf_holds_every_page_once_and_its_links_stay_inside(browser, tmp_path):
    results = json.loads((REPORT / "results.json").read_text(encoding="utf-8"))
    pages = {Path(name).stem: (REPORT / name).read_text(encoding="utf-8") for name in PAGES}
    document = one_document(pages, results, paper="letter")
    ids = re.findall(r'(?<=\s)id="([^"]+)"', document)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', document)) <= set(ids)
    assert not re.findall(r'href="[^#]', document)
    assert "size: letter" in document
    place = tmp_path / "month.html"
    place.write_text(document, encoding="utf-8")
    browser.open(place, width=1280)
    assert browser.ask("document.querySelectorAll('section.sheet').length") == len(PAGES)


def month_of(tables, folder, month, as_of):
    """Render a month of a small log, all pages; returns its folder."""
    import subprocess
    import sys

    log = write_log(tables, folder / "log")
    options = ["--month", month, "--as-of", as_of, "--out", str(folder / month)]
    command = [sys.executable, "-m", "afterdip", "report", str(log), *options]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, env=clean_environment())
    assert done.returncode == 0, done.stderr
    return folder / month


def without_sham():
    """Return the small log without sham dips and whatever hangs on them."""
    tables = small_log()
    sham = tables["sessions"]["agent"] == "SHAM"
    tables["sessions"] = tables["sessions"][~sham]
    tables["trays"] = tables["trays"][tables["trays"]["session"].isin(tables["sessions"]["session"])]
    for name in ("checks", "pests"):
        tables[name] = tables[name][tables[name]["tray"].isin(tables["trays"]["tray"])]
    return tables


@pytest.mark.parametrize(
    "tables, month, said",
    [
        (small_log, "2026-11", "No piece had its first dip in this month"),
        (small_log, "2026-09", "no earlier month to compare with"),
        (without_sham, "2026-10", "No sham dip in the month"),
    ],
    ids=["an empty month", "the first month", "no sham"],
)
def test_months_of_every_kind_are_proper_pages(browser, axe, tmp_path, tables, month, said):
    report = month_of(tables(), tmp_path, month, "2026-11-20")
    pages = sorted(path.name for path in report.glob("*.html"))
    assert pages == PAGES
    assert said in (report / "index.html").read_text(encoding="utf-8")
    for name in pages:
        assert faults(browser, axe, report / name, 390) == {}, name
