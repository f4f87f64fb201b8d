"""Survival read in other ways: deaths placed between checks, tests against the sham, hazards adjusted for health."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.errors import DataError
from afterdip.estimate import Estimate, cannot_say
from afterdip.survival import (
    cox,
    interval_logrank,
    kaplan_meier,
    permuted_logrank,
    rmst,
    rmst_difference,
    survival_at,
    survival_bounds,
    turnbull,
    weibull,
    weibull_survival,
)
from afterdip.tally.seasons import of_same_season
from afterdip.tally.survival import SurvivalTally

SEED = 20_260_101  # of the random dealings of arms to sessions, so that a report can be repeated to the byte
DRAWS = 1999


@dataclass(frozen=True, slots=True)
class AgentReadings:
    """One agent's survival at the horizon, read by three methods, and its tests against the sham.

    `between_checks`: the least and most the Turnbull estimate allows at the horizon, deaths lying anywhere between two
    checks; `weibull`: the same from a fitted Weibull law; None where there is none. `days_lived` within the horizon and
    `days_over_sham` are restricted means. These two and `alive` date deaths to the look that found them, and cannot be
    said where looks are too far apart for that (see `look_gap`). `test_p` is of the log-rank test within coral groups,
    `interval_p` of the interval-censored one, arms dealt anew to whole sessions; None where there is nothing to test.
    """

    agent: str
    is_control: bool
    alive: Estimate
    between_checks: tuple[float, float] | None
    weibull: float | None
    days_lived: Estimate
    days_over_sham: Estimate
    test_p: float | None
    interval_p: float | None

    def to_json(self) -> dict:
        """Return the numbers by name."""
        between = dict(zip(("lowest", "highest"), self.between_checks, strict=True)) if self.between_checks else None
        return {
            "agent": self.agent,
            "is_control": self.is_control,
            "alive": self.alive.to_json(),
            "between_checks": between,
            "weibull": self.weibull,
            "days_lived": self.days_lived.to_json(),
            "days_over_sham": self.days_over_sham.to_json(),
            "test_p": self.test_p,
            "interval_p": self.interval_p,
        }


@dataclass(frozen=True, slots=True)
class AdjustedHazards:
    """Hazard of death per agent against the sham (or the first agent), like corals with like.

    Strata are coral groups; condition and origin before the dip are covariates. `reason` says why there is no model.
    """

    reference: str
    agents: tuple[tuple[str, Estimate], ...]
    health: tuple[tuple[str, Estimate], ...]
    reason: str

    def to_json(self) -> dict:
        """Return the hazard ratios by agent and by covariate."""
        named = {"agents": self.agents, "health": self.health}
        ratios = {k: [{"name": name, "hazard_ratio": e.to_json()} for name, e in rows] for k, rows in named.items()}
        return {"reference": self.reference, "reason": self.reason} | ratios


def no_sham(own: np.ndarray) -> str:
    """Return why there is no sham; `own`: which dips have one of their season beside them (`of_same_season`)."""
    return "no sham dip to compare with" if own.any() else "no sham dip in the same months to compare with"


def look_gap(part: SurvivalTally, horizon: int) -> str:
    """Return why looks are too far apart to tell deaths by the horizon from later ones; empty where they are not.

    They are if more deaths were found after the horizon, more than half as many days as it has since the look before,
    than were found by then, and they are 5 or more in 1,000 pieces. A farm whose only look is on day 35 has seen
    nothing of day 30.
    """
    late = (part.since < horizon) & (part.day > horizon) & (part.day - part.since > horizon / 2)
    unplaced, placed = (int(part.dead[rows].sum()) for rows in (late, part.day <= horizon))
    if unplaced <= max(placed, 0.005 * part.pieces):
        return ""
    deaths = "death was" if unplaced == 1 else "deaths were"
    return f"looks too far apart: {unplaced} {deaths} found only after day {horizon}, {placed} by then"


def read_agents(tally: SurvivalTally, *, horizon_days: float, confidence_level: float) -> tuple[AgentReadings, ...]:
    """Return each agent's readings, the sham's last; `tally` holds the trays to use, those never checked left out."""
    names = tally.trays[["agent", "is_control"]].drop_duplicates().sort_values(["is_control", "agent"])
    return tuple(
        _readings(tally, agent, bool(control), horizon_days, confidence_level)
        for agent, control in names.itertuples(index=False)
    )


def adjust_hazards(tally: SurvivalTally, *, confidence_level: float) -> AdjustedHazards:
    """Return hazard ratios within coral groups and quarters of the year, adjusted for condition and origin.

    Sessions are the units. Within quarters, because a farm changes its agents and its seasons change its losses.
    """
    trays = tally.trays
    control = sorted(trays.loc[trays["is_control"], "agent"].unique())
    agents = [*control, *sorted(set(trays["agent"]) - set(control))]
    if len(agents) < 2:
        return AdjustedHazards(agents[0] if agents else "", (), (), "fewer than two agents to compare")
    health = _dummies(trays[["condition", "origin"]])
    indicator = {a: (trays["agent"] == a).to_numpy(float) for a in agents if a not in (control or agents[:1])}
    columns = indicator | health
    x = np.column_stack(list(columns.values()))[tally.tray]
    stratum = (trays["coral_group"].astype(str) + trays["date"].dt.to_period("Q").astype(str)).to_numpy()[tally.tray]
    try:
        fit = cox(
            tally.day, tally.dead, tally.left, covariates=x, names=list(columns), session=tally.of_trays("session"),
            stratum=stratum, confidence_level=confidence_level,
        )  # fmt: skip
    except DataError as error:
        return AdjustedHazards(agents[0], (), (), str(error))
    rows = list(zip(columns, fit.hazard_ratios, strict=True))
    reference = "sham" if control else agents[0]
    return AdjustedHazards(reference, tuple(rows[: len(indicator)]), tuple(rows[len(indicator) :]), fit.reason)


def _readings(tally: SurvivalTally, agent: str, is_control: bool, horizon: float, level: float) -> AgentReadings:
    own = (tally.trays["agent"] == agent).to_numpy()
    part = tally.select(own)
    curve = _curve(part, level)
    lower, upper, weights = _intervals(part)
    followed = curve.last_day >= horizon or curve.survival[-1] == 0
    fit = weibull(lower, upper, weights=weights)
    lived = rmst(curve, horizon) if followed else None
    over = cannot_say("this is the sham", confidence_level=level)
    test = between_test = None
    if not is_control:
        over, test, between_test = _against_sham(tally, own, horizon, level)
    short = cannot_say(f"followed to day {curve.last_day:g} only", confidence_level=level)
    gap = look_gap(part, horizon)
    silent = cannot_say(gap, confidence_level=level, pieces=part.pieces) if gap else None
    return AgentReadings(
        agent,
        is_control,
        silent or survival_at(curve, horizon),
        survival_bounds(turnbull(lower, upper, weights=weights), horizon) if followed else None,
        None if fit.reason or not followed else float(weibull_survival(fit, [horizon])[0]),
        silent or (lived.estimate if lived else short),
        over,
        test,
        between_test,
    )


def _against_sham(
    tally: SurvivalTally, own: np.ndarray, horizon: float, level: float
) -> tuple[Estimate, float | None, float | None]:
    """Days lived over the sham, and the two tests, each None where it cannot be made; all within the same season."""
    sides = of_same_season(tally.trays, own, tally.trays["is_control"].to_numpy(bool))
    part, sham = (tally.select(side) for side in sides)
    if not len(sham.day) or not len(part.day):
        return cannot_say(no_sham(sides[0]), confidence_level=level), None, None
    curves = [_curve(side, level) for side in (part, sham)]
    over = cannot_say(f"not followed to day {horizon:g}", confidence_level=level)
    gap = look_gap(part, horizon) or look_gap(sham, horizon)
    if gap:
        over = cannot_say(gap, confidence_level=level)
    elif all(curve.last_day >= horizon or curve.survival[-1] == 0 for curve in curves):
        over = rmst_difference(*(rmst(curve, horizon) for curve in curves), confidence_level=level)
    groups = set(part.trays["coral_group"])
    like = sham.trays["coral_group"].isin(groups).to_numpy()
    both = tally.select(tally.trays["tray"].isin([*part.trays["tray"], *sham.trays["tray"][like]]).to_numpy())
    arm, session = both.of_trays("is_control"), both.of_trays("session")
    try:
        test = permuted_logrank(
            both.day, both.dead, both.left, group=arm, session=session, stratum=both.of_trays("coral_group"),
            rng=np.random.default_rng(SEED), draws=DRAWS,
        ).p_value  # fmt: skip
        rows = _interval_rows(both, arm, session)
        between = interval_logrank(
            rows["since"], rows["until"], group=rows["arm"], session=rows["session"], weights=rows["pieces"],
            rng=np.random.default_rng(SEED), draws=DRAWS,
        ).p_value  # fmt: skip
    except DataError:
        return over, None, None
    return over, test, between


def _curve(part: SurvivalTally, level: float):
    return kaplan_meier(part.day, part.dead, part.left, session=part.of_trays("session"), confidence_level=level)


def _interval_rows(part: SurvivalTally, arm: np.ndarray, session: np.ndarray) -> dict[str, np.ndarray]:
    """Deaths in (since, until], the others alive at `since`; deaths found on the day of the dip count as day 1's.

    One row a since, until, arm and session, sorted by them.
    """
    died, left = part.dead > 0, part.left > 0
    until = np.where(part.day == part.since, part.day + 1, part.day).astype(float)
    rows = {
        "since": np.concatenate([part.since[died], part.day[left]]),
        "until": np.concatenate([until[died], np.full(int(left.sum()), np.inf)]),
        "arm": np.concatenate([arm[died], arm[left]]),
        "session": np.concatenate([session[died], session[left]]),
    }
    pieces = np.concatenate([part.dead[died], part.left[left]])
    if not pieces.size:
        return rows | {"pieces": pieces}
    order = np.lexsort([pd.factorize(values, sort=True)[0] for values in reversed(rows.values())])
    rows = {name: values[order] for name, values in rows.items()}
    new = np.append(True, np.any([values[1:] != values[:-1] for values in rows.values()], axis=0))
    first = np.flatnonzero(new)
    summed = np.bincount(np.cumsum(new) - 1, weights=pieces[order])
    return {name: values[first] for name, values in rows.items()} | {"pieces": summed}


def _intervals(part: SurvivalTally) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distinct intervals and the pieces in each, arms and sessions taken together."""
    rows = _interval_rows(part, np.zeros(len(part.day)), np.zeros(len(part.day)))
    return tuple(rows[name].astype(float) for name in ("since", "until", "pieces"))


def _dummies(frame: pd.DataFrame) -> dict[str, np.ndarray]:
    """One indicator per value but the commonest of each column; missing is a value of its own, "not recorded"."""
    found = {}
    for column in frame:
        values = frame[column].astype(object).where(frame[column].notna(), "not recorded")
        commonest_first = values.value_counts().sort_index().sort_values(ascending=False, kind="stable").index
        for value in commonest_first[1:]:
            found[f"{column}: {value}"] = (values == value).to_numpy(float)
    return found
