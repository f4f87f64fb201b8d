"""What became of what was to be done a month ago: the list of that day read off the log as it stood, and what followed.

Nobody ticks off a list; the log tells. A dip was given where a tray dipped since names the tray as its earlier one, a
look was made where pests were counted on a lot's pieces since, a lot has left where nothing of it is in hand any more.
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Iterable
from dataclasses import asdict, dataclass

import pandas as pd

from afterdip.answers.follow_up import FollowUpAnswer, answer_follow_up, wanted
from afterdip.answers.period import month_before
from afterdip.answers.words import counted
from afterdip.log.model import Log
from afterdip.tally.follow_up import ON_PIECES, tally_trays
from afterdip.tally.until import log_until

_DIPS = {  # status on that day -> what the list asked for
    "overdue": "Dip again, overdue",
    "not dipped": "Dip for the first time",
    "due": "Dip again",
    "planned": "Dip again, planned within the week",
}


@dataclass(frozen=True, slots=True)
class LastAction:
    """One thing that was to be done, and the counts that say so (`how`).

    `state` is done, partly, open, or gone: what was to be dipped left without it, so that nothing is left to do.
    """

    what: str
    state: str
    how: str


@dataclass(frozen=True, slots=True)
class LastActions:
    """The list of the day `as_of`, a month before the report's own day, in the order it was given."""

    as_of: str
    actions: tuple[LastAction, ...]

    def to_json(self) -> dict:
        """Return the part of results.json that the first page reads."""
        return {"as_of": self.as_of, "actions": [asdict(action) for action in self.actions]}


def answer_last_actions(log: Log, *, month: str, as_of: str, window_months: int = 12) -> LastActions:
    """Return what was to be done a month before `as_of`, and what of it the log shows as done since.

    The list is what the report of the month before `month` would have said on that day, from the log as it stood then
    (see tally.until). Only what a log can show is judged: dips, looks and releases, not settings entered.
    """
    day = a_month_before(as_of)
    then = answer_follow_up(log_until(log, day), month=month_before(month), as_of=day, window_months=window_months)
    trays = tally_trays(log)
    now = trays[trays["pieces"] > 0]  # a lot of which nothing was written for long is still here
    dipped, here = _dipped_since(log, day), _with_earlier(now["tray"], log)
    dips, told = _dips(then, dipped, here), _told(log, then, dipped, here)
    return LastActions(day, (*dips, *_releases(then, now), *_looks(log, then, trays, day), *told))


def a_month_before(day: str) -> str:
    """Return the same day of the month before, or its last day where there is none: 31 March gives 28 February."""
    date = datetime.date.fromisoformat(day)
    year, month = divmod(12 * date.year + date.month - 2, 12)
    return datetime.date(year, month + 1, min(date.day, calendar.monthrange(year, month + 1)[1])).isoformat()


def _dipped_since(log: Log, day: str) -> set[str]:
    """Return the trays dipped after that day, sham dips left out, and every tray their pieces were in before."""
    since = log.sessions[(log.sessions["date"] > pd.Timestamp(day)) & ~log.sessions["is_control"].astype(bool)]
    return _with_earlier(log.trays.loc[log.trays["session"].isin(since["session"]), "tray"], log)


def _dips(then: FollowUpAnswer, dipped: set[str], here: set[str]) -> Iterable[LastAction]:
    """Dips that were due within SOON_DAYS of that day, by what they were called; `here`: trays in hand today."""
    for status, what in _DIPS.items():
        trays = {row.tray for row in wanted(then.redips, status, then.as_of) if not row.silent}
        if trays:
            done, gone = len(trays & dipped), len(trays - dipped - here)
            counts = ((done, "dipped since"), (gone, "gone undipped"), (len(trays) - done - gone, "not yet"))
            how = ", ".join(f"{n} {words}" for n, words in counts if n) if done + gone else "none dipped since"
            state = "gone" if gone and done + gone == len(trays) else state_of(done + gone, len(trays))
            yield LastAction(f"{what}: {counted(len(trays), 'tray')}", state, how)


def _told(log: Log, then: FollowUpAnswer, dipped: set[str], here: set[str]) -> Iterable[LastAction]:
    """Trays that might have left without a word: done where a check, a dip or a move has told since."""
    trays = {row.tray for status in _DIPS for row in wanted(then.redips, status, then.as_of) if row.silent}
    if trays:
        checked = set(log.checks.loc[log.checks["checked"] > pd.Timestamp(then.as_of), "tray"])
        told = len((trays - here) | (trays & (dipped | checked)))
        how = f"{told} with an entry since" if told else "no entry since"
        what = f"Write down what left: {counted(len(trays), 'tray')}, due for a dip if still here"
        yield LastAction(what, state_of(told, len(trays)), how)


def _with_earlier(trays: Iterable[str], log: Log) -> set[str]:
    """Return the trays and every tray their pieces were in before."""
    earlier = dict(zip(log.trays["tray"], log.trays["earlier_tray"], strict=True))
    found, step = set(), set(trays)
    while step:
        found |= step
        step = {before for before in map(earlier.get, step) if isinstance(before, str)} - found
    return found


def _releases(then: FollowUpAnswer, now: pd.DataFrame) -> Iterable[LastAction]:
    if lots := set(then.released):
        left = len(lots - set(now["lot"]))
        how = f"{left} no longer here" if left else "still here"
        yield LastAction(f"Release {counted(len(lots), 'lot')}", state_of(left, len(lots)), how)


def _looks(log: Log, then: FollowUpAnswer, trays: pd.DataFrame, day: str) -> Iterable[LastAction]:
    """Lots that only looks stood in the way of: done where as many pieces were looked at since, for each pest."""
    asked = [row for row in then.releases if row.cause == "looks" and row.further_pieces]
    if not asked:
        return
    seen = _looked_at(log, dict(zip(trays["tray"], trays["lot"], strict=True)), day)
    met = {(row.lot, row.pest): seen.get((row.lot, row.pest), 0) >= row.further_pieces for row in asked}
    lots = {row.lot for row in asked}
    here = set(trays.loc[trays["pieces"] > 0, "lot"])
    done = {lot for lot in lots if lot not in here or all(ok for (of, _), ok in met.items() if of == lot)}
    how = f"{len(done)} looked at enough since, or no longer here" if done else "none looked at enough yet"
    yield LastAction(f"Look at {counted(len(lots), 'lot')}", state_of(len(done), len(lots)), how)


def _looked_at(log: Log, lots: dict[str, str], day: str) -> dict[tuple[str, str], int]:
    """Pieces looked at since that day by lot and pest; a piece looked at twice counts twice. `lots`: of each tray."""
    rows = log.pests[(log.pests["counted"] > pd.Timestamp(day)) & log.pests["moment"].isin(ON_PIECES)]
    looks = rows.groupby(["tray", "pest", "counted"], as_index=False)["examined"].max()  # stages share one look
    looks = looks.assign(lot=looks["tray"].map(lots))
    return looks.groupby(["lot", "pest"])["examined"].sum().to_dict()


def state_of(done: int, whole: int) -> str:
    """Return done, partly or open."""
    return "done" if done == whole else "partly" if done else "open"
