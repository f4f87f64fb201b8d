"""Strength and minutes together: how far a longer bath makes up for a weaker one (C^n t), if the log can tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import DataError
from ..estimate import Estimate, cannot_say
from .curve import fit_curve, log_design
from .fit import DesignFit, fit_one
from .levels import fieller_ratio, power_of_ten
from .likelihood import Rows
from .links import LINKS, Floats
from .rows import check_counted, checked_counts, counts_of, merge_sessions

TOO_CLOSE = 0.95  # correlation of log strength and log minutes from which their effects are not told apart


@dataclass(frozen=True, slots=True)
class StrengthMinutes:
    """share = natural + (1 - natural) F(intercept + by_strength log10 C + by_minutes log10 t), a row per session.

    The sham's minutes do not enter. `refusal` says in words why there is no such fit; empty for a fit.
    """

    fit: DesignFit
    strength: Floats
    minutes: Floats
    n: Floats
    responded: Floats
    counted: str

    @property
    def refusal(self) -> str:
        """Why strength and minutes cannot be taken together; empty where they can."""
        return self.fit.refusal

    def rows(self) -> Rows:
        """Return the sessions as the one cell they were fitted as."""
        design = log_design(self.strength, self.minutes)
        return Rows(np.zeros(1, dtype=np.int64), design, self.n, self.responded, self.strength == 0)

    def counts(self) -> dict[str, int]:
        """Return the counts an Estimate carries."""
        return counts_of(self.n, self.responded, self.counted)


def fit_strength_minutes(
    strength: ArrayLike, minutes: ArrayLike, n: ArrayLike, responded: ArrayLike, *, session: ArrayLike | None = None,
    link: str = "logit", counted: str = "pests",
) -> StrengthMinutes:  # fmt: skip
    """Fit the share responding to log10 strength and log10 minutes together; rows as in fit_curve, and `minutes` > 0.

    With the complementary log-log link this is Hom's ln S = -k C^n t^m (Hom 1972, J Environ Eng Div ASCE 98:183), Chick
    and Watson's law for m = 1; with probit it is ten Berge's (ten Berge et al. 1986, J Hazard Mater 13:301). Refused
    where only one of the two varied, or both rose together, for then no arithmetic can tell them apart.
    """
    check_counted(counted)
    x, total, hits = checked_counts(strength, n, responded)
    t = np.where(x > 0, np.broadcast_to(np.asarray(minutes, dtype=float), x.shape), 0.0)
    if not np.all(np.isfinite(t) & ((t > 0) | (x == 0))):
        raise DataError("every bath with the agent needs its minutes, more than 0")
    _, (x, t), (total, hits) = merge_sessions(np.zeros(x.size, dtype=np.int64), (x, t), (total, hits), session)
    dosed = x > 0
    design = log_design(x, t)
    refusal = _cannot_separate(design[1:, dosed]) or _one_sided(x, total, hits)
    fit = fit_one(design, total, hits, ~dosed, link=link, refusal=refusal)
    return StrengthMinutes(fit, x, t, total, hits, counted)


def _cannot_separate(logs: Floats) -> str:
    """Say why strengths and minutes tried cannot show their effects apart; `logs` (2, sessions)."""
    kinds = [np.unique(line).size for line in logs]
    if kinds[0] < 2:
        return "strength did not vary" if kinds[0] else "no session with the agent"
    if kinds[1] < 2:
        return "minutes did not vary"
    together = float(np.corrcoef(logs)[0, 1])
    if abs(together) > TOO_CLOSE:
        return f"strength and minutes changed together (correlation {together:.2f}): their effects cannot be told apart"
    return ""


def _one_sided(x: Floats, total: Floats, hits: Floats) -> str:
    """Refuse none and all responding; other failures show in the fit."""
    reason = fit_curve(x, total, hits).refusal
    return reason if reason.startswith(("none", "all")) else ""


def time_exponent(fit: StrengthMinutes, *, basis: str = "session", confidence_level: float = 0.95) -> Estimate:
    """Return n of C^n t: strength's effect over time's on their logarithms, with Fieller's limits.

    n = 1 is Haber's rule, n > 1 means that strength counts more than time (ten Berge et al. 1986). Where the effect of
    time is not told from nothing the limits are open and `reason` says that n is not identified; where time works
    against the response, n has no meaning and is refused.
    """
    counts = fit.counts()
    if fit.refusal:
        return cannot_say(fit.refusal, confidence_level=confidence_level, **counts)
    by_strength, by_minutes = fit.fit.coefficients[1:]
    if by_minutes <= 0.0 or by_strength <= 0.0:
        less = "longer" if by_minutes <= 0.0 else "stronger"
        return cannot_say(f"{less} baths do not do more in these sessions", confidence_level=confidence_level, **counts)
    top, bottom = np.array([0.0, 1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0, 0.0])
    n = fieller_ratio(fit.fit, top, bottom, basis=basis, confidence_level=confidence_level)
    open_ended = n.low is None and fit.fit.df > 0
    return Estimate(
        estimate=n.value, low=n.low, high=n.high, confidence_level=confidence_level,
        reason="not identified: the effect of minutes is not told from none" if open_ended else n.reason,
        method=f"{LINKS[fit.fit.link].label} on log10 strength and log10 minutes, Fieller limits, {basis}", **counts,
    )  # fmt: skip


def strength_for(
    fit: StrengthMinutes, level: float, minutes: float, *, basis: str = "session", confidence_level: float = 0.95
) -> Estimate:
    """Return the strength at which `level` per cent respond in a bath of `minutes`, with Fieller's limits."""
    if not 1.0 <= level <= 99.0 or not minutes > 0:
        raise ValueError(f"level must be 1..99 per cent and minutes more than 0, got {level!r} and {minutes!r}")
    counts = fit.counts()
    if fit.refusal or fit.fit.coefficients[1] <= 0:
        reason = fit.refusal or "stronger baths do not do more in these sessions"
        return cannot_say(reason, confidence_level=confidence_level, **counts)
    at = float(LINKS[fit.fit.link].predictor(level / 100.0))
    top, bottom = np.array([-1.0, 0.0, -np.log10(minutes), 0.0]), np.array([0.0, 1.0, 0.0, 0.0])
    log = fieller_ratio(fit.fit, top, bottom, shift=at, basis=basis, confidence_level=confidence_level)
    method = f"{LINKS[fit.fit.link].label} on log10 strength and log10 minutes, Fieller limits, {basis}"
    return power_of_ten(log, method=method, confidence_level=confidence_level, counts=counts)


