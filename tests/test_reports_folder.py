"""The month in reports/ is what the code makes of the demo log today: numbers, words and which figures stand where.

Numbers may differ in their last digits between processors, and pictures in their pixels between builds of FreeType;
everything else is the same bytes. To bring the month up to date: `make report`, look at it, commit it.
"""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from support_notebooks import clean_environment

ROOT = Path(__file__).parents[1]
SHOWN = ROOT / "reports" / "2026-10"
STALE = "reports/2026-10 is not what the code makes now: run `make report`, look at it, commit it"
SAME = 1e-6  # relative, and absolute beside 1
_PICTURE = re.compile(r'src="data:image/png;base64,[^"]*"')


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    """Render the demo month as `make report` does."""
    out = tmp_path_factory.mktemp("reports") / "2026-10"
    recipe = (ROOT / "Makefile").read_text(encoding="utf-8")
    month, as_of = (re.search(rf"^{name} := (.+)$", recipe, re.MULTILINE)[1] for name in ("MONTH", "AS_OF"))
    options = ["--month", month, "--as-of", as_of, "--out", str(out)]
    command = [sys.executable, "-m", "afterdip", "report", str(ROOT / "data" / "demo" / "log"), *options]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600, env=clean_environment())
    assert done.returncode == 0, done.stderr
    return out


def differences(was, now, place="results"):
    """Yield where two documents differ by more than the last digits of a number."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted(was.keys() | now.keys()):
            if key not in was or key not in now:
                yield f"{place}.{key} is only in {'the new one' if key in now else 'the committed one'}"
            else:
                yield from differences(was[key], now[key], f"{place}.{key}")
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        for i, (a, b) in enumerate(zip(was, now, strict=True)):
            yield from differences(a, b, f"{place}[{i}]")
    elif isinstance(was, float) and isinstance(now, (int, float)) and not isinstance(now, bool):
        if abs(was - now) > SAME * max(1.0, abs(was)):
            yield f"{place}: {was!r}, now {now!r}"
    elif was != now:
        yield f"{place}: {was!r}, now {now!r}"[:300]


def test_the_committed_numbers_are_those_of_today(fresh):
    was, now = (json.loads((folder / "results.json").read_text(encoding="utf-8")) for folder in (SHOWN, fresh))
    found = list(differences(was, now))
    assert not found, "\n".join([STALE, *found[:10]])


def test_the_committed_pages_are_those_of_today(fresh):
    was, now = ({path.name for path in folder.iterdir() if path.suffix != ".pdf"} for folder in (SHOWN, fresh))
    assert was == now, STALE
    for page in sorted(name for name in now if name.endswith(".html")):
        old, new = (_PICTURE.sub("src=picture", (f / page).read_text(encoding="utf-8")) for f in (SHOWN, fresh))
        assert old == new, f"{page}: {STALE}"


def test_differences_are_noticed():
    was = {"a": [1.0, {"b": 0.5}], "c": "words", "n": 3, "flag": True}
    assert not list(differences(was, {"a": [1.0 + 1e-9, {"b": 0.5}], "c": "words", "n": 3, "flag": True}))
    for change in ({"a": [1.001, {"b": 0.5}]}, {"a": [1.0]}, {"c": "other"}, {"n": 4}, {"more": 1}, {"flag": 1.5}):
        assert len(list(differences(was, was | change))) == 1


def test_the_month_stays_small_enough_to_clone():
    assert sum(path.stat().st_size for path in SHOWN.iterdir() if path.suffix != ".pdf") < 6_000_000


def test_the_readme_shows_pictures_that_are_there():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text)
    assert len(pictures) == 2
    assert all((ROOT / picture).read_bytes().startswith(b"\x89PNG") for picture in pictures)
