"""The follow-up page's tables and sentences: dips due, what the dates rest on, lots to release or hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from afterdip.tables.base import Table, count, digits, out_of, per_cent

if TYPE_CHECKING:
    from afterdip.answers.follow_up import FollowUpAnswer
    from afterdip.answers.redip import Redip
    from afterdip.answers.release import Release

CLOSED = ("complete", "unknown")  # no dip can be dated


def dips_sentence(answer: FollowUpAnswer) -> str:
    """Say what is in hand and how many of its trays are due for a dip."""
    words = {
        "overdue": "overdue for a dip", "not dipped": "with sham dips only", "due": "due now", "planned": "due later",
        "complete": "through with their dips", "unknown": "with a pest whose days to hatch and lay are not known",
    }  # fmt: skip
    quiet = f"{count(answer.quiet_lots)} lots of which nothing was written for over {count(answer.in_hand_days)} days"
    return (
        f"On {answer.as_of} there are {count(answer.pieces)} pieces of {count(answer.lots)} lots in hand "
        f"({count(answer.trays)} trays); {quiet} are left out. Trays in lots where a pest was found, by what is due: "
        f"{', '.join(f'{count(_trays(answer, status))} {said}' for status, said in words.items())}."
    )


def _trays(answer: FollowUpAnswer, status: str) -> int:
    return len({row.tray for row in answer.redips if row.plan.status == status})


def dated(answer: FollowUpAnswer, *, each: int | None = None) -> tuple[Redip, ...]:
    """Return the rows with a dip to date, most pressing first; `each`: at most so many of a status."""
    kept: dict[str, list[Redip]] = {}
    for row in answer.redips:
        same = kept.setdefault(row.plan.status, [])
        if row.plan.status not in CLOSED and (each is None or len(same) < each):
            same.append(row)
    return tuple(row for rows in kept.values() for row in rows)


def redip_table(answer: FollowUpAnswer, *, caption: str, each: int | None = None) -> Table:
    """Set a row a tray and pest with the next dip, the last day for it, the dips after it, and what may be left."""
    rows = dated(answer, each=each)
    left_out = len(dated(answer)) - len(rows)
    columns = (
        "lot", "tray", "pest", "pieces", "dips so far", "next dip", "at the latest", "then",
        "lives through dips so far", "and through all", "why",
    )  # fmt: skip
    body = tuple(
        (
            row.lot, row.tray, row.pest, count(row.pieces), count(len(row.dips)), _when(row), _latest(row), _then(row),
            per_cent(row.risk_so_far), per_cent(row.risk_when_done), row.why,
        )
        for row in rows
    )  # fmt: skip
    note = (
        f"Lives through: chance that one animal that met every dip since the series began lives, at the farm's own "
        f"kill of adults ({answer.confidence_level:.0%} limits, the session as the unit), if dips work independently "
        "and survivors are no hardier; a hatchling meets fewer dips. Dips are counted, not advised: label, safety data "
        "sheet and veterinarian say what may be used and how often."
    )
    if left_out:
        note = f"{count(left_out)} further rows are in results.json; `afterdip redip` prints them all. {note}"
    return Table(caption, columns, body, note)


def _when(row: Redip) -> str:
    date = row.to_json()["planned"][0]["day"]
    return f"{date} (overdue)" if row.plan.status == "overdue" else date


def _latest(row: Redip) -> str:
    return row.to_json()["next_by"] or "now"


def _then(row: Redip) -> str:
    later = ", ".join(dip["day"] for dip in row.to_json()["planned"][1:])
    return "; ".join(part for part in (later, "" if row.plan.ends else "end not known") if part) or "none"


def unknown_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set the pests found in lots in hand for which no dip can be dated."""
    rows = []
    for life in answer.lives:
        held = [row for row in answer.redips if row.pest == life.pest and row.plan.status == "unknown"]
        if held:
            lots = dict.fromkeys(row.lot for row in held)
            rows.append((life.pest, count(len(lots)), count(len(held)), held[0].why))
    return Table(caption, ("pest", "lots", "trays", "what is missing"), tuple(rows))


def lives_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set what is known of each pest in the farm's water, and the two bounds on the dips that follow from it."""
    columns = ("pest", "water", "latest hatch", "earliest laying after hatching", "longest gap between dips",
               "last dip after the first", "from", "how")  # fmt: skip
    water = "not entered" if answer.water_temperature_c is None else f"{digits(answer.water_temperature_c, 1)} C"
    rows = []
    for life, numbers in zip(answer.lives, answer.to_json()["lives"], strict=True):
        rows.append((
            life.pest, water,
            _days(life.hatch_days_latest, life.hatch_days_at_least),
            _days(life.laying_days_earliest),
            _days(numbers["longest_gap_days"]),
            _days(numbers["last_dip_after_days"]),
            life.source or "nobody yet",
            ". ".join((*life.notes, life.reason)).strip(". ") or "as entered in farm.toml",
        ))  # fmt: skip
    note = (
        "A gap must be shorter than the earliest laying, and the last dip must come after the latest hatch; days are "
        "whole calendar days and dips fall at any hour. Means are not enough. Red or other flatworms are not the "
        "Acropora eater."
    )
    return Table(caption, columns, tuple(rows), note)


def _days(value: float | None, at_least: float | None = None) -> str:
    if value is not None:
        return f"{value:g} days"
    return f"not known, plan for over {at_least:g} days" if at_least is not None else "not known"


