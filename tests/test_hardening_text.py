"""Text of the log is text wherever it is printed: pages, figures, spreadsheets, calendars, terminals, data."""

import csv
import datetime
import json
import subprocess
import sys
import unicodedata
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path

import icalendar
import matplotlib
import pytest

from afterdip.charts.style import figure, in_legend
from afterdip.cli import main
from afterdip.log import read_log
from afterdip.report.results import check_results
from afterdip.report.selfcontained import check_selfcontained
from builders import AS_OF, small_log, write_log
from hostile import SIGNS, hostile_log
from support_notebooks import clean_environment

DAY = ["--as-of", str(AS_OF)]
MONTH = ["--month", "2026-10"]


class Marks(HTMLParser):
    """The tags of a page with their attributes' names, and its text."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text = Counter(), set(), ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags[tag] += 1
        self.attributes |= {(tag, name) for name, _ in attrs}

    def handle_comment(self, data):
        self.tags["a comment"] += 1

    def handle_data(self, data):
        self.text += data


def report(log, out, **environment):
    command = [sys.executable, "-m", "afterdip", "report", str(log), *MONTH, *DAY, "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, env=clean_environment(**environment))
    assert done.returncode == 0, done.stderr
    return out


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("text")


@pytest.fixture(scope="module")
def plain(place):
    """The report of the small log."""
    tables = small_log()
    tables["farm"] = tables["farm"].replace("at_temperature_c = 27", "at_temperature_c = 25.5")
    return report(write_log(tables, place / "plain"), place / "plain-report", PYTHONHASHSEED="1")


@pytest.fixture(scope="module")
def names():
    return hostile_log()[1]


@pytest.fixture(scope="module")
def hostile(place):
    return write_log(hostile_log()[0], place / "hostile")


@pytest.fixture(scope="module")
def evil(hostile, place):
    """The report of the same log with hostile names."""
    return report(hostile, place / "evil-report")


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_hostile_names_make_no_element_and_no_attribute(plain, evil):
    """The pages hold the elements that the same figures with plain names make, one for one."""
    pages = sorted(path.name for path in plain.glob("*.html"))
    assert len(pages) == 8
    for page in pages:
        one, two = (Marks((folder / page).read_text()) for folder in (plain, evil))
        assert two.tags == one.tags, page
        assert two.attributes <= one.attributes | {("td", "class")}, page  # "+1" is set to the right as a number is
        check_selfcontained((evil / page).read_text(), page=page)


def test_hostile_names_are_shown_as_they_are(evil, names):
    text = " ".join(Marks(page.read_text()).text for page in evil.glob("*.html"))
    shown = [name for (kind, _), name in names.items() if kind in ("agent", "group", "pest") and name in text]
    assert len(shown) >= 8
    assert names["agent", "IOD"] in text
    farm = json.loads((evil / "results.json").read_text())["settings"]["name"]
    assert farm == SIGNS[0] + SIGNS[8]
    assert farm in Marks((evil / "index.html").read_text()).text


def test_results_hold_the_same_numbers_whatever_the_names(plain, evil, names):
    one, two = (json.loads((folder / "results.json").read_text()) for folder in (plain, evil))
    check_results(two)

    def numbers(node):
        if isinstance(node, dict):
            return Counter(x for k, v in node.items() if k not in ("log", "settings") for x in numbers(v).elements())
        if isinstance(node, list):
            return Counter(x for v in node for x in numbers(v).elements())
        return Counter([node]) if isinstance(node, (int, float)) and not isinstance(node, bool) else Counter()

    assert numbers(one) == numbers(two)
    assert names["agent", "IOD"] in [agent["agent"] for agent in two["labour"]["agents"]]


def test_the_same_bytes_again_from_another_place_with_another_order_of_sets(plain, place):
    """Another hash seed, time zone, language, home and working directory; without a place for fonts' caches."""
    log = place / "elsewhere" / "it's {my} log"
    log.parent.mkdir()
    (place / "plain").rename(log)
    again = report(log, place / "again", PYTHONHASHSEED="7", TZ="Pacific/Auckland", LC_ALL="C", HOME="/nonexistent",
                   MPLCONFIGDIR="/proc/none", XDG_CACHE_HOME="/proc/none", XDG_CONFIG_HOME="/proc/none")  # fmt: skip
    assert tree(again) == tree(plain)


def test_every_page_says_version_log_and_parameters(plain):
    results = json.loads((plain / "results.json").read_text())
    assert {file["name"] for file in results["log"]["files"]} == {
        "farm.toml", *(f"{n}.csv" for n in ("agents", "sessions", "trays", "checks", "pests", "labour"))
    }  # fmt: skip
    for page in plain.glob("*.html"):
        text = " ".join(Marks(page.read_text()).text.split())
        assert f"afterdip {results['version']} · month October 2026 · follow-up counted up to {AS_OF}" in text, page
        for file in results["log"]["files"]:
            assert file["sha256"][:12] in text, (page, file["name"])
        for name, value in results["parameters"].get(page.stem, {}).items():
            if name not in ("month", "as_of"):
                assert f"{name} = {value}" in text, (page, name)


