"""Make the monthly report: a first page, a page per question and all figures as data.

Reads the log (if it has errors, lists them all and stops) and writes into reports/MONTH: index.html to start from, the
pages it links to, and results.json with every number. The pages need a browser and no network; print them from there,
or use --pdf where Chromium is installed. If a report cannot be completed, the one before it stays as it was.
"""

from __future__ import annotations

import argparse
import gc
import sys
from pathlib import Path

from afterdip.cli.common import DONE, a_month, a_number, a_path, add_log, as_of_day, count_words, log_path, say, tell

WORKERS = 2
_SELDOM = 200_000, 20, 100  # thresholds of the garbage collector, which else takes a tenth of the time of the imports


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_log(parser)
    parser.add_argument("--month", metavar="YYYY-MM", type=a_month, required=True, help="the month to report")
    parser.add_argument("--out", metavar="FOLDER", type=a_path, help="where the report goes (default: reports/MONTH)")
    parser.add_argument("--only", metavar="PAGE,...", default="", help="only these pages, for instance survival,labour")
    parser.add_argument(
        "--notebooks", metavar="FOLDER", type=a_path, help="notebooks to use instead of the built-in ones"
    )
    parser.add_argument(
        "--jobs",
        metavar="N",
        type=a_number,
        default=WORKERS,
        help=f"pages worked on at a time (default {WORKERS}); 0 runs each in a Jupyter kernel of its own, slower",
    )
    parser.add_argument("--pdf", action="store_true", help="also the whole month as one PDF, printed by Chromium")
    parser.add_argument(
        "--paper", type=str.lower, choices=("a4", "letter"), default="a4", help="the PDF's paper (default a4)"
    )
    parser.set_defaults(usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Make the report and say where it is."""
    gc.set_threshold(*_SELDOM)
    from afterdip.report.warm import without_url_grammar

    without_url_grammar()
    from afterdip.report.monthly import find_notebooks, write_report
    from afterdip.report.pdf import need_browser
    from afterdip.report.write import pdf_name

    day = as_of_day(args)
    if day < f"{args.month}-01":
        args.usage_error(f"--month {args.month} begins after {day}, the day the report is made for (--as-of)")
    if args.pdf:
        need_browser()  # before minutes of work, not after
    out = args.out or Path("reports") / args.month
    only = [name.strip() for name in args.only.split(",") if name.strip()]
    notebooks = find_notebooks(args.notebooks, only=only)
    with _progress(len(notebooks)) as bar:
        results = write_report(
            log_path(args), out, month=args.month, as_of=day, notebooks=notebooks, jobs=args.jobs, done=bar.update_for,
            paper=args.paper if args.pdf else "",
        )
    if results["warnings"]:
        say(f"The log has {count_words(len(results['warnings']), 'warning', 'warnings')}; see the report.")
    tell(str(out / "index.html"))
    if args.pdf:
        tell(str(out / pdf_name(args.month)))
    return DONE


def _progress(total: int):
    """Return a progress bar on standard error, silent where nobody watches."""
    from tqdm import tqdm

    class Bar(tqdm):
        monitor_interval = 0  # no watching thread: a process with threads is not forked

        def update_for(self, notebook) -> None:
            self.set_postfix_str(notebook.title, refresh=False)
            self.update()

    return Bar(total=total, unit="page", desc="report", leave=False, disable=not sys.stderr.isatty())
