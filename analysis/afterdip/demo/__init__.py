"""The demo farm: an invented log of sixteen months, rebuilt bit for bit from its seed, its truth known."""

from __future__ import annotations

import json
from pathlib import Path

from .answer_key import truth_of
from .files import demo_tables, write_tables


def write_demo(folder: Path) -> None:
    """Write the demo farm's log (six CSV tables and farm.toml) into `folder`; the same bytes on every machine."""
    tables, _, _ = demo_tables()
    write_tables(Path(folder), tables)


def write_demo_with_truth(folder: Path) -> None:
    """Write `folder`/log as `write_demo` does, and `folder`/truth.json with what was planted."""
    tables, farm, flaws = demo_tables()
    write_tables(Path(folder) / "log", tables)
    text = json.dumps(truth_of(farm, flaws), indent=1) + "\n"
    (Path(folder) / "truth.json").write_text(text, encoding="utf-8", newline="\n")
