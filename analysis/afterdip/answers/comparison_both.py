"""One outcome of two arms, compared three ways: crude, among like pieces of the same season, and by regression."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from afterdip.comparison import (
    Difference,
    adjusted_difference,
    crude_difference,
    logistic_difference,
    session_odds_ratio,
)
from afterdip.estimate import Estimate, cannot_say
from afterdip.tally.comparison import labels
from afterdip.tally.seasons import SEASON

NEVER_TOGETHER = "never used in the same month"


@dataclass(frozen=True, slots=True)
class Both:
    """One outcome of two agents: crude, among like pieces, and the second opinion; `outcome` says what was counted.

    `apart`: pieces or pests of each agent that only the crude has, the other not being used in those months.
    """

    outcome: str
    crude: Difference
    adjusted: Difference
    logistic: Estimate
    apart: tuple[float, float] = (0.0, 0.0)

    def to_json(self) -> dict:
        """Return the three differences by name."""
        return {
            "crude": self.crude.difference.to_json(),
            "adjusted": self.adjusted.difference.to_json(),
            "logistic": self.logistic.to_json(),
        }


def compare_both(
    outcome: str, rows: pd.DataFrame, second: str, whole: str, part: str, like: tuple[str, ...], level: float
) -> Both:
    """Compare one outcome three ways; `whole` and `part` name the columns of what was there and what died of it.

    `rows` have a season (`tally.seasons.in_season`). Crude takes all of them, the other two those that
    have one: what only one arm met, a bad winter or a new supplier, is not told from the arm.
    """
    apart, is_second = rows[SEASON].isna(), rows["agent"] == second
    together = rows[~apart] if is_second.nunique() > 1 else rows
    crude = crude_difference(*_columns(rows, second, whole, part), confidence_level=level)
    left = tuple(float(rows.loc[apart & side, whole].sum()) for side in (~is_second, is_second))
    if together.empty:
        return replace(unknown(outcome, NEVER_TOGETHER, level), crude=crude, apart=left)
    like, counts = (*like, SEASON), _columns(together, second, whole, part)
    factors = together[[name for name in like if together[name].nunique() > 1]].to_numpy(str)
    stratum = labels(together, like)
    return Both(
        outcome=outcome,
        crude=crude,
        adjusted=adjusted_difference(*counts[:2], stratum, *counts[2:], confidence_level=level),
        logistic=logistic_difference(*counts[:2], factors, *counts[2:], confidence_level=level)
        if counts[0].any() and not counts[0].all()
        else cannot_say("one agent has no session here", confidence_level=level),
        apart=left,
    )


def _columns(rows: pd.DataFrame, second: str, whole: str, part: str) -> tuple[np.ndarray, ...]:
    """Return whether each row is of the second arm, its session, what was there and what died of it."""
    total, events = rows[whole].to_numpy(float), rows[part].to_numpy(float)
    return (rows["agent"] == second).to_numpy(bool), rows["session"].to_numpy(str), total, events


def odds_of(
    rows: pd.DataFrame, second: str, total: pd.Series, events: pd.Series, like: tuple[str, ...], level: float
) -> Estimate:
    """Ask the model with a random level per session, each factor of `like` and the season adding its own step."""
    keep = rows[SEASON].notna()
    if not keep.any() and rows["agent"].nunique() > 1:
        return cannot_say(NEVER_TOGETHER, confidence_level=level)
    rows, counts = rows[keep], (total[keep].to_numpy(float), events[keep].to_numpy(float))
    is_second, session = (rows["agent"] == second).to_numpy(bool), rows["session"].to_numpy(str)
    factors = rows[[*like, SEASON]].to_numpy(str)
    return session_odds_ratio(is_second, session, factors, *counts, confidence_level=level)


def of_pests(e: Estimate) -> Estimate:
    """Put counts under their right name: pests are no pieces."""
    return replace(e, pests=e.pieces, pieces=None)


def with_pests(both: Both) -> Both:
    """Put the counts of all its estimates under their right name."""

    def of(d: Difference) -> Difference:
        return replace(d, difference=of_pests(d.difference), first=of_pests(d.first), second=of_pests(d.second))

    return replace(both, crude=of(both.crude), adjusted=of(both.adjusted), logistic=of_pests(both.logistic))


def with_deaths(both: Both, first: int, second: int) -> Both:
    """Put deaths beside pieces where all of them were used: among like pieces only some are."""
    d = both.crude
    crude = replace(
        d,
        difference=replace(d.difference, deaths=first + second),
        first=replace(d.first, deaths=first),
        second=replace(d.second, deaths=second),
    )
    return replace(both, crude=crude, logistic=replace(both.logistic, deaths=first + second))


def unknown(outcome: str, why: str, level: float) -> Both:
    """Return an outcome of which nothing can be said."""
    none = cannot_say(why, confidence_level=level)
    silent = Difference(none, none, none, None, (), np.zeros(0), (0.0, 0.0))
    return Both(outcome, silent, silent, none)
