"""The six tables of a dip log as data: one declaration per column, for parser, rules and data dictionary."""

from __future__ import annotations

from dataclasses import dataclass

from .units import AMOUNT_UNITS, LIMIT_UNITS, PRICE_UNITS, STRENGTH_UNITS, TEMPERATURE_UNITS, VOLUME_UNITS

TASKS = ("mix", "dip", "watch", "rinse", "inspect", "cut", "glue", "clean", "record", "other")
CORAL_GROUPS = ("sps", "lps", "soft", "zoanthid", "mushroom", "other")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a log.

    `kind`: key (names a row, or a row elsewhere), text, group (coral group), yes_no, choice or unit (one of
    `allowed`), number, count (whole), date, time (date-time). `need`: "yes" (column and every cell), "dip" (column;
    empty cells only in sham sessions) or "no". `above` excludes, `least` includes the smallest value. `help` feeds
    the data dictionary.
    """

    name: str
    kind: str
    need: str
    help: str
    allowed: tuple[str, ...] = ()
    least: float | None = None
    above: float | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its name, whether a log must have it, what a row is, and its columns in order."""

    name: str
    required: bool
    row: str
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError if there is none."""
        return {column.name: column for column in self.columns}[name]


def _key(name: str, text: str) -> Column:
    return Column(name, "key", "yes", text)


def _text(name: str, text: str, need: str = "no") -> Column:
    return Column(name, "text", need, text)


def _number(name: str, text: str, need: str = "no") -> Column:
    return Column(name, "number", need, text, above=0)


def _count(name: str, text: str, need: str = "no", least: int = 0) -> Column:
    return Column(name, "count", need, text, least=least)


def _choice(name: str, text: str, allowed: tuple[str, ...], need: str = "no") -> Column:
    return Column(name, "choice", need, text, allowed)


def _unit(name: str, text: str, allowed: tuple[str, ...], need: str = "no") -> Column:
    return Column(name, "unit", need, text, allowed)


AGENTS = Table("agents", True, "one row per product the farm dips with, and one for the sham dip", (
    _key("agent", "name of the product, used in sessions"),
    _text("active", "active ingredient in plain text; none for a sham dip in tank water", "yes"),
    Column("is_control", "yes_no", "yes", "yes for a sham (handling) dip"),
    _number("active_strength", "how much active the product holds, e.g. 10"),
    _unit("strength_unit", "unit of active_strength", STRENGTH_UNITS),
    _number("drops_per_ml", "drops that make one mL; needed if any session measures in drops"),
    Column("separates", "yes_no", "no", "yes for oil-based concentrates that float out unless the bath is kept moving"),
    _count("rinses_needed", "clean-water rinses that the product's residue calls for"),
    _choice("clarity", "how well pieces can be watched in the bath", ("clear", "hazy", "opaque")),
    _choice("signal_word", "signal word on the label (GHS)", ("none", "warning", "danger")),
    _choice("basis", "on what authority you use it", ("label", "vet order", "off label", "none")),
    _number("max_per_l", "the farm's own limit per litre of bath"),
    _unit("max_per_l_unit", "unit of max_per_l; mL, drops, g, mg or tablet mean per litre here", LIMIT_UNITS),
    _number("max_minutes", "the farm's own limit of exposure, minutes"),
    _text("not_for", "coral groups, corals or organisms never put through it, ; between them"),
    Column("price", "number", "no", "price of one price_unit, in the farm's currency", least=0),
    _unit("price_unit", "what the price is for", PRICE_UNITS),
))  # fmt: skip

SESSIONS = Table("sessions", True, "one row per bath run: one set of pieces through one mixed bath at one time", (
    _key("session", "name of the session, used in trays"),
    Column("started", "time", "yes", "when the pieces went in, e.g. 2026-10-03T09:30, farm local time"),
    _key("agent", "product used, as in agents"),
    Column("amount", "number", "dip", "how much PRODUCT went in, above 0; empty or 0 only for a sham dip", least=0),
    _unit("amount_unit", "unit of amount: in all (mL, L, drops, g, mg, tablet) or per litre", AMOUNT_UNITS, "dip"),
    _number("bath_volume", "volume of the bath", "yes"),
    _unit("bath_volume_unit", "unit of bath_volume", VOLUME_UNITS, "yes"),
    _number("minutes", "exposure in minutes, more than 0", "yes"),
    Column("temperature", "number", "no", "temperature of the bath"),
    _unit("temperature_unit", "unit of temperature", TEMPERATURE_UNITS),
    _text("mix", "name of the mixed bath when it serves several sessions"),
    Column("mixed", "time", "no", "when that bath was mixed"),
    _text("lot", "bottle or batch number of the product"),
    _choice("agitation", "what kept the bath moving", ("none", "manual", "pump", "air")),
    _count("rinses", "how many clean-water rinses followed"),
    _choice("ppe", "was the protection worn that the label asks for", ("yes", "partial", "no")),
    _count("crew", "how many people worked on it", least=1),
    Column("randomised", "yes_no", "no", "yes if trays were dealt to agents by lot"),
    _text("note", "anything else"),
))  # fmt: skip

TRAYS = Table("trays", True, "one row per group of like pieces in one session (a single colony: a tray of 1)", (
    _key("tray", "name of the tray, used in checks and pests"),
    _key("session", "session it went through, as in sessions"),
    _text("coral", "coral as the farm names it", "yes"),
    Column("coral_group", "group", "yes", f"{', '.join(CORAL_GROUPS)}, or the farm's own"),
    _count("pieces", "pieces in the tray, 1 or more", "yes", least=1),
    _choice("origin", "where the pieces come from", ("arrival", "own cut", "re-dip")),
    _text("source", "supplier or mother lot"),
    Column("arrived", "date", "no", "day of arrival"),
    Column("cut", "date", "no", "day of cutting"),
    _choice("condition", "condition before the dip", ("good", "fair", "poor")),
    _text("earlier_tray", "tray these same pieces were in at their previous dip"),
    _text("system", "holding water they go to"),
))  # fmt: skip

CHECKS = Table("checks", True, "one row per inspection of a tray", (
    _key("tray", "tray inspected, as in trays"),
    Column("checked", "date", "yes", "day of the inspection"),
    _count("alive", "pieces alive and there now", "yes"),
    _count("dead", "pieces that died since the previous check (or since the dip)", "yes"),
    _count("detached", "pieces that came off and are lost, since the previous check", "yes"),
    _count("removed", "pieces taken out alive (sold, moved, re-dipped), since the previous check", "yes"),
    _count("receding", "of those alive, pieces losing tissue"),
    _text("checker", "who inspected"),
))  # fmt: skip

PESTS = Table("pests", False, "one row per tray x pest x life stage x moment; zeros are counts, no row is no count", (
    _key("tray", "tray the pests came from, as in trays"),
    _text("pest", "pest as the farm names it", "yes"),
    _choice("stage", "life stage counted", ("adult", "juvenile", "egg", "any"), "yes"),
    _choice("moment", "before (on the pieces, before the dip), bath or rinse (fallen into it), on piece (after), "
            "later (a follow-up)", ("before", "bath", "rinse", "on piece", "later"), "yes"),
    Column("counted", "date", "yes", "day of the count"),
    _count("examined", "pieces looked at; for bath and rinse, the tray's pieces that went in", "yes"),
    _count("alive", "pests found alive", "yes"),
    _count("dead", "pests found dead", "yes"),
    _count("infested", "pieces with at least one pest"),
))  # fmt: skip

LABOUR = Table("labour", False, "one row per task done", (
    Column("done", "date", "yes", "day of the work"),
    _choice("task", "kind of work", TASKS, "yes"),
    _count("people", "people at work", "yes", least=1),
    _number("minutes", "elapsed minutes, more than 0", "yes"),
    _text("session", "session it belongs to, as in sessions"),
    _count("pieces", "pieces handled"),
    _text("person", "who"),
))  # fmt: skip

TABLES = {table.name: table for table in (AGENTS, SESSIONS, TRAYS, CHECKS, PESTS, LABOUR)}

DERIVED = {
    "agents": ("max_strength", "strength_unit_of_bath"),
    "sessions": (
        "date", "is_control", "bath_volume_l", "exposure_min", "temperature_c", "concentration_mg_per_l", "strength",
        "strength_unit", "product_ml", "product_g", "product_tablets",
    ),
    "trays": (), "checks": (), "pests": (), "labour": ("person_min",),
}  # fmt: skip
