"""Reading a farm's dip log: the only place that knows files, columns' text and units."""

from .empty import write_empty_log
from .model import FileRecord, Log, PestLife, Problem, Settings
from .read import CheckReport, check_log, read_log

__all__ = [
    "CheckReport",
    "FileRecord",
    "Log",
    "PestLife",
    "Problem",
    "Settings",
    "check_log",
    "read_log",
    "write_empty_log",
]
