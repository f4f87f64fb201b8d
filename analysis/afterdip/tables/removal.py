"""The removal page's tables, sentences and captions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from afterdip.answers.words import counted, percent, so_many
from afterdip.tables.base import Table, count, number, out_of, per_cent, points, three_figures

if TYPE_CHECKING:
    from afterdip.answers.removal import RemovalAnswer
    from afterdip.answers.removal_cell import Look, RemovalCell
    from afterdip.answers.removal_shares import SharesCell
    from afterdip.estimate import Estimate
    from afterdip.removal import ControlledKill

def _names(cells: Sequence[SharesCell]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Column headings and each row's first cells, from the keys that the cells have."""
    known = {"month": "month", "coral_group": "coral group", "pest": "pest", "stage": "stage", "agent": "agent"}
    used = [key for key in known if any(cell.keys.get(key) for cell in cells)] or ["agent"]
    return tuple(known[key] for key in used), [tuple(str(cell.keys.get(key, "")) for key in used) for cell in cells]


def span_of(cell: SharesCell, name: str) -> str:
    """Say what a cell covers: "800 mg/L", "0.8 to 0.84 mL/L product", "not known"."""
    low, high = (cell.keys.get(f"{name}_{end}") for end in ("low", "high"))
    if low is None or high is None:
        return "not known"
    ends = dict.fromkeys(three_figures(value) for value in (low, high))
    return " ".join([" to ".join(ends), *((str(cell.keys["strength_unit"]),) if name == "strength" else ())])


def month_sentence(answer: RemovalAnswer) -> str:
    """Say what the month's dips removed and killed of what they found, beside the sham."""
    month = answer.month_all
    if not month.sessions:
        return f"No pests were counted in any dip of {answer.month} ({counted(answer.dips, 'session')})."
    removed, killed = _or_silence("Removed", month.removed), _or_silence("killed", month.killed)
    sham = _or_silence("removed by shaking alone", month.sham.removed)
    return (
        f"Pests were counted in {count(answer.counted)} of {counted(answer.dips, 'session')} in {answer.month}. The "
        f"agents' dips found {count(month.pests)}, eggs apart. {removed}; {killed}; {sham}."
    )


def _or_silence(what: str, share: Estimate) -> str:
    """Return "removed: 93.1 % (...)", or that it cannot be said and why."""
    return f"{what}: {per_cent(share)}" if share.known else f"{what}: cannot say, {per_cent(share)}"


def trust_sentence(answer: RemovalAnswer) -> str:
    """Say what the counts leave open."""
    silent = sum(not cell.shares.killed.known for cell in answer.cells)
    without = sum(not cell.shares.sham.killed.known for cell in answer.cells if not cell.shares.keys["is_control"])
    of = "of agent, pest and stage"
    few = so_many(silent, len(answer.cells), f"combination {of}", ("has", "have"), f"combinations {of}")
    return f"{few} too few counts to say what was killed. Without a usable sham beside them: {count(without)}."


def notes_table(answer: RemovalAnswer, *, caption: str) -> Table:
    """Set which counts of each pest could not be used, or only in part; a pest without such counts has no row."""
    noted = [cell for cell in answer.pests if cell.notes]
    head, names = _names([cell.shares for cell in noted])
    rows = tuple((*name, "; ".join(cell.notes)) for name, cell in zip(names, noted, strict=True))
    return Table(caption, (*head, "what to know"), rows)


def shares_table(answer: RemovalAnswer, cells: Sequence[SharesCell], *, caption: str) -> Table:
    """Set cells as rows: removed and killed of all found, each with the sham's beside it.

    Months without a pest count are left out, and the note says so.
    """
    shown = with_counts(cells)
    head, names = _names(shown)
    shares = ("removed", "sham removed", "killed", "sham killed", "killed over sham")
    rows = tuple(
        (
            *name, count(cell.sessions), count(cell.pests), per_cent(cell.removed), per_cent(cell.sham.removed),
            per_cent(cell.killed), per_cent(cell.sham.killed), points(cell.killed_over_sham),
        )
        for name, cell in zip(names, shown, strict=True)
    )
    note = (
        "Of all pests found (bath, rinse and still on); a live pest in the bath is removed, not killed. Over sham in "
        f"percentage points; below zero, shaking alone did better. {percent(answer.confidence_level)} limits by "
        "session."
    )
    note += " Months without a pest count are left out." if len(shown) < len(cells) else ""
    return Table(caption, (*head, "sessions", "pests found", *shares), rows, note)


def with_counts(cells: Sequence[SharesCell]) -> tuple[SharesCell, ...]:
    """Return the cells without those of months in which no pest was counted, zeros too."""
    return tuple(cell for cell in cells if cell.sessions or "month" not in cell.keys)


