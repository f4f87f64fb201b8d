"""Which agent, and at which strength: the first page's sentences on what the log can tell apart."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from afterdip.answers.words import counted, so_many, strength_words
from afterdip.report.arms import arms_by_strength, arms_in_words, arms_of
from afterdip.report.failing import over_the_limit
from afterdip.report.site import span_in_words
from afterdip.report.todo import winners
from afterdip.report.words import listed
from afterdip.tables.base import count


def choices(results: dict) -> Iterator[str]:
    """Yield which agents are told apart among like corals, and where a strength meets both targets."""
    pairs = results.get("comparison", {}).get("pairs", [])
    if pairs:
        yield _told_apart(pairs, arms_of(results), span_in_words(results, "comparison"))
    if windows := results.get("dose_response", {}).get("windows"):
        yield _strengths(windows, arms_by_strength(pairs))
    if any(arm["strength"] for arm in arms_of(results).values()):
        yield _together(results)


def _together(results: dict) -> str:
    """Say how the table takes strengths, and which are over the limit of loss whatever its boxes say."""
    over = [o for o in over_the_limit(results) if o.agent not in o.names]
    alone = f"; on all corals over the limit of loss: {listed([o.words for o in over], most=20)}" if over else ""
    return f"The table takes all strengths of an agent together{alone}."


def _told_apart(pairs: list[dict], arms: dict[str, dict], span: str) -> str:
    named = partial(arms_in_words, arms=arms)
    undecided = sum(pair["verdict"] == "undecided" for pair in pairs)
    told = [f"{named([name])} is better than {named(others)}" for name, others in winners(pairs).items()]
    told += [f"{named([pair['first'], pair['second']])} do alike" for pair in pairs if pair["verdict"] == "equivalent"]
    traded = _traded(pairs)
    told += [f"{named([more])} kills more than {named(fewer)} and loses more" for more, fewer in traded.items()]
    of = "pair of agents and strengths" if arms_by_strength(pairs) else "pair of agents"
    rest = f"{so_many(undecided, len(pairs), of, ('is', 'are'), of.replace('pair', 'pairs', 1))} undecided"
    if traded:
        rest += f", {sum(map(len, traded.values()))} of them as kill stands against loss"
    elif len(pairs) == undecided == 1:
        rest = f"it is undecided which of {named([pairs[0]['first'], pairs[0]['second']])} does better"
    said = [*told, rest] if undecided else told
    return f"Among like corals {'; '.join(said)} ({span})."


def _traded(pairs: list[dict]) -> dict[str, list[str]]:
    """Return the arms that kill more, with those that they also lose more than: no more sessions settle that."""
    found: dict[str, list[str]] = {}
    for pair in pairs:
        kill, loss = (pair.get("findings", {}).get(name, {}) for name in ("kill", "loss"))
        for one, other in (("first", "second"), ("second", "first")):
            if pair["verdict"] == "undecided" and kill.get(f"{one}_better") and loss.get(f"{other}_better"):
                found.setdefault(pair[one], []).append(pair[other])
    return found


def _strengths(windows: list[dict], arms: list[dict]) -> str:
    """Say in how many pairings some strength surely meets both targets, and of which agents, the most first.

    Of strengths that were compared as well it says for how many they do: one place for both.
    """
    held = [window["agent"] for window in windows if not window["empty"]]
    kind = "of agent, pest stage and coral"
    one = f"the one pairing {kind}" if len(windows) == 1 else ""
    if not held:
        within = one or f"any of {counted(len(windows), 'pairing')} {kind}"
        return f"No strength within those tried is shown to meet both targets, in {within}."
    agents = sorted(set(held), key=lambda agent: (-held.count(agent), agent))
    named = []
    for agent in agents:
        some = "; ".join(filter(None, ("" if one else count(held.count(agent)), _inside(agent, windows, arms))))
        named.append(f"{agent} ({some})" if some else agent)
    told = listed(named, most=20)
    within = one or f"{count(len(held))} of {counted(len(windows), 'pairing')} {kind}"
    return f"A strength within those tried that surely meets both targets is shown in {within}: {told}."


def _inside(agent: str, windows: list[dict], arms: list[dict]) -> str:
    """Say for how many of an agent's pairings a strength of its that is compared above is shown to be such a one.

    Where none of them is, say so, and where the agent's only window lies: between two that both fail, it may be.
    """
    own = [window for window in windows if window["agent"] == agent and not window["empty"]]
    strengths = [arm["strength"] for arm in arms if arm["agent"] == agent]
    told = []
    for at in sorted(strengths, key=lambda strength: (strength["unit"], strength["median"])):
        holds = sum(
            window["strength_unit"] == at["unit"]
            and window["low"]["estimate"] <= at["median"] <= window["high"]["estimate"]
            for window in own
        )
        if holds:
            told.append(f"{strength_words((at['median'], at['unit']))} in {count(holds)}")
    if strengths and not told:
        unit = own[0]["strength_unit"]
        low, high = (strength_words((own[0][end]["estimate"], unit)) for end in ("low", "high"))
        where = f"{low.removesuffix(f' {unit}')} to {high}, " if len(own) == 1 else ""
        return f"{where}none of the strengths compared above"
    return f"of the strengths compared above, {listed(told, most=20)}" if told else ""