# --- figures ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*SIGNS, "_", "$", "\\", "^", "a$b$c", "Ω" * 50])
def test_any_name_can_stand_in_a_figure(name):
    import warnings

    fig, ax = figure()
    ax.plot([1, 2], label=in_legend(name))
    ax.set_xticks([0], [name])
    ax.set_title(name)
    ax.annotate(name, (0, 1))
    legend = ax.legend()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of letters that the font lacks: a box is drawn
        fig.canvas.draw()
    assert [text.get_text().strip() for text in legend.get_texts()] == [name]
    assert not matplotlib.rcParams["text.parse_math"]


# --- spreadsheets -----------------------------------------------------------------------------------------------------


def test_a_form_for_a_trial_opens_without_reckoning_and_reads_back(names, tmp_path):
    """No cell begins with a sign that a spreadsheet reckons from, and the reader takes what was put before it off."""
    tables, _ = hostile_log()
    keys = {names["agent", "IOD"]: "=2+3", names["agent", "POW"]: "@x"}
    for table in ("agents", "sessions"):
        tables[table]["agent"] = tables[table]["agent"].replace(keys)
    log_path = write_log(tables, tmp_path / "log")
    out = tmp_path / "trial"
    assert main(["trial", str(log_path), *DAY, "--agents", "=2+3,@x", "--out", str(out), "--prefix=-R"]) == 0
    for path in (out / "log-to-fill-in").glob("*.csv"):
        with path.open(newline="") as file:
            rows = list(csv.reader(file))
        assert all(not cell.startswith(("=", "+", "-", "@", "\t", "\r")) for row in rows for cell in row), path
    with (out / "log-to-fill-in" / "sessions.csv").open(newline="") as file:
        agents = {row["agent"] for row in csv.DictReader(file)}
    assert agents == {"'=2+3", "'@x"}
    for table in ("agents", "sessions"):
        tables[table]["agent"] = tables[table]["agent"].replace({"=2+3": "'=2+3", "@x": "'@x"})
    back = read_log(write_log(tables, tmp_path / "back"), as_of=AS_OF)
    assert {"=2+3", "@x"} <= set(back.agents["agent"])
    assert set(back.sessions["agent"]) <= set(back.agents["agent"])
    for page in ("sheets.html", "sealed-key.html"):
        marks = Marks((out / page).read_text())
        assert not {"script", "img", "a comment"} & set(marks.tags)


# --- calendar and terminal --------------------------------------------------------------------------------------------


def test_a_calendar_holds_names_as_text(hostile, names, tmp_path, capsys):
    file = tmp_path / "dips.ics"
    assert main(["redip", str(hostile), *DAY, "--ics", str(file)]) == 0
    data = file.read_bytes()
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    assert b"\n" not in data.replace(b"\r\n", b"")
    calendar = icalendar.Calendar.from_ical(data)
    events = list(calendar.walk("VEVENT"))
    assert events
    assert data.count(b"\r\nBEGIN:VEVENT") == len(events)  # none came out of a name
    allowed = {"UID", "DTSTAMP", "DTSTART", "DTEND", "TRANSP", "SUMMARY", "DESCRIPTION"}
    for event in events:
        assert set(event) <= allowed
        assert names["pest", "flatworm"] in str(event["summary"])
        assert isinstance(event.decoded("dtstart"), datetime.date)


VERBS = (
    ["check"], ["labour"], ["redip"], ["release"], ["labour", "--json", "-"], ["redip", "--json", "-"],
    ["release", "--json", "-"], ["check", "--json", "-"],
)  # fmt: skip


@pytest.mark.parametrize("verb", VERBS, ids=" ".join)
def test_a_terminal_gets_no_control_signs(hostile, capsys, verb):
    assert main([verb[0], str(hostile), *DAY, *verb[1:]]) == 0
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    assert not {c for c in said.out + said.err if unicodedata.category(c) in ("Cc", "Cf")} - {"\n"}
    if "--json" in verb:
        json.loads(said.out)


def test_compare_on_hostile_names(hostile, names, capsys):
    pair = ["--first", names["agent", "IOD"], "--second", names["agent", "POW"]]
    assert main(["compare", str(hostile), *DAY, *pair, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["comparison"]["first"] == names["agent", "IOD"]


def test_errors_quote_a_cell_without_what_cannot_be_seen(tmp_path, capsys):
    tables = small_log()
    tables["checks"].loc[0, "alive"] = "\x1b[2J\x07<b>\u202e9"
    tables["trays"].loc[0, "session"] = "\x1b]0;x\x07" + "y" * 500
    tables["trays"].loc[1, "coral"] = "a\x9bb"
    assert main(["check", str(write_log(tables, tmp_path / "log")), *DAY]) == 1
    said = capsys.readouterr().out
    assert "got '?[2J?<b>?9'" in said
    assert said.replace("\n", "").isprintable()
    assert max(map(len, said.splitlines())) < 300
