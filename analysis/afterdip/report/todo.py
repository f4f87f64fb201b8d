"""Do this month: what the pages ask for, at most five, the most pressing first; and what became of the last list.

A page asks through a list `actions` in its answer, or through record("actions", [...]): {"due": "YYYY-MM-DD" or "",
"what": words, "which": names or none, "why": words, "page": "follow_up.html" or none, "touches": a key of FIRST or
none}. Agents that are shown to fail are added here, because what to stop or try is read off two pages. The last list
comes as results["last_actions"] (see answers.last_actions), and a page adds its own part as `last_actions` of its
answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from afterdip.estimate import Estimate
from afterdip.report.arms import arms_in_words
from afterdip.report.first_screen import estimate
from afterdip.report.words import day_in_words
from afterdip.tables.base import digits

AT_MOST = 5
FIRST = {"people": 0, "corals": 1, "": 2, "log": 3}
"""What an action is about, in order: danger to people, harm to corals, pests and dips due, what only the log lacks."""

STATES = ("open", "partly", "gone", "done")


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do: `when` in words, `page` where the reasons are, `which` names the lots or sessions meant."""

    what: str
    why: str = ""
    when: str = ""
    page: str = ""
    which: str = ""


def actions(results: dict) -> tuple[list[Action], int] | None:
    """Return the first actions in order of urgency and how many more there are; None if no page has any to give.

    In the order of FIRST; among these dated ones first, the earliest day first, then in the order of the pages. Where
    there are more than AT_MOST, the most urgent of each page comes before the second of any.
    """
    given = [*_given(results)]
    asked = [*_agents_that_fail(results), *(a for _, some in given for a in some)]
    if not given and "survival" not in results and "removal" not in results:
        return None
    asked.sort(key=lambda a: (FIRST[a.get("touches", "")], a["due"] or "9999"))  # stable: pages keep their order
    found = list(dict.fromkeys(
        Action(a["what"], a.get("why", ""), _when(a["due"], results["as_of"]), a.get("page", ""), a.get("which", ""))
        for a in asked
    ))  # fmt: skip
    first_of_page = list({action.page: i for i, action in reversed([*enumerate(found)])}.values())
    chosen = sorted([*sorted(first_of_page), *(i for i in range(len(found)) if i not in first_of_page)][:AT_MOST])
    return [found[i] for i in chosen], max(0, len(found) - AT_MOST)


def _given(results: dict) -> Iterator[tuple[str, list[dict]]]:
    """Yield (page, actions) of everything that gives actions."""
    if "actions" in results:
        yield "", results["actions"]
    for page in results["pages"]:
        answer = results.get(page["name"])
        if isinstance(answer, dict) and "actions" in answer:
            yield page["name"], [{"page": page["file"]} | action for action in answer["actions"]]


def _when(due: str, as_of: str) -> str:
    if not due:
        return ""
    return f"overdue since {day_in_words(due)}" if due < as_of else "now" if due == as_of else f"by {day_in_words(due)}"


def _agents_that_fail(results: dict) -> Iterator[dict]:
    now = {"due": results["as_of"]}
    settings = results["settings"]
    for agent in over_the_limit(results):
        what = f"Stop {agent}, or use it gentler within its label, until a trial clears it"
        limit = digits(100 * settings["target_loss"])
        why = f"even by its lower limit it costs more than {limit} in 100 pieces over sham dips"
        yield now | {"what": what, "why": why, "page": "survival.html", "touches": "corals"}
    for agent, group in groups_over_the_limit(results):
        what = f"Keep {group} corals out of {agent}, or use it gentler within its label, until a trial clears it"
        why = f"on them its lower limit lies above {digits(100 * settings['target_loss'])} in 100 pieces lost over sham"
        yield now | {"what": what, "why": why, "page": "survival.html", "touches": "corals"}
    pairs = results.get("comparison", {}).get("pairs", [])
    if short := below_the_target(results):
        target = f"{digits(100 * settings['target_kill'])}\u00a0%"
        each = "each" if len(short) > 1 else "it"
        why = f"even by its upper limit {each} kills fewer than {target} of the pests found at the strengths used"
        why = "; ".join([why, *_better_than(short, results)])
        weak = arms_in_words(short, pairs, most=5)
        what = f"Do not rely on one dip of {weak}: trial another agent, or a strength its label allows"
        yield now | {"what": what, "why": why, "page": "removal.html"}


