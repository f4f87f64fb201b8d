"""Whether the past has been changed: a sentence and a table."""

from __future__ import annotations

from afterdip.answers.past import ALWAYS, PastAnswer, month_words
from afterdip.answers.words import and_so_on, counted
from afterdip.tables.base import Table, count

NOTE = (
    "A row belongs to the month of its day; a session and its trays to the month the session started. A changed row "
    "counts as one gone and one new; rows that are only new were entered late. A dash: for a month that old, all that "
    "is known is that something differs. Corrections belong here. If nobody remembers a change, compare the log with a "
    "copy from then."
)


def past_sentence(answer: PastAnswer) -> str:
    """Say whether the rows of an earlier report are as they were then."""
    if answer.reason:
        return f"No earlier report to compare with: {answer.reason}."
    month, day = month_words([answer.month]), answer.as_of
    altered = and_so_on([name.replace("_", " ") for name in answer.settings])
    settings = f" Settings changed since: {altered}." if altered else ""
    if not answer.changes:
        whole = f"all {counted(answer.compared, 'row')} up to {day} are as they were, and none is new"
        return f"Since the report of {month}, {whole}.{settings}"
    known = [change for change in answer.changes if change.gone is not None]
    gone, new = (counted(sum(getattr(c, figure) for c in known), "row") for figure in ("gone", "new"))
    older = len(answer.changes) - len(known)
    more = f"; {counted(older, 'older month')} of a table not as before" if older else ""
    whole = f"Since the report of {month}, of {counted(answer.compared, 'row')} up to {day}"
    return f"{whole}: {gone} gone or changed, {new} new{more}.{settings}"


def past_table(answer: PastAnswer) -> Table:
    """Set the months of each table of which not all is as it was."""
    rows = tuple(
        (c.table, "all" if c.month == ALWAYS else month_words([c.month]), *map(count, (c.then, c.now, c.gone, c.new)))
        for c in answer.changes
    )
    columns = ("table", "month", "rows then", "rows now", "gone or changed", "new")
    return Table("Rows behind the last report, then and now", columns, rows, NOTE if rows else "")
