"""The demo farm as files: the log's tables and settings, and the truth behind them as JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from .chance import Chance
from .flaws import slip
from .labour import COLUMNS as LABOUR_COLUMNS
from .labour import all_labour
from .products import COLUMNS as AGENT_COLUMNS
from .products import PRODUCTS
from .records import follow_up
from .season import Farm, run_farm
from .truth import SEED, SETTINGS

COLUMNS = {
    "agents": AGENT_COLUMNS,
    "sessions": ("session", "started", "agent", "amount", "amount_unit", "bath_volume", "bath_volume_unit", "minutes",
                 "temperature", "temperature_unit", "mix", "mixed", "lot", "agitation", "rinses", "ppe", "crew",
                 "randomised", "note"),
    "trays": ("tray", "session", "coral", "coral_group", "pieces", "origin", "source", "arrived", "cut", "condition",
              "earlier_tray", "system"),
    "checks": ("tray", "checked", "alive", "dead", "detached", "removed", "receding", "checker"),
    "pests": ("tray", "pest", "stage", "moment", "counted", "examined", "alive", "dead", "infested"),
    "labour": LABOUR_COLUMNS,
}
Tables = dict[str, list[dict[str, str]]]


def demo_tables() -> tuple[Tables, Farm, list[dict[str, str]]]:
    """Return the six tables as text, the farm they were written from, and the flaws put in."""
    farm = run_farm()
    trays, checks, pests, desk = [], [], list(farm.pests), Chance(SEED + 3)
    for tray in farm.trays:
        trays.append(_tray_row(tray))
        rows, counts = follow_up(desk, tray)
        checks += rows
        pests += counts
    flaws = slip(farm.sessions, trays)
    tables = {"agents": PRODUCTS, "sessions": farm.sessions, "trays": trays, "checks": checks, "pests": pests,
              "labour": all_labour(Chance(SEED + 4), farm)}
    return tables, farm, flaws


def _tray_row(tray) -> dict[str, str]:
    return {
        "tray": tray.key, "session": tray.session, "coral": tray.coral, "coral_group": tray.group,
        "pieces": str(len(tray.colonies)), "origin": tray.origin, "source": tray.source,
        "arrived": str(tray.arrived or ""), "cut": str(tray.cut or ""), "condition": tray.condition,
        "earlier_tray": tray.earlier.key if tray.earlier else "", "system": tray.system,
    }


def as_csv(columns: Iterable[str], rows: list[dict[str, str]]) -> str:
    """Return rows as CSV with one header row and plain line ends."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def as_toml(settings: dict[str, dict[str, Any]]) -> str:
    """Return settings as TOML; JSON's text and numbers are TOML's."""
    sections = ["# Everything about this farm is invented.\n"]
    for section, values in settings.items():
        sections.append("\n".join([f"[{section}]", *(f"{k} = {json.dumps(v)}" for k, v in values.items()), ""]))
    return "\n".join(sections)


def write_tables(folder: Path, tables: Tables) -> None:
    """Write the six tables and farm.toml into a folder, made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = {f"{name}.csv": as_csv(COLUMNS[name], rows) for name, rows in tables.items()}
    texts["farm.toml"] = as_toml(SETTINGS)
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
