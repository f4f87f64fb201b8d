"""What the removal page's figures show, in words: alt texts, and captions with the counts behind them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from afterdip.answers.removal_cell import grown, loose
from afterdip.answers.words import counted, percent
from afterdip.tables.base import count, per_cent
from afterdip.tables.removal import with_counts

if TYPE_CHECKING:
    from afterdip.answers.removal import RemovalAnswer
    from afterdip.answers.removal_shares import SharesCell

SHAM = "the sham (shaking in tank water alone)"


def removal_captions(answer: RemovalAnswer, *, window_months: int) -> dict[str, dict[str, str]]:
    """Alt text and caption of every figure of the page, with the counts behind it."""
    level = percent(answer.confidence_level)
    span = f"{window_months} months to {answer.month}"
    return {
        "month": _compartment_caption(answer.month_agents, f"in {answer.month}"),
        "agents": _compartment_caption(answer.agents, f"over {span}"),
        "kinds": _shares_caption([cell.shares for cell in grown(answer.cells)], span, level),
        "later": {
            "alt": "Share of pieces with living pests before the dip, after it and later, by pest, with limits. "
            + " ".join(f"{cell.shares.name}: {cell.follow_up.verdict}." for cell in loose(answer.pests)),
            "caption": f"Infested pieces of all looked at, all agents together, eggs apart, {span}; {level} limits by "
            "session. A zero has an upper limit too: nothing found is not nothing there.",
        },
        "months": {
            "alt": "Pests killed of all found, month by month, with limits. "
            + " ".join(f"{cell.name}: {per_cent(cell.killed)}." for cell in with_counts(answer.months)),
            "caption": f"All agents and pests, eggs apart. Numbers: sessions with pests found. {level} limits by "
            f"session. Line: the farm's target of {percent(answer.target_kill)}.",
        },
    }


def _compartment_caption(cells: Sequence[SharesCell], when: str) -> dict[str, str]:
    """Where the pests were, agent by agent."""
    found = "; ".join(f"{c.name} {count(c.pests)} in {counted(c.sessions, 'session')}" for c in cells) or "none"
    removed = "; ".join(f"{c.name}: removed {per_cent(c.removed)}" for c in cells) or "No pests were counted"
    return {
        "alt": f"Where the pests were found {when}: stacked bars by agent of bath, rinse and still on, alive and dead. "
        f"{removed}.",
        "caption": f"Pests as counted {when}, eggs apart, beside {SHAM}. Found: {found}. A pest "
        "that neither fell off nor was seen on the piece is in no count.",
    }


def _shares_caption(cells: Sequence[SharesCell], span: str, level: str) -> dict[str, str]:
    """Removed and killed, agent by agent and pest by pest."""
    return {
        "alt": "Removed and killed of all pests found, with limits, by agent and pest. "
        + " ".join(f"{c.name}: removed {per_cent(c.removed)}, killed {per_cent(c.killed)}." for c in cells),
        "caption": f"Adults, or stage not recorded, {span}. Filled: killed; open: removed; both of all found, {level} "
        "limits by session. Grey: the same for shaking alone. Few: not enough sessions or pests to say.",
    }
