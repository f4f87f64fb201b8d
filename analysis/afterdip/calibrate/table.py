"""Writes the tables of the calibrations."""

from __future__ import annotations

import csv
from pathlib import Path


def write_table(path: Path, header: tuple[str, ...], rows: list[list]) -> None:
    """Write a table, floats to four digits, and print its path."""
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(header)
        out.writerows([f"{x:.4f}" if isinstance(x, float) and x not in (0.0, 1.0) else x for x in row] for row in rows)
    print(f"wrote {path}: {len(rows)} rows", flush=True)
