"""Names as long as a log may hold, on the pages that no month has: a phone scrolls none of them sideways."""

import pytest

from afterdip.cli import main
from browser import Browser
from builders import AS_OF, small_log, write_log

LONG = {"IOD": "W" * 297 + "IOD", "POW": "長" * 297 + "POW"}


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    """The sheets and the key of a trial between two agents of 300 letters without a space."""
    tables = small_log()
    for table in ("agents", "sessions"):
        tables[table]["agent"] = tables[table]["agent"].replace(LONG)
    tables["trays"]["source"] = tables["trays"]["source"].replace({"lot A": "L" * 300})
    tables["farm"] = tables["farm"].replace("Invented farm", "F" * 300)
    folder = tmp_path_factory.mktemp("trial")
    log = write_log(tables, folder / "log")
    agents = ",".join(LONG.values())
    assert main(["trial", str(log), "--as-of", str(AS_OF), "--agents", agents, "--out", str(folder / "out")]) == 0
    return folder / "out"


@pytest.mark.parametrize("width", [390, 1280])
def test_long_names_do_not_widen_a_trial_s_pages(trial, tmp_path, width):
    with Browser(tmp_path) as browser:
        for name in ("sheets.html", "sealed-key.html"):
            browser.open(trial / name, width=width)
            assert browser.ask("document.documentElement.scrollWidth") <= width, name
            assert not browser.complaints()
