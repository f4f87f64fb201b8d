"""The comparison page's tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.answers.words import counted, percent, so_many
from afterdip.comparison import MINIMUM_SESSIONS
from afterdip.tables.base import Table, count, digits, out_of, per_cent, points
from afterdip.tables.handling import NONE, strengths_sentence

if TYPE_CHECKING:
    from afterdip.answers.comparison import ComparisonAnswer, Judgement
    from afterdip.answers.comparison_page import ComparisonPage
    from afterdip.comparison import Finding

_FACTORS = {"coral_group": "coral group", "condition": "condition before", "origin": "origin"}


def verdict_sentence(answer: ComparisonAnswer | None) -> str:
    """Say the verdict and what it rests on."""
    if answer is None:
        return NONE
    j = answer.judged
    lead = {
        "first": f"Verdict: {j.first} did better than {j.second}",
        "second": f"Verdict: {j.second} did better than {j.first}",
        "equivalent": f"Verdict: equivalent. {j.first} and {j.second} differ by too little to matter to the farm",
        "undecided": f"Verdict: undecided between {j.first} and {j.second}",
    }[j.verdict.word]
    kill = _outcome(j, j.verdict.kill, j.kill.adjusted.difference, "kills more", "kill")
    loss = _outcome(j, j.verdict.loss, j.loss.adjusted.difference, "loses fewer pieces", "loss")
    return f"{lead}: {kill}; {loss}. Differences are {j.first} minus {j.second}.{_gentler(answer)}{_authority(answer)}"


def _gentler(answer: ComparisonAnswer) -> str:
    """Say what two strengths of one agent, not dealt by lot, may differ in beside the strength."""
    if not answer.judged.one_agent or sum(answer.randomised) == sum(answer.sessions):
        return ""
    return (
        " Sicker corals often get the weaker bath. Like is compared with like as far as the log tells; what it does "
        "not record may still differ."
    )


def _authority(answer: ComparisonAnswer) -> str:
    """Say, of the agent that did better, where its use needs more than a count in its favour."""
    better = {"first": 0, "second": 1}.get(answer.judged.verdict.word)
    if better is None:
        return ""
    row = answer.handling[better]
    words = {
        "label": "",
        "vet order": f" {row.agent} is used on a veterinarian's order, and that order rules.",
        "off label": f" {row.agent} is recorded as used off label: this is no advice to use it.",
    }.get(row.basis, f" The log does not say on what authority {row.agent} is used: this is no advice to use it.")
    return words + (f" It is not for: {row.not_for}." if row.not_for else "")


def _outcome(j: Judgement, found: Finding, gap, better: str, name: str) -> str:
    """Say what one outcome shows, with its difference."""
    if not found.known:
        return f"{name} cannot be compared ({gap.reason})"
    if found.alike:
        said = f"{name} differs by too little to matter"
    elif found.first_better or found.second_better:
        said = f"{j.first if found.first_better else j.second} {better}"
    elif found.first_not_worse or found.second_not_worse:
        said = f"on {name}, {j.first if found.first_not_worse else j.second} is not worse by enough to matter"
    else:
        said = f"on {name}, the two cannot be told apart"
    return f"{said}, {points(gap)}"


def targets_sentence(answer: ComparisonAnswer | None) -> str:
    """Say how both agents stand to the farm's targets, by their limits on the mix that both had.

    The losses compared are whole ones, the sham's with them: they can show the limit kept, never that it is open.
    """
    if answer is None:
        return ""
    parts, whole = [], ""
    words = {"yes": "met", "no": "missed", "not shown": "open"}
    for name, agent in (("first", answer.judged.first), ("second", answer.judged.second)):
        kill, loss = answer.targets[name]["kill"], answer.targets[name]["loss"]
        parts.append(f"{agent}: kill {words[kill]}{', loss met' if loss == 'yes' else ''}")
        if loss != "yes":
            whole = " Losses here have the sham's in them: for loss over sham see the page on survival."
    kill, loss = (digits(100 * x, 1).removesuffix(".0") for x in (answer.target_kill, answer.target_loss))
    goals = f"The farm's targets are kill at least {kill} % and loss over sham at most {loss} %"
    said = f"{goals}. {'. '.join(parts)}.{whole}"
    if all(arm.strength is None for arm in answer.judged.arms):
        return said
    return f"{said} This is over all pests and corals both had; the page on strength takes each kind by itself."


def needed_sentence(answer: ComparisonAnswer | None) -> str:
    """Say what an undecided comparison still needs; that a decided one needs nothing."""
    if answer is None:
        return ""
    j = answer.judged
    if j.verdict.word != "undecided":
        return "The verdict needs no more sessions; keep counting, because agents and corals change."
    if _traded(j):
        return (
            "More sessions will not settle this: one kills more and the other loses fewer pieces. "
            "The farm has to say what a pest left alive is worth in pieces."
        )
    n = j.needed
    margins = f"{_margin(answer.margins.kill)} in kill or {_margin(answer.margins.loss)} in loss"
    assumed = f"; correlation within sessions is assumed for {' and '.join(n.assumed)}" if n.assumed else ""
    return (
        f"Settling a difference of {margins} takes about {count(n.total)} sessions per agent, with like pieces in "
        f"the same months: {count(n.still(n.have_first))} more of {j.first}, {count(n.still(n.have_second))} more of "
        f"{j.second} (enough four times in five{assumed}). A larger difference shows sooner."
    )


def _traded(j: Judgement) -> bool:
    """Return whether one agent is shown to kill more and the other to lose fewer: no more sessions settle that."""
    kill, loss = j.verdict.kill, j.verdict.loss
    return (kill.first_better and loss.second_better) or (kill.second_better and loss.first_better)


def _margin(margin: float) -> str:
    return f"{digits(100 * margin, 1).removesuffix('.0')} points"


def fairness_sentence(answer: ComparisonAnswer | None) -> str:
    """Say whether the agents were dealt by lot, and what was left out."""
    if answer is None:
        return ""
    j, left = answer.judged, answer.left_out
    by_lot, all_sessions = sum(answer.randomised), sum(answer.sessions)
    lot = (
        "All sessions were dealt by lot"
        if by_lot == all_sessions
        else f"Not randomised: {out_of(by_lot, all_sessions)} sessions were dealt by lot. Like corals are compared "
        "with like as far as the log tells; what it does not record may still differ"
    )
    unlike = left["pieces_only_first_had_the_like_of"] + left["pieces_only_second_had_the_like_of"]
    apart = left["pieces_in_months_of_first_only"] + left["pieces_in_months_of_second_only"]
    where = "of months in which only one of the two was used, where season and agent cannot be told apart; "
    alone = f"{counted(apart, 'piece')} {where}" if apart else ""
    return (
        f"{lot}. Left out: {alone}{counted(unlike, 'piece')} of a kind that only {j.first} or only {j.second} had; "
        f"{counted(left['trays_never_checked'], 'tray')} never checked (unknown, not alive); "
        f"{counted(left['trays_of_re_dips'], 're-dip tray')}, whose pieces count under their first dip; "
        f"{counted(left['pest_counts_without_bath_or_pieces'], 'pest count')} without bath or pieces.{_pooled(answer)}"
    )


def _pooled(answer: ComparisonAnswer) -> str:
    words = strengths_sentence(answer)
    return f" {words}" if words else ""


def differences_table(answer: ComparisonAnswer | None) -> Table:
    """Set kill and loss of both agents and their difference, crude and among like pieces."""
    if answer is None:
        return Table("Two agents compared", ("",), (), none=NONE)
    j = answer.judged
    rows = []
    for name, both in (("kill", j.kill), ("loss", j.loss)):
        for how, d in (("all together", both.crude), ("like with like", both.adjusted)):
            gap, sessions = d.difference, f"{count(d.first.sessions)} + {count(d.second.sessions)}"
            counted = f"{count(gap.pests)} pests" if name == "kill" else f"{count(gap.pieces)} pieces"
            rows.append((f"{name}, {how}", per_cent(d.first), per_cent(d.second), points(gap), sessions, counted))
    note = (
        f"{j.first} minus {j.second} in percentage points, {percent(answer.confidence_level)} limits by session. Loss: "
        f"{j.loss.outcome}. Kill: {j.kill.outcome}, eggs left out. Like with like: within coral group, condition and "
        "origin (pests: kind, stage, coral group, condition, first dip or re-dip), over the mix that both agents had; "
        "the verdict rests on this row."
    )
    columns = ("", j.first, j.second, "difference", "sessions", "counted")
    return Table(f"{j.first} beside {j.second}", columns, tuple(rows), note)


def balance_table(answer: ComparisonAnswer | None) -> Table:
    """Set who got which."""
    if answer is None:
        return Table("Who got which", ("",), ())
    j = answer.judged
    rows = tuple(
        (
            f"{_FACTORS[row.factor]}: {row.level}",
            f"{count(row.first_pieces)} ({digits(100 * row.first_share)}\u00a0%)",
            f"{count(row.second_pieces)} ({digits(100 * row.second_share)}\u00a0%)",
        )
        for row in answer.balance
    )
    note = "Pieces at their first dip, and their share of the agent's total. Where shares differ, trust like with like."
    return Table("Who got which", ("", j.first, j.second), rows, note)


def groups_table(answer: ComparisonAnswer | None) -> Table:
    """Set the differences among like pieces within each coral group."""
    if answer is None:
        return Table("By coral group", ("",), ())
    j = answer.judged
    rows = tuple(
        (g.coral_group, points(g.kill.adjusted.difference), points(g.loss.adjusted.difference)) for g in answer.groups
    )
    note = f"{j.first} minus {j.second}, like with like, {percent(answer.confidence_level)} limits by session."
    return Table("By coral group", ("", "difference in kill", "difference in loss"), rows, note)


def pairs_table(page: ComparisonPage) -> Table:
    """Set every pair of agents, those told apart first."""
    rows = tuple(
        (
            _names(p),
            _word(p),
            points(p.kill.adjusted.difference),
            points(p.loss.adjusted.difference),
            "–" if p.verdict.word != "undecided" or _traded(p) else count(p.needed.total),
        )
        for p in page.pairs
    )
    of = "agents and strengths" if page.apart else "agents"
    note = (
        f"First minus second, like with like, {percent(page.confidence_level)} limits by session. "
        f"Better is said only at {digits(100 * page.superior_level, 2)}\u00a0%{_able(page)} alike in truth, the page "
        "has at most a 1 in 20 chance of any false verdict. Sessions needed: per agent, with like pieces, to settle "
        "a difference as small as the farm's margin; a larger one needs fewer. Kill against loss: "
        "one kills more, the other loses fewer pieces; more sessions will not settle it."
    )
    if joined(page):
        note += (
            " Two strengths of one agent: sicker corals often get the weaker bath, and what the log does not record "
            "may still differ."
        )
    if page.unpaired:
        note += f" {of.capitalize()} with fewer sessions than these are left out: {count(page.unpaired)}."
    columns = ("", "did better", "difference in kill", "difference in loss", "sessions needed")
    return Table(f"Every pair of {of}", columns, rows, note)


def _names(pair: Judgement) -> str:
    """Return "A – B", or "A at 5 mg/L – at 10 mg/L" of two strengths of one agent."""
    return f"{pair.first} – {pair.second.removeprefix(f'{pair.arms[0].agent} ') if pair.one_agent else pair.second}"


def _able(page: ComparisonPage) -> str:
    """Say how many pairs share the error: those that have the sessions for a verdict."""
    n = len(page.pairs)
    if page.pairs_able == n:
        return ": with the one pair" if n == 1 else f": with all {count(n)} pairs"
    able = so_many(page.pairs_able, n, "pair", ("has", "have"))
    return f", as {able} the {MINIMUM_SESSIONS} sessions a side for a verdict: with all"


def _word(pair: Judgement) -> str:
    if _traded(pair) and pair.verdict.word == "undecided":
        return "kill against loss"
    return {"first": pair.first, "second": pair.second}.get(pair.verdict.word, pair.verdict.word)


def joined(page: ComparisonPage) -> bool:
    """Whether two strengths of one agent are judged apart."""
    return len({arm.agent for arm in page.apart}) < len(page.apart)


def comparison_captions(page: ComparisonPage) -> dict[str, dict[str, str]]:
    """Return alt text and caption of the page's figures by name, ready for show_figure(**...)."""
    level = f"{percent(page.confidence_level)} limits by session"
    best = [p.agent for p in page.agents if p.unbeaten]
    plane = "; ".join(f"{p.agent} kill {per_cent(p.kill)}, loss {per_cent(p.loss)}" for p in page.agents)
    by_strength = " or strength" if page.apart else ""
    ringed = f"Ringed, none beats them on both: {', '.join(best)} (by the points, not a verdict). " if best else ""
    lines = "A line joins the strengths of one agent, from the weakest. " if joined(page) else ""
    captions = {
        "plane": {
            "alt": f"Kill against loss, one point per agent{by_strength}: {plane or 'no agents'}.",
            "caption": f"Kill and loss by day {page.horizon_days} of each agent{by_strength} over all its pieces; "
            f"bars: {level}. {lines}{ringed}"
            "Agents met different corals: the pairs below compare like with like.",
        },
    }
    if page.pair is None:
        nothing = {"alt": NONE, "caption": ""}
        return captions | {"dots": nothing, "differences": nothing}
    j = page.pair.judged
    kill, loss = j.kill.adjusted.difference, j.loss.adjusted.difference
    dots = page.pair.dots
    both = int((dots["kill"].notna() & dots["loss"].notna()).sum())
    return captions | {
        "dots": {
            "alt": f"Each session's kill against its loss for {j.first} and {j.second}, {both} sessions with both.",
            "caption": f"One dot per session with pests and checks ({count(both)} of {count(len(dots))} sessions); "
            f"larger dots: more pieces. Lines: the farm's targets. Loss by day {page.horizon_days}; unadjusted.",
        },
        "differences": {
            "alt": f"{j.first} minus {j.second}, like with like: kill {points(kill)}, loss {points(loss)}.",
            "caption": f"{j.first} minus {j.second} in percentage points, {level}; shaded: too small to matter to the "
            f"farm. Sessions behind it: kill {count(kill.sessions)}, loss {count(loss.sessions)}.",
        },
    }
