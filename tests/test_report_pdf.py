"""The month as one PDF: printed by Chromium where there is one, refused with what to do where there is not."""

import json
import re
import shutil
import sys
from pathlib import Path

import pytest

from afterdip.cli import main
from afterdip.report.pdf import PLACE, PdfError, find_browser, need_browser, one_document, pdf_name, write_pdf
from afterdip.report.write import new_report
from browser import MISSING

REPORT = Path(__file__).parents[1] / "reports" / "2026-10"
LOG = Path(__file__).parents[1] / "data" / "demo" / "log"
RESULTS = json.loads((REPORT / "results.json").read_text(encoding="utf-8"))


def program(path, text):
    """Write a program that stands for a browser."""
    path.write_text(f"#!{sys.executable}\n{text}\n")
    path.chmod(0o755)
    return path


def test_without_chromium_it_says_so_before_it_does_anything(tmp_path, monkeypatch, capsys):
    monkeypatch.delenv(PLACE, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("afterdip.report.pdf._PLACES", ())
    assert find_browser() is None
    out = tmp_path / "out"
    assert main(["report", str(LOG), "--month", "2026-10", "--as-of", "2026-11-20", "--pdf", "--out", str(out)]) == 3
    said = capsys.readouterr()
    assert "no PDF can be made: Chromium was not found on this machine" in said.err
    assert "apt install chromium" in said.err
    assert "leave --pdf out and print the pages from any browser" in said.err
    assert said.out == ""
    assert not out.exists()


def test_a_browser_named_must_be_there(tmp_path, monkeypatch):
    monkeypatch.setenv(PLACE, str(tmp_path / "nowhere"))
    with pytest.raises(PdfError, match=f"{PLACE} names .*nowhere, which is no program"):
        need_browser()
    there = program(tmp_path / "own-browser", "")
    monkeypatch.setenv(PLACE, str(there))
    assert need_browser() == there


@pytest.mark.parametrize(
    "text, said",
    [
        ("import sys; sys.exit('no display')", "ended with status 1: no display"),
        ("pass", "ended with status 0: it said nothing"),
        (
            "import sys; name = next(a for a in sys.argv if 'print-to' in a).split('=')[1]; open(name, 'w').write('x')",
            "ended with status 0",
        ),
    ],
)
def test_a_browser_that_does_not_print_is_told_of(tmp_path, monkeypatch, text, said):
    monkeypatch.setenv(PLACE, str(program(tmp_path / "broken", text)))
    folder = Path(shutil.copytree(REPORT, tmp_path / "report"))
    with pytest.raises(PdfError, match=said):
        write_pdf(folder, RESULTS)


def test_links_and_ids_are_led_into_the_one_document():
    frame = '<html><main id="content">{}</main></html>'
    links = '<a href="b.html#x">x</a> <a href="#a">a</a> <a href="results.json">r</a>'
    pages = {
        "index": frame.format(f'<h1 id="a">1</h1>{links}'),
        "b": frame.format('<h1 id="x">2</h1><a href="index.html">i</a> &lt;a href="index.html"'),
    }
    html = one_document(pages, RESULTS)
    body = html[html.index("<main") : html.index("</main>")]
    assert '<section class="sheet" id="index"><h1 id="index--a">1</h1>' in body
    assert '<a href="#b--x">x</a> <a href="#index--a">a</a> r</section>' in body
    assert '<h1 id="b--x">2</h1><a href="#index">i</a> &lt;a href="index.html"' in body
    with pytest.raises(ValueError, match="paper must be one of"):
        one_document(pages, RESULTS, paper="napkin")


def test_an_old_pdf_goes_with_the_report_it_was_printed_from(tmp_path):
    out = tmp_path / "2026-10"
    for note in ("first", "second"):
        with new_report(out) as folder:
            (folder / "index.html").write_text(note)
            (folder / "results.json").write_text(json.dumps({"month": "2026-10", "pages": []}))
        if note == "first":
            (out / pdf_name("2026-10")).write_text("printed from the first")
            (out / "my notes.pdf").write_text("mine")
    assert sorted(path.name for path in out.iterdir()) == ["index.html", "my notes.pdf", "results.json"]


@pytest.mark.skipif(find_browser() is None, reason=MISSING)
@pytest.mark.parametrize("paper, size", [("a4", (595, 842)), ("letter", (612, 792))])
def test_chromium_prints_the_month_tagged_and_on_the_paper_asked_for(tmp_path, paper, size):
    folder = tmp_path / "report"
    folder.mkdir()
    for name in ("index.html", "survival.html"):
        shutil.copy(REPORT / name, folder)
    results = RESULTS | {"pages": [page for page in RESULTS["pages"] if page["name"] == "survival"]}
    printed = write_pdf(folder, results, paper=paper)
    assert printed == folder / "dip-report-2026-10.pdf"
    data = printed.read_bytes()
    boxes = {tuple(round(float(x)) for x in box.split()[2:]) for box in re.findall(rb"/MediaBox \[([^\]]+)\]", data)}
    assert boxes == {size}
    assert len(re.findall(rb"/Type /Page\b", data)) >= 4
    assert b"/StructTreeRoot" in data
    assert b"/Outlines" in data
