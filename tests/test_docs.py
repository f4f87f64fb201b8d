"""The documents against the code: nothing they name, count or quote may drift away from it."""

import ast
import importlib
import re
from dataclasses import fields, is_dataclass
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest

from afterdip.calibrate.__main__ import CALIBRATIONS
from afterdip.cli import VERBS
from afterdip.log import check_log
from afterdip.log.schema import DERIVED, TABLES
from afterdip.proportion import design_effect, upper_bound_when_none
from afterdip.report.monthly import find_notebooks
from afterdip.report.pdf import find_browser
from afterdip.report.selfcontained import check_selfcontained
from browser import MISSING, Browser
from test_layers import ALLOWED, ESTIMATORS, PACKAGE

ROOT = Path(__file__).parents[1]
GUIDE, METHODS, SHEET = (ROOT / "docs" / name for name in ("guide.md", "methods.md", "counting-sheet.html"))
DEVELOPERS = ROOT / "DEVELOPERS.md"
CALIBRATION = ROOT / "tests" / "reference" / "calibration"
PROSE = [GUIDE, METHODS, DEVELOPERS, ROOT / "README.md"]


def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def one_line(text: str) -> str:
    return " ".join(text.split())


def section(text: str, heading: str) -> str:
    """What stands under a heading, up to the next one of its level or above."""
    found = re.search(rf"^(#+) {re.escape(heading)}$", text, re.MULTILINE)
    assert found, f"no heading '{heading}'"
    rest = text[found.end() :]
    end = re.search(rf"^#{{1,{len(found[1])}}} ", rest, re.MULTILINE)
    return rest[: end.start()] if end else rest


def table_after(text: str, mark: str) -> list[list[str]]:
    """The rows of the Markdown table that follows a hidden mark, cells stripped, without the line of dashes."""
    lines = text.split(f"<!-- table: {mark} -->\n", 1)[1].splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[: lines.index("")]]
    return [rows[0], *rows[2:]]


def value_of(dotted: str):
    """The object that a dotted name means; of a field of a dataclass, its default.

    A function is found before the module of its name, as `from afterdip.survival import cox` finds it.
    """
    parts = dotted.split(".")
    for at in range(1, len(parts)):
        try:
            found = importlib.import_module(".".join(parts[:at]))
        except ModuleNotFoundError:
            break
        for name in parts[at:]:
            plain = isinstance(found, type) and is_dataclass(found)
            defaults = {f.name: f.default for f in fields(found)} if plain else {}
            found = defaults.get(name, getattr(found, name, None))
        if found is not None and not isinstance(found, ModuleType):
            return found
    raise AssertionError(f"there is no {dotted}")


@pytest.mark.parametrize("path", PROSE, ids=lambda p: p.name)
def test_relative_links_lead_somewhere(path):
    for target in re.findall(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)", read(path)):
        file, _, anchor = target.partition("#")
        assert "://" not in file, f"{target}: a link out of the checkout cannot be held"
        there = (path.parent / file).resolve() if file else path
        assert there.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", read(there), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}, target


# The guide


@pytest.mark.parametrize("notebook", find_notebooks(), ids=lambda n: n.name)
def test_every_question_of_every_page_is_explained(notebook):
    """A page's section has one row for each of its headings, with more than a few words beside it."""
    explained = section(read(GUIDE), notebook.title)
    text = "\n".join(cell.source for cell in notebook.node.cells if cell.cell_type == "markdown")
    for question in re.findall(r"^## (.*)$", text, re.MULTILINE):
        row = re.search(rf"^\| \*\*{re.escape(question)}\*\* \| (.*) \|$", explained, re.MULTILINE)
        assert row, f"the guide does not explain '{question}' of {notebook.title}"
        assert len(row[1].split()) >= 8


def test_every_part_of_the_first_page_is_explained():
    explained = section(read(GUIDE), "This month")
    template = read(PACKAGE / "report" / "template" / "index.html.j2")
    parts = [part.strip() for part in re.findall(r"<h[23][^>]*>([^<{]+)", template) if part.strip()]
    assert len(parts) >= 5
    for part in parts:
        assert part == "The pages" or f"**{part}" in explained, part


def test_numbers_of_the_guide_are_those_of_the_code():
    text = one_line(read(GUIDE))
    marked = re.findall(r"([\d.]+)([^\d<>]*)<!-- (afterdip[\w.]+) -->", text)
    assert len(marked) == text.count("<!-- afterdip") >= 15
    for number, words, name in marked:
        value = value_of(name)
        told = {"points": 100 * value, "monthly": 1 / value}.get(words.split()[0] if words.strip() else "", value)
        assert float(number) == pytest.approx(told), f"{number}{words}{name}"


