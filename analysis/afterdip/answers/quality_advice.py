"""What to do about each warning of a log and each hazard of handling, in a grower's words."""

from __future__ import annotations

ADVICE = {
    "no_ppe": (
        "no protection with a danger product",
        "Stop until the protection that the label and safety data sheet ask for is at hand, and worn.",
    ),
    "partial_ppe": (
        "protection worn in part with a danger product",
        "Read the label and safety data sheet for what must be worn; wear all of it.",
    ),
    "not_for": (
        "corals that never go through this agent",
        "Keep these corals out of this agent; look at the pieces now, and write down what became of them.",
    ),
    "over_max_strength": (
        "strength over the farm's limit",
        "Check the amount written against what went in. If it did go in, look at the pieces now; keep the limit.",
    ),
    "over_max_minutes": (
        "minutes over the farm's limit",
        "Set a timer for each bath. Look at the pieces of this one again.",
    ),
    "no_agitation": (
        "a product that separates, in a bath at rest",
        "Keep the bath moving throughout: at rest the product floats out, and no one knows the strength.",
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
        "Ask the veterinarian, and see local codes, whether this use is allowed at all: the log only records it.",
    ),
    "sham_active": (
        "a sham that has an active ingredient",
        "Mark the agent as no sham, or empty its active: every loss over sham leans on plain tank water.",
    ),
    "sham_amount": (
        "a sham dip into which something went",
        "Correct the agent or empty the amount: a sham is plain tank water.",
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
        "an amount by mass where the agent is taken by volume, or the like",
        "Check the unit of the amount: a gram is no millilitre. Correct the row if it was a slip of the pen.",
    ),
    "odd_figure": (
        "a figure far off the farm's habit, or off what a dip can be",
        "Check unit, decimal point and column of the figure; correct the row if it was a slip of the pen.",
    ),
    "mix_differs": (
        "one mixed bath told in two ways",
        "Correct amount, volume or time in one of its sessions; a bath mixed anew gets a name of its own.",
    ),
    "idle_limit": (
        "a limit in a unit that no session can be held to",
        "Write the limit in the unit in which the agent's baths are told: until then nothing is ever over it.",
    ),
    "unit_alone": (
        "a unit without its number",
        "Write the number beside the unit, or empty the unit: without it no strength, limit or price is known.",
    ),
    "no_sham": (
        "a month without a sham dip",
        "Put some trays of every month through tank water: without them nobody can tell what handling alone costs.",
    ),
    "never_checked": (
        "trays never checked after their dip",
        "Check them now, and write the day: until then their pieces are unknown, not alive.",
    ),
    "late_check": (
        "trays checked later than due",
        "Look at every tray within a week of its dip, then every two weeks: late, nobody can say what killed it.",
    ),
    "table_gap": (
        "rows that all other dips have, and some in a row have not",
        "See whether the table was cut or rows were lost; if nothing was written down in those days, leave it so.",
    ),
    "bare_session": (
        "a session that no tray went through",
        "Look for its trays: they may be lost from their table, or the session is written twice.",
    ),
    "repeated_session": (
        "a session written twice under two names",
        "If its rows were pasted twice, delete one session and its trays: its pieces count twice until then.",
    ),
    "dead_or_removed": (
        "pieces dead where one would think them taken out",
        "See whether dead and removed changed places: what was sold, moved or dipped again counts as dead now.",
    ),
    "swapped_cells": (
        "cells or columns that may have changed places",
        "See whether two cells of the row, or two headers of the table, changed places.",
    ),
    "pests_nowhere": (
        "pests found, and no piece that had them or was looked at",
        "Correct the pieces examined or infested, or the count: what lives on a piece infests it.",
    ),
    "redip_link": (
        "re-dipped pieces that do not fit the tray they came from",
        "Correct earlier_tray, origin, or the name or date that differs: the dips of a piece are put together by them.",
    ),
    "odd_group": (
        "a coral in another group than its other trays",
        "Correct the group of this tray, or see whether it is another coral: it is compared with its group only.",
    ),
    "group_for_coral": (
        "a coral group where the coral's name belongs",
        "See whether the two cells of the row changed places: its pieces are compared with no others.",
    ),
    "coral_spelling": (
        "a coral or coral group spelt two ways",
        "Settle on one spelling and correct the other: two spellings count as two corals.",
    ),
    "pest_spelling": (
        "a pest spelt two ways",
        "Settle on one spelling: a pest counted before under one name and after under another looks like a success.",
    ),
    "lot_spelling": (
        "a lot, bottle, bath or water spelt two ways",
        "Settle on one spelling and correct the other: two spellings count as two lots, each with its own dips due.",
    ),
    "mix_of_agents": (
        "a mixed bath named in sessions of two agents",
        "Correct the bath's name or the agent in one of them; a bath mixed anew gets a name of its own.",
    ),
    "far_date": (
        "a date far from its dip",
        "Check day and month: a bath is counted, and its work done, within days of it.",
    ),
    "odd_date": (
        "a date or time that does not fit those around it",
        "Check day and month, the year and the hour: looks and baths are put in order by them.",
    ),
    "labour_link": (
        "labour that does not fit its session",
        "Write the session beside its work, and the pieces that its trays hold; or see whether a tray is lost.",
    ),
    "repeated_labour": (
        "labour rows written twice, or alike",
        "If they were pasted twice, delete one of each; if two people did the same, write who in `person`.",
    ),
    "hidden_rows": (
        "hidden rows in a workbook, which were read",
        "Show them and look: what is hidden or filtered away still counts. Delete what does not belong to the log.",
    ),
    "hidden_columns": (
        "hidden columns in a workbook, which were read",
        "Show them and look: what is hidden still counts. Delete what does not belong to the log.",
    ),
    "unknown_column": (
        "a column the report does not know",
        "Nothing to do if it is the farm's own; if it is misspelt, correct the header.",
    ),
    "idle_setting": (
        "a setting for a coral group or pest that the log does not have",
        "Write its name as the log does: until then the setting has no effect.",
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
