"""Which agent, and at which strength: the first page's sentences on what the log can tell apart."""

from __future__ import annotations

from collections.abc import Iterator

from afterdip.answers.words import so_many
from afterdip.report.site import span_in_words
from afterdip.report.todo import winners
from afterdip.report.words import listed, plural
from afterdip.tables.base import count


def choices(results: dict) -> Iterator[str]:
    """Yield which agents are told apart among like corals, and where a strength meets both targets."""
    if pairs := results.get("comparison", {}).get("pairs"):
        yield _told_apart(pairs, span_in_words(results, "comparison"))
    if windows := results.get("dose_response", {}).get("windows"):
        yield _strengths(windows)


def _told_apart(pairs: list[dict], span: str) -> str:
    alike = [f"{pair['first']} and {pair['second']}" for pair in pairs if pair["verdict"] == "equivalent"]
    undecided = sum(pair["verdict"] == "undecided" for pair in pairs)
    told = [f"{name} is better than {listed(others, most=20)}" for name, others in winners(pairs).items()]
    told += [f"{names} do alike" for names in alike]
    rest = f"{so_many(undecided, len(pairs), 'pair of agents', ('is', 'are'), 'pairs of agents')} undecided"
    said = [*told, rest] if undecided else told
    return f"Among like corals {'; '.join(said)} ({span})."


def _strengths(windows: list[dict]) -> str:
    """Say in how many pairings some strength surely meets both targets, and of which agents, the most first."""
    held = [window["agent"] for window in windows if not window["empty"]]
    pairings = f"{plural(len(windows), 'pairing')} of agent, pest stage and coral"
    if not held:
        return f"No strength tried is shown to meet both targets, in any of {pairings}."
    agents = sorted(set(held), key=lambda agent: (-held.count(agent), agent))
    named = listed([f"{agent} ({count(held.count(agent))})" for agent in agents], most=20)
    return f"A strength tried that surely meets both targets is shown in {count(len(held))} of {pairings}: {named}."
