"""Weak bottle, tired bath, resistant pest or mixing slip: what the log can and cannot tell apart of a poor kill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.watch_series import Rows
from afterdip.monitoring import expected_shares, scores

FITS, DOES_NOT, CANNOT = "fits", "does not fit", "cannot tell"
SHORT = 1.645  # standard deviations below expectation: one chance in twenty, for each look by itself
SAME = 1.15  # strengths within this factor count as the same
WORST = 2  # baths set aside to see whether a slip or two carry the shortfall


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation, whether the log fits it, and what in the log says so."""

    name: str
    verdict: str
    why: str

    def to_json(self) -> dict[str, str]:
        """Return it by name."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Pests killed of those found in the baths in question, what the agent's other baths lead one to expect, and z."""

    killed: float
    found: float
    expected: float
    z: float
    baths: int

    @property
    def short(self) -> bool:
        """Whether so few would be killed in fewer than one in twenty such sets of baths."""
        return self.z < -SHORT

    def to_json(self) -> dict[str, float | int]:
        """Return the counts by name."""
        return {name: getattr(self, name) for name in self.__slots__}


class Suspects:
    """The rows in question of one agent, each with the kill expected from all its other rows."""

    def __init__(self, rows: Rows, suspect: np.ndarray) -> None:
        others = np.where(suspect, 0.0, 1.0)
        events, trials = (rows.frame[name].to_numpy() for name in ("events", "trials"))
        share = expected_shares(rows.design, events * others, trials * others, spread=rows.spread)
        frame = rows.frame.assign(share=np.clip(share, 1e-9, 1 - 1e-9))
        rest = frame[~suspect]
        self.rho = scores(rest["bath"], rest["events"], rest["trials"], rest["share"]).correlation
        self.rows, self.others = frame[suspect], rest
        self.all = self.of(self.rows)

    def of(self, part: pd.DataFrame) -> Shortfall:
        """Return the shortfall of some of the rows."""
        made = self.scores(part)
        killed, found, expected = (float(a.sum()) for a in (made.events, made.trials, made.expected))
        spread = float(np.sqrt((made.deviation**2).sum()))
        return Shortfall(killed, found, expected, (killed - expected) / spread if spread else 0.0, int(made.bath.size))

    def scores(self, part: pd.DataFrame):
        """Return the baths' scores at the correlation of the other baths."""
        return scores(part["bath"], part["events"], part["trials"], part["share"], correlation=self.rho)

    def as_expected(self, part: pd.DataFrame) -> bool:
        """Whether these rows reached expectation so well that they cannot share the shortfall of the whole."""
        shared = self.all.killed / self.all.expected if self.all.expected else 1.0
        like = self.of(part.assign(share=np.clip(part["share"] * shared, 1e-9, 1 - 1e-9)))
        return not self.of(part).short and like.z > SHORT


def causes_of(suspects: Suspects, *, lot: str | None) -> tuple[Cause, ...]:
    """Weigh four explanations for the poor kill of the suspects.

    `lot`: the bottle all suspects came from, None when they are a stretch of time.
    """
    return (
        _weak_bottle(suspects, lot), _tired_bath(suspects), _resistant_pest(suspects), _slip(suspects),
    )  # fmt: skip


def _counted(s: Shortfall) -> str:
    return f"killed {s.killed:.0f} of {s.found:.0f}, expected {s.expected:.0f}"


