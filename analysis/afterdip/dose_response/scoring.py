"""Fisher scoring over many cells at once; the natural response stays in [0, 1), cells leave as they converge.

Fisher's scoring comes first; cells still there after a few steps (a natural response on a ridge) go on with Newton's
own curvature. The stopping rule is Newton's decrement, because the deviance of separated data settles long before
anyone can tell that the slope runs away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .likelihood import (
    Bools,
    Ints,
    Rows,
    State,
    expected_information,
    log_likelihood,
    observed_information,
    score,
    state_at,
)
from .links import Floats, Link

_STEPS = 80
_FISHER_STEPS = 9
_HALVINGS = 12
_FARTHEST = 1e100  # a step never overflows
_ZERO = 1e-7  # a natural response below this is 0
_NOTHING = 1e-60  # information below this is none
_SOUND = 1e-9  # smallest pivot of a scaled information that still counts as positive definite


@dataclass(frozen=True, slots=True)
class Fit:
    """Where scoring ended: `parameters` (k or k + 1, cells), the natural response last; `converged` (cells,)."""

    parameters: Floats
    log_likelihood: Floats
    converged: Bools


def _factor(information: Floats, held: Bools, ridge: float) -> tuple[Floats, Floats, Bools]:
    """Cholesky-factor each information scaled to a unit diagonal: (factor (k, k, cells), scale (k, cells), sound).

    Held parameters get a unit row. Written out over the few columns, because cells are many and columns are few.
    """
    width = information.shape[0]
    diagonal = np.stack([information[j, j] for j in range(width)])
    usable = (diagonal > _NOTHING) & np.isfinite(diagonal)
    dead = held | ~usable
    scale = np.where(dead, 0.0, 1.0 / np.sqrt(np.where(dead, 1.0, diagonal)))
    factor = np.zeros_like(information)
    sound = np.all(held | usable, axis=0)
    for j in range(width):
        left = 1.0 + ridge - sum((factor[j, m] ** 2 for m in range(j)), np.zeros(information.shape[2]))
        sound &= left > _SOUND
        factor[j, j] = np.sqrt(np.maximum(left, 1e-12))
        for i in range(j + 1, width):
            entry = information[i, j] * scale[i] * scale[j] - sum(factor[i, m] * factor[j, m] for m in range(j))
            factor[i, j] = entry / factor[j, j]
    return factor, scale, sound


def _solve(factor: Floats, right: Floats) -> Floats:
    """Solve factor @ factor' @ x = right, shapes (k, k, cells) and (k, cells)."""
    width = right.shape[0]
    x = right.copy()
    for i in range(width):
        for m in range(i):
            x[i] -= factor[i, m] * x[m]
        x[i] /= factor[i, i]
    for i in reversed(range(width)):
        for m in range(i + 1, width):
            x[i] -= factor[m, i] * x[m]
        x[i] /= factor[i, i]
    return x


def invert(information: Floats, held: Bools) -> tuple[Floats, Bools]:
    """Invert each information (k, k, cells), held parameters (k, cells) at zero variance; also say which were sound.

    A cell whose information, scaled to a unit diagonal, is not positive definite gets zeros and False.
    """
    factor, scale, sound = _factor(information, held, 0.0)
    factor = np.where(sound, factor, np.eye(len(factor))[:, :, None])
    inverse = np.empty_like(information)
    for j in range(information.shape[0]):
        unit = np.zeros(scale.shape)
        unit[j] = scale[j]
        inverse[:, j] = scale * _solve(factor, unit)
    return np.where(sound, inverse, 0.0), sound


def _moved(parameters: Floats, step: Floats, *, natural: bool) -> Floats:
    """Add the step, keeping a natural response inside [0, 1)."""
    new = parameters + step
    if natural:
        c = new[-1]
        new[-1] = np.where(c < _ZERO, 0.0, np.where(c >= 1.0, 0.5 * (1.0 + parameters[-1]), c))
    return new


