"""The share responding at given strengths, with session-level limits: what a chart's band and the window rest on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..estimate import Estimate, cannot_say
from ..proportion import session_proportion
from .curve import ConcentrationCurve
from .fit import DesignFit
from .levels import inside_tried
from .likelihood import Rows
from .links import LINKS, Floats
from .profile import Asked, join_natural, likelihood_limits_of
from .strength_time import StrengthMinutes, tried_together

_NO_SPARE = "no session is left over to judge the scatter between sessions by"


def response_at(
    curve: ConcentrationCurve, strength: float, *, over_natural: bool = False, basis: str = "session",
    confidence_level: float = 0.95,
) -> Estimate:  # fmt: skip
    """Return the share responding at one strength; `over_natural`: less the natural response (loss over sham).

    Limits by the likelihood, at session level (profile.likelihood_limits). Refuses a strength outside those tried.
    """
    reason = curve.refusal or ("" if inside_tried(curve, strength) else "outside the strengths tried")
    if reason:
        return cannot_say(reason, confidence_level=confidence_level, **curve.counts())
    points = np.array([[1.0], [np.log10(strength)]])
    share, low, high = (
        float(line[0]) for line in shares(curve, points, over_natural=over_natural, basis=basis,
                                          confidence_level=confidence_level)
    )  # fmt: skip
    spare = not np.isnan(low)
    how = f"{LINKS[curve.fit.link].label} curve, likelihood limits, {basis}" + (", less the sham's" * over_natural)
    return Estimate(
        estimate=share, low=low if spare else None, high=high if spare else None, confidence_level=confidence_level,
        reason="" if spare else _NO_SPARE, method=how, **curve.counts(),
    )  # fmt: skip


class Question(NamedTuple):
    """A fitted curve, the points (k, points) of its design to tell shares at, whether over the sham, which limits."""

    curve: ConcentrationCurve | StrengthMinutes
    points: Floats
    over_natural: bool
    sides: tuple[int, ...] = (-1, 1)


def shares(
    curve: ConcentrationCurve | StrengthMinutes, points: Floats, *, over_natural: bool, confidence_level: float,
    basis: str = "session",
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Return share, low and high at `points` (k, points) of a fitted curve's design, inside what was tried or not."""
    asked = [Question(curve, points, over_natural)]
    return shares_of(asked, confidence_level=confidence_level, basis=basis)[0]


def shares_of(
    questions: Sequence[Question], *, confidence_level: float, basis: str = "session"
) -> list[tuple[Floats, Floats, Floats]]:
    """Return what `shares` gives for each question; many cost little more than one (profile.likelihood_limits_of)."""
    asked = [Asked(q.curve.fit, q.curve.rows(), q.points, q.sides) for q in questions]
    limits = likelihood_limits_of(asked, confidence_level=confidence_level, basis=basis)
    return [
        _with_natural(a.fit, a.rows, lines, q.over_natural, confidence_level)
        for q, a, lines in zip(questions, asked, limits, strict=True)
    ]


def _with_natural(
    fit: DesignFit, rows: Rows, limits: tuple[Floats, Floats, Floats], over_natural: bool, confidence_level: float
) -> tuple[Floats, Floats, Floats]:
    """Return the lines of F joined with the natural response and its own limits."""
    natural = (fit.natural, fit.natural)
    if fit.natural_estimated:
        sham = session_proportion(
            rows.responded[rows.control], rows.n[rows.control], confidence_level=confidence_level, min_sessions=2
        )
        # The sham sessions alone: a little wider than with the help of the weak baths.
        natural = (min(sham.low, fit.natural), max(sham.high, fit.natural)) if sham.known else (0.0, 1.0)
    share, low, high = join_natural(fit, limits, natural, over_natural=over_natural)
    return share, np.maximum(low, -1.0 if over_natural else 0.0), np.minimum(high, 1.0)


def shares_at(
    fit: StrengthMinutes, strength: ArrayLike, minutes: ArrayLike, *, over_natural: bool = False,
    confidence_level: float = 0.95,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Return share, low and high at pairs of strength and minutes, in their shape; NaN outside what was tried.

    Inside is the convex hull of the baths tried on the logarithms of both. A refused fit is NaN everywhere.
    """
    x, t = np.broadcast_arrays(np.asarray(strength, dtype=float), np.asarray(minutes, dtype=float))
    return shares_on_maps([Map(fit, x, t, over_natural)], confidence_level=confidence_level)[0]


class Map(NamedTuple):
    """A fit and pairs of strength and minutes in one shape, whether over the sham, and which limits."""

    fit: StrengthMinutes
    strength: Floats
    minutes: Floats
    over_natural: bool
    sides: tuple[int, ...] = (-1, 1)


def shares_on_maps(maps: Sequence[Map], *, confidence_level: float) -> list[tuple[Floats, Floats, Floats]]:
    """Return what `shares_at` gives for each; a side not asked for is NaN."""
    lines = [np.full((3, *x.shape), np.nan) for _, x, *_ in maps]
    questions, places = [], []
    for (fit, x, t, over_natural, sides), line in zip(maps, lines, strict=True):
        inside = np.zeros(x.shape, dtype=bool) if fit.refusal else tried_together(fit, x, t)
        if inside.any():
            points = np.stack([np.ones(int(inside.sum())), np.log10(x[inside]), np.log10(t[inside])])
            questions.append(Question(fit, points, over_natural, sides))
            places.append((line, inside))
    for (line, inside), found in zip(places, shares_of(questions, confidence_level=confidence_level), strict=True):
        line[:, inside] = found
    return [tuple(line) for line in lines]
