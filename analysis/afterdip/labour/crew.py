"""Crews of different size at the same work: person-minutes and minutes on the clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from afterdip.estimate import Estimate, cannot_say
from afterdip.proportion.columns import in_step, label_places

from .rows import MIN_SESSIONS, Fit, check_sessions, least_squares, recorded, session_weights, t_quantile, too_few


@dataclass(frozen=True, slots=True)
class CrewEffort:
    """One crew size at the farm's mean session: person-minutes, minutes on the clock, and the ratio to crew of one."""

    crew: int
    person_minutes: Estimate
    clock_minutes: Estimate
    person_minutes_ratio: Estimate


def crew_effort(
    minutes: ArrayLike,
    clock: ArrayLike,
    pieces: ArrayLike,
    crew: ArrayLike,
    agent: ArrayLike,
    *,
    confidence_level: float = 0.95,
) -> tuple[CrewEffort, ...]:
    """Compare crews at one session size and one mix of agents.

    `minutes`: person-minutes, `clock`: elapsed minutes, both shape (n_sessions,), NaN where unrecorded; `crew`: people,
    NaN where unrecorded; `agent`: labels. Least squares with a term per agent, pieces, and a term per crew size, read
    at the mean pieces and the mean mix of agents. The ratio is to the smallest crew on the log scale (delta
    method). Crews with fewer than MIN_SESSIONS sessions are listed with the reason. Not an experiment: crews were not
    dealt out by lot, and what else differed between their days is in these figures.
    """
    y, n, known = check_sessions(minutes, pieces)
    elapsed, people = recorded(clock, n, "clock minutes"), recorded(crew, n, "crew")
    _, agents = label_places(agent)
    in_step(n, agents, what="pieces and agent")
    use = known & ~np.isnan(people)
    sizes, counts = np.unique(people[use], return_counts=True)
    enough = sizes[counts >= MIN_SESSIONS]
    use &= np.isin(people, enough)
    fits: dict[str, Fit] = {}
    if len(enough):
        design = _crew_design(n[use], people[use], enough, agents[use])
        weight = session_weights(y[use], n[use])
        fits = {"person": least_squares(design, y[use], weight), "clock": least_squares(design, elapsed[use], weight)}
    rows = []
    for size, m in zip(sizes, counts, strict=True):
        at = {"sessions": int(m), "pieces": int(n[known & (people == size)].sum())}
        if size not in enough:
            none = cannot_say(too_few(int(m)), confidence_level=confidence_level, **at)
            rows.append(CrewEffort(int(size), none, none, none))
            continue
        means = [np.eye(design.shape[1])[np.flatnonzero(enough == s)[0]] for s in (size, enough[0])]
        how = {"confidence_level": confidence_level, "method": "adjusted least squares, limits for any scatter", **at}
        person, wall = (fits[name].combination(means[0], **how) for name in ("person", "clock"))
        rows.append(CrewEffort(int(size), person, wall, _ratio(fits["person"], *means, confidence_level, at)))
    return tuple(rows)


def _crew_design(n: NDArray, people: NDArray, sizes: NDArray, agents: NDArray) -> NDArray:
    """One column per crew size, then pieces and agents (the first dropped), both centred: crew columns are means."""
    names = np.unique(agents)
    others = (agents[:, None] == names[None, 1:]).astype(float)
    covariates = np.column_stack([n, others])
    covariates -= covariates.mean(axis=0)
    design = np.column_stack([people[:, None] == sizes[None, :], covariates]).astype(float)
    keep: list[int] = []
    for column in range(design.shape[1]):  # an agent dipped by one crew only cannot be told from that crew
        if np.linalg.matrix_rank(design[:, [*keep, column]]) > len(keep):
            keep.append(column)
    return design[:, keep]


def _ratio(fit: Fit, top: NDArray, bottom: NDArray, confidence_level: float, counts: dict) -> Estimate:
    a, b = float(top @ fit.coefficients), float(bottom @ fit.coefficients)
    if a <= 0 or b <= 0:
        return cannot_say("minutes too scattered", confidence_level=confidence_level, **counts)
    gradient = top / a - bottom / b
    reach = t_quantile(confidence_level, fit.freedom(gradient)) * np.sqrt(fit.variance(gradient))
    ratio = a / b
    return Estimate(
        estimate=ratio,
        low=float(ratio * np.exp(-reach)),
        high=float(ratio * np.exp(reach)),
        confidence_level=confidence_level,
        method="ratio of adjusted means, log scale",
        **counts,
    )