def strengths_table(answer: RemovalAnswer, *, caption: str) -> Table:
    """Set agents used at several strengths, a strength a row; only where the kill can be said, eggs and young apart."""
    told = [cell for cell in answer.by_strength if cell.killed.known and cell.keys["stage"] in ("adult", "any")]
    head, names = _names(told)
    columns = (*head, "strength", "minutes", "sessions", "pests found", "removed", "killed", "killed over sham")
    rows = tuple(
        (
            *name, span_of(cell, "strength"), span_of(cell, "minutes"), count(cell.sessions), count(cell.pests),
            per_cent(cell.removed), per_cent(cell.killed), points(cell.killed_over_sham),
        )
        for name, cell in zip(names, told, strict=True)
    )
    note = (
        f"Adults, or stage not recorded. {count(len(answer.by_strength) - len(told))} more combinations of agent, "
        "pest, stage and strength, most with too few counts, are in results.json. Where strength was chosen and not "
        f"dealt by lot, sicker corals may have had the weaker bath. {percent(answer.confidence_level)} limits by "
        "session."
    )
    return Table(caption, columns, rows, note)


def reductions_table(answer: RemovalAnswer, cells: Sequence[RemovalCell], *, caption: str) -> Table:
    """Set the four reductions side by side, with the control rule's kill; only where at least one can be said."""
    agents = [cell for cell in cells if cell.reductions]
    told = [cell for cell in agents if any(reduction.estimate.known for reduction in cell.reductions)]
    first = told[0].reductions if told else ()
    head, names = _names([cell.shares for cell in told])
    columns = (*head, *(reduction.name for reduction in first), f"kill after {answer.control_rule}")
    rows = tuple(
        (*name, *(per_cent(reduction.estimate) for reduction in cell.reductions), _ruled(cell.control))
        for name, cell in zip(names, told, strict=True)
    )
    formulas = " ".join(f"{r.name}: {r.formula}; control: {r.control}." for r in first)
    note = (
        f"{formulas} Arithmetic means, {percent(answer.confidence_level)} limits by session; below zero the agent did "
        "worse than its control. The rule in the last column comes from insecticide trials; there is none for coral "
        f"dips. Left out, with too few counts: {counted(len(agents) - len(told), 'combination')}."
    )
    return Table(caption, columns, rows, note)


def _ruled(control: ControlledKill) -> str:
    """Return the control rule's kill and what the rule did, or why there is none."""
    return f"{per_cent(control.kill)}, {control.decision}" if control.kill.known else control.kill.reason


def infestation_table(answer: RemovalAnswer, cells: Sequence[RemovalCell], *, caption: str) -> Table:
    """Set prevalence, mean intensity and mean abundance at every look, a row a look."""
    head, names = _names([cell.shares for cell in cells])
    columns = (*head, "when", "trays", "infested", "prevalence", "pests per infested piece", "pests per piece")
    rows = tuple(
        (*name, look.when, count(look.trays), _infested(look), *_three(look))
        for name, cell in zip(names, cells, strict=True)
        for look in cell.looks
    )
    note = (
        f"Living pests on the pieces, {percent(answer.confidence_level)} limits by session. Nothing found gives an "
        "upper limit, never a clean bill. Later finds may be survivors, hatchlings or newcomers: a count cannot tell."
    )
    return Table(caption, columns, rows, note)


def _infested(look: Look) -> str:
    """Return "3 of 192", or that only pests were counted."""
    seen = look.infestation
    return "not counted" if seen.infested is None else out_of(seen.infested, seen.prevalence.pieces or 0)


def _three(look: Look) -> tuple[str, str, str]:
    """Prevalence, intensity and abundance in print; prevalence takes exact limits where sessions are few."""
    seen = look.infestation
    prevalence = per_cent(seen.prevalence)
    if not seen.prevalence.known and seen.prevalence_if_independent.known:
        prevalence = f"{per_cent(seen.prevalence_if_independent)} if pieces were independent; {seen.prevalence.reason}"
    return prevalence, number(seen.intensity, 2), number(seen.abundance, 3)


def follow_up_table(answer: RemovalAnswer, cells: Sequence[RemovalCell], *, caption: str) -> Table:
    """Set what became of trays that looked clean after the dip."""
    head, names = _names([cell.shares for cell in cells])
    counts = ("trays with the pest", "looked at after", "none living seen", "looked at again", "pests again")
    columns = (*head, *counts, "share with pests again", "reading")
    rows = tuple(
        (
            *name,
            *(count(n) for n in (f.trays, f.looked_at, f.looked_clean, f.looked_again, f.came_back)),
            per_cent(f.share_back),
            f.verdict,
        )
        for name, f in zip(names, (cell.follow_up for cell in cells), strict=True)
    )
    note = (
        "Trays that had the pest, at any stage, when dipped. Looked at again: of the trays where none living was seen "
        f"after the dip. Share with pests again: of those looked at again, {percent(answer.confidence_level)} limits "
        "by session. The reading is that of the worst tray: one later find, and the set is not clean."
    )
    return Table(caption, columns, rows, note)
