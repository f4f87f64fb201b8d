"""Running notebooks: parameters as data, one namespace each, the same outputs by either route, failures in words."""

import signal

import pytest

from afterdip.report.monthly import find_notebooks
from afterdip.report.notebook import NotebookError, read_notebook, with_parameters
from afterdip.report.run import run_notebooks
from support_notebooks import outputs, run_alone, shown, write_notebook

HOSTILE = [
    "quote \" and ' and \"\"\" and '''",
    "line\nbreak\r\nand\ttab\x00\x1b[31m",
    "back\\slash \\n \\",
    '"; __import__("os").abort(); "',
    "{month} %s ${HOME} {{ log }} `id` $(id)",
    "# comment\nlog = 'other'",
    "\u2028\u2029 é \U0001f41f \ud7ff",
    "",
]


def code(node):
    return [cell.source for cell in node.cells if cell.cell_type == "code"]


def test_title_and_parameters_are_read(tmp_path):
    notebook = read_notebook(write_notebook(tmp_path / "survival.ipynb", title="Survival after a dip"))
    assert (notebook.name, notebook.title) == ("survival", "Survival after a dip")
    assert notebook.defaults == {"log": "demo", "month": "2026-10", "as_of": "2026-11-20", "window_months": 12}


@pytest.mark.parametrize(
    "parameters, message",
    [
        (None, "one code cell must be tagged 'parameters', found 0"),
        ("import os", "may only hold 'name = literal', got: import os"),
        ("month = str(1)", "may only hold 'name = literal'"),
        ("month: str = 'x'", "may only hold 'name = literal'"),
        ("a = b = 1", "may only hold 'name = literal'"),
        ("month = ", "may only hold 'name = literal'"),
    ],
)
def test_a_notebook_that_declares_badly_is_refused(tmp_path, parameters, message):
    path = write_notebook(tmp_path / "p.ipynb", parameters=parameters)
    with pytest.raises(NotebookError, match=r"^p\.ipynb: ") as error:
        read_notebook(path)
    assert message in str(error.value)


def test_what_is_no_notebook_is_refused(tmp_path):
    (tmp_path / "p.ipynb").write_text("not json")
    with pytest.raises(NotebookError, match=r"p\.ipynb is no readable notebook"):
        read_notebook(tmp_path / "p.ipynb")
    with pytest.raises(NotebookError, match="no notebooks in"):
        find_notebooks(tmp_path / "empty")


def test_a_notebook_without_a_title_is_refused(tmp_path):
    path = write_notebook(tmp_path / "p.ipynb", title="x")
    path.write_text(path.read_text().replace("# x", "no title"))
    with pytest.raises(NotebookError, match="must begin with '# Title'"):
        read_notebook(path)


@pytest.mark.parametrize("name", ["index", "two words", "a#b", "a%20b", "ä"])
def test_a_name_that_cannot_be_a_page_s_is_refused(tmp_path, name):
    with pytest.raises(NotebookError, match="a page's name holds letters, digits, - and _, and is not 'index'"):
        read_notebook(write_notebook(tmp_path / f"{name}.ipynb"))


def test_outputs_a_notebook_was_saved_with_are_left_behind(tmp_path):
    import nbformat

    path = write_notebook(tmp_path / "p.ipynb", "  ", "1")
    node = nbformat.read(path, as_version=4)
    for cell in node.cells[1:]:
        cell.outputs, cell.execution_count = [nbformat.v4.new_output("stream", name="stdout", text="old")], 3
    nbformat.write(node, path)
    assert not [o for cell in read_notebook(path).node.cells for o in cell.get("outputs", [])]


def test_pages_keep_the_report_s_order_and_only_chooses(tmp_path):
    for name in ("zebra", "quality", "removal", "survival", "apple"):
        write_notebook(tmp_path / f"{name}.ipynb")
    names = [n.name for n in find_notebooks(tmp_path)]
    assert names == ["survival", "removal", "quality", "apple", "zebra"]
    assert [n.name for n in find_notebooks(tmp_path, only=["zebra", "removal"])] == ["removal", "zebra"]
    with pytest.raises(NotebookError, match=r"there is no page 'labor'; the pages are survival, removal, quality"):
        find_notebooks(tmp_path, only=["labor"])


