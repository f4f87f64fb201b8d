"""The two ways a call can fail: the data are wrong (DataError) or the call is wrong (ValueError)."""

from __future__ import annotations

from collections.abc import Iterable


class DataError(Exception):
    """The data cannot be used; `problems` holds every reason found, one sentence each.

    A problem of a log reads `file, row, column 'name': what was expected, got what came`; rows are counted as a
    spreadsheet counts them, the header being row 1. Misuse of a function is a ValueError instead.
    """

    def __init__(self, problems: str | Iterable[str]) -> None:
        self.problems: tuple[str, ...] = (problems,) if isinstance(problems, str) else tuple(problems)
        super().__init__("\n".join(self.problems))
