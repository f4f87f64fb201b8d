"""The log audit's tables and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.answers.quality_advice import advice_for, words_of
from afterdip.answers.words import counted
from afterdip.tables.base import Table, count, digits, out_of

if TYPE_CHECKING:
    from afterdip.answers.quality import Hazard, QualityAnswer

CAUTIONS = (
    "This page records what was done; it recommends no use of any product against its label. The label and the safety "
    "data sheet rule. Prescription medicines need a veterinarian. Local codes on pesticides and waste water apply. "
    "Wear the protection the label asks for."
)
NAMED_AT_MOST = 12


def quality_sentence(answer: QualityAnswer) -> str:
    """Say what the month's log holds, how many warnings it has and whether the pieces add up."""
    warned = sum(kind.month for kind in answer.warnings)
    whole = sum(kind.in_all for kind in answer.warnings)
    balance = answer.pieces_window.balance
    adds = f"{abs(balance)} pieces do not add up" if balance else "every piece dipped in the window is accounted for"
    return (
        f"{counted(answer.sessions, 'session')} in {answer.month}, {count(answer.sham_sessions)} of them sham dips; "
        f"{counted(answer.trays, 'tray')}, {counted(answer.pieces, 'piece')}. The log has "
        f"{counted(warned, 'warning')} for the month and {count(whole)} in all; {adds}."
    )


def warnings_table(answer: QualityAnswer) -> Table:
    """Set the kinds of warnings: how often, and what to do."""
    rows = tuple(
        (words_of(kind.code), *(count(n) for n in (kind.month, kind.window, kind.in_all)), advice_for(kind.code))
        for kind in answer.warnings
    )
    columns = ("warning", "this month", "window", "whole log", "what to do")
    return Table("Warnings of the log", columns, rows, "Warnings not tied to a session count in the whole log only.")


def listed_table(answer: QualityAnswer) -> Table:
    """Set every warning of the month, session by session, in the log's own words."""
    rows = tuple(
        (w.session or "–", w.date or "–", w.agent or "–", words_of(w.code), f"{w.where}: {w.message}")
        for w in answer.listed
    )
    return Table(
        "The month's warnings, session by session", ("session", "dipped", "agent", "warning", "where, and what"),
        rows,
    )  # fmt: skip


def hazards_table(answer: QualityAnswer) -> Table:
    """Set what in the month's handling can hurt people, corals or the holding water."""
    rows = tuple(
        (words_of(h.kind), f"{h.agent} ({h.active})", out_of(len(h.sessions), h.of), _named(h), advice_for(h.kind))
        for h in answer.hazards
    )
    return Table(
        "Handling that can hurt", ("what", "agent", "sessions", "which", "what to do"), rows,
        "Sessions of this agent in the month. This table sees only what was written down.",
    )  # fmt: skip


def recorded_table(answer: QualityAnswer) -> Table:
    """Set how much was written down in the month."""
    rows = tuple(
        (r.item, out_of(r.month_done, r.month_due), _share(r.month_done, r.month_due), _share(sum(r.done), sum(r.due)))
        for r in answer.recorded
    )
    note = (
        "Sessions; for checks, trays. A sham needs no bottle number and no protection. An empty cell is unknown, never "
        "zero: what is not written down is in no figure of this report."
    )
    return Table("How far to trust the month", ("", "written down", "of the month", "of the window"), rows, note)


def pieces_table(answer: QualityAnswer) -> Table:
    """Set the pieces at their first dip against all their ends, through the chains of re-dips."""
    names = {
        "pieces": "pieces at their first dip", "alive": "alive at the last look", "dead": "died",
        "detached": "came off", "removed": "taken out alive", "never_checked": "never looked at: unknown",
        "balance": "left over (0: they add up)", "redipped": "dipped again (counted once above)",
    }  # fmt: skip
    both = (answer.pieces_month, answer.pieces_window)
    rows = tuple((words, *(digits(getattr(part, name)) for part in both)) for name, words in names.items())
    longest = counted(answer.pieces_window.longest, "dip")
    unwritten = f"{counted(answer.unwritten, 're-dipped piece')} not recorded as removed from the earlier tray"
    note = f"Longest series: {longest}; {unwritten}."
    return Table("Do the pieces add up?", ("", "first dipped in the month", "in the window"), rows, note)


def quality_captions(answer: QualityAnswer) -> dict[str, dict[str, str]]:
    """Return alt text and caption of the audit's figure."""
    items = "; ".join(f"{r.item} {out_of(sum(r.done), sum(r.due))}" for r in answer.recorded)
    return {
        "recorded": {
            "alt": f"Grid of items by week of the dip, coloured by the share written down. Whole window: {items}.",
            "caption": f"What was written down, by week of the dip, {count(len(answer.weeks))} weeks. Trays checked "
            "when due: no check late or missing. Weeks without a dip are empty.",
        }
    }


def _named(hazard: Hazard) -> str:
    more = len(hazard.sessions) - NAMED_AT_MOST
    listed = ", ".join(hazard.sessions[:NAMED_AT_MOST]) + (f" and {more} more" if more > 0 else "")
    return f"session{'s' if len(hazard.sessions) > 1 else ''} {listed}"


def _share(done: int, due: int) -> str:
    return f"{digits(100 * done / due)}\u00a0%" if due else "–"
