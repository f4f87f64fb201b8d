"""farm.toml, or a workbook's `farm` sheet with columns section, key, value: the farm's settings, all optional."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field

from .cells import RefusedError, number_of, shown, text_of, tidy
from .files import RawLog
from .letters import letters_of
from .model import PestLife, Problem, Settings
from .schema import Column


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: the field of Settings or PestLife it fills, its place in farm.toml, bounds and meaning.

    A number lies from `low` to `high`; `open_low`, `open_high` exclude the bound itself.
    """

    name: str
    section: str
    key: str
    help: str
    low: float | None = None
    high: float | None = None
    open_low: bool = False
    open_high: bool = False
    whole: bool = False

    @property
    def expected(self) -> str:
        """Return what the value must be, in words."""
        if self.low is None:
            return "text"
        low = f"above {self.low:g}" if self.open_low else f"of {self.low:g} or more"
        high = (
            "" if self.high is None else f" and below {self.high:g}" if self.open_high else f", at most {self.high:g}"
        )
        return f"{'whole number' if self.whole else 'number'} {low}{high}"


SETTINGS = (
    Setting("name", "farm", "name", "the farm's name, printed on the report"),
    Setting("currency", "farm", "currency", "e.g. EUR; prices, wages and values are all in it"),
    Setting("wage_per_hour", "farm", "wage_per_hour", "cost of one person-hour", 0),
    Setting("water_temperature_c", "farm", "water_temperature_c", "usual temperature of the holding water, C", 0, 45),
    Setting("target_kill", "targets", "kill", "share of pests a dip must kill", 0, 1, open_low=True),
    Setting("target_loss", "targets", "loss", "share of pieces a dip may cost, over sham", 0, 1, open_high=True),
    Setting("horizon_days", "targets", "horizon_days", "days after a dip when survival is judged", 1, 365, whole=True),
    Setting("confidence", "targets", "confidence", "level of every interval", 0.5, 1, open_high=True),
    Setting("kill_margin", "compare", "kill_margin", "difference in kill too small to matter", 0, 1, open_high=True),
    Setting("loss_margin", "compare", "loss_margin", "difference in loss too small to matter", 0, 1, open_high=True),
    Setting("design_prevalence", "release", "design_prevalence", "share infested that a lot must stay below",
            0, 1, open_low=True, open_high=True),
    Setting("inspection_sensitivity", "release", "inspection_sensitivity", "chance that a look finds an infested piece",
            0, 1, open_low=True),
)  # fmt: skip
PEST_SETTINGS = (
    Setting("hatch_days_latest", "pests", "hatch_days_latest", "day by which the last eggs have hatched", 0, 365,
            open_low=True),
    Setting("first_laying_days_earliest", "pests", "first_laying_days_earliest",
            "days from hatching to the first eggs, at the earliest", 0, 3650, open_low=True),
    Setting("at_temperature_c", "pests", "at_temperature_c", "water temperature these figures hold for, C", 0, 45),
    Setting("source", "pests", "source", "where the figures come from"),
)  # fmt: skip
VALUE = Setting("piece_value", "value", "*", "value of one piece of a coral group", 0)
SECTIONS = ("farm", "targets", "value", "compare", "release", "pests")


At = Callable[..., Problem]  # (path of a setting, message, ...) -> a Problem where that setting stands


def read_settings(log: RawLog) -> tuple[Settings, list[Problem], At]:
    """Return the settings (defaults where nothing usable stands), every problem, and what words one of a setting.

    Unknown keys are warnings.
    """
    if log.farm_toml and log.farm_sheet:
        where = log.farm_toml[0]
        two = Problem(where, None, None, "one place for settings, got a farm sheet too", code="two_files")
        return Settings(), [two], at_key(where)
    if log.farm_toml:
        return from_toml(*log.farm_toml)
    if log.farm_sheet:
        return from_sheet(*log.farm_sheet)
    return Settings(), [], at_key("farm.toml")


def at_key(file: str) -> At:
    """Return what words a problem of a setting in a farm.toml."""
    return lambda path, message, **more: Problem(file, None, path, message, **more)


def from_toml(file: str, data: bytes) -> tuple[Settings, list[Problem], At]:
    """Return the settings in a farm.toml; a number in quotes is refused."""
    try:
        document = tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        return Settings(), [no_toml(file, data, error)], at_key(file)
    return *_Reader(at_key(file), quoted_numbers=False).read(document), at_key(file)


def no_toml(file: str, data: bytes, error: Exception) -> Problem:
    """Return the problem of what is no TOML, at its row as far as that is known."""
    if isinstance(error, UnicodeDecodeError):
        row = data.count(b"\n", 0, error.start) + 1
        return Problem(file, row, None, f"UTF-8 text, got byte 0x{data[error.start]:02x}", code="settings")
    found = re.fullmatch(r"(.*) \(at line (\d+), column \d+\)", str(error), re.DOTALL)
    words, row = (found[1], int(found[2])) if found else (str(error), None)
    if isinstance(error, RecursionError):
        words = "lists in lists without end"
    return Problem(file, row, None, f"a TOML file, got: {shown(words)}", code="settings")


