"""The report's first page, drawn from results.json alone.

It reads the answers of `survival` and `removal`; of any page `first_screen` (see first_screen.py), `actions` (see
todo.py) and `trust`, a list of sentences on what its figures rest on. What is not recorded is said to be "not in this
report".
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Iterator

from afterdip.answers.words import counted, so_many
from afterdip.estimate import Estimate
from afterdip.report.arms import arms_in_words, arms_of
from afterdip.report.choice import choices
from afterdip.report.failing import below_the_target, groups_over_the_limit, over_the_limit
from afterdip.report.first_screen import estimate, in_hundred, signed, tiles
from afterdip.report.grid import grid
from afterdip.report.selfcontained import check_selfcontained
from afterdip.report.site import page_frame, span_in_words
from afterdip.report.todo import NAMED, actions, last_actions
from afterdip.report.words import listed, short, uncounted, warning_words
from afterdip.tables.base import count, digits, per_cent

WARNINGS_NAMED = 4


def render_index(results: dict) -> str:
    """Return index.html. A part whose results are not in the report says so."""
    html = page_frame(results, page="index").render(
        "index.html.j2",
        title="This month",
        lead=list(lead(results)),
        failed=list(failed(results)),
        actions=actions(results),
        last=last_actions(results),
        tiles=list(tiles(results)),
        grid=grid(results),
        choices=list(choices(results)),
        trust=list(trust(results)),
        in_report={page["file"] for page in results["pages"]},
    )
    check_selfcontained(html, page="index.html")
    return html


def lead(results: dict) -> Iterator[str]:
    """Yield the month in plain sentences: what was dipped and lost, and what was killed."""
    if "survival" in results:
        yield _dipped_and_lost(results)
    else:
        yield "This report does not hold the page on survival."
    if "removal" in results:
        yield _killed(results["removal"]["month"])


def _dipped_and_lost(results: dict) -> str:
    answer = results["survival"]
    month, day = answer["month"], count(answer["horizon_days"])
    if not month["pieces"]:
        return _no_first_dip(answer)
    said = f"{counted(month['pieces'], 'piece')} had their first dip in {counted(month['sessions'], 'session')}; "
    if month["pieces"] == 1:
        said = said.replace(" had their ", " had its ")
    alive, loss = estimate(month["alive"]), estimate(month["loss_over_sham"])
    died = "" if alive.deaths is None else counted(alive.deaths, "death")
    if not alive.known:
        seen = f"{died} {'was' if alive.deaths == 1 else 'were'} found so far; " if died else ""
        yet = " yet" if _may_be_followed(results) else ""
        return f"{said}{seen}how many are alive {day} days later cannot be said{yet}: {short(alive.reason)}."
    found = f"by day {day}, {died} {'was' if alive.deaths == 1 else 'were'} found and" if died else f"{day} days later"
    said += f"{found} {per_cent(alive)} were alive. "
    if not loss.known:
        return f"{said}What the dip itself cost cannot be said: {short(loss.reason)}.{_over_the_window(results)}"
    verdict = _verdict(loss, results["settings"])
    return f"{said}Lost to the dip itself: {_with_limits(loss)}, {verdict}.{_over_the_window(results)}"


def _may_be_followed(results: dict) -> bool:
    """Whether pieces dipped on the last day of the month may still be looked at on the day judged."""
    year, month = map(int, results["month"].split("-"))
    last = datetime.date(year, month, calendar.monthrange(year, month)[1])
    days = (datetime.date.fromisoformat(results["as_of"]) - last).days
    return days <= results["survival"]["horizon_days"]


def _no_first_dip(answer: dict) -> str:
    """Say what was run in a month without a first dip with an agent: a sham's first dips are no re-dips."""
    shams = answer["month_sham"]["sessions"]
    again = answer["dips"] - shams
    run = [counted(shams, "sham session")] if shams else []
    run += [f"{counted(again, 'dip')} of pieces dipped before"] if again > 0 else []
    agent = " with an agent" if shams else ""
    return f"No piece had its first dip{agent} in this month{'; ' + listed(run) if run else ', and no bath was run'}."


def _over_the_window(results: dict) -> str:
    """Say what the dips cost over the window of months, where it holds more than the month and can be said."""
    window, month = (results["survival"][name] for name in ("window", "month"))
    loss = estimate(window["loss_over_sham"])
    if window["pieces"] == month["pieces"] or not loss.known:
        return ""
    return f" Over the {span_in_words(results, 'survival')}: {_with_limits(loss)}."


def _with_limits(loss: Estimate) -> str:
    limits = f" ({signed(100 * loss.low)} to {signed(100 * loss.high)})" if None not in (loss.low, loss.high) else ""
    return f"{in_hundred(loss)} pieces{limits}"


def _verdict(loss, settings: dict) -> str:
    """Say what the limits of a loss over sham show, against none and against the farm's own limit."""
    limit = f"the farm’s limit of {digits(100 * settings['target_loss'])} in 100"
    if loss.low is not None and loss.low > settings["target_loss"]:
        return f"over {limit}"
    if loss.high is not None and loss.high <= settings["target_loss"]:
        return f"within {limit}"
    if loss.low is not None and loss.low > 0:
        return f"more than after sham dips; whether it is over {limit} is open"
    return "so this month alone cannot tell it from none"


def _killed(month: dict) -> str:
    killed = estimate(month["killed"])
    if not month["pests"]:
        looked = "found" if month["sessions"] else "looked for"
        return f"No pest was {looked}, so what the dips killed cannot be said."
    found = f"{counted(month['pests'], 'pest')} {'was' if month['pests'] == 1 else 'were'} found in the dips; "
    if not killed.known:
        if "compartments" in month:
            dead = sum(n for place, n in month["compartments"].items() if place.endswith("_dead"))
            found = found.replace("; ", f", {count(dead)} of them dead; ")
        return f"{found}what share was killed cannot be said: {short(killed.reason)}."
    return f"{found}{per_cent(killed)} of them were killed."


