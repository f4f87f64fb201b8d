"""The share responding at given strengths, with session-level limits: what a chart's band and the window rest on."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..estimate import Estimate, cannot_say
from ..proportion import session_proportion
from .curve import ConcentrationCurve
from .levels import inside_tried
from .links import LINKS, Floats
from .profile import join_natural, likelihood_limits
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


def shares(
    curve: ConcentrationCurve | StrengthMinutes, points: Floats, *, over_natural: bool, confidence_level: float,
    basis: str = "session",
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Return share, low and high at `points` (k, points) of a fitted curve's design, inside what was tried or not."""
    fit, rows = curve.fit, curve.rows()
    limits = likelihood_limits(fit, rows, points, confidence_level=confidence_level, basis=basis)
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
    lines = np.full((3, *x.shape), np.nan)
    if not fit.refusal:
        inside = tried_together(fit, x, t)
        if inside.any():
            points = np.stack([np.ones(int(inside.sum())), np.log10(x[inside]), np.log10(t[inside])])
            lines[:, inside] = shares(fit, points, over_natural=over_natural, confidence_level=confidence_level)
    return lines[0], lines[1], lines[2]
