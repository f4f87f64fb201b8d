"""Start a log: empty tables, the farm's settings and a data dictionary.

Writes six tables with their column headings, a settings file (farm.toml) to fill in, and DICTIONARY.md, which says
what every column means and which may stay empty. An existing log is never overwritten.
"""

from __future__ import annotations

import argparse

from afterdip.cli.common import DONE, a_path


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("folder", metavar="FOLDER", type=a_path, help="where the log goes; made if it is not there")
    parser.add_argument("--xlsx", action="store_true", help="one workbook with a sheet per table instead of CSV files")


def run(args: argparse.Namespace) -> int:
    """Write the empty log."""
    from afterdip.log import write_empty_log

    write_empty_log(args.folder, xlsx=args.xlsx)
    print(f"An empty log is in {args.folder}; DICTIONARY.md there says what goes into each column.")
    return DONE
