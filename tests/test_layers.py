"""The house's arrows: a module imports only layers that stand above its own (DEVELOPERS.md)."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "analysis" / "afterdip"
BASE = ["errors", "estimate"]
ESTIMATORS = [
    "proportion", "survival", "removal", "dose_response", "comparison", "labour", "follow_up", "monitoring", "trial",
]
ALLOWED = {
    "errors": [], "estimate": ["errors"], "log": BASE, "tally": [*BASE, "log"], "demo": [*BASE, "log"],
    **{name: [*BASE, *ESTIMATORS[:i]] for i, name in enumerate(ESTIMATORS)},
    "answers": [*BASE, "log", "tally", *ESTIMATORS],
    "charts": [*BASE, *ESTIMATORS, "answers"],
    "tables": [*BASE, *ESTIMATORS, "answers"],
    "report": [*BASE, "log", "tally", *ESTIMATORS, "answers", "charts", "tables", "demo"],
    "calibrate": [*BASE, "tally", *ESTIMATORS],
}
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p.name not in ("cli.py",) and p.parent != PACKAGE / "cli")


def layer_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_layers(path: Path) -> set[str]:
    package = ["afterdip", *path.relative_to(PACKAGE).parts[:-1]]
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            stem = [*base, *(node.module or "").split(".")] if node.module else base
            names = [".".join([*stem, alias.name]) for alias in node.names]
        else:
            continue
        found |= {name.split(".")[1] for name in names if name.startswith("afterdip.")}
    return found - {"__version__", layer_of(path)}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_up(path):
    layer = layer_of(path)
    if layer in ("__init__", "__main__"):
        assert imported_layers(path) <= {"cli"}
        return
    assert layer in ALLOWED, f"{layer} has no place in the house: add it to DEVELOPERS.md and here"
    assert imported_layers(path) <= set(ALLOWED[layer])


@pytest.mark.parametrize("path", [p for p in MODULES if layer_of(p) in ESTIMATORS], ids=lambda p: p.stem)
def test_estimators_see_arrays_only(path):
    tree = ast.parse(path.read_text())
    modules = {a.name.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    modules |= {(n.module or "").split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and not n.level}
    assert not modules & {"pandas", "matplotlib", "pathlib", "os", "time", "random", "datetime"}