def _better_than(short: list[str], results: dict) -> Iterator[str]:
    """Yield which arms, not failing nor of agents that fail, are better than some of those that fall short."""
    failing, pairs = {*short, *over_the_limit(results)}, results.get("comparison", {}).get("pairs", [])
    named = {arm["name"]: {arm["name"], arm["agent"]} for pair in pairs for arm in pair["arms"]}
    for name, others in winners(pairs).items():
        if named[name].isdisjoint(failing) and (beaten := [o for o in others if not named[o].isdisjoint(short)]):
            yield f"among like corals {name} is better than {arms_in_words(beaten, pairs, most=5)}"


def winners(pairs: list[dict]) -> dict[str, list[str]]:
    """Return the arms a verdict calls better, with those they are better than; who beats most stands first."""
    better: dict[str, list[str]] = {}
    for pair in pairs:
        if pair["verdict"] in ("first", "second"):
            names = (pair["first"], pair["second"])
            winner, other = names if pair["verdict"] == "first" else names[::-1]
            better.setdefault(winner, []).append(other)
    return dict(sorted(better.items(), key=lambda item: -len(item[1])))


def over_the_limit(results: dict) -> list[str]:
    """Return the agents whose whole interval of loss over sham lies above the farm's limit."""
    rows = [a for a in results.get("survival", {}).get("agents", []) if not a["is_control"]]
    limit = results["settings"]["target_loss"]
    return [a["agent"] for a in rows if (estimate(a["loss_over_sham"]).low or 0.0) > limit]


def groups_over_the_limit(results: dict) -> list[tuple[str, str]]:
    """Return (agent, coral group) over the farm's limit of loss over sham, without the agents over it as a whole."""
    cells = [c for c in results.get("survival", {}).get("groups", []) if not c["is_control"]]
    limit, over = results["settings"]["target_loss"], over_the_limit(results)
    high = [c for c in cells if c["agent"] not in over and (estimate(c["loss_over_sham"]).low or 0.0) > limit]
    return [(c["agent"], c["coral_group"]) for c in high]


def below_the_target(results: dict) -> list[str]:
    """Return the agents whose whole interval of kill lies below the farm's target.

    Of an agent whose strengths are compared apart, the strengths of which that is so: one that kills enough would be
    blamed for the others, or hide them. The agent itself where that is so of none of them but of all together.
    """
    rows = [a for a in results.get("removal", {}).get("agents", []) if not a["is_control"]]
    target, apart = results["settings"]["target_kill"], _kills_by_strength(results)
    found = []
    for row in rows:
        weak = [name for name, kill in apart.get(row["agent"], []) if _below(kill, target)]
        found += weak or ([row["agent"]] if _below(estimate(row["killed"]), target) else [])
    return found


def _below(kill: Estimate, target: float) -> bool:
    return kill.high is not None and kill.high < target


def _kills_by_strength(results: dict) -> dict[str, list[tuple[str, Estimate]]]:
    """Return (agent at its strength, kill) by agent, where the comparison is of all corals and pests."""
    page, kills = results.get("comparison", {}), {}
    for point in () if page.get("coral_group") or page.get("pest") else page.get("points", []):
        if point["arm"]["strength"]:
            kills.setdefault(point["arm"]["agent"], []).append((point["arm"]["name"], estimate(point["kill"])))
    return kills


def last_actions(results: dict) -> dict | None:
    """Return the last list, what is still open first, as {"day": in words, "rows": [{"what", "state", "how"}]}.

    None if there is none to show.
    """
    answers = [results.get(page["name"]) for page in results["pages"]]
    given = [results.get("last_actions"), *(a.get("last_actions") for a in answers if isinstance(a, dict))]
    lists = [last for last in given if last is not None]
    if not lists:
        return None
    rows = sorted((row for last in lists for row in last["actions"]), key=lambda row: STATES.index(row["state"]))
    return {"day": day_in_words(lists[0]["as_of"]), "rows": rows}
