"""Pages: nothing runs, nothing is loaded from elsewhere, and anyone can read them."""

import itertools
import re
from html.parser import HTMLParser

import pytest
from nbformat.v4 import new_output

from afterdip.report.index import render_index
from afterdip.report.notebook import read_notebook
from afterdip.report.pages import markdown, outputs_html, render_page
from afterdip.report.selfcontained import check_selfcontained
from support_notebooks import write_notebook

EVIL = "<script>alert(1)</script><img src=x onerror=alert(1)> & \"quoted\" 'single'"
PNG = "iVBORw0KGgo="


def results(**more):
    page = {"name": "survival", "title": f"Survival {EVIL}", "file": "survival.html"}
    return {
        "month": "2026-10",
        "as_of": "2026-11-20",
        "version": "0.1.0",
        "pages": [page],
        "parameters": {
            "survival": {"month": "2026-10", "as_of": "2026-11-20", "window_months": 12, "odd": EVIL},
            "removal": {"window_months": 6},
        },
        "log": {"files": [{"name": f"{EVIL}.csv", "sha256": "a" * 64, "rows_read": 3, "rows_left_out": {EVIL: 1}}]},
        "settings": {"name": f"Farm {EVIL}", "target_kill": 0.95, "target_loss": 0.05},
        "warnings": [{"file": "f", "row": 1, "column": "c", "message": EVIL, "code": "", "session": None}],
        **more,
    }


def page_of(tmp_path, *cells, outputs=()):
    notebook = read_notebook(write_notebook(tmp_path / "survival.ipynb", *cells, title="Survival after a dip"))
    code = [cell for cell in notebook.node.cells if cell.cell_type == "code"]
    code[-1].outputs = list(outputs)
    return render_page(notebook, notebook.node, results())


def shown(data, **metadata):
    return new_output("display_data", data=data, metadata=metadata)


class Reader(HTMLParser):
    """Collects tags with their attributes and checks that they nest."""

    VOID = ("meta", "img", "br", "link", "hr")

    def __init__(self, html):
        super().__init__()
        self.tags, self.open, self.text = [], [], ""
        self.feed(html)
        assert not self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text += data


FIGURE = [
    shown({"image/png": PNG, "text/plain": "alt"}, **{"image/png": {"alt": f"rises {EVIL}", "width": 480}}),
    shown({"text/html": "<figcaption>Caption</figcaption>", "text/plain": "Caption"}, afterdip="caption"),
]


@pytest.fixture
def page(tmp_path):
    return page_of(
        tmp_path, f"## How many?\n\nSome *words* {EVIL}", "## How many?\n\nagain", "## Three\n\nx", "1", outputs=FIGURE
    )


