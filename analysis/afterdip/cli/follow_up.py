"""What `redip` and `release` share; no verb of its own."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from afterdip.cli.common import a_number, add_log, as_of_day, log_path, write_out

if TYPE_CHECKING:
    from afterdip.answers.follow_up import FollowUpAnswer


def declare_follow_up(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of both verbs."""
    add_log(parser)
    parser.add_argument("--system", metavar="NAME", default="", help="only trays in water whose name begins with NAME")
    parser.add_argument(
        "--in-hand-days", metavar="N", type=a_number, default=60,
        help="leave out lots with no entry for more than N days (default 60)",
    )  # fmt: skip
    parser.add_argument(
        "--hatch-factor", metavar="X", type=_factor, default=2.0,
        help="latest hatch as a multiple of the mean, where only a mean is published (default 2)",
    )  # fmt: skip
    parser.add_argument("--json", metavar="FILE", help="also write every figure as JSON; - prints it instead")
    parser.set_defaults(usage_error=parser.error)


def answer_of(args: argparse.Namespace) -> FollowUpAnswer:
    """Read the log and answer; the farm's kill and sensitivity come from the twelve months up to --as-of."""
    from afterdip.answers.follow_up import answer_follow_up
    from afterdip.log import read_log

    day = as_of_day(args)
    log = read_log(log_path(args), as_of=day)
    waters = sorted(set(log.trays["system"].dropna()))
    if args.system and not any(water.startswith(args.system) for water in waters):
        known = ", ".join(waters) or "none"
        args.usage_error(f"the log has no water whose name begins with '{args.system}'; it has {known}")
    return answer_follow_up(
        log, month=day[:7], as_of=day, hatch_factor=args.hatch_factor,
        system=args.system, in_hand_days=args.in_hand_days,
    )  # fmt: skip


def write_json(name: str, document: dict, day: str) -> None:
    """Write a document with the day it holds for."""
    from afterdip.report.strict import dumps, plain

    write_out(name, dumps(plain({"as_of": day, **document}, "follow_up")))


def _factor(text: str) -> float:
    """Return a number of 1 or more, or refuse it in words."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 1.0 <= value <= 100.0:
        raise argparse.ArgumentTypeError(f"a number from 1 to 100 is wanted; got '{text}'")
    return value