def test_examples_of_the_guide_come_out():
    text = one_line(read(GUIDE))
    assert "400 frags out of 10 baths can be worth no more than 45 frags" in text
    assert int(400 / design_effect(0.2, 40)) == 45
    assert "after 0 of 30 there may still be 9.5 in 100" in text
    assert round(100 * upper_bound_when_none(30).high, 1) == 9.5


def test_limits_quoted_in_the_guide_were_measured():
    rows = table_after(read(GUIDE), "survival_coverage.csv and removal_coverage.csv, correlation 0.1")[1:]
    survival, removal = (pd.read_csv(CALIBRATION / f"{name}_coverage.csv") for name in ("survival", "removal"))
    survival = survival[survival["farm"] == "even"]
    survival, removal = (t[t["correlation"] == 0.1].set_index([k, "sessions"]) for t, k in
                         ((survival, "loss"), (removal, "share")))  # fmt: skip
    assert [row[0] for row in rows] == ["6", "12", "20", "30", "60"]
    for sessions, *cells in rows:
        m = int(sessions)
        widths = (
            survival.at[(0.03, m), "loss_session_median_width"], survival.at[(0.10, m), "loss_session_median_width"],
            survival.at[(0.10, m), "over_sham_session_median_width"], removal.at[(0.90, m), "median_width"],
        )  # fmt: skip
        assert cells == [f"{100 * width:.0f} points" for width in widths]


def test_verdicts_quoted_in_the_guide_were_measured():
    text = read(GUIDE)
    rows = table_after(text, "comparison.csv, correlation 0.1")[1:]
    table = pd.read_csv(CALIBRATION / "comparison.csv")
    cells = table[(table["correlation"] == 0.1) & table["scenario"].str.startswith("second")]
    cells = cells.set_index(["scenario", "sessions"], verify_integrity=True)
    for row, scenario in zip(rows, ("second worse on both", "second kills less", "second loses more"), strict=True):
        right = [100 * cells.at[(scenario, f"{m}+{m}"), "right"] for m in (12, 30, 60)]
        assert [int(cell) for cell in row[1:]] == pytest.approx(right, abs=0.51), scenario
    assert "About 2 in 100 at the very most" in one_line(text)
    assert table["wrong"].max() < 0.02


def test_windows_quoted_in_the_guide_were_measured():
    head, row = table_after(read(GUIDE), "dose_response_windows.csv, correlation 0.1")
    table = pd.read_csv(CALIBRATION / "dose_response_windows.csv")
    table = table[table["correlation"] == 0.1]
    assert head[1:] == [f"{m}, over {k}" for m, k in zip(table["sessions"], table["strengths"], strict=True)]
    assert [int(cell) for cell in row[1:]] == pytest.approx(100 * table["window_found"], abs=0.51)


@pytest.mark.parametrize(
    "word", ["Label and safety data sheet rule", "veterinarian", "Local codes", "Wear what the label"]
)
def test_the_guide_carries_the_cautions(word):
    assert word in section(read(GUIDE), "Before you dip")


def test_the_first_dip_of_the_guide_is_a_log_without_error_or_warning(tmp_path):
    tables = dict(re.findall(r"^```csv (\w+\.csv)\n(.*?)^```", read(GUIDE), re.MULTILINE | re.DOTALL))
    assert set(tables) == {f"{name}.csv" for name in TABLES}
    for name, rows in tables.items():
        (tmp_path / name).write_text(rows, encoding="utf-8")
    found = check_log(tmp_path, as_of="2026-10-12")
    assert [*map(str, found.problems), *map(str, found.warnings)] == []


def test_the_guide_names_only_commands_there_are():
    assert set(re.findall(r"`afterdip (\w+)", read(GUIDE))) <= set(VERBS)


# The counting sheet


