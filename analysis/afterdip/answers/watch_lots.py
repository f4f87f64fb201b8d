"""Bottle by bottle: whether one kills less, or costs more pieces, than the agent's others, and how strong it acts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from afterdip.answers.period import Period
from afterdip.answers.watch_causes import Cause, Shortfall, Suspects, causes_of
from afterdip.answers.watch_series import Rows, Series
from afterdip.estimate import Estimate, cannot_say
from afterdip.monitoring import MIN_IN_GROUP, Groups, limits_of_picked, share_effect, strength_factor

AGEING_DAYS = 30.0  # the step in which a change with a bottle's age is told


@dataclass(frozen=True, slots=True)
class Bottle:
    """One bottle against its agent's others; `p` allows for all bottles of the agent, None where too few baths.

    `difference`: share killed (or lost), this bottle minus the others, other things held equal. `acts_like`: the factor
    on the written strength that would explain its kills; `shortfall` and `causes` only with an alarm on kill.
    """

    agent: str
    outcome: str
    lot: str
    first: str
    last: str
    baths: int
    events: float
    trials: float
    p: float | None
    alarm: bool
    in_month: bool
    difference: Estimate
    acts_like: Estimate | None = None
    shortfall: Shortfall | None = None
    causes: tuple[Cause, ...] = ()

    def to_json(self) -> dict:
        """Return keys, counts and estimates."""
        plain = ("agent", "outcome", "lot", "first", "last", "baths", "events", "trials", "p", "alarm", "in_month")
        return {
            **{name: getattr(self, name) for name in plain},
            "difference": self.difference.to_json(),
            "acts_like": self.acts_like.to_json() if self.acts_like else None,
            "shortfall": self.shortfall.to_json() if self.shortfall else None,
            "causes": [cause.to_json() for cause in self.causes],
        }


def bottles_of(
    series: Series, groups: Groups, rows: Rows, period: Period, *, level: float, confidence_level: float
) -> tuple[Bottle, ...]:
    """Return the bottles of one agent in order of first use; `rows` are the agent's own, `level` that of one alarm.

    Limits of bottles with an alarm are at the level of `limits_of_picked`.
    """
    out = []
    picked = limits_of_picked(groups.p, level, confidence_level)
    for lot, p in zip(groups.group, groups.p, strict=True):
        mine = (rows.frame["lot"] == lot).to_numpy(bool, na_value=False)
        part = rows.frame.loc[mine, ["date", "bath", "events", "trials"]]
        alarm = bool(p <= level)
        in_month = bool(period.in_month(part["date"]).any())
        wide = picked if alarm else confidence_level
        more = _told(series.outcome, rows, mine, str(lot), wide) if alarm else {}
        out.append(Bottle(
            agent=series.agent, outcome=series.outcome, lot=str(lot),
            first=f"{part['date'].min():%Y-%m-%d}", last=f"{part['date'].max():%Y-%m-%d}",
            baths=int(part["bath"].nunique()), events=float(part["events"].sum()), trials=float(part["trials"].sum()),
            p=None if np.isnan(p) else float(p), alarm=alarm, in_month=in_month,
            difference=_difference(rows, mine, alarm or in_month, wide), **more,
        ))  # fmt: skip
    return tuple(sorted(out, key=lambda bottle: (bottle.first, bottle.lot)))


def ageing(rows: Rows, *, confidence_level: float) -> Estimate:
    """Change in kill with AGEING_DAYS more since a bottle's first session, each bottle at its own level."""
    known = rows.where(rows.frame["lot"].notna())
    lots = known.frame["lot"].to_numpy(str)
    own = (lots[:, None] == np.unique(lots)[None, :]).astype(float)
    return share_effect(
        known.frame["days_open"], np.column_stack([known.design, own]), known.frame["events"], known.frame["trials"],
        session=known.frame["bath"].to_numpy(str), spread=np.r_[known.spread, np.full(own.shape[1], 1.5)],
        step=AGEING_DAYS, confidence_level=confidence_level,
    )  # fmt: skip


def _difference(rows: Rows, mine: np.ndarray, wanted: bool, confidence_level: float) -> Estimate:
    baths = int(rows.frame.loc[mine, "bath"].nunique())
    if not wanted or baths < MIN_IN_GROUP:
        why = "not in use in the month" if not wanted else f"too few baths: {baths}, needs {MIN_IN_GROUP}"
        return cannot_say(why, confidence_level=confidence_level, sessions=baths)
    return share_effect(
        mine.astype(float), rows.design, rows.frame["events"], rows.frame["trials"],
        session=rows.frame["bath"].to_numpy(str), spread=rows.spread, confidence_level=confidence_level,
    )  # fmt: skip


def _told(outcome: str, rows: Rows, mine: np.ndarray, lot: str, confidence_level: float) -> dict:
    """Return the strength, shortfall and causes of a bottle that kills too little."""
    if outcome != "kill":
        return {}
    suspects = Suspects(rows, mine)
    f, known = rows.frame, rows.frame["strength"].notna().to_numpy()
    kinds = (f["kind"].to_numpy(str)[:, None] == np.unique(f["kind"].to_numpy(str))[None, :]).astype(float)
    design = np.column_stack([np.ones(len(f)), kinds])
    acts = cannot_say("strengths not recorded", confidence_level=confidence_level)
    if (known & mine).any():
        acts = strength_factor(
            f["strength"][known], mine[known], design[known], f["events"][known], f["trials"][known],
            bath=f["bath"].to_numpy(str)[known], spread=np.r_[np.inf, np.full(kinds.shape[1], 1.5)],
            confidence_level=confidence_level,
        )  # fmt: skip
    return {"acts_like": acts, "shortfall": suspects.all, "causes": causes_of(suspects, lot=lot)}
