"""What to do about each warning of a log and each hazard of handling, in a grower's words."""

from __future__ import annotations

ADVICE = {
    "no_ppe": (
        "no protection with a danger product",
        "Stop until the protection the label and safety data sheet ask for is at hand and worn.",
    ),
    "partial_ppe": (
        "only part of the protection worn with a danger product",
        "Read in the label and safety data sheet what must be worn; wear all of it.",
    ),
    "not_for": (
        "corals that never go through this agent",
        "Keep these corals out of this agent. Look at the pieces now and write down what became of them.",
    ),
    "over_max_strength": (
        "strength over the farm's limit",
        "Check the amount written against what went in. If that much went in, look at the pieces now; keep the limit.",
    ),
    "over_max_minutes": (
        "minutes over the farm's limit",
        "Set a timer for each bath. Look at the pieces of this one again.",
    ),
    "no_agitation": (
        "a product that separates, in a bath not kept moving",
        "Keep the bath moving throughout: at rest the product floats out, and nobody knows the strength.",
    ),
    "too_few_rinses": (
        "fewer rinses than the product needs",
        "Rinse as often as the agents table says: residues reach the holding water. Watch that system.",
    ),
    "no_order": (
        "off label or on a veterinarian's order, with no note of it",
        "Write into the session's note who ordered it and when. Off-label use can be unlawful: the label, the "
        "veterinarian and local codes rule.",
    ),
    "off_label": (
        "a product in use off its label",
        "Ask the veterinarian and check local codes whether this use is allowed at all: the log only records it.",
    ),
    "sham_active": (
        "a sham that has an active ingredient",
        "Set its is_control to no, or its active to none: loss over sham rests on plain tank water.",
    ),
    "sham_amount": (
        "a sham dip with an amount of product",
        "Correct the agent, or clear the amount: a sham is plain tank water.",
    ),
    "strength_jump": (
        "a strength far off the agent's other sessions",
        "Check unit, decimal point and bath volume of this session; correct the row if it was a slip of the pen.",
    ),
    "minutes_jump": (
        "minutes far off the agent's other sessions",
        "Check that the time is in minutes, and the decimal point; correct the row if it was a slip of the pen.",
    ),
    "amount_kind": (
        "an amount by weight where the agent is measured by volume, or the like",
        "Check the unit of the amount: a gram is not a millilitre. Correct the row if it was a slip of the pen.",
    ),
    "odd_figure": (
        "a figure far from the farm's usual, or from what a dip can be",
        "Check unit, decimal point and column of the figure; correct the row if it was a slip of the pen.",
    ),
    "mix_differs": (
        "one mixed bath described in two ways",
        "Correct amount, volume or time in one of its sessions. A fresh bath gets a name of its own.",
    ),
    "idle_limit": (
        "a limit in a unit that no session uses",
        "Write the limit in the unit of the agent's baths: until then nothing is ever over it.",
    ),
    "unit_alone": (
        "a unit without its number",
        "Write the number beside the unit, or clear the unit: without it no strength, limit or price is known.",
    ),
    "no_sham": (
        "a month without a sham dip",
        "Put some trays through plain tank water every month: without them nobody can tell what handling alone costs.",
    ),
    "never_checked": (
        "trays never checked after their dip",
        "Check them now and write the day: until then their pieces are unknown, not alive.",
    ),
    "late_check": (
        "trays checked later than due",
        "Look at every tray within a week of its dip, then every two weeks: later, nobody can say what killed a piece.",
    ),
    "table_gap": (
        "rows that all other dips have, missing for several in a row",
        "Check whether the table was cut short or rows were lost. If nothing was written down in those days, leave it.",
    ),
    "bare_session": (
        "a session that no tray went through",
        "Look for its trays: they may be missing from the table, or the session is written twice.",
    ),
    "repeated_session": (
        "a session written twice under two names",
        "If its rows were pasted twice, delete one session and its trays: until then its pieces count twice.",
    ),
    "dead_or_removed": (
        "pieces dead that look as if taken out alive",
        "Check whether dead and removed were swapped: what was sold, moved or dipped again now counts as dead.",
    ),
    "swapped_cells": (
        "cells or columns that may be swapped",
        "Check whether two cells of the row, or two headers of the table, were swapped.",
    ),
    "pests_nowhere": (
        "pests found on pieces, but no piece examined or infested",
        "Correct the pieces examined or infested, or the count: a piece with a pest is infested.",
    ),
    "redip_link": (
        "re-dipped pieces that do not fit the tray they came from",
        "Correct earlier_tray, origin, or the name or date that differs: they tie the dips of a piece together.",
    ),
    "odd_group": (
        "a coral in a different group from its other trays",
        "Correct the group of this tray, or check whether it is another coral: corals are compared within their group.",
    ),
    "group_for_coral": (
        "a coral group where the coral's name belongs",
        "Check whether the two cells of the row were swapped: as it is, its pieces are compared with no others.",
    ),
    "coral_spelling": (
        "a coral or coral group spelt two ways",
        "Choose one spelling and correct the other: two spellings count as two corals.",
    ),
    "pest_spelling": (
        "a pest spelt two ways",
        "Choose one spelling: a pest counted before under one name and after under another looks like a success.",
    ),
    "lot_spelling": (
        "a lot, bottle, bath or water spelt two ways",
        "Choose one spelling and correct the other: two spellings count as two lots, each with its own dips due.",
    ),
    "mix_of_agents": (
        "one bath name used for two agents",
        "Correct the bath's name or the agent in one of them. A fresh bath gets a name of its own.",
    ),
    "far_date": (
        "a date far from its dip",
        "Check day and month: counts and work belong within days of the bath.",
    ),
    "odd_date": (
        "a date or time that does not fit those around it",
        "Check day, month, year and hour: looks and baths are put in order by them.",
    ),
    "labour_link": (
        "labour that does not fit its session",
        "Write the session beside its work, and the pieces its trays hold; or check whether a tray is missing.",
    ),
    "repeated_labour": (
        "labour rows written twice, or alike",
        "If they were pasted twice, delete one of each. If two people did the same work, write who in `person`.",
    ),
    "hidden_rows": (
        "hidden rows in a workbook (they were read)",
        "Unhide them and look: what is hidden or filtered away still counts. Delete what does not belong to the log.",
    ),
    "struck_rows": (
        "rows with a line through them in a workbook (they were read)",
        "Delete the rows that do not count: a line through them takes nothing out. Undo the line where they do count.",
    ),
    "hidden_columns": (
        "hidden columns in a workbook (they were read)",
        "Unhide them and look: what is hidden still counts. Delete what does not belong to the log.",
    ),
    "unknown_column": (
        "a column the report does not know",
        "If it is your own, do nothing. If it is misspelt, correct the header.",
    ),
    "idle_setting": (
        "a setting for a coral group or pest that the log does not have",
        "Write its name as the log does: until then it has no effect.",
    ),
    "unknown_setting": (
        "a setting the report does not know",
        "Correct its name in the settings, or take it out: it has no effect.",
    ),
}
"""Code -> (what it is, what to do)."""

ORDER = tuple(ADVICE)  # what can hurt first, then what blinds the report, then spelling


def words_of(code: str) -> str:
    """Return what a warning is; a code without words of its own is spelt out."""
    return ADVICE[code][0] if code in ADVICE else code.replace("_", " ")


def advice_for(code: str) -> str:
    """Return what to do about it."""
    return ADVICE[code][1] if code in ADVICE else "See the message."


def rank(code: str) -> int:
    """Return the place of a code in order of urgency."""
    return ORDER.index(code) if code in ADVICE else len(ORDER)