class Sheet(HTMLParser):
    """The columns of the sheet and, under each table, the words to circle in its first row."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.columns: list[str] = []
        self.headings: dict[str, str] = {}
        self.circles: dict[str, set[str]] = {}
        self._head: list[str] = []
        self._open: str | None = None
        self._at = -1
        self._in = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        name = dict(attrs).get("data-column")
        if name:
            self.columns.append(name)
            self._open = name
        if tag == "table":
            self._head = []
        if tag == "th":
            self._head.append(name)
        if tag == "tr":
            self._at = -1
        if tag == "td":
            self._at += 1
            self._open = self._head[self._at]
        self._in = tag

    def handle_data(self, data):
        if self._open and self._in in ("th", "b") and data.strip():
            self.headings.setdefault(self._open, data.strip())
        if self._open and self._in == "span" and data.strip():
            self.circles.setdefault(self._open, set()).add(data.strip())


@pytest.fixture(scope="module")
def sheet():
    return Sheet(read(SHEET))


def test_columns_of_the_sheet_are_columns_of_the_log(sheet):
    assert len(sheet.columns) == len(set(sheet.columns))
    for name in sheet.columns:
        table, column = name.split(".")
        assert TABLES[table].column(column)
        assert sheet.headings.get(name, column) == column, "a heading must be the column's own name"


@pytest.mark.parametrize("table", ["checks", "pests"])
def test_the_sheet_has_every_column_of_counts_in_order(sheet, table):
    assert {c.name for c in TABLES[table].columns} == {
        name.split(".")[1] for name in sheet.columns if name.startswith(f"{table}.")
    }


@pytest.mark.parametrize("table", ["sessions", "trays"])
def test_the_sheet_has_what_a_log_must_have(sheet, table):
    must = {f"{table}.{c.name}" for c in TABLES[table].columns if c.need in ("yes", "dip")}
    assert must - {"trays.session"} <= set(sheet.columns)  # the session stands once, at the top


def test_words_to_circle_are_the_words_the_log_takes(sheet):
    choices = {n for n in sheet.columns if TABLES[n.split(".")[0]].column(n.split(".")[1]).kind == "choice"}
    assert choices <= set(sheet.circles)
    for name, words in sheet.circles.items():
        table, column = name.split(".")
        assert words == set(TABLES[table].column(column).allowed), name


def test_the_sheet_needs_nothing_from_elsewhere():
    check_selfcontained(read(SHEET), page="counting-sheet.html")


@pytest.mark.skipif(find_browser() is None, reason=MISSING)
@pytest.mark.parametrize("paper", [(8.27, 11.69), (8.5, 11.0)], ids=["A4", "Letter"])
def test_the_sheet_is_one_page(paper, tmp_path):
    import base64

    with Browser(tmp_path / "profile") as browser:
        browser.open(SHEET, width=800)
        size = {"paperWidth": paper[0], "paperHeight": paper[1], "preferCSSPageSize": False}
        pdf = base64.b64decode(browser.call("Page.printToPDF", printBackground=True, **size)["data"])
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


# The methods page

NAMED = re.findall(r"`(afterdip(?:\.\w+)+)(?: = ([^`]+))?`", one_line(read(METHODS)))


@pytest.mark.parametrize("name", sorted({name for name, value in NAMED if not value}))
def test_functions_named_exist_and_are_public(name):
    assert callable(value_of(name))
    assert not any(part.startswith("_") for part in name.split("."))
    package, _, last = name.rpartition(".")
    if package.removeprefix("afterdip.") in ESTIMATORS:
        public = getattr(importlib.import_module(package), "__all__", None)
        assert public is None or last in public, f"{last} is not handed out by {package}"


@pytest.mark.parametrize(("name", "value"), sorted({pair for pair in NAMED if pair[1]}))
def test_constants_quoted_are_those_of_the_code(name, value):
    assert value_of(name) == pytest.approx(float(Fraction(value)))


def estimators_called() -> set[str]:
    """Functions that the pages' answers take from the estimators."""
    found = set()
    for path in (PACKAGE / "answers").glob("*.py"):
        for node in ast.walk(ast.parse(read(path))):
            module = (node.module or "").removeprefix("afterdip.") if isinstance(node, ast.ImportFrom) else ""
            if module.split(".")[0] in ESTIMATORS:
                found |= {f"afterdip.{module}.{alias.name}" for alias in node.names if alias.name.islower()}
    return found


def test_every_estimator_a_page_calls_stands_on_the_methods_page():
    called = estimators_called()
    assert len(called) > 50
    assert called - {name for name, _ in NAMED} == set()


def test_every_page_and_its_kinds_of_figures_have_a_section():
    for notebook in find_notebooks():
        assert section(read(METHODS), notebook.title)