def tried_together(fit: StrengthMinutes, strength: ArrayLike, minutes: ArrayLike) -> np.ndarray:
    """Return which pairs lie within the convex hull of log strength and log minutes tried, its edge included."""
    dosed = fit.strength > 0
    corners = _hull(np.unique(np.log10(np.stack([fit.strength[dosed], fit.minutes[dosed]])), axis=1).T)
    point = np.stack([np.log10(np.asarray(strength, float)), np.log10(np.asarray(minutes, float))], axis=-1)
    inside = np.ones(point.shape[:-1], dtype=bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= _turn(a, b, point) >= -1e-9
    return inside


def _turn(a: Floats, b: Floats, c: Floats) -> Floats:
    return (b[0] - a[0]) * (c[..., 1] - a[1]) - (b[1] - a[1]) * (c[..., 0] - a[0])


def _hull(points: Floats) -> Floats:
    """Return the corners of the convex hull, anticlockwise (Andrew 1979); `points` (n, 2) sorted and different."""
    sides = []
    for order in (points, points[::-1]):
        side: list[Floats] = []
        for point in order:
            while len(side) > 1 and _turn(side[-2], side[-1], point) <= 1e-12:
                side.pop()
            side.append(point)
        sides.append(side[:-1])
    return np.array(sides[0] + sides[1])


def equivalent_strength(strength: float, minutes: float, *, exponent: float, other_minutes: ArrayLike) -> Floats:
    """Return the strength that does in `other_minutes` what `strength` does in `minutes`, with C^n t constant.

    C (t / t')^(1/n): n = 1 is Haber's rule (ten Berge et al. 1986, J Hazard Mater 13:301).
    """
    _above_nought(minutes=minutes, exponent=exponent, other_minutes=other_minutes)
    return strength * (minutes / np.asarray(other_minutes, dtype=float)) ** (1.0 / exponent)


def chick_watson_survival(strength: ArrayLike, minutes: ArrayLike, *, rate: float, exponent: float) -> Floats:
    """Return the share surviving exp(-k C^n t) (Chick 1908, J Hyg 8:92; Watson 1908, J Hyg 8:536)."""
    return np.exp(-rate * np.asarray(strength, dtype=float) ** exponent * np.asarray(minutes, dtype=float))


def chick_watson_minutes(strength: float, log10_reduction: float, *, rate: float, exponent: float) -> float:
    """Return the minutes in which survivors fall by so many powers of ten."""
    _above_nought(strength=strength, rate=rate)
    return float(log10_reduction * np.log(10.0) / (rate * strength**exponent))


def _above_nought(**values: ArrayLike) -> None:
    """Raise ValueError for what must be above 0 and is not."""
    for name, value in values.items():
        if not np.all(np.asarray(value, dtype=float) > 0):
            raise ValueError(f"{name} must be more than 0, got {value!r}")
