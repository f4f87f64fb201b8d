"""results.json: every number of a report in one document, checked against its schema when written."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from afterdip import __version__
from afterdip.errors import DataError
from afterdip.report.notebook import Notebook
from afterdip.report.strict import plain

if TYPE_CHECKING:
    from nbformat import NotebookNode

    from afterdip.log import Log

ANSWER = "application/vnd.afterdip.answer+json"
_PLACE_IN_LIST = re.compile(r"(?<=\.)\d+(?=[.:])|(?<=\[)\d+(?=\])")
PATHS = ("log", "last_report")  # parameters that say where files lay on one machine
SCHEMA = Path(__file__).with_name("results.schema.json")
FAULTS_SHOWN, FAULT_LENGTH = 5, 200  # kinds of fault, characters of each


def collect(
    log: Log,
    pages: Sequence[tuple[Notebook, NotebookNode]],
    *,
    month: str,
    as_of: str,
    parameters: Mapping[str, object],
) -> dict:
    """Return the document: where the numbers come from, and each page's recorded answers under their names.

    `parameters`: those given to every page. PATHS are left out, for a path says where a file lay on one machine, while
    the files' names and SHA-256 say which they were. Raises ValueError if two answers share a name.
    """
    given = {name: value for name, value in parameters.items() if name not in PATHS}
    document = {
        "month": month,
        "as_of": as_of,
        "version": __version__,
        "pages": [{"name": n.name, "title": n.title, "file": f"{n.name}.html"} for n, _ in pages],
        "parameters": {n.name: {k: v for k, v in n.defaults.items() if k not in PATHS} | given for n, _ in pages},
        "log": {"files": [asdict(file) for file in log.files]},
        "settings": asdict(log.settings),
        "warnings": [asdict(warning) for warning in log.warnings],
    }
    document = plain(document, "results")
    for notebook, node in pages:
        for name, answer in recorded(node):
            if name in document:
                raise ValueError(f"{notebook.path.name} records '{name}', a name that is already taken")
            document[name] = answer  # plain since it was recorded
    return document


def recorded(node: NotebookNode) -> list[tuple[str, object]]:
    """Return the answers an executed notebook recorded, in order."""
    outputs = [output for cell in node.cells for output in cell.get("outputs", [])]
    bundles = [output.data[ANSWER] for output in outputs if ANSWER in output.get("data", {})]
    return [(bundle["name"], bundle["answer"]) for bundle in bundles]


def check_results(document: dict) -> None:
    """Raise ValueError with the ways in which a document is not what the schema describes: page, key and fault.

    A fault that all rows of a list share is named once, with how many more there are, and only the first kinds are.
    Beyond what a schema can say: limits are in order. A report has some 10,000 estimates, on which jsonschema takes
    seconds; fastjsonschema finds in a tenth of that whether all is well, and jsonschema is asked only when it is not.
    """
    import fastjsonschema

    wrong = [f"{place}: limits crossed" for place in _crossed(document, "results")]
    try:
        _fast_check()(document)
    except fastjsonschema.JsonSchemaException as error:
        wrong += _every_fault(document) or [str(error)]
    if wrong:
        raise ValueError("\n".join([f"results.json would not be valid, {len(wrong)} in all:", *_first_faults(wrong)]))


def _first_faults(wrong: list[str]) -> list[str]:
    """Return the first fault of each kind, cut to a line; of a kind are those that differ by places in lists only."""
    kinds: dict[str, list[str]] = {}
    for fault in wrong:
        kinds.setdefault(_PLACE_IN_LIST.sub("", fault), []).append(fault)
    out = []
    for first, *rest in [*kinds.values()][:FAULTS_SHOWN]:
        cut = first if len(first) <= FAULT_LENGTH else f"{first[:FAULT_LENGTH]}..."
        out.append(f"{cut} (and {len(rest)} more like it)" if rest else cut)
    others = sum(map(len, [*kinds.values()][FAULTS_SHOWN:]))
    return [*out, *([f"... and {others} of other kinds"] if others else [])]


def _every_fault(document: dict) -> list[str]:
    from jsonschema import Draft7Validator

    found = Draft7Validator(_schema()).iter_errors(document)
    found = sorted(found, key=lambda error: list(map(str, error.absolute_path)))
    return [f"{'.'.join(map(str, error.absolute_path)) or 'results'}: {_told(error)}" for error in found]


def _told(error) -> str:
    """Return what is wrong, an object or a list named as such instead of written out."""
    for kind, words in ((dict, "an object"), (list, "a list")):
        if isinstance(error.instance, kind):
            return error.message.replace(repr(error.instance), words)
    return error.message


def _schema() -> dict:
    return json.loads(SCHEMA.read_text(encoding="utf-8"))


@cache
def _fast_check():
    import fastjsonschema

    return fastjsonschema.compile(_schema())


def _crossed(node: object, name: str) -> Iterator[str]:
    """Yield the place of every object in `node`, which is called `name`, whose `low` is above its `high`."""
    if isinstance(node, dict):
        low, high = node.get("low"), node.get("high")
        if isinstance(low, (int, float)) and isinstance(high, (int, float)) and low > high:
            yield name
    inside = node.items() if isinstance(node, dict) else enumerate(node)
    for key, item in inside:
        if isinstance(item, (dict, list)):
            for place in _crossed(item, f".{key}" if isinstance(node, dict) else f"[{key}]"):
                yield name + place


def unchanged(before: Log, after: Log) -> None:
    """Raise DataError if a file of the log changed while its report was being made."""
    was, now = ({file.name: file.sha256 for file in log.files} for log in (before, after))
    if changed := sorted(name for name in was.keys() | now.keys() if was.get(name) != now.get(name)):
        raise DataError([f"{name}: changed while the report was being made; run the report again" for name in changed])
