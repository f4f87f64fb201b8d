"""The rules notebooks are written by: parameters first, short cells, no logic, nothing stored but text."""

import ast
import json
import re
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))
LOGIC = (
    ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.While, ast.If, ast.IfExp, ast.Try,
    ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp, ast.With,
)  # fmt: skip
COMMON = ("log", "month", "as_of", "window_months")


def code_cells(path):
    cells = json.loads(path.read_text())["cells"]
    return [("".join(c["source"]), c) for c in cells if c["cell_type"] == "code"]


@pytest.fixture(params=NOTEBOOKS, ids=lambda p: p.stem)
def notebook(request):
    return request.param


def test_there_are_notebooks():
    assert NOTEBOOKS


def test_parameters_come_first_as_literals_each_explained(notebook):
    source, cell = code_cells(notebook)[0]
    assert cell["metadata"]["tags"] == ["parameters"]
    names = []
    for line, statement in zip(source.splitlines(), ast.parse(source).body, strict=True):
        assert isinstance(statement, ast.Assign)
        assert isinstance(statement.value, ast.Constant), f"{line}: a literal, so that it can be replaced"
        assert re.search(r"  # \S", line), f"{line}: say what it is and its unit"
        names.append(statement.targets[0].id)
    assert tuple(names[:4]) == COMMON
    others = [c for _, c in code_cells(notebook)[1:]]
    assert not any("parameters" in c["metadata"].get("tags", []) for c in others)


def test_nothing_is_stored_but_text(notebook):
    for _, cell in code_cells(notebook):
        assert cell["outputs"] == []
        assert cell["execution_count"] is None


def test_cells_are_short_and_hold_no_logic(notebook):
    for source, _ in code_cells(notebook)[1:]:
        imports = all(isinstance(n, (ast.Import, ast.ImportFrom)) for n in ast.parse(source).body)
        assert imports or len(source.splitlines()) <= 8, source
        found = [type(n).__name__ for n in ast.walk(ast.parse(source)) if isinstance(n, LOGIC)]
        assert not found, f"{found} in:\n{source}"
        assert not re.search(r"\bround\(|[\"'](/|[A-Za-z]:\\|\.\./)", source), source


def test_a_title_and_a_question_before_each_answer(notebook):
    cells = json.loads(notebook.read_text())["cells"]
    assert "".join(cells[0]["source"]).startswith("# ")
    texts = ["".join(c["source"]) if c["cell_type"] == "markdown" else "" for c in cells]
    headings = [i for i, text in enumerate(texts) if text.startswith("## ")]
    assert headings, "each question is a heading"
    assert all(cells[i + 1]["cell_type"] == "code" for i in headings if i + 1 < len(cells))