def _uphill(rows: Rows, here: Floats, step: Floats, reached: Floats, link: Link) -> tuple[Floats, Floats, State, Bools]:
    """Take the step, halved in the cells where it would lower the likelihood; also say which cells cannot move."""
    natural = here.shape[0] > rows.design.shape[0]
    slack = 1e-9 * (1.0 + np.abs(reached))
    new = _moved(here, step, natural=natural)
    state = state_at(rows, new, link)
    likelihood = log_likelihood(rows, state)
    worse = ~(likelihood >= reached - slack)
    if not worse.any():
        return new, likelihood, state, worse
    again, rows_again = rows.keep(worse), rows.spread(worse)  # few: the others would come out the same
    place, part = np.flatnonzero(worse), again
    left, shorter = place, step[:, place]
    for _ in range(_HALVINGS):
        shorter = 0.5 * shorter
        new[:, left] = _moved(here[:, left], shorter, natural=natural)
        likelihood[left] = log_likelihood(part, state_at(part, new[:, left], link))
        still = ~(likelihood[left] >= (reached - slack)[left])
        if not still.all():
            left, shorter = left[still], shorter[:, still]
            if not left.size:
                break
            part = part.keep(still)
    worse = np.zeros(reached.size, dtype=bool)
    worse[left] = True
    new[:, left], likelihood[left] = here[:, left], reached[left]
    state.put(rows_again, state_at(again, new[:, place], link))
    return new, likelihood, state, worse


def _held(here: Floats, slope: Floats, natural_free: Bools | None) -> Bools:
    """Hold a natural response that is not free, or that sits on 0 with the likelihood falling inwards (Kuhn-Tucker)."""
    held = np.zeros(here.shape, dtype=bool)
    if natural_free is not None:
        held[-1] = ~natural_free | ((here[-1] <= 0.0) & (slope[-1] <= 0.0))
    return held


def maximise(
    rows: Rows, start: Floats, *, link: Link, natural_free: Bools | None = None, tolerance: float = 1e-14,
    steps: int = _STEPS, together: Ints | None = None,
) -> Fit:  # fmt: skip
    """Maximise the likelihood of every cell from `start`.

    `start` (k, cells) for plain binomial regressions; (k + 1, cells) with the natural response last where
    `natural_free` (cells,) says in which cells it moves. Rank deficient and separated cells come back not converged, or
    with an information that `invert` calls unsound: the caller judges. `tolerance` bounds what the
    log-likelihood may still gain, about twice over. `together` (cells,) numbers from 0 which cells leave with each
    other, so that a cell comes out the same to the last digit beside whatever others; by default all do.
    """
    parameters = np.array(start, dtype=float)
    cells = rows.start.size
    converged = np.zeros(cells, dtype=bool)
    live, together = np.arange(cells), np.zeros(cells, dtype=np.int64) if together is None else together
    part, here, free = rows, parameters, natural_free
    state = state_at(part, here, link)
    reached = log_likelihood(part, state)
    result = reached.copy()
    for count in range(steps):
        slope = score(part, state)
        held = _held(here, slope, free)
        slope = np.where(held, 0.0, slope)
        information = expected_information(part, state)
        if count >= _FISHER_STEPS:
            newton = observed_information(part, state, link)
            information = np.where(_factor(newton, held, 0.0)[2], newton, information)
        factor, scale, _ = _factor(information, held, 1e-11)  # the ridge makes a singular step short, not an error
        step = np.clip(scale * _solve(factor, scale * slope), -_FARTHEST, _FARTHEST)
        done = (step * slope).sum(axis=0) < tolerance
        here, reached, state, stuck = _uphill(part, here, step, reached, link)
        parameters[:, live], result[live] = here, reached
        converged[live[done]] = True
        done |= stuck
        if done.all():
            break
        settled, size = np.bincount(together, weights=done), np.bincount(together)
        gone = done & (2 * settled > size)[together]  # settled cells cost little until they are the majority
        if gone.any():
            left = ~gone
            live, together, here, reached = live[left], together[left], here[:, left], reached[left]
            part, free = part.keep(left), None if free is None else free[left]
            state = state_at(part, here, link)
    return Fit(parameters, result, converged)