@pytest.mark.parametrize(
    "given, message",
    [
        ({"weeks": 3}, r"p\.ipynb declares no parameter 'weeks' \(it declares log, month, as_of, window_months\)"),
        ({"window_months": "12"}, "'window_months' takes a value like 12, got '12'"),
        ({"window_months": True}, "'window_months' takes a value like 12, got True"),
        ({"month": 202610}, "'month' takes a value like '2026-10', got 202610"),
        ({"month": None}, "'month' takes a value like '2026-10', got None"),
    ],
)
def test_parameters_not_declared_or_of_another_type_are_refused_before_anything_runs(tmp_path, given, message):
    notebook = read_notebook(write_notebook(tmp_path / "p.ipynb", "raise SystemError('it ran')"))
    with pytest.raises(NotebookError, match=message):
        run_notebooks([notebook], given)


def test_whole_numbers_pass_for_decimal_ones_and_jobs_cannot_be_negative(tmp_path):
    notebook = read_notebook(write_notebook(tmp_path / "p.ipynb", parameters="level = 0.95"))
    assert "level = 1" in code(with_parameters(notebook, {"level": 1}))[1]
    with pytest.raises(ValueError, match="jobs must be 0 or more"):
        run_notebooks([], {}, jobs=-1)


@pytest.mark.parametrize("text", HOSTILE)
def test_values_are_data_whatever_they_hold(tmp_path, text):
    notebook = read_notebook(write_notebook(tmp_path / "p.ipynb"))
    before = [cell.source for cell in notebook.node.cells]
    injected = code(with_parameters(notebook, {"log": text}))[1]
    namespace = {}
    exec(compile(injected, "injected", "exec"), {"__builtins__": {}}, namespace)  # no builtins: a call would fail
    assert namespace == {"log": text}
    assert [cell.source for cell in notebook.node.cells] == before


@pytest.fixture(scope="module")
def zoo(tmp_path_factory):
    """Notebooks with every kind of output, run by both routes with a hostile parameter."""
    folder = tmp_path_factory.mktemp("zoo")
    write_notebook(
        folder / "a.ipynb",
        "from afterdip.report.show import show_figure, show_text, record\nfrom afterdip.charts.style import figure",
        "## First\n\nwords",
        "fig, ax = figure()\nax.plot([1, 2, 4])\nshow_figure(fig, alt='rises from 1 to 4', caption='Two & <three>')",
        "show_text('plain <b> & words')\nrecord('a', {'x': 1.5, 'list': (1, None)})",
        "import sys\nprint('out 1')\nprint('err', file=sys.stderr)\nprint('out 2')\nprint('out 3', end='')",
        "month",
        "1 + 1;",
        "_ + '!'",
        "from IPython.display import HTML, clear_output, display\nHTML('<p>hi</p>')",
        "handle = display('old', display_id='here')\nhandle.update('new')\nNone",
        "print('gone')\nclear_output()\nprint('gone too')\nclear_output(wait=True)\nprint('stays')",
        "import pandas as pd\npd.DataFrame({'a': [1]})",
        "   \n",
        "seen = 'only here'\nimport os\nos.environ['SEEN'] = 'x'",
        "import matplotlib\nmatplotlib.rcParams['font.size'] = 99",
        "await __import__('asyncio').sleep(0, 'awaited')",
    )
    write_notebook(
        folder / "b.ipynb",
        "import os\nimport matplotlib\nimport sys",
        "print('seen' in globals(), 'SEEN' in os.environ, matplotlib.rcParams['font.size'] == 99)",
        "print([name for name in dir() if not name.startswith('_')])\nprint(__name__, sys.stdin.isatty())",
    )
    parameters = {"month": HOSTILE[0] + HOSTILE[2]}
    return {jobs: run_alone(folder, parameters, jobs=jobs)["nodes"] for jobs in (0, 1, 2)}


def comparable(node):
    cells = []
    for cell in node["cells"]:
        metadata = {k: v for k, v in cell["metadata"].items() if k not in ("papermill", "execution")}
        injected = "injected-parameters" in metadata.get("tags", [])
        cells.append({**cell, "metadata": metadata, "id": "injected" if injected else cell["id"]})
    return cells


