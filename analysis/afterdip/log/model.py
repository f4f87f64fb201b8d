"""A validated log in memory: six tables with fixed columns, the farm's settings, and where it all came from."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

MOST_TOLD = 10_000  # problems of one kind: nobody reads on, and a file of a few bytes can promise millions


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a log (or worth knowing): `file, row, column 'name': what was expected, got what came`."""

    file: str
    row: int | None
    column: str | None
    message: str
    kind: str = "error"  # error or warning
    code: str = ""  # a short stable name of the rule, so that warnings can be grouped and tests can name them
    session: str | None = None

    def __str__(self) -> str:
        """Return the line a user reads."""
        place = [self.file]
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"{'key' if self.file.endswith('.toml') else 'column'} '{self.column}'")
        return f"{', '.join(place)}: {self.message}"


@dataclass(frozen=True, slots=True)
class FileRecord:
    """One file of the log as read: its name, SHA-256 and the rows read and left out, by reason."""

    name: str
    sha256: str
    rows_read: int
    rows_left_out: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PestLife:
    """A pest's life cycle as the farm entered it: days at a water temperature in Celsius, with its source."""

    hatch_days_latest: float
    first_laying_days_earliest: float
    at_temperature_c: float
    source: str


@dataclass(frozen=True, slots=True)
class Settings:
    """The farm's settings (farm.toml); proportions 0-1, money in `currency`."""

    name: str = ""
    currency: str = ""
    wage_per_hour: float | None = None
    water_temperature_c: float | None = None
    target_kill: float = 0.95
    target_loss: float = 0.05
    horizon_days: int = 30
    confidence: float = 0.95
    kill_margin: float = 0.05  # differences in kill and in loss too small to matter to the farm ([compare])
    loss_margin: float = 0.05
    design_prevalence: float = 0.02  # the infested share a lot must be shown to stay below ([release])
    inspection_sensitivity: float | None = None  # chance that one look finds an infested piece; None: not known
    piece_value: dict[str, float] = field(default_factory=dict)
    pests: dict[str, PestLife] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Log:
    """A farm's dip log, validated; tables as listed in DEVELOPERS.md, in file order, each with a RangeIndex."""

    agents: pd.DataFrame
    sessions: pd.DataFrame
    trays: pd.DataFrame
    checks: pd.DataFrame
    pests: pd.DataFrame
    labour: pd.DataFrame
    settings: Settings
    warnings: tuple[Problem, ...]
    files: tuple[FileRecord, ...]
