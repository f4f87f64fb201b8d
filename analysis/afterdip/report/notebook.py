"""A notebook as data: its title, the parameters it declares, and the same notebook with other values put in."""

from __future__ import annotations

import ast
import copy
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nbformat import NotebookNode

KERNEL = "python3"
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_HEADING = re.compile(r"^(#{1,6})\s+(.+?)\s*#*$", re.MULTILINE)


class NotebookError(ValueError):
    """A notebook that cannot make a page, or parameters it does not declare."""


class PageError(Exception):
    """A page could not be made: which page, under which heading, and what the failing cell said."""

    def __init__(self, page: str, question: str, kind: str, message: str, trace: str = "") -> None:
        self.page, self.question, self.kind, self.message, self.trace = page, question, kind, message, trace
        at = f", at '{question}'" if question else ""
        super().__init__(f"page '{page}'{at}: {kind + ': ' if kind else ''}{message}")


@dataclass(frozen=True, slots=True)
class Notebook:
    """A notebook read from `path`: its nodes, its title and the parameters it declares with their defaults."""

    path: Path
    node: NotebookNode
    title: str
    defaults: Mapping[str, object] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The page's name: the file's name without its ending."""
        return self.path.stem


def read_notebook(path: Path) -> Notebook:
    """Read a notebook and what it declares; outputs it was saved with are left behind.

    Raises NotebookError for a file that is no notebook, a name that cannot be a page's, a notebook without a `# Title`
    on top or a cell tagged `parameters`, or whose parameters are anything but `name = literal`.
    """
    import nbformat

    if not re.fullmatch(r"[\w-]+", path.stem, re.ASCII) or path.stem == "index":
        raise NotebookError(f"{path.name}: a page's name holds letters, digits, - and _, and is not 'index'")
    try:
        node = nbformat.read(path, as_version=4)
    except Exception as error:  # nbformat raises its own, json's and the system's errors
        raise NotebookError(f"{path.name} is no readable notebook: {error}") from error
    for cell in node.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    first = next((cell.source for cell in node.cells if cell.cell_type == "markdown"), "")
    title = _HEADING.match(first.lstrip())
    if not title or title[1] != "#":
        raise NotebookError(f"{path.name}: the first text cell must begin with '# Title'")
    return Notebook(path=path, node=node, title=title[2], defaults=_declared(node, path.name))


def _declared(node: NotebookNode, name: str) -> dict[str, object]:
    """Return the parameters with their defaults.

    papermill's own inspector misses annotated names and only warns where the tag is missing, then runs on defaults
    (nteract/papermill#818): here the cell is parsed as Python and must be plain assignments of literals.
    """
    tagged = [c for c in node.cells if c.cell_type == "code" and "parameters" in c.metadata.get("tags", [])]
    if len(tagged) != 1:
        raise NotebookError(f"{name}: one code cell must be tagged 'parameters', found {len(tagged)}")
    found = {}
    try:
        for line in ast.parse(tagged[0].source).body:
            if not isinstance(line, ast.Assign) or len(line.targets) != 1 or not isinstance(line.targets[0], ast.Name):
                raise ValueError(ast.unparse(line))
            found[line.targets[0].id] = ast.literal_eval(line.value)
    except (SyntaxError, ValueError) as error:
        raise NotebookError(f"{name}: the parameters cell may only hold 'name = literal', got: {error}") from None
    return found


def check_parameters(notebook: Notebook, parameters: Mapping[str, object]) -> None:
    """Raise NotebookError for a parameter the notebook does not declare or a value of another type than its own."""
    for name, value in parameters.items():
        if name not in notebook.defaults:
            known = ", ".join(notebook.defaults) or "none"
            raise NotebookError(f"{notebook.path.name} declares no parameter '{name}' (it declares {known})")
        default = notebook.defaults[name]
        same = isinstance(value, type(default)) and isinstance(value, bool) == isinstance(default, bool)
        if not (same or default is None or (type(default), type(value)) == (float, int)):
            raise NotebookError(f"{notebook.path.name}: '{name}' takes a value like {default!r}, got {value!r}")


def with_parameters(notebook: Notebook, parameters: Mapping[str, object]) -> NotebookNode:
    """Return a copy of the notebook with the `injected-parameters` cell that papermill makes; the original stays.

    Every value is written as a literal, so nothing in a value is ever run.
    """
    from nbformat.v4 import new_code_cell

    check_parameters(notebook, parameters)
    node = copy.deepcopy(notebook.node)
    for cell in node.cells:
        cell.metadata.setdefault("tags", [])
    injected = new_code_cell(source=_assignments(parameters), metadata={"tags": ["injected-parameters"]})
    cells = [cell for cell in node.cells if "injected-parameters" not in cell.metadata.tags]
    place = next(i for i, cell in enumerate(cells) if "parameters" in cell.metadata.tags)
    node.cells = [*cells[: place + 1], injected, *cells[place + 1 :]]
    return node


def _assignments(parameters: Mapping[str, object]) -> str:
    """Return the parameters as papermill writes them, which costs a tenth of a second to import and is asked for lists.

    Text is quoted in ASCII: escapes stand for whatever else it holds.
    """
    lines = ["# Parameters"]
    for name, value in parameters.items():
        if isinstance(value, str):
            quoted = value.encode("unicode_escape").decode("ascii").replace('"', r"\"")
            lines.append(f'{name} = "{quoted}"')
        elif value is None or isinstance(value, (bool, int)) or (isinstance(value, float) and math.isfinite(value)):
            lines.append(f"{name} = {value}")
        else:
            from papermill.translators import PythonTranslator

            lines.append(f"{name} = {PythonTranslator.translate(value)}")
    return "\n".join([*lines, ""])


def failure(notebook: Notebook, node: NotebookNode) -> PageError | None:
    """Return what went wrong in an executed notebook, or None."""
    question = ""
    for cell in node.cells:
        if cell.cell_type == "markdown":
            headings = [text for marks, text in _HEADING.findall(cell.source) if len(marks) > 1]
            question = headings[-1] if headings else question
        for output in cell.get("outputs", []):
            if output.output_type == "error":
                trace = _COLOUR.sub("", "\n".join(output.traceback))
                return PageError(notebook.title, question, output.ename, output.evalue, trace)
    return None
