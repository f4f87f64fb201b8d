"""The trial's plan in words and as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from afterdip.answers.words import counted
from afterdip.comparison import MINIMUM_SESSIONS
from afterdip.tables.base import Table, count, digits

if TYPE_CHECKING:
    from afterdip.answers.trial import TrialPlan


def plan_sentence(plan: TrialPlan) -> str:
    """Say how many sessions and trays a verdict takes, and what this farm's sessions are worth."""
    sessions = plan.sessions_per_agent
    trays, pieces = sessions * plan.trays_per_session, sessions * plan.trays_per_session * plan.pieces_per_tray
    left = f" Left out, because an agent is not for them: {', '.join(plan.left_out)}." if plan.left_out else ""
    agents = f"{', '.join(plan.agents[:-1])} and {plan.agents[-1]}"
    return (
        f"Comparing {agents} takes about {count(sessions)} sessions per agent ({count(trays)} trays or {count(pieces)} "
        f"pieces each, at {counted(plan.trays_per_session, 'tray')} of {count(plan.pieces_per_tray)} a session) to "
        f"show a difference of {_points(plan.kill_margin)} in kill or {_points(plan.loss_margin)} in loss four times "
        "in five. "
        f"By deaths alone (log-rank test, loss {digits(100 * plan.target_loss, 1).removesuffix('.0')} % against "
        f"{_points(plan.loss_margin)} more): {count(plan.sessions_by_survival)} sessions per agent. Sheets for "
        f"{counted(len(plan.blocks), 'block')} follow, one session per agent in each. {_shown(plan)} More and smaller "
        f"sessions tell more than fewer and larger ones. {_strengths(plan)}{left}"
    )


def _strengths(plan: TrialPlan) -> str:
    """Say which strengths to keep to: those named are dealt, others are not."""
    if all(arm.strength for arm in plan.arms):
        return "Keep each bath at the strength dealt to it."
    if any(arm.strength for arm in plan.arms):
        return "Strengths are dealt where they are named: keep every other agent at one."
    return "Strengths are not dealt: keep each agent at one."


def _shown(plan: TrialPlan) -> str:
    """Say what the printed sheets would show by themselves."""
    if len(plan.blocks) < MINIMUM_SESSIONS:
        return (
            f"By themselves they give no verdict, which takes {MINIMUM_SESSIONS} sessions per agent: print more "
            "blocks, or count on the sessions already in the log."
        )
    said = [
        f"{'no difference, however large,' if gap is None else f'differences from {_points(gap, 0)} up'} in {name}"
        for name, gap in zip(("kill", "loss"), plan.shown_by_blocks, strict=True)
    ]
    return f"By themselves they would show, four times in five, {' and '.join(said)}."


def plan_table(plan: TrialPlan) -> Table:
    """Set what each pair needs, by outcome."""
    rows = []
    for (first, second), needed in plan.needed.items():
        for name, part in (("kill", needed.kill), ("loss", needed.loss)):
            basis = "assumed correlation 0.2" if name in needed.assumed else "these agents' own sessions"
            rows.append(
                (
                    f"{first} and {second}, {name}",
                    count(part.to_show_difference),
                    count(part.to_show_alike),
                    digits(part.pieces_worth_a_session, 1),
                    basis,
                )
            )
    unit = "independent pieces (pests) a session is worth"
    columns = ("", "sessions to show a difference", "sessions to show no worse", unit, "reckoned from")
    note = "Per agent, for a difference as large as the farm's margin, four times in five."
    return Table("Sessions needed", columns, tuple(rows), note)


def _points(margin: float, places: int = 1) -> str:
    return f"{digits(100 * margin, places).removesuffix('.0')} points"
