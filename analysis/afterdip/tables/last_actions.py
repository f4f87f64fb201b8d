"""What became of last month's list, as a table."""

from __future__ import annotations

from afterdip.answers.last_actions import LastActions
from afterdip.tables.base import Table


def last_table(last: LastActions) -> Table:
    """Return one row for each thing that was to be done."""
    rows = tuple((action.what, action.state, action.how) for action in last.actions)
    note = (
        "The list as the log would have given it on that day. A dip counts where a later tray names the tray as its "
        "earlier one; a look where pests were counted on the pieces since; a release where nothing of the lot is left."
    )
    return Table(f"To do on {last.as_of}, and what the log shows since", ("to do", "state", "since then"), rows, note)
