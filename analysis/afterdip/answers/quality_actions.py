"""What the log's quality and the watch ask for this month, most urgent first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from afterdip.answers.quality_advice import words_of
from afterdip.answers.single_words import bath_named, doubt, happened, its_like, set_apart
from afterdip.answers.words import counted
from afterdip.log.notices import CHECK_GAP_DUE_DAYS
from afterdip.survival import MIN_SESSIONS

if TYPE_CHECKING:
    from afterdip.answers.monitoring import Watched
    from afterdip.answers.quality import QualityAnswer
    from afterdip.answers.watch_baths import TiredBath
    from afterdip.answers.watch_series import Series

PAGE = "quality.html"
LOOKS = f"{PAGE}#how-far-can-the-log-be-trusted"
WATCH = f"{PAGE}#has-anything-changed"  # parts of their own: the first page shows the first of each part
SINGLE = f"{PAGE}#did-a-single-bath-go-wrong"
MEND = f"{PAGE}#what-should-be-mended-in-the-log"
NAMED_AT_MOST = 3  # sessions named in one sentence
URGENT = ("no_ppe", "not_for", "over_max_strength", "over_max_minutes", "no_agitation", "too_few_rinses")
DO = {
    "no_ppe": "Wear the protection the label asks for with {agents}",
    "not_for": "Keep corals it is not for out of {agents}",
    "over_max_strength": "Check the strengths written for {agents} against the farm's limit",
    "over_max_minutes": "Time the baths of {agents}",
    "no_agitation": "Keep baths of {agents} moving",
    "too_few_rinses": "Rinse as often as needed after {agents}",
}


def actions(answer: QualityAnswer) -> list[dict]:
    """Return what to do, each with the day it is due, what, why, and the page that tells more."""
    parts = (
        (PAGE, "people", _hazards(answer, URGENT[:1])), (SINGLE, "corals", _singles(answer)),
        (WATCH, "corals", _drifts(answer, "loss")),
        (WATCH, "", (*_bottles(answer), *_baths(answer), *_drifts(answer, "kill"))), (MEND, "log", _sham(answer)),
        (PAGE, "corals", _hazards(answer, URGENT[1:])), (LOOKS, "log", _looks(answer)),
    )  # fmt: skip
    return [
        {"due": answer.as_of, "what": what, "why": why, "page": page, "touches": touches}
        for page, touches, some in parts for what, why in some
    ]  # fmt: skip


def _hazards(answer: QualityAnswer, kinds: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for kind in kinds:
        found = [hazard for hazard in answer.hazards if hazard.kind == kind]
        if found:
            agents = ", ".join(dict.fromkeys(hazard.agent for hazard in found))
            sessions = [session for hazard in found for session in hazard.sessions]
            yield DO[kind].format(agents=agents), f"{words_of(kind)}: {_named(sessions)}"


def _bottles(answer: QualityAnswer) -> Iterator[tuple[str, str]]:
    for bottle in answer.watch.bottles:
        if not (bottle.alarm and bottle.in_month):
            continue
        if bottle.outcome == "kill":
            s, acts = bottle.shortfall, bottle.acts_like
            why = f"it killed {s.killed:.0f} of {s.found:.0f} pests where {s.expected:.0f} were expected"
            if acts.known:
                why += f", as if at {acts.estimate:.2f} of its strength ({acts.low:.2f} to {acts.high:.2f})"
            yield asked_of_bottle(bottle.agent, bottle.lot, bottle.outcome), why
        else:
            why = f"{bottle.events:.0f} of {bottle.trials:.0f} pieces died after it, more than after its other bottles"
            yield asked_of_bottle(bottle.agent, bottle.lot, bottle.outcome), why


def asked_of_bottle(agent: str, lot: str, outcome: str) -> str:
    """Return what to do with a bottle that raised an alarm on kill or on loss."""
    if outcome == "kill":
        return f"Take bottle {lot} of {agent} out of use"
    return f"Stop using bottle {lot} of {agent} until it is looked into"


def asked_of_bath(bath: TiredBath) -> str:
    """Return what to do about a bath that tires."""
    if bath.change_at:
        return f"Change the bath of {bath.agent} after {bath.change_at:.1f} pieces per litre"
    return f"Mix {bath.agent} anew for every session"


def _baths(answer: QualityAnswer) -> Iterator[tuple[str, str]]:
    for bath in answer.watch.baths:
        if not bath.alarm or bath.served_most is None:
            continue
        fall = bath.life.fall
        why = "its kill falls with every piece served"
        if fall.known:
            why += f": {-100 * fall.estimate:.0f} points by {bath.life.fall_at:.1f} pieces per litre"
        yield asked_of_bath(bath), why


def _drifts(answer: QualityAnswer, outcome: str) -> Iterator[tuple[str, str]]:
    explained = {(b.agent, b.outcome) for b in answer.watch.bottles if b.alarm and b.in_month}
    for watched in answer.watch.watched:
        s = watched.series
        if not watched.alarm or s.outcome != outcome or (s.agent, s.outcome) in explained:
            continue
        since = f"{'it kills less' if s.outcome == 'kill' else 'losses are up'} since {watched.since}"
        yield asked_of_drift(s), f"{'sham dips lose more too' if s.is_control else since}: {seen_of(watched)}"


def seen_of(watched: Watched) -> str:
    """Return what the month's baths did against expectation: "12 of 80 this month, 5 expected"."""
    return f"{watched.events:.0f} of {watched.trials:.0f} this month, {watched.expected:.0f} expected"


