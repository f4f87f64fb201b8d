"""What is shown to fail: agents that cost more than the farm's limit or kill less than its target, at which strength.

An agent whose strengths the log sets apart is judged at each of them: one that spares corals, or kills enough, would
be blamed for the others, or hide them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from afterdip.answers.words import at_other_strengths, strength_words
from afterdip.estimate import Estimate
from afterdip.report.arms import arms_in_words, arms_of
from afterdip.report.first_screen import estimate


@dataclass(frozen=True, slots=True)
class Over:
    """An agent, or some of its strengths, over the farm's limit of loss over sham: on all corals, or on one `group`.

    `names`: what is meant, one by one, and `words` all of them; `within`: the agent's strengths shown to be within the
    limit, in words; `pieces`: dipped in what is meant.
    """

    agent: str
    names: tuple[str, ...]
    words: str
    within: str
    pieces: int
    group: str = ""


def over_the_limit(results: dict) -> list[Over]:
    """Return what is over the farm's limit of loss over sham on all corals together, the most used first.

    Over is a whole interval above the limit. Of an agent with strengths of its own: those that are; the agent where all
    are, or where only all together are, but for strengths that are shown to be within.
    """
    answer = results.get("survival", {})
    return _over(answer.get("agents", []), answer.get("strengths", []), results, said=set())


def groups_over_the_limit(results: dict) -> list[Over]:
    """Return what is over the limit on one coral group, without what is over it on all corals together."""
    answer = results.get("survival", {})
    said = {name for over in over_the_limit(results) for name in over.names}
    return _over(answer.get("groups", []), answer.get("group_strengths", []), results, said=said)


def below_the_target(results: dict) -> list[str]:
    """Return what kills less than the farm's target even by its upper limit, that with the most pests found first.

    Of an agent whose strengths are compared apart, the strengths of which that is so; the agent itself where that is so
    of none of them but of all together.
    """
    rows = [a for a in results.get("removal", {}).get("agents", []) if not a["is_control"]]
    target, apart = results["settings"]["target_kill"], _kills_by_strength(results)
    found: list[tuple[str, Estimate]] = []
    for row in rows:
        weak = [(name, kill) for name, kill in apart.get(row["agent"], []) if _below(kill, target)]
        whole = (row["agent"], estimate(row["killed"]))
        found += weak or ([whole] if _below(whole[1], target) else [])
    return [name for name, _ in sorted(found, key=lambda pair: -(pair[1].pests or 0))]


def _over(cells: Iterable[dict], parts: list[dict], results: dict, *, said: set[str]) -> list[Over]:
    """Return what is over of each cell, an agent or an agent on a coral group, without the names `said` already."""
    limit, arms, found = results["settings"]["target_loss"], arms_of(results), []
    apart = [p for p in results.get("survival", {}).get("strengths", []) if p["strength"]]
    for cell in cells:
        agent, group = cell["agent"], cell.get("coral_group", "")
        if cell["is_control"] or agent in said:
            continue
        own = {p["name"]: p for p in parts if (p["agent"], p.get("coral_group", "")) == (agent, group)}
        every = {p["name"] for p in apart if p["agent"] == agent}
        within = [p["strength"] for p in own.values() if p["strength"] and within_limit(p, limit)]
        spared = strength_words(*((strength["median"], strength["unit"]) for strength in within))
        high = [name for name, part in own.items() if above_limit(part, limit)]
        names = [name for name in _names(cell, high, every, spared, limit) if name not in said]
        if names:
            pieces = sum(own.get(name, cell).get("pieces", 0) for name in names)
            found.append(Over(agent, tuple(names), arms_in_words(names, arms), spared, pieces, group))
    return sorted(found, key=lambda over: -over.pieces)


def _names(cell: dict, high: list[str], every: set[str], spared: str, limit: float) -> list[str]:
    """Return what is over of one cell: parts, the agent where `every` strength is, or but for those `spared`."""
    if high and not (every and every <= set(high)):
        return high
    if high or above_limit(cell, limit):
        return [at_other_strengths(cell["agent"], spared) if spared else cell["agent"]]
    return []


def above_limit(cell: dict, limit: float) -> bool:
    """Whether the whole interval of a cell's loss over sham lies above the limit."""
    low = estimate(cell["loss_over_sham"]).low
    return low is not None and low > limit


def within_limit(cell: dict, limit: float) -> bool:
    """Whether the whole interval of a cell's loss over sham lies within the limit."""
    high = estimate(cell["loss_over_sham"]).high
    return high is not None and high <= limit


def _below(kill: Estimate, target: float) -> bool:
    return kill.high is not None and kill.high < target


def _kills_by_strength(results: dict) -> dict[str, list[tuple[str, Estimate]]]:
    """Return (agent at its strength, kill) by agent, where the comparison is of all corals and pests."""
    page, kills = results.get("comparison", {}), {}
    for point in () if page.get("coral_group") or page.get("pest") else page.get("points", []):
        if point["arm"]["strength"]:
            kills.setdefault(point["arm"]["agent"], []).append((point["arm"]["name"], estimate(point["kill"])))
    return kills