@pytest.mark.parametrize("page", [0, 1])
@pytest.mark.parametrize("jobs", [1, 2])
def test_both_routes_give_the_same_notebook(zoo, page, jobs):
    for plain, forked in zip(comparable(zoo[0][page]), comparable(zoo[jobs][page]), strict=True):
        assert plain == forked


def test_the_routes_ran_the_cells(zoo):
    assert "stays" in shown(zoo[1][0])
    assert "gone" not in shown(zoo[1][0])
    data = [o.get("data", {}) for o in outputs(zoo[1][0])]
    assert sum("image/png" in d for d in data) == 1
    assert {"text/plain": "'awaited'"} in data
    assert {"text/plain": "'new'"} in data
    assert repr(HOSTILE[0] + HOSTILE[2]) in [d.get("text/plain") for d in data]


def test_nothing_set_in_one_notebook_is_seen_in_the_next(zoo):
    for jobs in (0, 1, 2):
        assert shown(zoo[jobs][1]).startswith("False False False\n")
        assert "read_notebook" not in shown(zoo[jobs][1])


@pytest.mark.parametrize("jobs", [0, 1])
def test_a_failing_cell_names_page_question_and_error(tmp_path, jobs):
    write_notebook(
        tmp_path / "p.ipynb",
        "## How many were alive?\n\nwords",
        "from afterdip.errors import DataError\nraise DataError(['trays.csv, row 3: no', 'checks.csv, row 4: no'])",
        "print('never')",
        title="Survival after a dip",
    )
    said = run_alone(tmp_path, jobs=jobs)
    assert said["error"] == (
        "page 'Survival after a dip', at 'How many were alive?': DataError: trays.csv, row 3: no\nchecks.csv, row 4: no"
    )
    assert said["kind"] == "DataError"
    assert "raise DataError" in said["trace"]


@pytest.mark.parametrize("cell", ["1 +", "  x = 1\n y = 2", "import sys\nsys.exit()", "raise KeyboardInterrupt"])
def test_no_way_of_stopping_a_cell_passes_for_a_page(tmp_path, cell):
    write_notebook(tmp_path / "p.ipynb", cell)
    assert run_alone(tmp_path, jobs=1)["error"].startswith("page 'A page': ")


@pytest.mark.parametrize(
    "cell, words",
    [
        ("import os, signal\nos.kill(os.getpid(), signal.SIGKILL)", "stopped by SIGKILL; the machine may have run out"),
        ("import os\nos._exit(0)", "ended before the notebook was complete"),
        ("import os\nos._exit(7)", "its process ended without a word"),
        ("from IPython.display import display\ndisplay({'application/json': {1: {2}}}, raw=True)", ""),
    ],
)
def test_a_process_that_dies_is_a_page_that_failed(tmp_path, cell, words):
    write_notebook(tmp_path / "a.ipynb", cell)
    write_notebook(tmp_path / "b.ipynb", "import time\ntime.sleep(60)", title="Slow")  # is ended with the first
    error = run_alone(tmp_path, jobs=2)["error"]
    assert error.startswith("page 'A page': ")
    assert words in error


def test_children_end_with_their_parent(tmp_path):
    import os
    import subprocess
    import sys
    import time

    from support_notebooks import _RUN, clean_environment

    mark = tmp_path / "pid"
    write_notebook(
        tmp_path / "n" / "a.ipynb",
        f"import os, time\nopen({str(mark)!r}, 'w').write(str(os.getpid()))\ntime.sleep(120)",
    )
    command = [sys.executable, "-c", _RUN, str(tmp_path / "n"), "{}", "1"]
    parent = subprocess.Popen(command, env=clean_environment())
    deadline = time.monotonic() + 60
    while not (mark.exists() and mark.read_text()) and time.monotonic() < deadline:
        time.sleep(0.02)
    child = int(mark.read_text())
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    for _ in range(500):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return
        with open(f"/proc/{child}/stat") as stat:
            if stat.read().split(") ")[1].startswith("Z"):
                return
        time.sleep(0.01)
    pytest.fail("the child outlived its parent")
