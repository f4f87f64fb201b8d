"""A response over the strengths tried, by its curve, or by steps where the sessions bear no curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..proportion import difference_of, session_proportions
from .curve import ConcentrationCurve
from .links import Floats
from .rows import same_strength
from .shares import Question, shares_of

MIN_STRENGTHS = 3
MIN_SESSIONS = 6  # with the agent; measured in calibrate/dose_response.py
MIN_SHAM = 2
_POINTS = 17
_NEAR = 1e-9


@dataclass(frozen=True, slots=True)
class ResponseBand:
    """A response over strengths: `strength`, `share`, `low`, `high` (points,), NaN where nothing can be said.

    `source` is "curve" (points are a grid), "steps" (points are the strengths tried; limits without a curve, from the
    baths this strong or stronger, and this strong or weaker, taken together) or "none". `refusal`: why no curve.
    """

    strength: Floats
    share: Floats
    low: Floats
    high: Floats
    source: str
    refusal: str

    @property
    def tried(self) -> tuple[float, float]:
        """Lowest and highest strength of the band; (nan, nan) for none."""
        return (float(self.strength[0]), float(self.strength[-1])) if self.strength.size else (np.nan, np.nan)

    def at(self, strength: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return share, low and high at strengths (m,); NaN outside the band.

        A curve is read between its points on the logarithm. Of steps, the upper limit is the next tried strength's at
        or above, the lower one the last's at or below, and only a strength that was tried has a share.
        """
        x = np.asarray(strength, dtype=float)
        if self.source == "none" or not self.strength.size:
            return tuple(np.full(x.shape, np.nan) for _ in range(3))
        outside = (x < self.strength[0] * (1 - _NEAR)) | (x > self.strength[-1] * (1 + _NEAR))
        if self.source == "curve":
            place, grid = np.log(x), np.log(self.strength)
            lines = [np.interp(place, grid, line) for line in (self.share, self.low, self.high)]
        else:
            last = self.strength.size - 1
            up = np.minimum(np.searchsorted(self.strength, x * (1 - _NEAR)), last)
            down = np.maximum(np.searchsorted(self.strength, x * (1 + _NEAR), side="right") - 1, 0)
            lines = [np.where(up == down, self.share[up], np.nan), self.low[down], self.high[up]]
        share, low, high = (np.where(outside, np.nan, line) for line in lines)
        return share, low, high


def enough_for_curve(curve: ConcentrationCurve) -> str:
    """Return why a curve should not be printed (too few strengths or sessions, or none fitted); empty if it may."""
    sham = curve.sham_sessions
    tests = (
        (curve.strengths < MIN_STRENGTHS, f"{curve.strengths} of the {MIN_STRENGTHS} strengths a curve needs"),
        (curve.dosed_sessions < MIN_SESSIONS, f"{curve.dosed_sessions} of the {MIN_SESSIONS} sessions a curve needs"),
        (0 < sham < MIN_SHAM, f"{sham} of the {MIN_SHAM} sham sessions a curve needs"),
    )
    return next((reason for failed, reason in tests if failed), curve.refusal)


def response_band(
    curve: ConcentrationCurve, *, over_natural: bool = False, confidence_level: float = 0.95
) -> ResponseBand:
    """Return the response with session-level limits over the strengths tried: by the curve, else by steps.

    Without a curve, a share at one strength is at most that of all baths this strong or stronger, and at least that of
    all baths this strong or weaker, as long as strength does not protect: their session-level limits are limits here
    too (`proportion.session_proportion`). `over_natural` takes the sham off; without a sham there is no band.
    """
    return response_bands([(curve, over_natural)], confidence_level=confidence_level)[0]


def response_bands(
    curves: Sequence[tuple[ConcentrationCurve, bool]], *, confidence_level: float = 0.95
) -> list[ResponseBand]:
    """Return what `response_band` gives for each (curve, over_natural); many cost little more than one."""
    bands = [_nothing(curve, over_natural) for curve, over_natural in curves]
    for draw, stepped in ((_steps, True), (_curved, False)):
        here = [i for i, band in enumerate(bands) if band is None and bool(enough_for_curve(curves[i][0])) == stepped]
        for i, band in zip(here, draw([curves[i] for i in here], confidence_level), strict=True):
            bands[i] = band
    return bands


def _nothing(curve: ConcentrationCurve, over_natural: bool) -> ResponseBand | None:
    """Return the band of a curve of which nothing can be said; None for another."""
    tried = _tried(curve)
    if tried.size and (curve.sham_sessions or not over_natural):
        return None
    nothing = np.full(tried.size, np.nan)
    why = "no sham session to take the loss over" if tried.size else "no session with the agent"
    return ResponseBand(tried, nothing, nothing, nothing, "none", why)


def _tried(curve: ConcentrationCurve) -> Floats:
    return np.unique(same_strength(curve.strength[curve.strength > 0]))


def _curved(curves: Sequence[tuple[ConcentrationCurve, bool]], level: float) -> list[ResponseBand]:
    """Return what the curves say on a grid of strengths, the strengths tried among them if they are few."""
    grids, questions = [], []
    for curve, over_natural in curves:
        tried = _tried(curve)
        more = tried[1:] if tried.size < _POINTS else []
        grids.append(np.unique(np.concatenate([np.geomspace(*curve.tried, _POINTS), more])))
        points = np.stack([np.ones(grids[-1].size), np.log10(grids[-1])])
        questions.append(Question(curve, points, over_natural))
    lines = shares_of(questions, confidence_level=level)
    return [ResponseBand(grid, *line, "curve", "") for grid, line in zip(grids, lines, strict=True)]


def _steps(curves: Sequence[tuple[ConcentrationCurve, bool]], level: float) -> list[ResponseBand]:
    """Return limits at each strength tried from the baths at least, and at most, as strong, taken together."""
    groups = [_groups(curve) for curve, _ in curves]
    counts = [(curve.responded[rows], curve.n[rows], None)
              for (curve, _), own in zip(curves, groups, strict=True) for rows in own]  # fmt: skip
    joined = [over_natural for (_, over_natural), own in zip(curves, groups, strict=True) for _ in own]
    values = iter(session_proportions(counts, confidence_level=level, in_difference=joined))
    bands = []
    for (curve, over_natural), own in zip(curves, groups, strict=True):
        *shares, sham = [next(values) for _ in own]
        if over_natural:
            shares = [difference_of(value, sham) if value.known else value for value in shares]
        lines = [
            np.array([np.nan if (end := getattr(value, name)) is None else end for value in shares[part::3]])
            for part, name in enumerate(("estimate", "low", "high"))
        ]
        source = "none" if np.isnan(lines[1:]).all() else "steps"
        bands.append(ResponseBand(_tried(curve), *lines, source, enough_for_curve(curve)))
    return bands


def _groups(curve: ConcentrationCurve) -> list[NDArray[np.bool_]]:
    """Return the baths of each strength tried, those at most and those at least as strong, and last the sham's."""
    x, dosed = same_strength(curve.strength), curve.strength > 0
    return [rows for edge in _tried(curve) for rows in (x == edge, dosed & (x <= edge), x >= edge)] + [~dosed]
