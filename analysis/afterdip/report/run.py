"""Runs notebooks with parameters and hands back the executed notebooks.

Two routes give the same outputs (a test compares them):

- forked: this process imports what the notebooks import, then forks one child per notebook, a few at a time. Each child
  has a namespace of its own and runs the cells in IPython without a kernel. Seven pages take seconds, because nothing
  is imported seven times and no kernel is started.
- plain papermill, one kernel per notebook: wherever forking is not safe (other systems than Linux, a process that has
  threads) and on request (`jobs=0`, or AFTERDIP_PLAIN=1 in the environment).
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING

from afterdip.report.locks import scratch
from afterdip.report.notebook import KERNEL, Notebook, PageError, check_parameters, failure, with_parameters
from afterdip.report.warm import warm

if TYPE_CHECKING:
    from nbformat import NotebookNode

_DIE_WITH_PARENT = 1  # PR_SET_PDEATHSIG of prctl(2)
LONG = ("comparison", "quality", "removal", "dose_response", "survival", "labour")  # begun first, in this order
LONGEST_SOCKET_FOLDER = 90  # a Unix socket has 107 bytes for its path (unix(7)); beyond, kernels are spoken to over TCP


def run_notebooks(
    notebooks: Sequence[Notebook],
    parameters: Mapping[str, object],
    *,
    jobs: int = 2,
    done: Callable[[Notebook], None] = lambda notebook: None,
    where_asked: Mapping[str, object] = MappingProxyType({}),
) -> list[NotebookNode]:
    """Run every notebook with the same parameters; the executed notebooks come back in the given order.

    `jobs`: how many at a time; 0 for plain papermill. `done` is called as each one ends. `where_asked`: parameters for
    those notebooks only that declare them. Raises NotebookError before anything runs if a notebook does not declare a
    parameter, and PageError for the first page that fails.
    """
    if jobs < 0:
        raise ValueError(f"jobs must be 0 or more, got {jobs}")
    given = {}
    for notebook in notebooks:
        asked = {name: value for name, value in where_asked.items() if name in notebook.defaults}
        given[notebook.name] = {**parameters, **asked}
        check_parameters(notebook, given[notebook.name])
    route = _forked if jobs and can_fork() else _plain
    executed: dict[str, NotebookNode] = {}
    with contextlib.closing(route(notebooks, given, jobs)) as results:
        for notebook, node in results:
            if (failed := failure(notebook, node)) is not None:
                raise failed
            executed[notebook.name] = node
            done(notebook)
    return [executed[notebook.name] for notebook in notebooks]


def can_fork() -> bool:
    """Whether the forked route is safe here: on Linux, before this process has any second thread, and not forbidden."""
    plain = os.environ.get("AFTERDIP_PLAIN", "") not in ("", "0")
    return sys.platform == "linux" and threading.active_count() == 1 and not plain


def _plain(notebooks, given, jobs) -> Iterator[tuple[Notebook, NotebookNode]]:
    """Run one notebook after the other by papermill."""
    import copy
    import logging

    from papermill import PapermillExecutionError, execute_notebook
    from traitlets.config import Config

    # its parameter reader warns of what ours has checked, and what it reports as an error it raises too
    logging.getLogger("papermill").setLevel(logging.CRITICAL)
    quiet = {"MPLBACKEND": "agg", "PYTHONSAFEPATH": "1", "JUPYTER_PLATFORM_DIRS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with scratch() as folder, _environment(IPYTHONDIR=str(folder), **quiet):
        # ipc: no TCP port to race for (nteract/papermill#511), none to warn about; its default path is relative
        sockets = {"transport": "ipc", "ip": str(folder / "k")}
        fits = len(os.fsencode(folder)) < LONGEST_SOCKET_FOLDER
        manager = {"connection_file": str(folder / "kernel.json"), **(sockets if fits else {})}
        transport = Config({"KernelManager": manager})
        for notebook in notebooks:
            node = copy.deepcopy(notebook.node)
            options = {"kernel_name": KERNEL, "language": "python", "progress_bar": False, "coalesce_streams": True}
            options["extra_arguments"] = ["--log-level=50"]  # what a kernel says of itself is no part of the report
            try:
                yield notebook, execute_notebook(node, None, dict(given[notebook.name]), config=transport, **options)
            except PapermillExecutionError as error:
                trace = "\n".join(error.traceback)
                yield notebook, _with_error(with_parameters(notebook, given[notebook.name]), error, trace)
            except RuntimeError as error:  # the kernel died, or never came
                hint = "; the machine may have run out of memory" if "died" in str(error) else ""
                raise PageError(notebook.title, "", "", f"its kernel was lost: {error}{hint}") from error


def _with_error(node: NotebookNode, error, trace: str) -> NotebookNode:
    """Return the notebook with papermill's error where it happened: its exception does not carry the notebook."""
    from nbformat.v4 import new_output

    output = new_output("error", ename=error.ename, evalue=error.evalue, traceback=[trace])
    node.cells[error.cell_index].outputs = [output]
    return node


