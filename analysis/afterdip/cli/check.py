"""Check a log: every error and every warning, with file, row and column.

Errors stop a report: each line says where, what was expected and what is there. Warnings do not stop it; the report
lists them, because they say how far to trust its figures.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict

from afterdip.cli.common import DONE, LOG_HAS_ERRORS, add_log, as_of_day, count_words, log_path, write_out


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_log(parser)
    parser.add_argument("--json", metavar="FILE", help="also write what was found as JSON; - prints it instead")


def run(args: argparse.Namespace) -> int:
    """Check and print."""
    from afterdip.log import check_log

    day = as_of_day(args)
    found = check_log(log_path(args), as_of=day)
    if args.json:
        _write_json(args.json, found, day)
    if args.json != "-":
        for kind, problems in (("error", found.problems), ("warning", found.warnings)):
            for problem in problems:
                print(f"{kind}: {problem}")
        rows = count_words(sum(file.rows_read for file in found.files), "row", "rows")
        errors = count_words(len(found.problems), "error", "errors")
        warnings = count_words(len(found.warnings), "warning", "warnings")
        print(f"{args.log}: {errors}, {warnings} in {rows} (as of {day})")
    return LOG_HAS_ERRORS if found.problems else DONE


def _write_json(name: str, found, day: str) -> None:
    from afterdip.report.strict import dumps, plain

    document = {
        "as_of": day,
        "errors": [asdict(problem) for problem in found.problems],
        "warnings": [asdict(warning) for warning in found.warnings],
        "files": [asdict(file) for file in found.files],
    }
    write_out(name, dumps(plain(document, "check")))
