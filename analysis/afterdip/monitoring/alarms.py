"""Alarms whose false-alarm rate is held by dealing the same baths anew, whatever their sizes, skew or correlation.

Where nothing changed, the baths of an agent could have come in any order. An alarm is a pattern that fewer than `rate`
of all orders of these very baths show. What else was tried is in `calibrate/monitoring.py`: limits of three standard
errors, plain or Laney's, and an EWMA with textbook limits raise several times as many false alarms as they say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from ..proportion.columns import in_step, label_places
from .ewma import averages, spread_of_average

Floats = NDArray[np.float64]
DRAWS = 9999
SMOOTHING = 0.2  # weight of the newest bath: half of the average rests on the last three or four
MIN_BATHS = 12  # below this a chart has too little history to be called one
MIN_IN_GROUP = 3  # baths from one bottle
MIN_STEPS = 6  # baths (or bottles) used more than once, for a trend within them


@dataclass(frozen=True, slots=True)
class Drift:
    """`average`: EWMA of z over its standard error, signed so that worse is up, shape (n_baths,).

    `p`: how often an order of the same baths lifts a recent point as high, None with a `reason` where it cannot be
    said. `peak` is the place of the highest recent point; `drawn`, (n_draws,), the highest one of each random order.
    """

    average: Floats
    recent: NDArray[np.bool_]
    drawn: Floats
    p: float | None
    peak: int | None
    reason: str = ""

    def limit(self, rate: float) -> float | None:
        """Return the height that a recent point must exceed for p to be `rate` or less; None where none can be told."""
        allowed = int(np.floor(rate * (1 + self.drawn.size) + 1e-9)) - 1
        if allowed < 0 or not self.drawn.size:
            return None
        return float(np.sort(self.drawn)[::-1][allowed]) if allowed < self.drawn.size else -np.inf


def drift_alarm(
    z: ArrayLike, recent: ArrayLike, *, rng: np.random.Generator, weight: float = SMOOTHING, draws: int = DRAWS,
    level: float = 1.0,
) -> Drift:  # fmt: skip
    """Has an agent's outcome lately been worse than its history? `z` (n_baths,), in order of time, worse above 0.

    `recent`: bool, shape (n_baths,), the baths that may raise the alarm. One-sided. The EWMA starts at 0; its highest
    recent point is set against that of `draws` random orders. Exact where baths are exchangeable. Points not above 0
    count as 0: where nothing ever went wrong, z only tells how far each bath was followed, and the newest least.
    `level`: where it only matters whether p is so low, drawing ends once it cannot be; p is then that of the orders
    drawn so far, and above it.
    """
    z, recent = _finite(z), np.asarray(recent, bool)
    in_step(z, recent, what="z and recent")
    average = averages(z, weight=weight) / spread_of_average(z.size, weight=weight)
    why = ""
    if not recent.any():
        why = "no bath with a count in the month"
    elif z.size < MIN_BATHS:
        why = f"too few baths with a count: {z.size}, needs {MIN_BATHS}"
    elif z.std() < 1e-12:
        why = "every bath came out alike: no scatter to judge by"
    if why:
        return Drift(average, recent, np.zeros(0), None, None, why)
    kernel = _kernel(z.size, weight)[recent]
    top, drawn = max(float(average[recent].max()), 0.0), np.zeros(0)
    for part in _orders(z, draws, rng):
        drawn = np.append(drawn, (part @ kernel.T).max(axis=1).clip(0.0))
        if 1 + _as_high(drawn, top) > level * (1 + draws):
            break
    places = np.flatnonzero(recent)
    peak = int(places[np.argmax(average[recent])])
    return Drift(average, recent, drawn, _p(drawn, top), peak)


def _kernel(size: int, weight: float) -> Floats:
    """Weights that turn z into the standardised average at each point; shape (size, size)."""
    behind = np.arange(size)[:, None] - np.arange(size)[None, :]
    kernel = np.where(behind >= 0, weight * (1 - weight) ** np.maximum(behind, 0), 0.0)
    return kernel / spread_of_average(size, weight=weight)[:, None]


@dataclass(frozen=True, slots=True)
class Groups:
    """Groups of baths (bottles) in sorted order: how many baths, their mean z as a standardised excess, and p.

    `p`, shape (n_groups,): how often dealing the baths anew to the groups gives any group so large an excess, which
    allows for having looked at all of them; NaN for groups under MIN_IN_GROUP baths.
    """

    group: NDArray
    baths: NDArray[np.int64]
    excess: Floats
    p: Floats
    reason: str = ""


def group_alarm(z: ArrayLike, group: ArrayLike, *, rng: np.random.Generator, draws: int = DRAWS) -> Groups:
    """Is one group's outcome worse than the others'? `z` (worse above 0) and `group`, shape (n_baths,).

    Step-down is not used: single-step largest statistic (Westfall & Young 1993). One-sided. A group's excess is the sum
    of its z over the standard deviation that dealing gives it. Needs two groups, one of them of MIN_IN_GROUP baths.
    p is 1 where a group's z do not add up to more than 0: its baths did no worse than expected, whatever the others.
    """
    z, (labels, place) = _finite(z), label_places(group)
    in_step(z, place, what="z and group")
    baths = np.bincount(place, minlength=labels.size)
    nothing = np.full(labels.size, np.nan)
    tested = (baths >= MIN_IN_GROUP) & (baths < z.size)
    if labels.size < 2 or not tested.any() or z.size < MIN_BATHS or z.std() < 1e-12:
        why = "only one bottle number recorded" if labels.size < 2 else f"too few baths: needs {MIN_BATHS} in all"
        return Groups(labels, baths, nothing, nothing, why)
    member = (place[:, None] == np.arange(labels.size)).astype(float)
    scale = z.std() * np.sqrt(baths * (z.size - baths) / max(z.size - 1, 1))
    centred = z - z.mean()
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = np.where(tested, centred @ member / scale, np.nan)
    load = member[:, tested] / scale[tested]
    drawn = np.concatenate([(part @ load).max(axis=1) for part in _orders(centred, draws, rng)])
    p = nothing.copy()
    worse = z @ member > 0
    p[tested] = [_p(drawn, value) if bad else 1.0 for value, bad in zip(excess[tested], worse[tested], strict=True)]
    return Groups(labels, baths, excess, p)


def limits_of_picked(p: ArrayLike, level: float, confidence_level: float) -> float:
    """Return the confidence level for limits of the groups whose `p`, shape (n_groups,), is `level` or less.

    Looked at because they look worst, they would be held less often than limits of any group: of R picked among m with
    a p, each is read at 1 - (1 - confidence_level) R / m, and of all limits read so no more than 1 - confidence_level
    miss in the long run (false coverage rate: Benjamini & Yekutieli 2005, J Am Stat Assoc 100:71).
    """
    p = np.asarray(p, float)
    among, chosen = int(np.isfinite(p).sum()), int((p <= level).sum())
    return 1 - (1 - confidence_level) * chosen / among if chosen else confidence_level


@dataclass(frozen=True, slots=True)
class Trend:
    """How z goes with x within blocks: `slope` of z per unit of x, `steps` rows in `blocks` where x varies, p."""

    slope: float | None
    steps: int
    blocks: int
    p: float | None
    reason: str = ""


def trend_alarm(
    z: ArrayLike, x: ArrayLike, block: ArrayLike, *, rng: np.random.Generator, draws: int = DRAWS
) -> Trend:
    """Does z grow with x within its block (a mixed bath, a bottle)? All three have shape (n_rows,), worse above 0.

    The rows of a block are dealt anew within it, so what differs between blocks plays no part. One-sided.
    """
    z, x, (_, place) = _finite(z), _finite(x), label_places(block)
    in_step(z, x, place, what="z, x and block")
    size = np.bincount(place)
    apart = x - (np.bincount(place, x) / np.maximum(size, 1))[place] if x.size else x
    varies = np.bincount(place, apart**2) > 1e-12 if x.size else np.zeros(0, bool)
    keep = varies[place] if x.size else np.zeros(0, bool)
    z, apart, place = z[keep], apart[keep], place[keep]
    blocks = int(varies.sum())
    if z.size < 2 * MIN_STEPS or blocks < 2:
        return Trend(None, int(z.size), blocks, None, f"too few: {z.size} in {blocks}, needs {2 * MIN_STEPS} in 2")
    order = np.argsort(place, kind="stable")
    z, apart, place = z[order], apart[order], place[order]
    parts = _parts(draws, z.size)
    drawn = np.concatenate([z[np.argsort(place + rng.random((n, z.size)), axis=1)] @ apart for n in parts])
    seen = float(z @ apart)
    return Trend(seen / float(apart @ apart), int(z.size), blocks, _p(drawn, seen))


def _finite(values: ArrayLike) -> Floats:
    """Return values as floats; DataError where one is missing or without end."""
    numbers = np.asarray(values, float)
    if not np.isfinite(numbers).all():
        raise DataError("values to judge must be finite; some are missing")
    return numbers


def _orders(z: Floats, draws: int, rng: np.random.Generator) -> Iterator[Floats]:
    """Random orders of z, `draws` rows in all, in parts that need no more than a few megabytes."""
    for size in _parts(draws, z.size):
        yield rng.permuted(np.broadcast_to(z, (size, z.size)).copy(), axis=1)


def _parts(draws: int, width: int) -> Iterator[int]:
    """Cut the draws into parts of a million values."""
    most = max(1_000_000 // max(width, 1), 1)
    yield from (min(most, draws - start) for start in range(0, draws, most))


def _p(drawn: Floats, seen: float) -> float:
    """Share of orders at least as extreme, the seen one counted among them: never 0 (Phipson & Smyth 2010)."""
    return (1 + _as_high(drawn, seen)) / (1 + drawn.size)


def _as_high(drawn: Floats, seen: float) -> int:
    return int((drawn >= seen - 1e-9).sum())
