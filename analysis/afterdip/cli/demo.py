"""Write the demo farm: an invented log to try things out on.

The farm, its corals and its figures are invented and rebuilt from a seed, so that it is the same everywhere. Use it to
see what a report looks like before your own log has a month in it.
"""

from __future__ import annotations

import argparse

from afterdip.cli.common import DONE, a_path


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("folder", metavar="FOLDER", type=a_path, help="where the demo goes; made if it is not there")


def run(args: argparse.Namespace) -> int:
    """Write the demo farm."""
    from afterdip.demo import write_demo
    from afterdip.report.write import FolderError

    if args.folder.exists() and (not args.folder.is_dir() or any(args.folder.iterdir())):
        raise FolderError(f"{args.folder} is not empty; choose a new folder, so that nothing of yours is replaced")
    args.folder.mkdir(parents=True, exist_ok=True)
    write_demo(args.folder)
    print(f"The demo farm (invented) is in {args.folder}.")
    return DONE
