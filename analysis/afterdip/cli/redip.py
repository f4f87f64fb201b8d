"""Say which trays are due for another dip, when, and why.

For every tray in hand of a lot with pests: the next dip, the last day for it, the dips after it, and the chance that a
pest survives them all (at the farm's own kill of adults, if dips work independently and survivors are no hardier; a
hatchling meets fewer dips, and where a series starts over only the dips to come count). Dips must be closer together
than the time from hatching to the first eggs, and the last one must come after the last egg has hatched: enter both in
farm.toml for each pest. Nothing is guessed: a pest without figures, or water outside their temperature, is listed as
unknown. With --ics the dips go into a calendar file. This counts days; what may be used, and how often, is for label,
safety data sheet and veterinarian.
"""

from __future__ import annotations

import argparse

from afterdip.cli.common import DONE, a_path, write_out
from afterdip.cli.follow_up import answer_of, declare_follow_up, write_json


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    declare_follow_up(parser)
    parser.add_argument("--ics", metavar="FILE", type=a_path, help="also write the dips to come as a calendar file")


def run(args: argparse.Namespace) -> int:
    """Compute, write and print."""
    from afterdip.tables import follow_up as tables
    from afterdip.tables.base import as_text
    from afterdip.tables.ics import calendar_file

    answer = answer_of(args)
    if args.ics:
        write_out(args.ics, calendar_file(answer))
    if args.json:
        rows = [row.to_json() for row in answer.redips]
        write_json(args.json, {"lives": answer.to_json()["lives"], "redips": rows}, answer.as_of)
    if args.json != "-":
        print(tables.dips_sentence(answer))
        print(f"\n{as_text(tables.redip_table(answer, caption='Dips due'))}")
        print(f"\n{as_text(tables.unknown_table(answer, caption='No dip can be dated'))}")
        print(f"\n{as_text(tables.lives_table(answer, caption='What the dates rest on'))}")
    return DONE
