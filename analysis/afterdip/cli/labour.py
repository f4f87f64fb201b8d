"""Say how many hours the work takes: by task and agent, and in the month to come.

Reads the labour rows of the log and says what a session takes in person-minutes, fixed and per piece, what 1,000 pieces
take, and how many person-hours the coming month will need, with limits for that one month. Sessions without labour rows
are not taken as free: they count at the rate of the others.
"""

from __future__ import annotations

import argparse

from afterdip.cli.common import DONE, a_month, add_log, as_of_day, log_path, write_out


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_log(parser)
    parser.add_argument("--pieces", metavar="N", type=_amount, default=0, help="pieces dipped in the coming month")
    parser.add_argument(
        "--sessions", metavar="M", type=_amount, default=0, help="in how many sessions (default: as many as usual)"
    )
    parser.add_argument(
        "--month", metavar="YYYY-MM", type=a_month, help="the last month to learn from (default: the log's last)"
    )
    parser.add_argument(
        "--window", metavar="MONTHS", type=_amount, default=12, help="months of history to learn from (default 12)"
    )
    parser.add_argument("--json", metavar="FILE", help="also write every figure as JSON; - prints it instead")
    parser.set_defaults(usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Compute and print."""
    from afterdip.answers.labour import answer_labour
    from afterdip.answers.labour_months import last_month
    from afterdip.log import read_log

    day = as_of_day(args)
    if args.sessions > args.pieces > 0:
        args.usage_error(f"--sessions {args.sessions} is more than --pieces {args.pieces}")
    log = read_log(log_path(args), as_of=day)
    month = args.month or last_month(log, as_of=day)
    given = {"pieces": args.pieces, "sessions": args.sessions}
    answer = answer_labour(log, month=month, as_of=day, window_months=args.window, **given)
    if args.json:
        _write_json(args.json, answer.to_json(), day)
    if args.json != "-":
        _print(answer)
    return DONE


def _print(answer) -> None:
    from afterdip.tables import labour as tables
    from afterdip.tables.base import as_text
    from afterdip.tables.labour_change import jump_sentence, learning_sentence

    rows = (*answer.tasks, answer.total, *answer.agents, *answer.kinds)
    print(tables.hours_sentence(answer))
    print()
    print(as_text(tables.effort_table(answer, rows, caption=f"Work up to {answer.month}")))
    print()
    print(tables.rinse_sentence(answer))
    print(learning_sentence(answer))
    print(jump_sentence(answer))
    print(tables.forecast_sentence(answer))


def _write_json(name: str, answer: dict, day: str) -> None:
    from afterdip.report.strict import dumps, plain

    write_out(name, dumps(plain({"as_of": day, "labour": answer}, "labour")))


def _amount(text: str) -> int:
    """Return a whole number of 1 or more, or refuse it in words."""
    if not (text.isascii() and text.isdigit() and len(text) <= 9 and int(text) > 0):
        raise argparse.ArgumentTypeError(f"a whole number of 1 or more is wanted; got '{text}'")
    return int(text)
