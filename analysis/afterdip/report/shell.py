"""Runs the cells of one notebook in this process, without a kernel, and keeps their outputs as a notebook keeps them.

The same IPython that a kernel wraps, with the display hooks writing into the notebook instead of to a socket. The
process is meant to be a fork that ends afterwards: IPython replaces `__main__` and the standard streams.
"""

from __future__ import annotations

import base64
import sys
from typing import TYPE_CHECKING

from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from IPython.core.profiledir import ProfileDir
from nbformat.v4 import new_output
from traitlets import Type
from traitlets.config import Config

if TYPE_CHECKING:
    from nbformat import NotebookNode


class Outputs:
    """The outputs of the cell being run, and where displays with an id can be found again."""

    def __init__(self) -> None:
        self.cell: list[NotebookNode] = []
        self._shown: dict[str, list[NotebookNode]] = {}
        self._clear_first = False

    def start(self) -> list[NotebookNode]:
        """Begin a cell; returns the list its outputs go to."""
        self.cell, self._clear_first = [], False
        return self.cell

    def add(self, output: NotebookNode, display_id: str | None = None) -> None:
        """Append one output; text to a stream joins that stream's text since the last display."""
        if self._clear_first:
            self.cell.clear()
            self._clear_first = False
        if output.output_type == "stream" and (same := self._stream(output.name)) is not None:
            same.text += output.text
            return
        self.cell.append(output)
        if display_id:
            self._shown.setdefault(display_id, []).append(output)

    def _stream(self, name: str) -> NotebookNode | None:
        """Return the stream of that name among the outputs since the last display, as nbclient joins them."""
        for output in reversed(self.cell):
            if output.output_type != "stream":
                return None
            if output.name == name:
                return output
        return None

    def update(self, data: dict, metadata: dict, display_id: str) -> None:
        """Change every display with that id."""
        for output in self._shown.get(display_id, []):
            output.update(new_output(output.output_type, data=data, metadata=metadata))

    def clear(self, *, wait: bool) -> None:
        """Forget the cell's outputs, now or when the next one comes."""
        self._clear_first = wait
        if not wait:
            self.cell.clear()


class _Publisher(DisplayPublisher):
    def publish(self, data, metadata=None, source=None, *, transient=None, update=False, **_) -> None:
        data, metadata = _text_images(data), metadata or {}
        display_id = (transient or {}).get("display_id")
        if display_id:
            self.shell.outputs.update(data, metadata, display_id)
        if not update:
            self.shell.outputs.add(new_output("display_data", data=data, metadata=metadata), display_id)

    def clear_output(self, wait=False) -> None:
        self.shell.outputs.clear(wait=wait)


class _Hook(DisplayHook):
    def write_output_prompt(self) -> None:
        pass

    def write_format_data(self, format_dict, md_dict=None) -> None:
        count = self.prompt_count
        output = new_output("execute_result", data=_text_images(format_dict), metadata=md_dict or {})
        output.execution_count = count
        self.shell.outputs.add(output)

    def finish_displayhook(self) -> None:
        self._is_active = False


def _text_images(data: dict) -> dict:
    """Return the bundle with binary images as base64 text, as a kernel sends them."""
    return {k: base64.b64encode(v).decode("ascii") if isinstance(v, bytes) else v for k, v in data.items()}


class _Stream:
    """Standard output or error of a cell."""

    encoding, errors, closed = "utf-8", "strict", False

    def __init__(self, name: str, outputs: Outputs) -> None:
        self.name, self._outputs = name, outputs

    def write(self, text: str) -> int:
        if not isinstance(text, str):
            raise TypeError(f"write() takes text, not {type(text).__name__}")
        if text:
            self._outputs.add(new_output("stream", name=self.name, text=text))
        return len(text)

    def writelines(self, lines) -> None:
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        pass

    def isatty(self) -> bool:
        return False

    def writable(self) -> bool:
        return True


class PageShell(InteractiveShell):
    """IPython without history, profile, terminal or kernel: nothing of the user's own set-up can reach a page."""

    display_pub_class = Type(_Publisher)
    displayhook_class = Type(_Hook)

    def __init__(self, outputs: Outputs) -> None:
        self.outputs = outputs
        settings = {"HistoryManager": {"enabled": False}, "InteractiveShell": {"colors": "nocolor"}}
        super().__init__(config=Config(settings))

    def init_ipython_dir(self, ipython_dir) -> None:
        """No folder of the user's is looked for or made."""

    def init_profile_dir(self, profile_dir) -> None:
        """A profile without a place: no start-up files, nothing written."""
        self.profile_dir = ProfileDir()

    def init_completer(self) -> None:
        """Nobody types here."""

    def init_virtualenv(self) -> None:
        """The interpreter that runs is the right one."""

    def _showtraceback(self, etype, evalue, stb) -> None:
        self.outputs.add(new_output("error", ename=etype.__name__, evalue=str(evalue), traceback=list(stb)))


def run_cells(node: NotebookNode) -> None:
    """Run a notebook's code cells in order, writing outputs and counts into `node`; stops after a cell that fails."""
    outputs = Outputs()
    sys.stdout, sys.stderr = _Stream("stdout", outputs), _Stream("stderr", outputs)
    shell = PageShell.instance(outputs)  # display() asks for the one instance
    for cell in node.cells:
        if cell.cell_type != "code" or not cell.source.strip():
            continue
        cell.execution_count = shell.execution_count
        cell.outputs = outputs.start()
        result = shell.run_cell(cell.source, store_history=True)
        if not result.success:
            if not any(output.output_type == "error" for output in cell.outputs):  # IPython only prints an interrupt
                error = result.error_before_exec or result.error_in_exec
                outputs.add(new_output("error", ename=type(error).__name__, evalue=str(error), traceback=[]))
            break
