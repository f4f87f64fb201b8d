"""Imports, once and before any fork, what the notebooks import."""

from __future__ import annotations

import ast
import contextlib
import gc
import importlib
import io
import sys
from collections.abc import Iterable, Iterator

from afterdip.report.notebook import Notebook

_WITHIN = ("scipy.optimize", "scipy.special")  # what most estimators import inside their functions


def without_url_grammar() -> None:
    """Keep jsonschema from building a grammar of internet addresses at import.

    Where rfc3987_syntax is installed (JupyterLab brings it), jsonschema imports it for a format check that no notebook
    needs, and that costs about two seconds (python-jsonschema/jsonschema#1428). jsonschema copes with its absence.
    """
    sys.modules.setdefault("rfc3987_syntax", None)


def warm(notebooks: Iterable[Notebook]) -> None:
    """Import what the notebooks' cells import and draw one small figure, so that no child has to.

    A module that cannot be imported is left for the cell that wants it, which says so better.
    """
    without_url_grammar()
    import afterdip.report.shell  # noqa: F401

    names = {name for notebook in notebooks for name in _imports(notebook)}
    if any(name.startswith("afterdip.answers") for name in names):
        names.update(_WITHIN)
    for name in sorted(names):
        with contextlib.suppress(Exception):
            importlib.import_module(name)
    if "matplotlib" in sys.modules:
        _draw_once()
    gc.freeze()  # what is here now stays shared with the children


def _imports(notebook: Notebook) -> Iterator[str]:
    for cell in notebook.node.cells:
        if cell.cell_type != "code":
            continue
        with contextlib.suppress(SyntaxError):
            for line in ast.walk(ast.parse(cell.source)):
                if isinstance(line, ast.Import):
                    yield from (alias.name for alias in line.names)
                elif isinstance(line, ast.ImportFrom) and line.module and not line.level:
                    yield line.module


def _draw_once() -> None:
    """Fill matplotlib's caches: the font list, the fonts, the renderer."""
    from matplotlib.figure import Figure

    fig = Figure(figsize=(1, 1), layout="constrained")
    ax = fig.add_subplot(title="warm")
    ax.plot([0, 1], [0, 1], label="line")
    ax.legend()
    fig.savefig(io.BytesIO(), format="png")
