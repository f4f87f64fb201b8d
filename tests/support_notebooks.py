"""Small notebooks for tests of the report machinery, and runs of them in a process of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

PARAMETERS = 'log = "demo"  # where\nmonth = "2026-10"  # YYYY-MM\nas_of = "2026-11-20"\nwindow_months = 12'

# The forked route refuses a process with threads, and a test worker may have some: run it as the command line does.
_RUN = """
import json, os, sys
os.environ["OPENBLAS_NUM_THREADS"] = "1"
from pathlib import Path
from afterdip.report.warm import without_url_grammar
without_url_grammar()
from afterdip.report.monthly import find_notebooks
from afterdip.report.notebook import NotebookError, PageError
from afterdip.report.run import can_fork, run_notebooks
assert can_fork() or int(sys.argv[3]) == 0
try:
    nodes = run_notebooks(find_notebooks(Path(sys.argv[1])), json.loads(sys.argv[2]), jobs=int(sys.argv[3]))
    print(json.dumps({"nodes": nodes}))
except PageError as error:
    print(json.dumps({"error": str(error), "kind": error.kind, "trace": error.trace}))
except NotebookError as error:
    print(json.dumps({"refused": str(error)}))
"""


def write_notebook(path: Path, *cells: str, title: str = "A page", parameters: str | None = PARAMETERS) -> Path:
    """Write a notebook; a cell that begins with `#` and a space or `## ` is a text cell."""
    nodes = [new_markdown_cell(f"# {title}", id="title")]
    if parameters is not None:
        nodes.append(new_code_cell(parameters, id="parameters", metadata={"tags": ["parameters"]}))
    for i, cell in enumerate(cells):
        make = new_markdown_cell if cell.startswith(("# ", "## ")) else new_code_cell
        nodes.append(make(cell, id=f"cell-{i}"))
    path.parent.mkdir(parents=True, exist_ok=True)
    nbformat.write(new_notebook(cells=nodes), path)
    return path


def run_alone(folder: Path, parameters: dict | None = None, *, jobs: int = 2) -> dict:
    """Run a folder's notebooks in a fresh process; returns nodes, or the error."""
    command = [sys.executable, "-c", _RUN, str(folder), json.dumps(parameters or {}), str(jobs)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, env=clean_environment())
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def clean_environment(**more: str) -> dict[str, str]:
    """Return this process's environment without what would change the route."""
    return {k: v for k, v in os.environ.items() if k not in ("AFTERDIP_PLAIN", "MPLBACKEND")} | more


def outputs(node: dict) -> list[dict]:
    """Return all outputs of an executed notebook."""
    return [output for cell in node["cells"] for output in cell.get("outputs", [])]


def shown(node: dict) -> str:
    """Return the text an executed notebook printed."""
    return "".join("".join(o["text"]) for o in outputs(node) if o["output_type"] == "stream" and o["name"] == "stdout")