def _weak_bottle(suspects: Suspects, lot: str | None) -> Cause:
    name = "weak bottle"
    if lot is None:
        lots = suspects.rows["lot"].dropna().unique()
        if len(lots) == 0:
            return Cause(name, CANNOT, "no bottle number was recorded")
        parts = {one: suspects.rows[suspects.rows["lot"] == one] for one in lots}
        short = [one for one, part in parts.items() if suspects.of(part).short]
        if len(short) > 1:
            return Cause(name, DOES_NOT, f"bottles {', '.join(short)} fell short alike")
        lot = short[0] if short else lots[0]
        if len(lots) > 1 and not short:
            return Cause(name, CANNOT, f"bottles {', '.join(lots)} were in use, too few baths of each")
    of_lot = suspects.rows[suspects.rows["lot"] == lot]
    first, last = of_lot["date"].min(), of_lot["date"].max()
    same_time = suspects.others[suspects.others["date"].between(first, last) & (suspects.others["lot"] != lot)]
    span = f"{first:%Y-%m-%d} and {last:%Y-%m-%d}"
    if same_time.empty:
        why = f"all its baths between {span}, no other bottle of this agent meanwhile: bottle and time go together"
        return Cause(name, FITS, f"{_counted(suspects.of(of_lot))}; {why}")
    beside = suspects.of(same_time)
    if beside.short:
        return Cause(name, DOES_NOT, f"other bottles used between {span} fell short too: {_counted(beside)}")
    if suspects.as_expected(same_time):
        return Cause(name, FITS, f"other bottles used between {span} did as expected: {_counted(beside)}")
    return Cause(name, FITS, f"{_counted(suspects.of(of_lot))}; too few baths of other bottles between {span}")


def _tired_bath(suspects: Suspects) -> Cause:
    name, rows = "tired bath", suspects.rows
    fresh = rows[rows["served_per_l"] == 0]
    part = suspects.of(fresh) if len(fresh) else None
    if part is not None and part.short:
        own = "" if rows["shared"].any() else ", by the log each session had its own bath"
        return Cause(name, DOES_NOT, f"fresh baths fell short: {_counted(part)}{own}")
    if len(fresh) and suspects.as_expected(fresh):
        return Cause(name, FITS, f"fresh baths did as expected: {_counted(part)}")
    return Cause(name, CANNOT, "too few fresh baths" if rows["shared"].any() else "too few baths")


def _resistant_pest(suspects: Suspects) -> Cause:
    name = "a pest that resists"
    parts = dict(iter(suspects.rows.groupby("pest", sort=True)))
    short = [pest for pest, part in parts.items() if suspects.of(part).short]
    well = [pest for pest, part in parts.items() if suspects.as_expected(part)]
    if len(short) > 1:
        return Cause(name, DOES_NOT, f"several pests fell short: {', '.join(short)}")
    if len(parts) == 1:
        return Cause(name, CANNOT, f"only {next(iter(parts))} was counted in these baths")
    if len(short) == 1 and well:
        return Cause(name, FITS, f"only {short[0]} fell short; as expected: {', '.join(well)}")
    return Cause(name, CANNOT, "too few baths with more than one kind of pest")


def _slip(suspects: Suspects) -> Cause:
    name = "slips in mixing"
    made = suspects.scores(suspects.rows)
    below = int((made.events < made.expected).sum())
    words = f"below expectation: {below} of {made.bath.size} baths{_unusual_strengths(suspects)}"
    if made.bath.size <= WORST + 1:
        return Cause(name, CANNOT, f"{words}: too few to tell a slip or two from all of them")
    worst = made.bath[np.argsort(made.z, kind="stable")[:WORST]]
    others = suspects.rows[~suspects.rows["bath"].isin(worst)]
    rest = suspects.of(others)
    left = f"without the worst {WORST}: {_counted(rest)}"
    if rest.short:
        return Cause(name, DOES_NOT, f"{words}; {left}. A measure that is wrong every time would look like this too")
    verdict = FITS if suspects.as_expected(others) else CANNOT
    return Cause(name, verdict, f"{words}; {left} (worst: {', '.join(sorted(map(str, worst)))})")


def _unusual_strengths(suspects: Suspects) -> str:
    """Name the sessions whose written strength lies outside all those of the agent's other baths."""
    usual = suspects.others["strength"].dropna()
    told = suspects.rows[suspects.rows["strength"].notna()]
    if usual.empty or told.empty:
        return ""
    odd = told.loc[~told["strength"].between(usual.min() / SAME, usual.max() * SAME), "session"].unique()
    return f"; strength unlike any other bath's in session {', '.join(map(str, odd))}" if len(odd) else ""
