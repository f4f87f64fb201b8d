"""The dips to come as an iCalendar file (RFC 5545), for any calendar program."""

from __future__ import annotations

import datetime
import hashlib
from typing import TYPE_CHECKING

from afterdip.answers.period import date_of

if TYPE_CHECKING:
    from afterdip.answers.follow_up import FollowUpAnswer
    from afterdip.answers.redip import Redip


def calendar_file(answer: FollowUpAnswer) -> bytes:
    """Return one all-day event a tray, pest and planned dip.

    An event keeps its UID while the same dip of the same pieces is meant, so that importing a newer file moves it: the
    UID is made from the first tray of the chain, the pest and which dip of the chain it is. Time stamps are `as_of`, so
    that the same log gives the same file. Texts are escaped by the library.
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//afterdip//follow-up//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    stamp = datetime.datetime.combine(datetime.date.fromisoformat(answer.as_of), datetime.time(), datetime.UTC)
    for row, twin in _numbered(answer):
        for i, dip in enumerate(row.plan.dips):
            nth = len(row.dips) + i + 1
            event = Event()
            event.add("uid", _uid(row.root, row.pest, nth, twin))
            event.add("dtstamp", stamp)
            event.add("dtstart", _date(dip.day))
            event.add("dtend", _date(dip.day + 1))
            event.add("transp", "TRANSPARENT")
            event.add("summary", f"Dip {nth}: tray {row.tray}, {row.pest} ({row.pieces} pieces)")
            event.add("description", _description(row, i))
            calendar.add_component(event)
    return calendar.to_ical()


def _numbered(answer: FollowUpAnswer) -> list[tuple[Redip, int]]:
    """Return the rows by tray, each with its place among trays in hand that came from the same first tray."""
    rows = sorted(answer.redips, key=lambda row: (row.tray, row.pest))
    seen: dict[tuple[str, str], int] = {}
    out = []
    for row in rows:
        place = seen.get((row.root, row.pest), 0)
        seen[row.root, row.pest] = place + 1
        out.append((row, place))
    return out


def _uid(root: str, pest: str, nth: int, twin: int) -> str:
    key = "\x1f".join((root, pest, str(nth), str(twin)))
    return f"{hashlib.sha256(key.encode()).hexdigest()[:32]}@afterdip"


def _description(row: Redip, i: int) -> str:
    latest = f"At the latest on {date_of(row.plan.dips[i].latest)}."
    why = f"Why: {row.why}." if i == 0 else f"If the dip before it is given on {date_of(row.plan.dips[i - 1].day)}."
    end = "" if row.plan.ends else " When the series may end is not known: " + row.life.reason + "."
    rule = " Label, safety data sheet and veterinarian say what may be used and how often."
    return f"Lot {row.lot}. {latest} {why}{end}{rule}"


def _date(day: int) -> datetime.date:
    return datetime.date(1970, 1, 1) + datetime.timedelta(days=day)