def failed(results: dict) -> Iterator[str]:
    """Yield what failed over the window of months, told once: only where the whole interval is on the wrong side."""
    settings, told = results["settings"], ""
    if "survival" in results:
        limit = f"the limit of {digits(100 * settings['target_loss'])} in 100 pieces lost over sham"
        words = ("Over", "No agent is shown to be over", "Whether any agent is over")
        told = span_in_words(results, "survival")
        yield _verdict_on_agents(words, limit, _over(results), _unjudged(results["survival"], "loss_over_sham"), told)
    if "removal" in results:
        target = f"the target of {digits(100 * settings['target_kill'])}\u00a0% of pests killed"
        words = ("Short of", "No agent is shown to fall short of", "Whether any agent falls short of")
        under = arms_in_words(below_the_target(results), arms_of(results), most=NAMED)
        open_, span = _unjudged(results["removal"], "killed"), span_in_words(results, "removal")
        yield _verdict_on_agents(words, target, under, open_, "" if span == told else span)


def _over(results: dict) -> str:
    """Return what is over the limit of loss, on all corals or on one group; "" where nothing is shown to be."""
    over, groups = over_the_limit(results), groups_over_the_limit(results)
    named = listed([*(o.words for o in over), *(f"{o.words} on {o.group}" for o in groups)], most=NAMED)
    return f"no agent on all corals, but {named}" if groups and not over else named


def _unjudged(answer: dict, figure: str) -> tuple[dict[str, str], bool]:
    """Return the agents without such a figure and why, and whether that is all of them."""
    agents = [a for a in answer["agents"] if not a["is_control"]]
    silent = {a["agent"]: short(estimate(a[figure]).reason) for a in agents if not estimate(a[figure]).known}
    return silent, len(silent) == len(agents)


def _verdict_on_agents(words: tuple[str, str, str], bound: str, failing: str, unjudged, span: str) -> str:
    """Say which agents fail, that none is shown to, or that it cannot be said; silence is no good news."""
    silent, all_silent = unjudged
    when = f" ({span})." if span else "."
    if all_silent and not failing:
        reasons = list(dict.fromkeys(silent.values()))
        why = reasons[0] if len(reasons) == 1 else "too little is known of each" if reasons else "no agent has a count"
        return f"{words[2]} {bound} cannot be said: {why}{when}"
    also = f"; of {listed(list(silent), most=NAMED)}{' as a whole' if failing and all_silent else ''} it cannot be said"
    said = f"{words[0]} {bound}: {failing}" if failing else f"{words[1]} {bound}"
    return f"{said}{also if silent else ''}{when}"


def trust(results: dict) -> Iterator[str]:
    """Yield sentences on what the month's figures rest on and what is missing."""
    if "survival" in results:
        yield from _followed(results["survival"])
    if "removal" in results and "trust" not in results["removal"]:
        dips, counted = results["removal"]["dips"], results["removal"]["counted"]
        if dips:
            missing = f"{so_many(dips - counted, dips, 'session', ('has', 'have'))} no pest count"
            whole = f"All {count(dips)} sessions have" if dips > 1 else "The one session has"
            lacking = uncounted(results)
            but = f", but {lacking}" if lacking and counted else ""
            yield f"{missing if counted < dips else f'{whole} a pest count'}{but}."
    for page in results["pages"]:
        answer = results.get(page["name"])
        yield from answer.get("trust", []) if isinstance(answer, dict) else []
    yield from _log(results)


def _followed(answer: dict) -> Iterator[str]:
    u, sham = answer["unknown"], answer["month_sham"]
    if u["trays"]:
        unseen = f"({counted(u['pieces_never_checked'], 'piece')}: unknown, not alive)"
        never, were = u["trays_never_checked"], ("was", "were")
        yield (
            f"{so_many(never, u['trays'], 'tray', were)} never checked after the dip {unseen}."
            if never
            else f"{so_many(u['trays'], u['trays'], 'tray', were)} checked after the first dip."
        )
        followed = so_many(u["sessions_followed_to_horizon"], u["sessions"], "session", were)
        yield f"{followed} followed to day {answer['horizon_days']}."
    yield (
        f"{counted(sham['sessions'], 'sham session')} to compare with."
        if sham["sessions"]
        else "No sham dip in the month: what handling alone does to pieces and pests is not known."
    )


def _log(results: dict) -> Iterator[str]:
    left_out = sum(n for file in results["log"]["files"] for n in file["rows_left_out"].values())
    rows = sum(file["rows_read"] for file in results["log"]["files"])
    yield f"{counted(rows, 'row')} of the log were read, {count(left_out) if left_out else 'none'} left out."
    kinds: dict[str, list[str]] = {}
    for warning in results["warnings"]:
        kinds.setdefault(warning["code"] or warning["message"], []).append(warning["message"])
    if not kinds:
        yield "The log has no warnings."
        return
    most = sorted(kinds.items(), key=lambda item: (-len(item[1]), item[0]))
    named = [warning_words(code, messages[0], len(messages)) for code, messages in most]
    rest = sum(len(messages) for _, messages in most[WARNINGS_NAMED:])
    named = [*named[:WARNINGS_NAMED], *([f"{count(rest)} of other kinds"] if rest else [])]
    yield f"The log has {counted(len(results['warnings']), 'warning')}: {listed(named)}."
