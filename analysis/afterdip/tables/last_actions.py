"""What became of last month's list, as a table."""

from __future__ import annotations

from afterdip.answers.last_actions import LastActions
from afterdip.tables.base import Table

DIPS = (
    "The list as the log would have given it on that day. A dip counts where a later tray names the tray as its "
    "earlier one; a look where pests were counted on the pieces since; a release where nothing of the lot is left."
)
HANDLING = (
    "The list as the log would have given it on that day. A lapse is a later session with the same fault; a tray was "
    "looked at where it has a check since; a bottle or a bath is followed while the watch still finds fault with it; "
    "an agent that drifted then is done once this month's watch raises no alarm on it. What went wrong in a single "
    "bath, and corrections made in the log, leave no trace and are not followed."
)


def last_table(last: LastActions, *, note: str) -> Table:
    """Return one row for each thing that was to be done."""
    rows = tuple((action.what, action.state, action.how) for action in last.actions)
    return Table(f"To do on {last.as_of}, and what the log shows since", ("to do", "state", "since then"), rows, note)
