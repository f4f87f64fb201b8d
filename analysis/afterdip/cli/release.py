"""Say for each lot in hand whether it may leave, how sure that is, and what is missing.

For every lot and every pest its corals can carry: how many pieces were looked at since the last egg can have hatched,
how sure that makes us that fewer are infested than the farm's limit (farm.toml, [release]), how many more pieces to
look at, and release or hold with the reason. A lot is never called clean: the answer is "fewer than". Not counted is
not zero: a lot that was never examined is held.
"""

from __future__ import annotations

import argparse

from afterdip.cli.common import DONE
from afterdip.cli.follow_up import answer_of, declare_follow_up, write_json


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    declare_follow_up(parser)


def run(args: argparse.Namespace) -> int:
    """Compute and print."""
    from afterdip.tables import follow_up as tables
    from afterdip.tables.base import as_text

    answer = answer_of(args)
    if args.json:
        found = answer.to_json()
        rows = {"releases": [row.to_json() for row in answer.releases]}
        names = ("released", "sensitivities", "design_prevalence")
        write_json(args.json, {name: found[name] for name in names} | rows, answer.as_of)
    if args.json != "-":
        print(tables.release_sentence(answer))
        print(f"\n{as_text(tables.release_table(answer, answer.releases, caption='Lots in hand'))}")
        print(f"\n{as_text(tables.causes_table(answer, caption='Held, and why'))}")
        print(f"\n{as_text(tables.eyes_table(answer, caption='What a look sees'))}")
    return DONE