CITATION = re.compile(r"([A-Z][A-Za-zÀ-ÿ’'-]{2,})(?: et al\.)?,? \(?((?:19|20)\d\d)\b")
PLACE = re.compile(r"\b\d{1,3}:\d{1,4}\b")


def words_of_the_code(*, docstrings: bool) -> str:
    """The estimators' docstrings, or their whole text, on one line."""
    out = []
    for name in ESTIMATORS:
        for path in sorted((PACKAGE / name).glob("*.py")) or [PACKAGE / f"{name}.py"]:
            if not docstrings:
                out.append(read(path))
                continue
            kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
            out += [ast.get_docstring(n) or "" for n in ast.walk(ast.parse(read(path))) if isinstance(n, kinds)]
    return one_line(" \n ".join(out))


def test_every_source_in_a_docstring_is_on_the_methods_page_and_the_other_way_round():
    page = one_line(read(METHODS)).replace("*", "")
    assert set(CITATION.findall(words_of_the_code(docstrings=True))) - set(CITATION.findall(page)) == set()
    assert set(CITATION.findall(page)) - set(CITATION.findall(words_of_the_code(docstrings=False))) == set()


def test_volumes_and_pages_are_those_of_the_code():
    """Places marked * are from memory, as the page says; all others must stand in the code."""
    sources = section(read(METHODS), "Sources")
    code = set(PLACE.findall(words_of_the_code(docstrings=False)))
    said = {place for line in sources.splitlines() if "*," not in line for place in PLACE.findall(line)}
    assert said - code == set()
    assert set(PLACE.findall(words_of_the_code(docstrings=True))) - set(PLACE.findall(sources)) == set()


def measured(row: list[str]) -> pd.Series:
    """The cells of the committed table that a row of the methods page sums up."""
    figure, file, columns, *_ = row
    table = pd.read_csv(CALIBRATION / file)
    if figure.startswith("like-with-like"):
        table = table[table["sessions"] != "6+6"]
    return pd.concat([table[name] for name in columns.split(", ")]).dropna()


def test_coverage_quoted_was_measured():
    rows = table_after(read(METHODS), "coverage")[1:]
    assert {file.name for file in CALIBRATION.glob("*_coverage.csv")} <= {row[1] for row in rows}
    for row in rows:
        held = measured(row)
        assert row[3:] == [str(len(held)), f"{held.min():.3f}", f"{held.mean():.3f}"], row[0]


def test_false_alarms_quoted_were_measured():
    for row in table_after(read(METHODS), "false alarms")[1:]:
        found = measured(row)
        assert row[3:] == [str(len(found)), f"{found.max():.3f}", f"{found.mean():.3f}"], row[0]


# For developers


def test_developers_know_every_layer_and_command():
    text = read(DEVELOPERS)
    layers = re.sub(r"[/\s]", " ", section(text, "Layers"))
    for layer in ALLOWED:
        assert re.search(rf"\b{layer}\b", layers), f"{layer} is not among the layers"
    for name in CALIBRATIONS:
        assert re.search(rf"`{name}`", text), f"calibration {name} is not named"
    targets = set(re.findall(r"^([a-z]+):", read(ROOT / "Makefile"), re.MULTILINE))
    assert set(re.findall(r"`make (\w+)`", text)) == targets - {"clean"}


def test_developers_know_every_column():
    text = section(read(DEVELOPERS), "A validated log")
    for name, table in TABLES.items():
        row = re.search(rf"^\| {name} \| (.*) \|$", text, re.MULTILINE)[1]
        row = re.sub(r"\([^()]*\)", "", row)
        derived = set(re.findall(r"\*\*(\w+)\*\*", row))
        assert derived == set(DERIVED[name]), name
        plain = re.findall(r"[a-z]\w*", re.sub(r"\*\*\w+\*\*", "", row).replace(" and ", " "))
        assert plain == [column.name for column in table.columns], name


def test_notebooks_and_pages_of_developers_exist():
    named = re.findall(r"`((?:notebooks|tests|analysis|docs|data|report|cli|answers)/[\w./<>-]*)`", read(DEVELOPERS))
    for name in named:
        assert any((base / name).exists() for base in (ROOT, PACKAGE)), name


@pytest.mark.parametrize("path", [*PROSE, SHEET], ids=lambda p: p.name)
def test_documents_are_plain_text_without_invisible_signs(path):
    text = path.read_bytes().decode("utf-8")
    assert "\r" not in text
    assert "\t" not in text
    assert not re.search("[\u200b-\u200f\u202a-\u202e\ufeff]", text)
