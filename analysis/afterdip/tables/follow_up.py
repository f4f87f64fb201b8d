"""The follow-up page's tables and sentences: dips due, what the dates rest on, lots to release or hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from afterdip.answers.follow_up import ASKED, held, lot_in_brief, undated, wanted
from afterdip.answers.redip import SILENT_DAYS
from afterdip.answers.words import counted, percent
from afterdip.tables.base import Table, count, digits, out_of, per_cent

if TYPE_CHECKING:
    from afterdip.answers.follow_up import FollowUpAnswer
    from afterdip.answers.redip import Redip
    from afterdip.answers.release import Release

LOTS_AT_MOST = 100  # of the list of lots to dip
CLOSED = ("complete", "unknown")  # no dip can be dated


def dips_sentence(answer: FollowUpAnswer) -> str:
    """Say what is in hand and how many of its trays are due for a dip."""
    words = {
        "overdue": "overdue for a dip", "not dipped": "with sham dips only", "due": "due now", "planned": "due later",
        "complete": "with all dips done", "unknown": "with a pest whose days to hatch and lay are unknown",
    }  # fmt: skip
    due = [(n := _trays(answer, status), f"{count(n)} {said}") for status, said in words.items()]
    quiet = f"{counted(answer.quiet_lots, 'lot')} with no entry for over {count(answer.in_hand_days)} days"
    return (
        f"In hand on {answer.as_of}: {counted(answer.pieces, 'piece')} in {counted(answer.trays, 'tray')} of "
        f"{counted(answer.lots, 'lot')}, leaving out {quiet}. Trays of lots with pests: "
        f"{', '.join(said for n, said in due if n) or 'none'}.{_silent(answer)}"
    )


def _silent(answer: FollowUpAnswer) -> str:
    """Say how many of the trays that look due may have left without a word."""
    silent = {row.tray for row in dated(answer) if row.silent}
    if not silent:
        return ""
    return (
        f" {counted(len(silent), 'tray')} with a dip to come, but no entry for over {count(SILENT_DAYS)} days, may "
        "have left unrecorded and stand last."
    )


def _trays(answer: FollowUpAnswer, status: str) -> int:
    return len({row.tray for row in answer.of_status(status)})


def dated(answer: FollowUpAnswer, *, each: int | None = None) -> tuple[Redip, ...]:
    """Return the rows with a dip to date, most pressing first; `each`: at most so many of a status."""
    kept: dict[str, list[Redip]] = {}
    for row in answer.redips:
        same = kept.setdefault(row.plan.status, [])
        if row.plan.status not in CLOSED and (each is None or len(same) < each):
            same.append(row)
    return tuple(row for rows in kept.values() for row in rows)


def lots_due_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set the trays to dip within SOON_DAYS by lot, most pressing first: the list to take along the tanks."""
    groups: dict[tuple[str, str], list[Redip]] = {}
    for status in ASKED:
        for row in wanted(answer.redips, status, answer.as_of):
            if not row.silent:
                groups.setdefault((status, row.lot), []).append(row)
    body = tuple(_lot_due(rows) for rows in [*groups.values()][:LOTS_AT_MOST])
    left_out = len(groups) - len(body)
    note = f"{counted(left_out, 'more lot')}: the command afterdip redip prints every tray." if left_out else ""
    return Table(caption, ("lot", "trays", "pieces", "next dip", "water", "pests"), body, note)


def _lot_due(rows: list[Redip]) -> tuple[str, ...]:
    """Return one lot's line: its most pressing date, its trays by name, where they are, and for what."""
    trays = {row.tray: row for row in rows}
    water = sorted({row.system for row in rows if row.system})
    pieces = count(sum(row.pieces for row in trays.values()))
    pests = ", ".join(sorted({row.pest for row in rows}))
    return lot_in_brief(rows[0].lot), ", ".join(trays), pieces, _next(rows[0]), ", ".join(water) or "–", pests


def redip_table(answer: FollowUpAnswer, *, caption: str, each: int | None = None) -> Table:
    """Set a row a tray and pest with the next dip, the last day for it, the dips after it, and what may be left."""
    rows = dated(answer, each=each)
    left_out = len(dated(answer)) - len(rows)
    columns = ("tray", "pest", "next dip", "then", "why", "pest survives dips so far", "and all of them")
    body = tuple(
        (
            f"{row.tray} ({row.lot}; {counted(row.pieces, 'piece')})", row.pest, _next(row), _then(row), row.why,
            per_cent(row.risk_so_far), per_cent(row.risk_when_done),
        )
        for row in rows
    )  # fmt: skip
    note = (
        f"Survives: the chance that one animal that met every dip of the series lives, at the farm's own kill of "
        f"adults ({percent(answer.confidence_level)} limits by session), if dips work independently and survivors are "
        "no hardier; a hatchling meets fewer dips. Where a series starts over, by gap or living pests, all of them are "
        "those to come. Dips are counted, not advised: label, safety data sheet and veterinarian say what may be used "
        "and how often."
    )
    if left_out:
        note = f"{counted(left_out, 'more row')}: the command afterdip redip prints them all. {note}"
    return Table(caption, columns, body, note)


