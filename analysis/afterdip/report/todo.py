"""Do this month: what the pages ask for, at most five, the most pressing first; and what became of the last list.

A page asks through a list `actions` in its answer, or through record("actions", [...]): {"due": "YYYY-MM-DD" or "",
"what": words, "which": names or none, "why": words, "page": "follow_up.html" or none, "touches": a key of FIRST or
none}. Agents that are shown to fail are added here, because what to stop or try is read off two pages, and the counts
without which nothing can be said of any agent. The last list comes as results["last_actions"] (see
answers.last_actions), and a page adds its own part as `last_actions` of its answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from afterdip.answers.words import and_so_on, day_in_words
from afterdip.report.arms import arms_in_words, arms_of
from afterdip.report.failing import Over, below_the_target, groups_over_the_limit, over_the_limit
from afterdip.report.words import uncounted
from afterdip.tables.base import digits

AT_MOST = 5
NAMED = 3
"""Of what fails, so many are named on the first page and the others counted: it is read on a phone."""
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
    asked = [*_agents_that_fail(results), *_counts_to_begin(results), *(a for _, some in given for a in some)]
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
    corals = {"due": results["as_of"], "page": "survival.html", "touches": "corals"}
    limit = digits(100 * results["settings"]["target_loss"])
    for over in over_the_limit(results):
        what = f"Stop {over.words}, or use it gentler within its label, until a trial clears it"
        why = f"even by its lower limit it costs more than {limit} in 100 pieces over sham dips{_spared(over)}"
        yield corals | {"what": what, "why": why}
    for over in groups_over_the_limit(results):
        gentler = "or use it gentler within its label, until a trial clears it"
        what = f"Keep {over.group} corals out of {over.words}, {gentler}"
        why = f"even by its lower limit it costs them more than {limit} in 100 pieces over sham dips{_spared(over)}"
        yield corals | {"what": what, "why": why}
    if short := below_the_target(results):
        target = f"{digits(100 * results['settings']['target_kill'])}\u00a0%"
        each = "each" if len(short) > 1 else "it"
        allowed = "trial another agent, or a strength its label allows"
        why = f"{allowed}; {each} kills fewer than {target} of the pests even by its upper limit"
        why += _kills_more(short, results)
        what = f"Do not rely on one dip of {arms_in_words(short, arms_of(results), most=NAMED)}"
        compared = any(page["file"] == "comparison.html" for page in results["pages"])
        page = "comparison.html" if compared and len(short) > NAMED else "removal.html"
        yield {"due": results["as_of"], "what": what, "why": why, "page": page}


def _counts_to_begin(results: dict) -> Iterator[dict]:
    if lacking := uncounted(results):
        what = "Count the pests in the bath, in the rinse and still on the pieces, dead and alive, at every dip"
        why = f"{lacking}, and without it nobody can say what share a dip kills"
        yield {"due": results["as_of"], "what": what, "why": why, "page": "removal.html", "touches": "log"}


def _spared(over: Over) -> str:
    return f"; at {over.within} it is within the limit" if over.within else ""


def _kills_more(short: list[str], results: dict) -> str:
    """Say which arms kill more than those that fall short, and are not worse otherwise: two that beat most of them.

    Without those that fail themselves, or are of an agent that does.
    """
    arms, pairs = arms_of(results), results.get("comparison", {}).get("pairs", [])
    failing = {*short, *(name for over in over_the_limit(results) for name in over.names)}
    told = []
    for name, others in winners(pairs, outcome="kill").items():
        beaten = [weak for weak in short if any(weak in _of(other, arms) for other in others)]
        if beaten and _of(name, arms).isdisjoint(failing):
            told.append((name, beaten))
    if not told:
        return ""
    told = sorted(told, key=lambda pair: -len(pair[1]))[:2]
    return f"; among like corals {and_so_on([_than(*pair, short, first=not i) for i, pair in enumerate(told)])}"


def _than(name: str, beaten: list[str], short: list[str], *, first: bool) -> str:
    """Return "OIL kills a larger share than any of them", "POW than 2 of them"."""
    whom = "it" if len(short) == 1 else "any of them" if len(beaten) >= len(short) else f"{len(beaten)} of them"
    return f"{name} {'kills a larger share ' if first else ''}than {whom}"


def _of(name: str, arms: dict[str, dict]) -> set[str]:
    return {name, arms[name]["agent"]}


def winners(pairs: list[dict], *, outcome: str = "") -> dict[str, list[str]]:
    """Return the arms a verdict calls better, with those they are better than; who beats most stands first.

    `outcome`: only where they are better in that one, "kill" or "loss".
    """
    better: dict[str, list[str]] = {}
    for pair in pairs:
        verdict = pair["verdict"]
        if verdict in ("first", "second") and (not outcome or pair["findings"][outcome][f"{verdict}_better"]):
            names = (pair["first"], pair["second"])
            winner, other = names if verdict == "first" else names[::-1]
            better.setdefault(winner, []).append(other)
    return dict(sorted(better.items(), key=lambda item: -len(item[1])))


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
