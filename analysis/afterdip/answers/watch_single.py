"""Single baths of the month that went wrong: what died, or lived, in them, and what of such baths does.

Two rules, kept apart. A bath is *named* where so many deaths (or living pests) would be too rare among baths like it;
that is a test, and its false namings are counted. A bath that lost most of its pieces is told in any case: a fact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.answers.period import Period
from afterdip.answers.watch_series import Rows
from afterdip.answers.watch_traits import Trait, traits_of
from afterdip.estimate import Estimate
from afterdip.monitoring import MIN_OTHERS, NAMING_RATE, expected_shares, holm, single_baths, stand_out
from afterdip.proportion import session_proportion

NAMED_FALSELY = 0.05  # of the months of a farm where no bath differs from its like, at most (calibrate/single_baths.py)
MOST = 0.5  # of its pieces
ALONE = 0.05  # chance above which a bath, looked at by itself, did what its like do
MOST_AT_LEAST = 3  # pieces: one of one, or two of three, is no event to look into


@dataclass(frozen=True, slots=True)
class SingleBath:
    """One bath of the month. `bad` of `whole`: pieces that died by the horizon, or pests found that lived.

    `by_day`: the day after the dip by which the last death was seen, None for kill. `like`: of the same agent's other
    baths, of the same corals or pests where `alike`; `like_bad` of `like_whole` in `like_baths` of them. `expected`: of
    `whole`, by all that was recorded; `p` the chance of so many, None where there is too little to compare with.
    """

    agent: str
    outcome: str
    bath: str
    sessions: tuple[str, ...]
    date: str
    bad: int
    whole: int
    by_day: int | None
    kinds: tuple[str, ...]
    alike: bool
    like: Estimate
    like_bad: int
    like_whole: int
    like_baths: int
    expected: float | None
    p: float | None
    named: bool = False
    traits: tuple[Trait, ...] = ()

    @property
    def most(self) -> bool:
        """Whether most of its pieces died."""
        return self.outcome == "loss" and _most(self.bad, self.whole)

    @property
    def as_its_like(self) -> bool:
        """Whether it did no more than its agent's baths of such strength and corals do: no matter of this bath."""
        return self.p is not None and self.p > ALONE

    def to_json(self) -> dict:
        """Return keys, counts and the share of the baths like it."""
        left_out = ("like", "traits", "sessions", "kinds")
        return {name: getattr(self, name) for name in self.__slots__ if name not in left_out} | {
            "sessions": list(self.sessions), "kinds": list(self.kinds), "lost_most": self.most,
            "as_its_like": self.as_its_like, "like": self.like.to_json(),
            "traits": [trait.to_json() for trait in self.traits],
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Singles:
    """The baths `told` of, named ones first; `judged`: how many of the month's `baths` had others to compare with."""

    told: tuple[SingleBath, ...]
    judged: int
    baths: int

    def to_json(self) -> dict:
        """Return the counts and the baths told of."""
        counts = {"named_falsely_at_most": NAMED_FALSELY, "judged": self.judged, "baths_of_month": self.baths}
        return counts | {"told": [bath.to_json() for bath in self.told]}


@dataclass(frozen=True, slots=True)
class _Judged:
    """The month's baths of one agent: `rows` they were judged in, `kind` of piece or pest as a column, `baths` a row
    each with p and usual, NaN where there are too few others.
    """  # fmt: skip

    rows: Rows
    outcome: str
    kind: str
    baths: pd.DataFrame


def singles_of(
    losses: Rows, kills: Iterable[Rows], period: Period, *, mixers: dict[str, str], units: dict[str, str],
    confidence_level: float,
) -> Singles:  # fmt: skip
    """Judge every bath of the month by what died in it and by what lived; all of these share the false namings.

    `mixers`: session -> who mixed; `units`: agent -> unit of its strengths.
    """
    agents = sorted(losses.frame["agent"].unique())
    found = [_judged(losses.where(losses.frame["agent"] == a), period, "loss", "coral_group") for a in agents]
    found += [_judged(rows, period, "kill", "kind") for rows in kills]
    every = pd.concat([part.baths for part in found], ignore_index=True) if found else pd.DataFrame({"p": []})
    named, told, start = holm(every["p"], NAMING_RATE), [], 0
    for part in found:
        mine = named[start : (start := start + len(part.baths))]
        for (_, bath), yes in zip(part.baths.iterrows(), mine, strict=True):
            if yes or (part.outcome == "loss" and _most(bath["bad"], bath["whole"])):
                traits = traits_of(part.rows.frame, bath["bath"], mixers, units.get(bath["agent"], ""))
                told.append(replace(_one(part, bath, confidence_level), named=bool(yes), traits=traits))
    told.sort(key=lambda bath: (not bath.named, -bath.bad, bath.date, bath.bath))
    if every.empty:
        return Singles((), 0, 0)
    judged = every[every["p"].notna()]
    return Singles(tuple(told), *(len(part[["agent", "bath"]].drop_duplicates()) for part in (judged, every)))


def _most(bad: float, whole: float) -> bool:
    return bad >= MOST_AT_LEAST and bad > MOST * whole


def _judged(rows: Rows, period: Period, outcome: str, kind: str) -> _Judged:
    """Set the month's baths of one agent against its others."""
    rows = _without_the_odd(rows, period)
    baths = _baths(rows.frame, outcome)
    judged = np.flatnonzero(period.in_month(baths["date"]).to_numpy(bool) & (baths["whole"] > 0).to_numpy())
    made = single_baths(baths["bad"], baths["n"], baths["share"], judged)
    return _Judged(rows, outcome, kind, baths.iloc[judged].assign(p=made.p, usual=made.usual))


def _without_the_odd(rows: Rows, period: Period) -> Rows:
    """Return the rows with the share expected where the month's baths that stand out are left out of the fit."""
    f = rows.frame
    sums = f.groupby("bath")[["bad", "trials"]].sum()
    odd = sums.index[stand_out(np.minimum(sums["bad"], sums["trials"]), sums["trials"])]
    kept = np.where(period.in_month(f["date"]) & f["bath"].isin(odd), 0.0, 1.0)
    if kept.all() or not (kept * f["trials"]).sum():
        return rows
    share = expected_shares(rows.design, f["events"] * kept, f["trials"] * kept, spread=rows.spread)
    return Rows(f.assign(share=np.clip(share, 1e-9, 1 - 1e-9)), rows.design, rows.spread)


def _baths(f: pd.DataFrame, outcome: str) -> pd.DataFrame:
    """Add rows up to baths: bad, whole (pieces or pests), n (what they tell, in pieces), share (expected to be bad)."""
    bad_share = f["share"] if outcome == "loss" else 1 - f["share"]
    whole = f["pieces"] if outcome == "loss" else f["trials"]
    frame = f.assign(whole=whole, expected=bad_share * f["trials"])
    by_bath = frame.groupby("bath", sort=False)
    sums = by_bath[["bad", "whole", "trials", "expected"]].sum()
    sums = sums.assign(agent=by_bath["agent"].first(), date=by_bath["date"].min())
    bad = sums["bad"].round()
    n = np.maximum(sums["trials"].round(), bad)
    share = np.clip(sums["expected"] / sums["trials"], 1e-9, 1 - 1e-9)
    return sums.assign(bad=bad, n=n, share=share).reset_index()


def _one(part: _Judged, bath: pd.Series, confidence_level: float) -> SingleBath:
    """Describe one bath and the others of its agent, those with the same corals or pests where there are enough."""
    f, outcome, kind = part.rows.frame, part.outcome, part.kind
    own, rest = f[f["bath"] == bath["bath"]], f[f["bath"] != bath["bath"]]
    same = rest[rest[kind].isin(own[kind])]
    alike = same["bath"].nunique() >= MIN_OTHERS
    like = _baths(same if alike else rest, outcome)
    share = session_proportion(np.minimum(like["bad"], like["n"]), like["n"], confidence_level=confidence_level)
    last = own["last_death"].max() if outcome == "loss" else np.nan
    unknown = np.isnan(bath["p"])
    return SingleBath(
        str(bath["agent"]), outcome, str(bath["bath"]), tuple(dict.fromkeys(map(str, own["session"]))),
        f"{bath['date']:%Y-%m-%d}", int(bath["bad"]), int(bath["whole"]),
        None if np.isnan(last) else int(np.ceil(last)), tuple(sorted(map(str, own[kind].unique()))), bool(alike), share,
        int(like["bad"].sum()), int(like["whole"].sum()), len(like),
        expected=None if unknown else float(bath["usual"] * bath["whole"]), p=None if unknown else float(bath["p"]),
    )  # fmt: skip
