"""A response over the strengths tried, by its curve, or by steps where the sessions bear no curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..proportion import difference_of, session_proportion
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
    bands: list[ResponseBand | None] = []
    grids, questions = [], []
    for curve, over_natural in curves:
        bands.append(_without_curve(curve, over_natural, confidence_level))
        if bands[-1] is None:
            tried = _tried(curve)
            more = tried[1:] if tried.size < _POINTS else []
            grids.append(np.unique(np.concatenate([np.geomspace(*curve.tried, _POINTS), more])))
            points = np.stack([np.ones(grids[-1].size), np.log10(grids[-1])])
            questions.append(Question(curve, points, over_natural))
    lines = iter(zip(grids, shares_of(questions, confidence_level=confidence_level), strict=True))
    return [band or _curved(*next(lines)) for band in bands]


def _curved(grid: Floats, lines: tuple[Floats, Floats, Floats]) -> ResponseBand:
    return ResponseBand(grid, *lines, "curve", "")


def _tried(curve: ConcentrationCurve) -> Floats:
    return np.unique(same_strength(curve.strength[curve.strength > 0]))


def _without_curve(curve: ConcentrationCurve, over_natural: bool, level: float) -> ResponseBand | None:
    """Return the band of steps, or of nothing, where there is no curve to go by; None where there is one."""
    refusal, tried = enough_for_curve(curve), _tried(curve)
    if not tried.size or (over_natural and not curve.sham_sessions):
        nothing = np.full(tried.size, np.nan)
        why = "no sham session to take the loss over" if tried.size else "no session with the agent"
        return ResponseBand(tried, nothing, nothing, nothing, "none", why)
    return _steps(curve, tried, over_natural, level, refusal) if refusal else None


def _steps(curve: ConcentrationCurve, tried: Floats, over_natural: bool, level: float, refusal: str) -> ResponseBand:
    """Return limits at each strength tried from the baths at least, and at most, as strong, taken together."""
    x, dosed = same_strength(curve.strength), curve.strength > 0
    share = np.array([_pooled(curve, x == edge, over_natural, level, "estimate") for edge in tried])
    high = np.array([_pooled(curve, x >= edge, over_natural, level, "high") for edge in tried])
    low = np.array([_pooled(curve, dosed & (x <= edge), over_natural, level, "low") for edge in tried])
    source = "none" if np.isnan(low).all() and np.isnan(high).all() else "steps"
    return ResponseBand(tried, share, low, high, source, refusal)


def _pooled(curve: ConcentrationCurve, rows: np.ndarray, over_natural: bool, level: float, what: str) -> float:
    """Return the estimate or a limit of the share in these baths together; NaN where sessions are too few."""
    value = session_proportion(curve.responded[rows], curve.n[rows], confidence_level=level)
    if over_natural and value.known:
        sham = curve.strength == 0
        value = difference_of(value, session_proportion(curve.responded[sham], curve.n[sham], confidence_level=level))
    found: float | None = getattr(value, what)
    return np.nan if found is None else found