@pytest.mark.parametrize("which", ["page", "index"])
def test_a_page_stands_alone_and_reads_well(page, which):
    html = page if which == "page" else render_index(results())
    reader = Reader(html)
    names = [tag for tag, _ in reader.tags]
    assert html.startswith("<!doctype html>")
    assert dict(reader.tags)["html"] == {"lang": "en"}
    assert any(a.get("name") == "viewport" and "width=device-width" in a["content"] for t, a in reader.tags)
    assert "script" not in names
    assert "link" not in names
    assert not re.search(r"""(src|href)\s*=\s*["']?\s*(https?:|//)""", html)
    assert "url(" not in html
    assert "@import" not in html
    assert "@page" in html
    assert all(attrs["alt"].strip() for tag, attrs in reader.tags if tag == "img")
    assert not [a for _, attrs in reader.tags for a in attrs if a.startswith("on")]
    assert names.count("h1") == names.count("main") == names.count("header") == names.count("footer") == 1
    levels = [int(name[1]) for name in names if re.fullmatch(r"h[1-6]", name)]
    assert levels[0] == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    ids = [attrs["id"] for _, attrs in reader.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    links = [attrs["href"] for tag, attrs in reader.tags if tag == "a"]
    assert links[0] == "#content"
    assert set(links) <= {"index.html", "survival.html", "results.json", *(f"#{i}" for i in ids)}
    assert sum("aria-current" in attrs for tag, attrs in reader.tags if tag == "a") == 1


def test_every_page_says_where_it_comes_from_and_what_to_mind(page):
    for html in (page, render_index(results())):
        text = " ".join(Reader(html).text.split())
        assert "afterdip 0.1.0 · month October 2026 · follow-up counted up to 2026-11-20" in text
        assert "a" * 12 in text
        for words in ("safety data sheet", "veterinarian", "waste water", "protection the label asks for", "label"):
            assert words in text
    assert "window_months = 12" in page


def test_hostile_text_is_shown_and_never_read_as_markup(page):
    for html in (page, render_index(results())):
        reader = Reader(html)
        assert EVIL in reader.text
        assert all(attrs.get("src", "data:").startswith("data:") for _, attrs in reader.tags)
    assert f"rises {EVIL}" in [attrs["alt"] for tag, attrs in Reader(page).tags if tag == "img"]


def test_no_code_is_shown(tmp_path):
    html = page_of(tmp_path, "secret_name = 12345", outputs=[shown({"text/html": "<p>shown</p>"})])
    assert "secret_name" not in html
    assert "window_months = 12  #" not in html
    assert "<p>shown</p>" in html


def test_a_figure_takes_its_caption(page):
    assert re.search(r"<figure><img [^>]*><figcaption>Caption</figcaption></figure>", page)
    plain = list(outputs_html([FIGURE[0], FIGURE[0], shown({"text/html": "<p>next</p>"})]))
    assert [part[:8] for part in plain] == ["<figure>", "<figure>", "<p>next<"]
    assert "figcaption" not in "".join(plain)


def test_other_outputs(tmp_path):
    parts = list(
        outputs_html(
            [
                new_output("stream", name="stdout", text="a < b"),
                new_output("stream", name="stderr", text="a warning"),
                new_output("execute_result", data={"text/plain": "<obj>"}),
                shown({"text/markdown": "*m* <b>"}),
                shown({"application/vnd.afterdip.answer+json": {"name": "x", "answer": {}}}),
            ]
        )
    )
    assert parts == [
        '<pre tabindex="0">a &lt; b</pre>',
        '<pre tabindex="0">&lt;obj&gt;</pre>',
        "<p><em>m</em> &lt;b&gt;</p>\n",
        "",
    ]


def test_a_number_and_its_per_cent_sign_stay_on_one_line(tmp_path):
    html = page_of(tmp_path, "## At most 5 % of 40 %?\n\nnot %", "1", outputs=FIGURE)
    assert "5\u00a0% of 40\u00a0%" in html
    assert "not %" in html


def test_links_stay_within_the_report():
    assert '<a href="removal.html">r</a>' in markdown("[r](removal.ipynb)")
    assert '<a href="#how-many">r</a>' in markdown("[r](#how-many)")
    assert markdown("[Barton](https://doi.org/10.3389/x)") == "<p>Barton (https://doi.org/10.3389/x)</p>\n"
    for url in ("javascript:alert(1)", "//host/x.html", "file:///etc/passwd", "../../x.html", "data:text/html,x"):
        assert "<a" not in markdown(f"[r]({url})")
    assert markdown("![a picture](https://host/x.png)") == "<p>a picture</p>\n"


@pytest.mark.parametrize(
    "html",
    [
        "<script>x</script>",
        "<SCRIPT src=x></SCRIPT>",
        '<img alt=a src="https://host/x.png">',
        '<img alt=a src="//host/x.png">',
        '<img src="data:image/png;base64,xx">',
        '<p onclick="x">',
        '<a href="https://host">x</a>',
        '<a href=" javascript:x">x</a>',
        '<link rel=stylesheet href="x.css">',
        "<style>@import 'x.css';</style>",
        "<style>p { background: url(//host/x) }</style>",
        '<p style="background: url(http://host)">',
        '<meta http-equiv="refresh" content="0">',
        '<iframe srcdoc="x"></iframe>',
        '<svg><image xlink:href="http://host/x"/></svg>',
        '<form action="x">',
    ],
)
def test_the_gate_refuses_what_runs_or_loads(html):
    with pytest.raises(ValueError, match=r"page\.html: a page may not hold"):
        check_selfcontained(f"<p>before</p>{html}", page="page.html")


def test_the_gate_lets_text_and_pictures_pass():
    check_selfcontained(
        "<p>&lt;script&gt; https://doi.org url(http://x)</p><style>p { color: #000 }</style>"
        '<img alt="a" src="data:image/png;base64,xx"><a href="other.html#x">x</a><a href="#y">y</a>',
        page="p",
    )


def test_a_notebook_that_shows_a_script_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"survival\.html: a page may not hold <script>"):
        page_of(tmp_path, "1", outputs=[shown({"text/html": "<script>x</script>"})])