def _next(row: Redip) -> str:
    """Return "now, overdue since 2026-10-31" or "on 2026-11-21, by 2026-11-26 at the latest"."""
    found = row.to_json()
    if row.plan.status == "overdue":
        return f"now, overdue since {found['next_by']}"
    if row.plan.status == "not dipped":
        return "now, for the first time"
    when = "now" if row.plan.status == "due" else f"on {found['planned'][0]['day']}"
    return f"{when}, by {found['next_by']} at the latest"


def _then(row: Redip) -> str:
    later = " and ".join(dip["day"] for dip in row.to_json()["planned"][1:])
    parts = (f"on {later}" if later else "", "" if row.plan.ends else "end not known")
    return "; ".join(part for part in parts if part) or "no more"


def unknown_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set the pests found in lots in hand for which no dip can be dated."""
    rows = [(row["pest"], count(row["lots"]), count(row["trays"]), row["why"]) for row in undated(answer)]
    return Table(caption, ("pest", "lots", "trays", "what is missing"), tuple(rows))


def lives_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set what is known of each pest in the farm's water, and the two bounds on the dips that follow from it."""
    columns = (
        "pest", "latest hatch", "earliest laying after hatching", "longest gap between dips",
        "last dip after the first, at least", "from",
    )  # fmt: skip
    rows = []
    for life, numbers in zip(answer.lives, answer.to_json()["lives"], strict=True):
        rows.append((
            life.pest,
            _days(life.hatch_days_latest, life.hatch_days_at_least),
            _days(life.laying_days_earliest),
            _days(numbers["longest_gap_days"]),
            _days(numbers["last_dip_after_days"]),
            "; ".join(part for part in (life.source, life.reason) if part),
        ))  # fmt: skip
    water = answer.water_temperature_c
    in_water = "has no water_temperature_c" if water is None else f"puts the water at {digits(water, 1)} C"
    note = (
        "A gap must be shorter than the earliest laying, and the last dip must come after the latest hatch: averages "
        "are not enough. Days are whole calendar days; dips fall at any hour. Red or other flatworms are not the "
        f"Acropora eater. farm.toml {in_water}."
    )
    told = [f"{life.pest.capitalize()}: {'; '.join(life.notes)}." for life in answer.lives if life.notes]
    return Table(caption, columns, tuple(rows), " ".join([note, *told]))


def _days(value: float | None, at_least: float | None = None) -> str:
    if value is not None:
        return f"{value:g} days"
    return f"not known, plan for over {at_least:g} days" if at_least is not None else "not known"


def release_sentence(answer: FollowUpAnswer) -> str:
    """Say how many lots may leave, and what that means."""
    lots = len({row.lot for row in answer.releases})
    named = f": {'; '.join(answer.released)}" if answer.released else ""
    leave = f"{count(len(answer.released))} of {counted(lots, 'lot')} may leave"
    return (
        f"By the farm's own measure {leave}, {percent(answer.confidence_level)} "
        f"sure that less than {percent(answer.design_prevalence)} of the pieces carry a pest looked for{named}. That "
        "is an upper limit, not a clean bill: a pest nobody looked for is in no count."
    )


def release_table(answer: FollowUpAnswer, rows: Sequence[Release], *, caption: str) -> Table:
    """Set rows of lots and pests: what was looked at since the last hatch, how sure that makes us, what is missing."""
    columns = ("lot", "pest", "pieces", "looked at since the last hatch", "sure", "pieces infested", "decision")
    body = tuple(
        (
            row.lot, row.pest or "none", count(row.pieces), _looked(row),
            _sure(row), _fewer(row),
            f"{row.decision}: {row.reason}",
        )
        for row in rows
    )  # fmt: skip
    note = (
        f"Sure: in so many of 100 lots with {percent(answer.design_prevalence)} (the farm's limit) or more infested, "
        f"these looks would have shown one. Pieces infested: {percent(answer.confidence_level)} limit, exact "
        "(hypergeometric), "
        "allowing for pests a look misses and for infested pieces lying in the trays that hide them best. Looks count "
        "once every egg has hatched, 7 days or more apart, for young and grown alike; earlier ones say nothing of eggs."
    )
    return Table(caption, columns, body, note)


