"""What to do next: dips still due, lots that may leave or must stay, and what that rests on."""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from afterdip.answers.period import date_of, day_of, period_of
from afterdip.answers.redip import SILENT_DAYS, Redip, answer_redips, kills_of, lives_of
from afterdip.answers.release import CAUSES, Release, Sensitivity, answer_releases, lots_released, sensitivities
from afterdip.answers.tray_history import read_history
from afterdip.answers.words import counted, percent, so_many
from afterdip.follow_up import HATCH_FACTOR, STATUSES, LifeCycle, days_until_hatched, longest_gap
from afterdip.log.model import Log
from afterdip.tally.follow_up import IN_HAND_DAYS, tally_counted_twice, tally_lots

PAGE = "follow_up.html"
SOON_DAYS = 7  # dips planned within so many days are something to do now
ASKED = ("overdue", "not dipped", "due", "planned")  # statuses of which a dip is asked
LISTED = 300  # rows of each list in results.json
NAMED_AT_MOST = 3  # lots named in one sentence


@dataclass(frozen=True, slots=True)
class FollowUpAnswer:
    """The follow-up page.

    `lives`: what is known of each pest on the corals in hand; `redips`: a row a tray in hand and pest found in its lot,
    the most pressing first; `releases`: a row a lot in hand and pest looked for, the nearest to a release first;
    `released`: lots with no row that says hold. `lots`, `trays`, `pieces` in hand; `quiet_lots`, `quiet_pieces` were
    left out because nothing was written of them for more than `in_hand_days` days.
    """

    as_of: str
    confidence_level: float
    design_prevalence: float
    water_temperature_c: float | None
    system: str
    in_hand_days: int
    lots: int
    trays: int
    pieces: int
    quiet_lots: int
    quiet_pieces: int
    lives: tuple[LifeCycle, ...]
    eyes: tuple[Sensitivity, ...]
    redips: tuple[Redip, ...]
    releases: tuple[Release, ...]
    released: tuple[str, ...]

    def of_status(self, status: str) -> list[Redip]:
        """Return the rows of one status."""
        return [row for row in self.redips if row.plan.status == status]

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to following up: of each list the first LISTED rows.

        A large farm has thousands of rows; all are counted here, and `afterdip redip` and `release` write them all.
        """
        plain = ("design_prevalence", "water_temperature_c", "system", "in_hand_days", "lots", "trays", "pieces")
        return {
            **{name: getattr(self, name) for name in (*plain, "quiet_lots", "quiet_pieces")},
            "lives": [_life_json(life) for life in self.lives],
            "sensitivities": [eye.to_json() for eye in self.eyes],
            "redips": [row.to_json() for row in self.redips[:LISTED]],
            "redips_in_all": len(self.redips),
            "trays_by_status": {status: len({row.tray for row in self.of_status(status)}) for status in STATUSES},
            "undated": undated(self),
            "releases": [row.to_json() for row in self.releases[:LISTED]],
            "releases_in_all": len(self.releases),
            "held": held(self),
            "released": list(self.released),
            "actions": actions(self),
            "trust": _trust(self),
        }


def answer_follow_up(
    log: Log, *, month: str, as_of: str, window_months: int = 12, hatch_factor: float = HATCH_FACTOR, system: str = "",
    in_hand_days: int = IN_HAND_DAYS,
) -> FollowUpAnswer:  # fmt: skip
    """Return what is due on `as_of`: dips, looks and releases of the lots in hand (see tally.follow_up).

    The farm's kill and its sensitivity come from the window of months that ends with `month`. `hatch_factor`: latest
    hatch over mean hatch where only a mean is published; `system`: only trays in water whose name begins with it.
    """
    period, settings = period_of(month, window_months=window_months), log.settings
    tally = tally_lots(log, as_of=as_of, in_hand_days=in_hand_days, system=system)
    hosts = tally.hosts[tally.hosts["coral"].isin(set(tally.trays["coral"]))]
    pests = sorted(set(hosts["pest"]) | set(tally.found["pest"]))
    lives = lives_of(pests, settings, hatch_factor=hatch_factor)
    history = read_history(tally)
    eyes = sensitivities(tally_counted_twice(log, since=period.start, until=period.end), pests, settings)
    asked = {"as_of": as_of, "confidence_level": settings.confidence}
    redips = answer_redips(tally, history, lives, kills_of(log, period), **asked)
    releases = answer_releases(tally, history, lives, eyes, settings, as_of=as_of)
    return FollowUpAnswer(
        as_of=as_of,
        confidence_level=settings.confidence,
        design_prevalence=settings.design_prevalence,
        water_temperature_c=settings.water_temperature_c,
        system=system,
        in_hand_days=in_hand_days,
        lots=int(tally.trays["lot"].nunique()),
        trays=len(tally.trays),
        pieces=int(tally.trays["pieces"].sum()),
        quiet_lots=tally.quiet_lots,
        quiet_pieces=tally.quiet_pieces,
        lives=tuple(lives.values()),
        eyes=tuple(eyes.values()),
        redips=redips,
        releases=releases,
        released=lots_released(releases),
    )


def actions(answer: FollowUpAnswer) -> list[dict]:
    """Return what to do, most urgent first: the day it is due, what, which lots, why, and the page that tells more."""
    todo = [*_dips_due(answer), *_looks_due(answer), *_not_written(answer), *_figures_missing(answer)]
    return [item | {"page": PAGE} for item in todo]


def wanted(redips: Sequence[Redip], status: str, as_of: str) -> list[Redip]:
    """Return the rows of a status with a dip by SOON_DAYS from `as_of`; silent ones too, which may have left."""
    soon = day_of(as_of) + SOON_DAYS
    return [row for row in redips if row.plan.status == status and row.due is not None and row.due <= soon]


def undated(answer: FollowUpAnswer) -> list[dict]:
    """Return the pests in hand for which no dip can be dated: pest, lots, trays, and why."""
    rows = {}
    for row in answer.of_status("unknown"):
        rows.setdefault(row.pest, []).append(row)
    return [
        {"pest": life.pest, "lots": len({row.lot for row in rows[life.pest]}), "trays": len(rows[life.pest]),
         "why": rows[life.pest][0].why}
        for life in answer.lives if life.pest in rows
    ]  # fmt: skip


def held(answer: FollowUpAnswer) -> list[dict]:
    """Return what holds lots, or lets them leave: cause, lots, pieces and pests, in the order of CAUSES."""
    out = []
    for cause in CAUSES:
        if same := [row for row in answer.releases if row.cause == cause]:
            lots, pieces = len({row.lot for row in same}), sum(row.pieces for row in same)
            out.append({"cause": cause, "lots": lots, "pieces": pieces, "pests": sorted({row.pest for row in same})})
    return out


def _dips_due(answer: FollowUpAnswer) -> list[dict]:
    """Dips overdue, due or planned within SOON_DAYS, of trays that are known to be here.

    A planned one is due by the last day on which it still meets hatchlings before they lay, as on the page.
    """
    words = {
        "overdue": ("Dip again, overdue", "so long after the last dip, hatchlings may have laid"),
        "not dipped": ("Dip for the first time", "pests were found, and only sham dips given"),
        "due": ("Dip again", "living pests seen, or eggs about to hatch"),
        "planned": ("Dip again", "hatchlings must meet a dip before they can lay"),
    }
    out = []
    for status, (what, why) in words.items():
        rows = [row for row in wanted(answer.redips, status, answer.as_of) if not row.silent]
        if rows:
            due, lots = min(row.due for row in rows), _named([row.lot for row in rows])
            if status == "planned":
                first = _in_brief(datetime.date.fromisoformat(date_of(due)))
                why, due = f"planned from {first} on: {why}", min(row.plan.latest for row in rows)
            out.append({"due": date_of(due), "what": f"{what}: {_trays(rows)}", "which": lots, "why": why})
    return out


def _looks_due(answer: FollowUpAnswer) -> list[dict]:
    """Lots that may leave, and those that only looks stand in the way of."""
    out = []
    if answer.released:
        out.append({
            "due": answer.as_of,
            "what": f"Release {counted(len(answer.released), 'lot')}",
            "which": _named(answer.released),
            "why": f"{percent(answer.confidence_level)} sure that less than {percent(answer.design_prevalence)} are "
            "infested",
        })
    near = [row for row in answer.releases if row.cause == "looks" and row.further_pieces]
    if near:
        lots, pieces = list(dict.fromkeys(row.lot for row in near)), sum(row.further_pieces for row in near)
        out.append({
            "due": answer.as_of,
            "what": f"Look at {counted(pieces, 'piece')} of {counted(len(lots), 'lot')}",
            "which": _named(lots),
            "why": "if nothing is found, they may leave",
        })
    return out


def _not_written(answer: FollowUpAnswer) -> list[dict]:
    """Trays that only look due because nothing says that they left: one line, so that they crowd nothing out."""
    rows = [row for status in ASKED for row in wanted(answer.redips, status, answer.as_of) if row.silent]
    if not rows:
        return []
    return [{
        "due": answer.as_of,
        "what": f"Write down what left: {_trays(rows)}, due for a dip if still here",
        "which": _named([row.lot for row in rows]),
        "why": f"no entry for over {SILENT_DAYS} days; a last check with their pieces under removed takes them off the "
        "list",
    }]


def _figures_missing(answer: FollowUpAnswer) -> list[dict]:
    """Pests found in hand, or that lots are held for, of which a figure is missing."""
    asked = {row.pest for row in answer.redips} | {row.pest for row in answer.releases if row.cause == "unknown"}
    lacking = [life.pest for life in answer.lives if life.pest in asked and days_until_hatched(life) is None]
    if not lacking:
        return []
    return [{
        "due": answer.as_of,
        "what": "Enter days to hatch and to first laying, in water like yours, in farm.toml",
        "which": ", ".join(lacking),
        "why": "without them nobody can say when a series of dips is over, or when a lot may leave",
        "touches": "log",
    }]


def _trays(rows: Sequence[Redip]) -> str:
    return counted(len({row.tray for row in rows}), "tray")


def _named(lots: Sequence[str]) -> str:
    """Return the first lots in few words, and how many more there are."""
    lots = list(dict.fromkeys(lots))
    more = len(lots) - NAMED_AT_MOST
    return "; ".join(map(lot_in_brief, lots[:NAMED_AT_MOST])) + (f"; and {more} more" if more > 0 else "")


def lot_in_brief(lot: str) -> str:
    """Return "supplier-3, arrived 4 Oct" for "supplier-3, arrived 2026-10-04"; a lot named otherwise as it is."""
    day = lot[-10:]
    try:
        date = datetime.date.fromisoformat(day)
    except ValueError:
        return lot
    return f"{lot[:-10]}{_in_brief(date)}"


def _in_brief(date: datetime.date) -> str:
    return f"{date.day}\u00a0{calendar.month_abbr[date.month]}"


def _trust(answer: FollowUpAnswer) -> list[str]:
    """Return what the lists of dips and releases leave out."""
    never = len({row.lot for row in answer.releases if row.cause == "never examined"})
    out = []
    if never:
        lots = so_many(never, answer.lots, "lot in hand", ("was", "were"), "lots in hand")
        out.append(f"{lots} never looked over for some pest of their corals, young ones included.")
    if answer.quiet_lots:
        n, verb = counted(answer.quiet_lots, "lot"), "is" if answer.quiet_lots == 1 else "are"
        out.append(f"{n} without an entry for over {answer.in_hand_days} days {verb} in no list of dips or releases.")
    return out


def _life_json(life: LifeCycle) -> dict:
    return life.to_json() | {"longest_gap_days": longest_gap(life), "last_dip_after_days": days_until_hatched(life)}
