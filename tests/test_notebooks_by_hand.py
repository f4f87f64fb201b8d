"""A notebook opened by hand, in a kernel of its own and from any folder, runs on the demo and on one's own log."""

import json
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from builders import AS_OF, small_log, write_log

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"
CHOICES = {"comparison": ("first", "second", "coral_group", "pest"), "follow_up": ("system",), "labour": ("pieces",)}


def run(name, folder, **changes):
    """Run a notebook as JupyterLab does, with lines of its first code cell changed; returns the executed notebook."""
    node = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)
    cell = next(cell for cell in node.cells if cell.cell_type == "code")
    lines = cell.source.splitlines()
    for parameter, value in changes.items():
        place = next(i for i, line in enumerate(lines) if line.startswith(f"{parameter} = "))
        lines[place] = f"{parameter} = {value!r}"
    cell.source = "\n".join(lines)
    client = NotebookClient(node, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}})
    return client.execute()


def shown(node):
    return json.dumps([cell.outputs for cell in node.cells if cell.cell_type == "code"])


def test_as_it_is_on_the_demo_from_another_folder(tmp_path):
    assert "image/png" in shown(run("survival", tmp_path))


def test_on_a_log_of_one_s_own_by_a_path_relative_to_where_it_runs(tmp_path):
    write_log(small_log(), tmp_path / "my log")
    node = run("survival", tmp_path, log="my log", month="2026-09", as_of=AS_OF.isoformat())
    assert "43 pieces" in shown(node)


@pytest.mark.parametrize("name", CHOICES)
def test_what_can_be_chosen_is_chosen_in_the_first_cell_alone(name):
    node = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)
    first, *others = (cell.source for cell in node.cells if cell.cell_type == "code")
    for choice in CHOICES[name]:
        assert f"\n{choice} = " in first
        assert not any(line.startswith(f"{choice} = ") for cell in others for line in cell.splitlines())


def test_another_pair_and_coral_group_is_one_cell(tmp_path):
    node = run("comparison", tmp_path, first="iodine-soak", second="salt-step", coral_group="sps")
    assert "iodine-soak minus salt-step" in shown(node)