def readable(answer: FollowUpAnswer, at_most: int) -> tuple[Release, ...]:
    """Return the rows nearest to a release for which the looks could be put in numbers."""
    return tuple(row for row in answer.releases if row.confidence.known)[:at_most]


def _sure(row: Release) -> str:
    """Return the confidence; looks are never a certainty, so what would round to 100 % is "more than 99.9 %"."""
    if not row.confidence.known:
        return "cannot say"
    said = digits(100 * row.confidence.estimate, 1)
    return "more than 99.9\u00a0%" if said == "100.0" else f"{said}\u00a0%"


def _fewer(row: Release) -> str:
    """Return "fewer than 2 of 40 (5.0 %)", 2 being the fewest ruled out; "up to 40 of 40" where nothing may be."""
    if not row.share.known:
        return "cannot say"
    if row.ruled_out == row.pieces and row.decision != "release":
        return f"up to {out_of(row.pieces, row.pieces)}"
    return f"fewer than {out_of(row.ruled_out, row.pieces)} ({digits(100 * row.share.high, 1)}\u00a0%)"


def _looked(row: Release) -> str:
    if row.counts_from is None:
        return "last hatch not known"
    since = row.to_json()["counts_from"]
    if not row.looks:
        return f"nothing since {since}" if row.days_since_hatch >= 0 else f"looks count from {since} on"
    looks = "1 tray look" if row.looks == 1 else f"{count(row.looks)} tray looks"
    return f"in {looks} since {since}: {count(row.examined)} pieces"


def causes_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set how many lots are held for what."""
    words = {
        "sure enough": "looked at enough, nothing found",
        "looks": "not looked at enough yet",
        "too early": "eggs may be left; looks do not count yet",
        "sensitivity": "how much a look shows is not known",
        "series": "series of dips not finished",
        "living pests": "living pests seen after the last dip",
        "unknown": "days to hatch and lay not known",
        "never examined": "never looked over, young ones included: not counted is not zero",
    }
    rows = [
        (words[row["cause"]], count(row["lots"]), count(row["pieces"]), _pests(row["pests"])) for row in held(answer)
    ]
    note = "A lot of several corals can be in several rows; it may leave when none holds it."
    return Table(caption, ("why", "lots", "pieces", "pests"), tuple(rows), note)


def _pests(names: Sequence[str]) -> str:
    return ", ".join(name or "no pest counted" for name in names)


def eyes_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set the sensitivity used for each pest beside the farm's own estimate."""
    sources = {"setting": "farm.toml", "counted twice": "lower limit of the next column", "unknown": "nothing yet"}
    rows = tuple(
        (
            eye.pest, "not known" if eye.used is None else f"{digits(100 * eye.used, 1)}\u00a0%",
            sources[eye.source], per_cent(eye.estimated), count(eye.estimated.sessions), count(eye.estimated.pests),
        )
        for eye in answer.eyes
    )  # fmt: skip
    note = (
        "Seen of what was there: before the dip, of all the dip then brought to light (bath, rinse and still on), "
        f"{percent(answer.confidence_level)} limits by session. Too low for pieces with several pests, too high for "
        "pests that hide from both counts; used only where farm.toml has no inspection_sensitivity."
    )
    columns = ("pest", "sensitivity used", "from", "seen of what was there", "sessions", "pests counted twice")
    return Table(caption, columns, rows, note)


def follow_up_captions(answer: FollowUpAnswer, *, rows: int) -> dict[str, dict[str, str]]:
    """Alt text and caption of the page's figures; `rows`: how many rows each shows at most."""
    drawn, sure = dated(answer, each=rows), readable(answer, 2 * rows)
    dates = "; ".join(f"{row.lot}, {row.pest}: {_next(row)}" for row in drawn)
    held = "; ".join(f"{row.lot}, {row.pest}: {_sure(row)}" for row in sure)
    return {
        "calendar": {
            "alt": f"Calendar of dips by tray. {dates or 'No dip can be dated'}.",
            "caption": f"{count(len(drawn))} of {count(len(dated(answer)))} dips to come, by tray and pest, as of "
            f"{answer.as_of}, at most {count(rows)} of each urgency. Filled: dips given; open: planned; bar: to the "
            "last day for it; shaded: eggs may still hatch."
            if drawn
            else f"Dips to come as of {answer.as_of}: none that can be dated.",
        },
        "release": {
            "alt": f"How sure the looks since the last hatch make us, by lot. {held or 'No lot can be read'}.",
            "caption": f"{counted(len(sure), 'lot')} nearest to release. Dot: chance that these looks would have shown "
            f"a pest, had {percent(answer.design_prevalence)} or more been infested. Line: "
            f"{percent(answer.confidence_level)}, "
            "as wanted. Looks before the last hatch are left out."
            if sure
            else "Lots nearest to release: none that can be read.",
        },
    }
