"""What became of last month's list, as a table."""

from __future__ import annotations

from afterdip.answers.last_actions import LastActions
from afterdip.tables.base import Table

DIPS = (
    "The list as the log would have given it on that day. A dip counts when a later tray names this one as its earlier "
    "tray; a look, when pests were counted on the pieces since; a release, when nothing of the lot is left."
)
HANDLING = (
    "The list as the log would have given it on that day. A lapse is a later session with the same fault. A tray was "
    "looked at if it has a check since. A bottle or bath stays open while the watch finds fault with it; a drift is "
    "done once this month raises no alarm. Single baths that went wrong and corrections to the log cannot be followed."
)


def last_table(last: LastActions, *, note: str) -> Table:
    """Return one row for each thing that was to be done."""
    rows = tuple((action.what, action.state, action.how) for action in last.actions)
    return Table(f"To do on {last.as_of}, and what the log shows since", ("to do", "state", "since then"), rows, note)
