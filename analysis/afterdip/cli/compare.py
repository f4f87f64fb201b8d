"""Say which of two agents did better, if the log can tell.

Compares kill and loss of like corals, by session; writes one page and results.json, and prints the verdict.
"undecided" is an answer: it comes with the sessions still needed. Without --from and --to the whole log is compared.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from afterdip.cli.common import DONE, a_day, a_path, add_log, as_of_day, count_words, log_path, say, write_out


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_log(parser)
    one = "one agent, as the log names it; 'AGENT at 500 mg/L' for one of its strengths, otherwise all together"
    parser.add_argument("--first", metavar="AGENT", required=True, help=one)
    parser.add_argument("--second", metavar="AGENT", required=True, help="the other agent")
    parser.add_argument("--coral-group", metavar="GROUP", default="", help="only this coral group")
    parser.add_argument("--pest", metavar="PEST", default="", help="only this pest")
    parser.add_argument("--from", metavar="YYYY-MM-DD", type=a_day, dest="start", help="first day of dips")
    parser.add_argument("--to", metavar="YYYY-MM-DD", type=a_day, dest="end", help="last day of dips")
    parser.add_argument("--out", metavar="FOLDER", type=a_path, help="for the page (default: reports/FIRST-SECOND)")
    parser.add_argument("--json", metavar="FILE", help="also write the result as JSON; - prints it and makes no page")
    parser.set_defaults(usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Compare, print the verdict and write the page."""
    from afterdip.answers.comparison import answer_comparison
    from afterdip.log import read_log
    from afterdip.tables.comparison import needed_sentence, targets_sentence, verdict_sentence
    from afterdip.tables.handling import strengths_sentence

    day = as_of_day(args)
    log = read_log(log_path(args), as_of=day)
    scope = {"coral_group": args.coral_group, "pest": args.pest, "start": args.start or "", "end": args.end or ""}
    try:
        answer = answer_comparison(log, first=args.first, second=args.second, as_of=day, **scope)
    except ValueError as error:
        args.usage_error(str(error))
    if args.json:
        _write_json(args.json, answer.to_json(), day)
    if args.json != "-":
        print(verdict_sentence(answer))
        print(needed_sentence(answer))
        print(targets_sentence(answer))
        if pooled := strengths_sentence(answer):
            print(pooled)
        print(_write_page(args, answer, day, scope))
    return DONE


def _write_page(args: argparse.Namespace, answer, day: str, scope: dict[str, str]) -> Path:
    from afterdip.report.warm import without_url_grammar

    without_url_grammar()
    from afterdip.report.monthly import find_notebooks, write_report

    out = args.out or Path("reports") / "-".join(_safe(name) for name in (args.first, args.second))
    days = {"start": f"{answer.scope.start:%Y-%m-%d}", "end": answer.last_day}
    results = write_report(
        log_path(args),
        out,
        month=answer.last_day[:7],
        as_of=day,
        notebooks=find_notebooks(only=["comparison"]),
        more={"first": args.first, "second": args.second, **scope, **days},
    )
    if results["warnings"]:
        say(f"The log has {count_words(len(results['warnings']), 'warning', 'warnings')}; see index.html there.")
    return out / "comparison.html"


def _safe(name: str) -> str:
    """Return a name fit for a folder."""
    return "".join(c if c.isalnum() or c in "-_" else "_" for c in name)


def _write_json(name: str, answer: dict, day: str) -> None:
    from afterdip.report.strict import dumps, plain

    write_out(name, dumps(plain({"as_of": day, "comparison": answer}, "comparison")))