@contextlib.contextmanager
def _environment(**values: str) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            os.environ.pop(name, None) if value is None else os.environ.update({name: value})


def _forked(notebooks, given, jobs) -> Iterator[tuple[Notebook, NotebookNode]]:
    """Run a few notebooks at a time, each in a fork of this process that ends with it."""
    warm(notebooks)
    waiting = sorted(notebooks, key=lambda notebook: [*LONG, notebook.name].index(notebook.name))
    with selectors.DefaultSelector() as pipes:
        running: dict[int, tuple[Notebook, int, bytearray]] = {}
        try:
            while waiting or running:
                while waiting and len(running) < jobs:
                    notebook = waiting.pop(0)
                    pid, pipe = _fork(with_parameters(notebook, given[notebook.name]))
                    running[pipe] = notebook, pid, bytearray()
                    pipes.register(pipe, selectors.EVENT_READ)
                for key, _ in pipes.select():
                    notebook, pid, said = running[key.fd]
                    if data := os.read(key.fd, 1 << 20):
                        said += data
                        continue
                    pipes.unregister(key.fd)
                    os.close(key.fd)
                    del running[key.fd]
                    yield notebook, _heard(notebook, os.waitpid(pid, 0)[1], bytes(said))
        finally:  # a page failed or the run was stopped: nothing may go on behind the reader's back
            for pipe, (_, pid, _) in running.items():
                os.close(pipe)
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)


def _heard(notebook: Notebook, status: int, said: bytes) -> NotebookNode:
    """Return the executed notebook a child sent, or raise PageError for one that died or could not send it."""
    if os.WIFSIGNALED(status):
        name = signal.Signals(os.WTERMSIG(status)).name
        hint = "; the machine may have run out of memory" if name == "SIGKILL" else ""
        raise PageError(notebook.title, "", "", f"its process was stopped by {name}{hint}")
    if os.waitstatus_to_exitcode(status) != 0:
        trace = said.decode("utf-8", "replace")
        last = trace.strip().splitlines()[-1] if trace.strip() else "its process ended without a word"
        raise PageError(notebook.title, "", "", last, trace)
    try:
        return _as_node(json.loads(said))
    except ValueError:
        raise PageError(notebook.title, "", "", "its process ended before the notebook was complete") from None


def _as_node(value: object) -> object:
    """Return parsed JSON with nbformat's attributes, all but outputs' `data`, which hold the many numbers."""
    from nbformat import NotebookNode

    if isinstance(value, dict):
        return NotebookNode({key: item if key == "data" else _as_node(item) for key, item in value.items()})
    return [_as_node(item) for item in value] if isinstance(value, list) else value


def _fork(node: NotebookNode) -> tuple[int, int]:
    """Start a child that runs `node`; returns its process id and the pipe its executed notebook comes through."""
    ours, theirs = os.pipe()
    parent = os.getpid()
    pid = os.fork()
    if pid:
        os.close(theirs)
        return pid, ours
    status = 1
    try:
        _in_child(node, theirs, parent)
        status = 0
    except BaseException:
        with contextlib.suppress(OSError):
            _send(theirs, traceback.format_exc().encode())
    finally:
        os._exit(status)  # no clean-up of the parent's: its temporary files and its report are not the child's


def _in_child(node: NotebookNode, pipe: int, parent: int) -> None:
    """Run the cells and send the notebook; the terminal belongs to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # ctrl-C goes to all; the parent decides and ends its children
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _end_with(parent)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    os.environ["MPLBACKEND"] = "agg"
    from afterdip.report.shell import run_cells

    run_cells(node)
    _send(pipe, json.dumps(node, allow_nan=False).encode())


def _end_with(parent: int) -> None:
    """Have the system end this child when its parent ends, however that happens."""
    import ctypes

    ctypes.CDLL(None, use_errno=True).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
    if os.getppid() != parent:  # it ended before we could ask
        os._exit(1)


def _send(pipe: int, data: bytes) -> None:
    with open(pipe, "wb", closefd=False) as stream:
        stream.write(data)
