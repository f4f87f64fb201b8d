"""The `afterdip` command: one verb, one module, each a thin layer over one function.

A verb is a module of this package, named in VERBS, with a docstring (its first line is the help in the list, the rest
the help of the verb), `declare(parser)` and `run(args) -> int`. The modules import what they need inside run(), so
that `afterdip --help` answers at once.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import inspect
import os
import signal
import sys
from collections.abc import Sequence

from afterdip import __version__
from afterdip.cli.common import DONE, FAILED, LOG_HAS_ERRORS, WRONG_USE, PrintError, say

VERBS = ("new", "demo", "check", "report", "compare", "labour", "redip", "release", "trial")
_ABOUT = """What your dip logs say: what survived after dipping, what the dips removed, and how sure that is."""
_STATUS = """exit status: 0 done; 1 the log has errors; 2 wrong use; 3 it could not be done (no space, a page failed)"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of every verb."""
    parser = argparse.ArgumentParser(prog="afterdip", description=_ABOUT, epilog=_STATUS)
    parser.add_argument("--version", action="version", version=f"afterdip {__version__}")
    verbs = parser.add_subparsers(metavar="VERB", required=True)
    for name in VERBS:
        module = importlib.import_module(f"afterdip.cli.{name}")
        summary, _, more = inspect.cleandoc(module.__doc__).partition("\n")
        text = {"formatter_class": argparse.RawDescriptionHelpFormatter, "description": f"{summary}\n{more}"}
        verb = verbs.add_parser(name, help=summary[:1].lower() + summary[1:].rstrip("."), epilog=_STATUS, **text)
        module.declare(verb)
        verb.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)
        verb.set_defaults(run=module.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return the exit status; wrong arguments end in argparse's own exit with status 2."""
    _open_streams()
    args = build_parser().parse_args(argv)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before NumPy: a report forks, and its sums are small
    before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))  # so that a stop tidies up
    try:
        status = args.run(args)
        return _printed(status)
    except BrokenPipeError:  # the reader of a pipe, such as `head`, has seen enough
        _silence()
        return DONE
    except KeyboardInterrupt:
        say("stopped; nothing was changed")
        return 128 + signal.SIGINT
    except Exception as error:
        if args.debug:
            say(getattr(error, "trace", ""))
            raise
        return _explain(error)
    finally:
        signal.signal(signal.SIGTERM, before)


def _open_streams() -> None:
    """Have all three streams open: where one was closed (`>&-`), the next file opened would take its place."""
    while (opened := os.open(os.devnull, os.O_RDWR)) < 3:
        os.set_inheritable(opened, True)
    os.close(opened)
    sys.stdout = sys.stdout or os.fdopen(1, "w", closefd=False)
    sys.stderr = sys.stderr or os.fdopen(2, "w", closefd=False)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal without a sign must not cost the message


def _silence() -> None:
    """Let what is still waiting to be printed go nowhere, so that the end of the program does not trip over it."""
    with contextlib.suppress(OSError, ValueError):  # a stream that is no file
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _printed(status: int) -> int:
    """Return the status once what was printed is out; raises PrintError."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise PrintError(f"not all could be printed: {error.strerror}; what went into files is there") from error
    return status


def _explain(error: Exception) -> int:
    """Say what went wrong in words and return the exit status."""
    from afterdip.errors import DataError
    from afterdip.report.notebook import NotebookError, PageError
    from afterdip.report.pdf import PdfError
    from afterdip.report.write import FolderError

    if isinstance(error, DataError):
        for problem in error.problems:
            say(problem)
        n = len(error.problems)
        say(f"{n} {'error' if n == 1 else 'errors'} in the log; nothing was written")
        return LOG_HAS_ERRORS
    if isinstance(error, PageError):
        say(f"{error}\nThe report was not written; an earlier one is as it was.")
        return LOG_HAS_ERRORS if error.kind == "DataError" else FAILED
    if isinstance(error, (NotebookError, FolderError)):
        say(str(error))
        return WRONG_USE
    if isinstance(error, PdfError):
        say(f"{error}\nThe report was not written; an earlier one is as it was.")
        return FAILED
    if isinstance(error, PrintError):
        _silence()
        say(str(error))
        return FAILED
    if isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        say(f"{place}{error.strerror or error}; nothing was changed")
        return FAILED
    say(f"{type(error).__name__}: {error}\nThis should not happen; --debug shows where it did.")
    return FAILED
