"""Plan a comparison of agents: sessions needed, and tray sheets dealt by lot to print.

Says from your own log how many sessions each agent needs for a verdict, and writes into a new folder: sheets to print
and fill in (sheets.html), the sealed key that says which code is which agent (sealed-key.html), and tables with the
same keys for your log (log-to-fill-in). It recommends no agent for any use: labels rule.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from afterdip.cli.common import DONE, a_number, a_path, add_log, as_of_day, log_path, write_out


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_log(parser)
    names = "the agents to compare, commas between them; 'A at 500 mg/L' is one strength of an agent"
    parser.add_argument("--agents", metavar="A,B", required=True, help=names)
    parser.add_argument("--out", metavar="FOLDER", type=a_path, default=Path("trial"), help="a folder (default: trial)")
    parser.add_argument("--seed", metavar="N", type=a_number, default=1, help="one number, one deal (default 1)")
    parser.add_argument("--blocks", metavar="N", type=a_number, default=12, help="sessions per agent (default 12)")
    parser.add_argument("--trays", metavar="N", type=a_number, help="trays in a session (default: as usual)")
    parser.add_argument("--prefix", metavar="TEXT", default="T", help="first letters of new session names (default T)")
    parser.add_argument("--json", metavar="FILE", help="also write the plan as JSON; - prints it instead")
    parser.set_defaults(usage_error=parser.error)


def run(args: argparse.Namespace) -> int:
    """Plan, write and say where it is."""
    from afterdip.answers.trial import answer_trial
    from afterdip.log import read_log
    from afterdip.report.strict import dumps, plain
    from afterdip.report.trial_sheets import SHEETS, write_trial
    from afterdip.tables.base import as_text
    from afterdip.tables.trial import plan_sentence, plan_table

    day = as_of_day(args)
    if args.blocks == 0 or args.trays == 0:
        args.usage_error("--blocks and --trays must be 1 or more")
    log = read_log(log_path(args), as_of=day)
    names = tuple(name.strip() for name in args.agents.split(",") if name.strip())
    try:
        plan = answer_trial(
            log,
            agents=names,
            as_of=day,
            seed=args.seed,
            blocks=args.blocks,
            trays_per_session=args.trays,
            prefix=args.prefix,
        )
        write_trial(plan, log, args.out, sentence=plan_sentence(plan))
    except (ValueError, FileExistsError) as error:
        args.usage_error(str(error))
    if args.json:
        write_out(args.json, dumps(plain({"as_of": day, "trial": plan.to_json()}, "trial")))
    if args.json != "-":
        print(f"{plan_sentence(plan)}\n\n{as_text(plan_table(plan))}\n\n{args.out / SHEETS}")
    return DONE
