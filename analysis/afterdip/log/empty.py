"""An empty log to start from: six tables with headers, settings with their defaults, the data dictionary."""

from __future__ import annotations

from pathlib import Path

from .model import Settings
from .schema import TABLES, Column, Table
from .settings import PEST_SETTINGS, SETTINGS, Setting
from .typed import expected

SHEET_ROWS = 10_000  # rows of a new workbook that offer the allowed words
LONGEST_LIST = 255  # characters a spreadsheet allows in a list of words


def write_empty_log(folder: str | Path, *, xlsx: bool = False) -> tuple[Path, ...]:
    """Write an empty log into `folder` (made if need be): CSV files, or one log.xlsx; with farm.toml and DICTIONARY.md.

    Returns the files written. Raises FileExistsError, before writing anything, if the folder holds any of them, and
    NotADirectoryError if `folder` is a file.
    """
    folder = Path(folder)
    texts = {"farm.toml": farm_toml(), "DICTIONARY.md": dictionary()}
    if not xlsx:
        texts |= {f"{t.name}.csv": ",".join(c.name for c in t.columns) + "\n" for t in TABLES.values()}
    paths = [folder / name for name in (*texts, *(["log.xlsx"] if xlsx else []))]
    if folder.exists() and not folder.is_dir():
        raise NotADirectoryError(f"a folder to write to, got the file {folder}")
    taken = [path.name for path in paths if path.exists()]
    if taken:
        raise FileExistsError(f"a folder without {', '.join(taken)}, got {folder}: nothing was written")
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        with (folder / name).open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    if xlsx:
        _write_workbook(folder / "log.xlsx")
    return tuple(paths)


def _write_workbook(path: Path) -> None:
    """Write one sheet per table: keys and text as text cells (007 stays 007), dates as dates, words to choose from."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for table in TABLES.values():
        sheet = book.create_sheet(table.name)
        sheet.append([column.name for column in table.columns])
        sheet.freeze_panes = "A2"
        for position, column in enumerate(table.columns, start=1):
            _format_column(sheet, openpyxl.utils.get_column_letter(position), column)
    with path.open("xb") as file:
        book.save(file)


def _format_column(sheet, letter: str, column: Column) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    looks = {"key": "@", "text": "@", "group": "@", "date": "yyyy-mm-dd", "time": "yyyy-mm-dd hh:mm"}
    sheet.column_dimensions[letter].width = max(12, len(column.name) + 2)
    sheet.column_dimensions[letter].number_format = looks.get(column.kind, "General")
    words = ",".join(column.allowed or (("yes", "no") if column.kind == "yes_no" else ()))
    if words and len(words) <= LONGEST_LIST:
        choice = DataValidation(type="list", formula1=f'"{words}"', allow_blank=True, showErrorMessage=True)
        choice.add(f"{letter}2:{letter}{SHEET_ROWS}")
        sheet.add_data_validation(choice)


def farm_toml() -> str:
    """Return a settings file in which every setting stands commented out, with its default."""
    lines = [
        "# Settings of the farm, all optional. Remove the # in front of one to set it; the values are the defaults."
    ]
    section = ""
    for setting in SETTINGS:
        if setting.section != section:
            section = setting.section
            lines += ["", f"[{section}]"]
        lines.append(_toml_line(setting, getattr(Settings(), setting.name)))
    lines += ["", "[value]  # what a piece is worth, by coral group", "# sps = 20.0", ""]
    lines.append(
        "# A pest's life cycle, by its name in the log, from your records or a trusted source; without, no dip dates."
    )
    lines.append("# [pests.flatworm]")
    lines += [f"# {setting.key} =   # {setting.help}" for setting in PEST_SETTINGS]
    return "\n".join(lines) + "\n"


def _toml_line(setting: Setting, default: object) -> str:
    value = f'"{default}"' if isinstance(default, str) else "" if default is None else f"{default}"
    note = setting.help if default is not None else f"{setting.help}; not known unless set"
    return f"# {setting.key} = {value}  # {note}"


def dictionary() -> str:
    """Return the data dictionary in Markdown, made from the schema."""
    parts = [
        "# What each table and column means",
        "One header row; one row per thing. An empty cell means not recorded, never zero. Dates as 2026-10-03, "
        "date-times as 2026-10-03T09:30, farm local time. Keys are text and keep leading zeros. yes/no also takes "
        "y, n, true, false, 1, 0. Amounts are of product, what went in.",
    ]
    return "\n\n".join([*parts, *(_section(table) for table in TABLES.values())]) + "\n"


def _section(table: Table) -> str:
    need = {"yes": "yes", "dip": "yes, but for a sham dip", "no": "no"}
    rows = [f"| {c.name} | {need[c.need]} | {_takes(c)} | {c.help} |" for c in table.columns]
    optional = "" if table.required else " The table is optional."
    head = f"## {table.name}\n\n{table.row[0].upper()}{table.row[1:]}.{optional}\n"
    return "\n".join([head, "| column | required | takes | meaning |", "|---|---|---|---|", *rows])


def _takes(column: Column) -> str:
    if column.kind in ("key", "text", "group"):
        return "text"
    return ", ".join(column.allowed) or expected(column)