def from_sheet(file: str, rows: list[tuple[int, list[object]]]) -> tuple[Settings, list[Problem], At]:
    """Return the settings on a `farm` sheet; an empty section means that of the row above, an empty value: not set."""
    header = [shown(tidy(cell)).casefold() for cell in (rows[0][1] if rows else [])]
    if header[:3] != ["section", "key", "value"]:
        return Settings(), [Problem(file, 1, None, "columns section, key, value", code="settings")], at_key(file)
    document: dict[str, dict] = {}
    at: dict[str, int] = {}
    problems, section = [], ""
    for number, cells in rows[1:]:
        name, key, value = [tidy(cell) for cell in [*cells, None, None, None][:3]]
        section = section if name is None else shown(name)
        if value is None:
            continue
        if not section or key is None:
            column = "key" if section else "section"
            problems.append(Problem(file, number, column, "the name of a setting, got an empty cell", code="settings"))
            continue
        path = f"{section}.{shown(key)}"
        if path in at:
            problems.append(Problem(file, number, "key", f"each key once, got '{path}' again", code="settings"))
        at[path] = number
        top, _, pest = section.partition(".")
        place = document.setdefault(top, {})
        if pest and not isinstance(place.setdefault(pest, {}), dict):
            problems.append(Problem(file, number, "section", f"'{top}.{pest}' as a section, got it as a key too",
                                    code="settings"))  # fmt: skip
            continue
        (place[pest] if pest else place)[shown(key)] = value

    def place(path: str, message: str, **more: str) -> Problem:
        known = f"{path}.".casefold()  # a coral group is the same in any case
        rows = [
            row for at_path, row in at.items() if f"{at_path}.".casefold().startswith(known)
        ]  # a section: its first
        return Problem(file, min(rows), "value" if path in at else "section", f"{path}: {message}", **more)

    settings, found = _Reader(place).read(document)
    return settings, problems + found, place


@dataclass(slots=True)
class _Reader:
    """Turns a document of sections into Settings; `at(path, message)` words a problem, `problems` gathers them."""

    at: At
    quoted_numbers: bool = True
    problems: list[Problem] = field(default_factory=list)

    def read(self, document: dict) -> tuple[Settings, list[Problem]]:
        sections = {name: {} for name in SECTIONS}
        for name, entries in document.items():
            if name not in SECTIONS:
                self.unknown(name, name, SECTIONS)
            elif isinstance(entries, dict):
                sections[name] = entries
            else:
                self.refuse(name, f"a section [{name}]", entries)
        values: dict[str, object] = {}
        for name in ("farm", "targets", "compare", "release"):
            values |= self.section(name, sections[name], [s for s in SETTINGS if s.section == name])
        worth = {}
        for group, price in sections["value"].items():
            if tidy(group) is None or str(tidy(group)).casefold() in worth:
                self.refuse(f"value.{group}", "each coral group once, whatever its case", price)
            else:
                worth[str(tidy(group)).casefold()] = self.one(f"value.{group}", price, VALUE)
        lives = {name: self.pest(f"pests.{name}", entries) for name, entries in sections["pests"].items()}
        worth, lives = ({key: got for key, got in found.items() if got is not None} for found in (worth, lives))
        return Settings(**values, piece_value=worth, pests=lives), self.problems

    def refuse(self, path: str, expected: str, value: object) -> None:
        self.problems.append(self.at(path, f"{expected}, got '{shown(value)}'", code="settings"))

    def unknown(self, path: str, name: str, known: tuple[str, ...]) -> None:
        """Note a name that is not known: an error where it can only mean one that is, as in a table's header."""
        if meant := [word for word in known if letters_of(word) == letters_of(name)]:
            message = f"a setting by its name (is it '{meant[0]}'?), got '{shown(name)}'"
            self.problems.append(self.at(path, message, code="settings"))
            return
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.7)
        hint = f" (did you mean '{near[0]}'?)" if near else ""
        message = f"a known setting, got '{shown(name)}': ignored{hint}"
        self.problems.append(self.at(path, message, kind="warning", code="unknown_setting"))

    def section(self, name: str, entries: dict, known: list[Setting]) -> dict[str, object]:
        by_key = {setting.key: setting for setting in known}
        values = {}
        for key, value in entries.items():
            if key not in by_key:
                self.unknown(f"{name}.{key}", key, tuple(by_key))
            elif (got := self.one(f"{name}.{key}", value, by_key[key])) is not None:
                values[by_key[key].name] = got
        return values

    def pest(self, path: str, entries: object) -> PestLife | None:
        if not isinstance(entries, dict):
            self.refuse(path, f"a section [{path}]", entries)
            return None
        values = self.section(path, entries, list(PEST_SETTINGS))
        lacking = [setting.key for setting in PEST_SETTINGS if setting.key not in entries]
        if lacking:
            self.problems.append(
                self.at(path, f"all four figures of a pest, got no {', '.join(lacking)}", code="settings")
            )
        return PestLife(**values) if len(values) == len(PEST_SETTINGS) else None

    def one(self, path: str, value: object, setting: Setting) -> object:
        """Return a usable value, or None after noting the problem."""
        try:
            return _value(value, setting, self.quoted_numbers)
        except RefusedError as refusal:
            self.refuse(path, str(refusal), value)
            return None


def _value(value: object, setting: Setting, quoted_numbers: bool) -> object:
    """Return the value of a setting; raises RefusedError."""
    if setting.low is None:
        if not isinstance(value, str):
            raise RefusedError("text")
        return text_of(value) or ""
    if isinstance(value, str) and not quoted_numbers:
        raise RefusedError(f"{setting.expected}, without quotes")
    column = Column(setting.key, "count" if setting.whole else "number", "yes", "", least=setting.low)
    got = number_of(value, expected=setting.expected, column=column)
    too_low = got is None or (setting.open_low and got == setting.low)
    too_high = (
        setting.high is not None and not too_low and (got > setting.high or (setting.open_high and got == setting.high))
    )
    if too_low or too_high:
        raise RefusedError(setting.expected)
    return int(got) if setting.whole else got
