"""The first page's own words: reasons cut to what a grower needs there, warnings named as what went wrong."""

from __future__ import annotations

import re

from afterdip.answers.words import and_so_on, counted
from afterdip.tables.base import count
from afterdip.tally.removal import NOT_COUNTED

# A reason as the estimators write it, and its first-page form; one that is not here is printed as it is.
_OF_SESSIONS = r"too few: \1 of the \2 sessions needed"
_REASONS = (
    (r"(?:agent: )?too few: (\d+) sessions? followed to day \d+, needs (\d+)", _OF_SESSIONS),
    (r"sham: too few: (\d+) sessions? followed to day \d+, needs (\d+)", r"too few: \1 of the \2 sham sessions needed"),
    (r"too few sessions(?: with pests)?: (\d+), needs (\d+)", _OF_SESSIONS),
    (r"sham: too few sessions(?: with pests)?: (\d+), needs (\d+)", r"too few: \1 of the \2 sham sessions needed"),
    (r"(?:too few: )?(\d+) sessions?(?: written down)?, needs (\d+)", _OF_SESSIONS),
    (r"labour: (\d+) sessions? written down, needs (\d+)", r"too few: \1 of the \2 sessions with labour rows needed"),
    (r"too few pests: (\d+) found, needs (\d+)", r"too few: \1 of the \2 pests needed"),
    (r"sham: too few pests: (\d+) found, needs (\d+)", r"too few: \1 of the \2 pests needed after sham dips"),
    (r"no denominator: no pest was found", "no pest was found, so nothing can be said"),
    (r"no denominator: nothing was counted", "nothing was counted"),
    (r"no denominator: none to begin with", "there was none to begin with"),
    (r"(?:agent: )?followed to day (\d+) only", r"followed to day \1 only"),
    (r"sham: followed to day (\d+) only", r"sham dips were followed to day \1 only"),
    (r"no sham to compare with \((.+)\)", r"no sham to compare with: \1"),
    (r"(?:dead|detached|labour): (.+)", r"\1"),
    (r"no denominator: (.+)", r"\1"),
    (r"sham: (.+)", r"sham dips: \1"),
)
_REASONS = tuple((re.compile(pattern), form) for pattern, form in _REASONS)

# Each code of the log's warnings, for one and for several of them.
_WARNINGS = {
    "late_check": ("check later than due", "checks later than due"),
    "never_checked": ("tray never checked after its dip", "trays never checked after their dip"),
    "no_agitation": ("bath left still with an agent that separates", "baths left still with agents that separate"),
    "too_few_rinses": ("dip with fewer rinses than its agent needs", "dips with fewer rinses than their agent needs"),
    "no_ppe": ("dip under a danger label without full protection", "dips under a danger label without full protection"),
    "off_label": ("agent used off label", "agents used off label"),
    "not_for": ("tray of a coral that its agent is not for", "trays of a coral that their agent is not for"),
    "over_max_minutes": ("bath longer than the farm's own limit", "baths longer than the farm's own limit"),
    "over_max_strength": ("bath stronger than the farm's own limit", "baths stronger than the farm's own limit"),
    "strength_jump": ("bath 10 times off its usual strength", "baths 10 times off their usual strength"),
    "minutes_jump": ("bath 10 times off its usual minutes", "baths 10 times off their usual minutes"),
    "amount_kind": ("amount by weight, not volume, or the like", "amounts by weight, not volume, or the like"),
    "odd_figure": ("figure far from the farm's usual", "figures far from the farm's usual"),
    "odd_date": ("date that does not fit those around it", "dates that do not fit those around them"),
    "odd_group": ("coral not in its usual group", "corals not in their usual group"),
    "mix_differs": ("bath described in two ways", "baths described in two ways"),
    "idle_limit": ("limit in a unit no bath uses", "limits in a unit no bath uses"),
    "unit_alone": ("unit without its number", "units without their number"),
    "table_gap": ("gap in a table", "gaps in tables"),
    "bare_session": ("session without a tray", "sessions without a tray"),
    "repeated_session": ("session written twice", "sessions written twice"),
    "dead_or_removed": ("death that may be a removal", "deaths that may be removals"),
    "swapped_cells": ("cell that may be swapped", "cells that may be swapped"),
    "pests_nowhere": ("pest count on no piece", "pest counts on no piece"),
    "redip_link": ("re-dip that does not fit its earlier tray", "re-dips that do not fit their earlier tray"),
    "labour_link": ("labour row that does not fit its session", "labour rows that do not fit their session"),
    "group_for_coral": ("coral group where a coral's name belongs", "coral groups where a coral's name belongs"),
    "coral_spelling": ("coral spelt two ways", "corals spelt two ways"),
    "pest_spelling": ("pest spelt two ways", "pests spelt two ways"),
    "lot_spelling": ("lot, bottle or water spelt two ways", "lots, bottles or waters spelt two ways"),
    "mix_of_agents": ("bath name used for two agents", "bath names used for two agents"),
    "sham_active": ("sham with an active ingredient", "shams with an active ingredient"),
    "sham_amount": ("sham dip with an amount of product", "sham dips with an amount of product"),
    "far_date": ("date far from its dip", "dates far from their dip"),
    "idle_setting": ("unused setting", "unused settings"),
    "repeated_labour": ("labour table with rows written twice", "labour tables with rows written twice"),
    "hidden_rows": ("sheet with hidden rows, which were read", "sheets with hidden rows, which were read"),
    "struck_rows": ("sheet with rows struck out, which were read", "sheets with rows struck out, which were read"),
    "hidden_columns": ("hidden column, which was read", "hidden columns, which were read"),
    "unknown_column": ("unknown column", "unknown columns"),
    "unknown_setting": ("unknown setting", "unknown settings"),
    "no_sham": ("month without a sham dip", "months without a sham dip"),
}  # fmt: skip


def short(reason: str) -> str:
    """Return a reason in the first page's words."""
    for pattern, form in _REASONS:
        if match := pattern.fullmatch(reason):
            return match.expand(form)
    return reason


def uncounted(results: dict) -> str:
    """Return what no dip of the month counted, so that nobody can say what share was killed; "" if it was counted."""
    reason = short(results.get("removal", {}).get("month", {}).get("killed", {}).get("reason", ""))
    return reason if reason in NOT_COUNTED else ""


def too_few(reason: str) -> bool:
    """Whether a reason says that there were too few of something, rather than that it cannot be known."""
    return "too few" in short(reason)


def warning_words(code: str, message: str, n: int) -> str:
    """Return "2 trays never checked after their dip"; a code of which nothing is known in its own words."""
    if code in _WARNINGS:
        return counted(n, *_WARNINGS[code])
    words = code.replace("_", " ") or message
    return words if n == 1 else f"{words} ({count(n)})"


def listed(words: list[str], *, most: int = 5) -> str:
    """Return "a, b and c", or the first few "and 4 more"."""
    if len(words) > most:
        return f"{', '.join(words[:most])} and {len(words) - most} more"
    return and_so_on(words)