def asked_of_drift(series: Series) -> str:
    """Return what to do about an agent whose losses are up, or that kills less."""
    if series.outcome == "kill":
        return f"Find out why {series.agent} kills less: dip beside a fresh bottle, mixed anew"
    if series.is_control:
        return "Look at arrivals and holding water before blaming a dip"
    return f"Hold {series.agent} until you know why it costs more"


def _singles(answer: QualityAnswer) -> Iterator[tuple[str, str]]:
    """Ask for the cause of each bath that is named; those that lost most of their pieces share a line.

    Where an agent's baths do that at such a strength, it is the agent that is to be stopped, not the bath looked into.
    """
    told = answer.watch.singles.told
    most = [bath for bath in told if not bath.named and not bath.as_its_like]
    for bath in (bath for bath in told if bath.named or most == [bath]):
        why = "; ".join(filter(None, (happened(bath), its_like(bath), doubt(bath), set_apart(bath))))
        yield f"Find out what went wrong in {bath_named(bath)}", why
    if len(most) > 1:
        each = "; ".join(f"{bath_named(bath)}: {happened(bath)}" for bath in most[:NAMED_AT_MOST])
        more = f"; and {len(most) - NAMED_AT_MOST} more" if len(most) > NAMED_AT_MOST else ""
        yield f"Look into {len(most)} baths that lost most of their pieces", each + more


def _sham(answer: QualityAnswer) -> Iterator[tuple[str, str]]:
    if any(kind.code == "no_sham" and kind.month for kind in answer.warnings):
        yield "Put some trays through a sham dip", "without one, nobody can tell what handling alone costs"
    elif 0 < answer.window_shams < MIN_SESSIONS:
        more = counted(MIN_SESSIONS - answer.window_shams, "session")
        why = f"{counted(answer.window_shams, 'sham session')} so far: {MIN_SESSIONS} are needed to tell what dips cost"
        yield f"Put trays through a sham dip in {more} more", why


def _looks(answer: QualityAnswer) -> Iterator[tuple[str, str]]:
    due = answer.looks_due
    for never, why in ((True, "unknown, not alive"), (False, f"not seen for over {CHECK_GAP_DUE_DAYS} days")):
        sessions = due.loc[due["never"] == never, "session"]
        if len(sessions):
            yield asked_of_trays(len(sessions), never=never), f"{_named(sessions)}: {why}"


def asked_of_trays(trays: int, *, never: bool) -> str:
    """Return what to do with so many trays never looked at, or not for too long."""
    words = counted(trays, "tray")
    return f"Check {words} never looked at since the dip" if never else f"Look again at {words} overdue for a check"


def _named(sessions) -> str:
    names = list(dict.fromkeys(sessions))
    more = f" and {len(names) - NAMED_AT_MOST} more" if len(names) > NAMED_AT_MOST else ""
    return f"session{'s' if len(names) > 1 else ''} {', '.join(names[:NAMED_AT_MOST])}{more}"
