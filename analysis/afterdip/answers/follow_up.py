"""What to do next: dips still due, lots that may leave or must stay, and what that rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from afterdip.answers.period import period_of
from afterdip.answers.redip import Redip, answer_redips, date_of, day_of, kills_of, lives_of
from afterdip.answers.release import Release, Sensitivity, answer_releases, lots_released, sensitivities
from afterdip.answers.tray_history import read_history
from afterdip.follow_up import HATCH_FACTOR, LifeCycle, days_until_hatched, longest_gap
from afterdip.log.model import Log
from afterdip.tally.follow_up import IN_HAND_DAYS, tally_counted_twice, tally_lots

PAGE = "follow_up.html"
SOON_DAYS = 7  # dips planned within so many days are something to do now
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

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to following up."""
        plain = ("design_prevalence", "water_temperature_c", "system", "in_hand_days", "lots", "trays", "pieces")
        return {
            **{name: getattr(self, name) for name in (*plain, "quiet_lots", "quiet_pieces")},
            "lives": [_life_json(life) for life in self.lives],
            "sensitivities": [eye.to_json() for eye in self.eyes],
            "redips": [row.to_json() for row in self.redips],
            "releases": [row.to_json() for row in self.releases],
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
    twice, history = tally_counted_twice(log), read_history(tally)
    eyes = sensitivities(twice[period.in_window(twice["date"])], pests, settings)
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
    """Return what to do, most urgent first: each with the day it is due, what, why, and the page that tells more."""
    todo = [*_dips_due(answer), *_looks_due(answer), *_figures_missing(answer)]
    return [item | {"page": PAGE} for item in todo]


def _dips_due(answer: FollowUpAnswer) -> list[dict]:
    """Dips overdue, due or planned within SOON_DAYS."""
    soon = day_of(answer.as_of) + SOON_DAYS
    words = {
        "overdue": ("Dip again, overdue", "the gap since the last dip lets hatchlings lay"),
        "not dipped": ("Dip for the first time", "pests were found and only sham dips were given"),
        "due": ("Dip again", "living pests, or eggs that hatch before the next dip"),
        "planned": ("Dip again", "hatchlings must meet a dip before they can lay"),
    }
    out = []
    for status, (what, why) in words.items():
        rows = [row for row in answer.redips if row.plan.status == status and row.due is not None and row.due <= soon]
        if rows:
            trays = len({row.tray for row in rows})
            lots = list(dict.fromkeys(row.lot for row in rows))
            due = date_of(min(row.due for row in rows))
            counted = f"{trays} {'tray' if trays == 1 else 'trays'}: {_named(lots)}"
            out.append({"due": due, "what": f"{what}: {counted}", "why": why})
    return out


def _looks_due(answer: FollowUpAnswer) -> list[dict]:
    """Lots that may leave, and those that only looks stand in the way of."""
    out = []
    if answer.released:
        n = len(answer.released)
        out.append({
            "due": answer.as_of,
            "what": f"Release {n} {'lot' if n == 1 else 'lots'}: {_named(answer.released)}",
            "why": f"{answer.confidence_level:.0%} sure that less than {answer.design_prevalence:.0%} are infested",
        })
    near = [row for row in answer.releases if row.cause == "looks" and row.further_pieces]
    if near:
        lots, pieces = list(dict.fromkeys(row.lot for row in near)), sum(row.further_pieces for row in near)
        out.append({
            "due": answer.as_of,
            "what": f"Look at {pieces} pieces of {len(lots)} {'lot' if len(lots) == 1 else 'lots'}: {_named(lots)}",
            "why": "without a find they may leave",
        })
    return out


def _figures_missing(answer: FollowUpAnswer) -> list[dict]:
    """Pests found in hand for which a figure is missing."""
    found = {row.pest for row in answer.redips}
    lacking = [life.pest for life in answer.lives if life.pest in found and days_until_hatched(life) is None]
    if not lacking:
        return []
    return [{
        "due": "",
        "what": f"Enter days to hatch and to first laying in farm.toml: {', '.join(lacking)}",
        "why": "without them nobody can say when a series of dips is over",
    }]


def _named(lots: Sequence[str]) -> str:
    """Return the first lots and how many more there are."""
    more = len(lots) - NAMED_AT_MOST
    return "; ".join(lots[:NAMED_AT_MOST]) + (f"; and {more} more" if more > 0 else "")


def _trust(answer: FollowUpAnswer) -> list[str]:
    """Return what the lists of dips and releases leave out."""
    never = len({row.lot for row in answer.releases if row.cause == "never examined"})
    return [
        f"{never} of {answer.lots} lots in hand were never looked over for a pest of their corals; {answer.quiet_lots} "
        f"lots without an entry for over {answer.in_hand_days} days are in no list of dips or releases."
    ]


def _life_json(life: LifeCycle) -> dict:
    return life.to_json() | {"longest_gap_days": longest_gap(life), "last_dip_after_days": days_until_hatched(life)}