def release_sentence(answer: FollowUpAnswer) -> str:
    """Say how many lots may leave, and what that means."""
    lots = len({row.lot for row in answer.releases})
    named = f": {'; '.join(answer.released)}" if answer.released else ""
    return (
        f"{out_of(len(answer.released), lots)} lots may leave by the farm's own measure, {answer.confidence_level:.0%} "
        f"sure that less than {answer.design_prevalence:.1%} of the pieces carry a pest looked for{named}. That is an "
        "upper limit, not a clean bill: a pest nobody looked for is in no count."
    )


def release_table(answer: FollowUpAnswer, rows: Sequence[Release], *, caption: str) -> Table:
    """Set rows of lots and pests: what was looked at since the last hatch, how sure that makes us, what is missing."""
    columns = (
        "lot", "pest", "pieces", "looks count from", "looks that count", "pieces looked at",
        "sure of less than the design value", "no more infested than", "still to look at", "decision", "why",
    )  # fmt: skip
    body = tuple(
        (
            row.lot, row.pest or "none", count(row.pieces), row.to_json()["counts_from"] or "not known",
            count(row.looks), count(row.examined),
            per_cent(row.confidence) if row.confidence.known else "cannot say", _no_more(row), _still(row),
            row.decision, row.reason,
        )
        for row in rows
    )  # fmt: skip
    note = (
        f"Sure of the design value: in so many of 100 lots with {answer.design_prevalence:.1%} or more infested, these "
        f"looks would have shown one. No more than: at {answer.confidence_level:.0%}, by the exact hypergeometric with "
        "eyes that overlook some, the infested pieces spread over the trays in the way hardest to notice (pieces of a "
        "tray share their fate). Looks count once every egg has hatched, for young and grown alike, 7 days apart or "
        "more; earlier ones say nothing of eggs."
    )
    return Table(caption, columns, body, note)


def readable(answer: FollowUpAnswer, at_most: int) -> tuple[Release, ...]:
    """Return the rows nearest to a release for which the looks could be put in numbers."""
    return tuple(row for row in answer.releases if row.confidence.known)[:at_most]


def _no_more(row: Release) -> str:
    if not row.share.known:
        return "cannot say"
    return f"{digits(100 * row.share.high, 1)}\u00a0% ({out_of(row.ruled_out, row.pieces)})"


def _still(row: Release) -> str:
    if row.further_pieces is None:
        return "cannot say"
    if row.further_pieces == 0:
        return "nothing"
    looks = "1 look" if row.further_looks == 1 else f"{count(row.further_looks)} looks"
    return f"{count(row.further_pieces)} in {looks}"


def causes_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set how many lots are held for what."""
    words = {
        "sure enough": "looked at enough, nothing found",
        "looks": "not looked at enough yet",
        "too early": "eggs may be left; looks do not count yet",
        "sensitivity": "not known what share of infested pieces a look shows",
        "series": "dips against hatching eggs not finished",
        "living pests": "living pests seen after the last dip",
        "unknown": "days to hatch and lay not known",
        "never examined": "never examined, and not counted is not zero",
    }
    rows = []
    for cause, said in words.items():
        same = [row for row in answer.releases if row.cause == cause]
        if same:
            pests = ", ".join(sorted({row.pest or "no pest counted" for row in same}))
            rows.append((said, count(len({row.lot for row in same})), count(sum(row.pieces for row in same)), pests))
    note = "A lot of several corals can stand in several rows; it leaves when none holds it."
    return Table(caption, ("why", "lots", "pieces", "pests"), tuple(rows), note)


def eyes_table(answer: FollowUpAnswer, *, caption: str) -> Table:
    """Set the sensitivity used for each pest beside the farm's own estimate."""
    sources = {"setting": "farm.toml", "counted twice": "lower limit of the next column", "unknown": "nobody yet"}
    rows = tuple(
        (
            eye.pest, "not known" if eye.used is None else f"{digits(100 * eye.used, 1)}\u00a0%",
            sources[eye.source], per_cent(eye.estimated), count(eye.estimated.sessions), count(eye.estimated.pests),
        )
        for eye in answer.eyes
    )  # fmt: skip
    note = (
        "Seen before the dip, of all the dip then brought to light (bath, rinse and still on), "
        f"{answer.confidence_level:.0%} limits, the session as the unit. Too low for pieces with several pests, too "
        "high for pests that hide from both counts; it stands in only where farm.toml has no inspection_sensitivity."
    )
    columns = ("pest", "sensitivity used", "from", "seen of what was there", "sessions", "pests counted twice")
    return Table(caption, columns, rows, note)


def follow_up_captions(answer: FollowUpAnswer, *, rows: int) -> dict[str, dict[str, str]]:
    """Alt text and caption of the page's figures; `rows`: how many rows each shows at most."""
    drawn, sure = dated(answer, each=rows), readable(answer, 4 * rows)
    dates = "; ".join(f"{row.lot}, {row.pest}: {_when(row)}" for row in drawn)
    held = "; ".join(f"{row.lot}, {row.pest}: {per_cent(row.confidence)}" for row in sure)
    return {
        "calendar": {
            "alt": f"Calendar of dips by tray. {dates or 'No dip can be dated'}.",
            "caption": f"{count(len(drawn))} of {count(len(dated(answer)))} trays and pests with a dip to date, as of "
            f"{answer.as_of}, at most {count(rows)} of each urgency. Filled: dips given; open: planned; bar: up to the "
            "last day for it; shaded: eggs may still hatch.",
        },
        "release": {
            "alt": f"How sure the looks since the last hatch make us, by lot. {held or 'No lot can be read'}.",
            "caption": f"{count(len(sure))} lots nearest to a release. Dot: chance that these looks would have shown "
            f"one, had {answer.design_prevalence:.1%} or more been infested; line: the wanted "
            f"{answer.confidence_level:.0%}. Looks before the last hatch are left out.",
        },
    }
