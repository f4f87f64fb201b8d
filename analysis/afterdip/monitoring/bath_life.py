"""How much a mixed bath can serve: kill against pieces served per litre, and where to change the bath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, expit, ndtri, stdtrit

from ..estimate import Estimate, cannot_say
from .cluster import MIN_EVENTS, ClusterFit, cluster_logistic

Floats = NDArray[np.float64]
MIN_SHARED = 8  # baths that served more than one session
_GRID = 61
_KIND_SPREAD = 3.0  # how far apart kinds of pests may lie, on the logit scale


@dataclass(frozen=True, slots=True)
class BathLife:
    """Kill against load, averaged over the kinds of pests counted.

    `load` from 0 to the largest tried, `kill`, `low`, `high`: shape (n_grid,), empty where it cannot be said. `fresh`:
    kill at no load; `fall`: change in kill from a fresh bath to `fall_at`, the largest load tried but for the top
    tenth. `serves_to`: the load up to which the lower limit of kill reaches the target (None: not even fresh).
    `holds_to`: the load up to which kill is shown to be within `margin` of a fresh bath's (None: not shown at any).
    `below_from`: the load from which the upper limit lies below the target (None: nowhere tried).
    """

    load: Floats
    kill: Floats
    low: Floats
    high: Floats
    fresh: Estimate
    fall: Estimate
    fall_at: float | None
    serves_to: float | None
    holds_to: float | None
    below_from: float | None
    baths: int
    reason: str = ""


def bath_life(
    load: ArrayLike, kind: ArrayLike, events: ArrayLike, trials: ArrayLike, *, bath: ArrayLike, target: float,
    margin: float, confidence_level: float = 0.95,
) -> BathLife:  # fmt: skip
    """Return kill by load from rows of one session and kind of pest each; all arrays have shape (n_rows,).

    `load` is what the bath had served before the session, `kind` a label (pest and stage) with its own level of kill,
    `bath` the mixed bath, which is the unit: limits rest on the wider of a jackknife over baths and a model of
    correlated pests (`ClusterFit.variance`), with t on the effective number of baths less one. Logistic in load. Cannot
    say under MIN_SHARED baths with more than one load or MIN_EVENTS killed or survivors. Nothing is said beyond the
    loads tried.
    """
    x, y, n = (np.asarray(a, float) for a in (load, events, trials))
    some = n > 0
    x, y, n, kind, labels = x[some], y[some], n[some], np.asarray(kind)[some], np.asarray(bath)[some]
    counts = {"sessions": int(np.unique(labels).size), "pests": round(n.sum())}
    baths, place = np.unique(labels, return_inverse=True)
    served = sum(np.ptp(x[place == g]) > 0 for g in range(baths.size))
    why = ""
    if served < MIN_SHARED:
        why = f"too few baths that served more than one session: {served}, needs {MIN_SHARED}"
    elif min(y.sum(), (n - y).sum()) < MIN_EVENTS:
        why = f"too few killed or too few survivors: needs {MIN_EVENTS:.0f} of each"
    if why:
        return _silent(why, baths.size, confidence_level, counts)
    kinds = (kind[:, None] == np.unique(kind)[None, :]).astype(float)
    X = np.column_stack([np.ones(x.size), kinds, x])
    spread = np.r_[np.inf, np.full(kinds.shape[1], _KIND_SPREAD), np.inf]
    fit = cluster_logistic(X, y, n, cluster=labels, spread=spread)
    if fit.reason or fit.effective[-1] < 3:
        return _silent(fit.reason or "one bath carries nearly all that is known", baths.size, confidence_level, counts)
    return _read(fit, X, n, target=target, margin=margin, level=confidence_level, counts=counts, baths=baths.size)


def _read(
    fit: ClusterFit, X: Floats, n: Floats, *, target: float, margin: float, level: float, counts: dict, baths: int
) -> BathLife:
    """Read kill over the grid of loads and the falls from a fresh bath.

    Limits of kill are beta ones at an effective number of pests, halfway between Clopper-Pearson's and Jeffreys':
    logit limits held 86 % where a fresh bath kills 98 % and few baths were counted.
    """
    t = float(stdtrit(fit.effective[-1] - 1, 0.5 + 0.5 * level))
    top = float(X[:, -1].max())
    grid = np.linspace(0, top, _GRID)
    kill, slopes = (np.array(part) for part in zip(*(_at(fit, X, n, load) for load in grid), strict=True))
    worth = kill * (1 - kill) / fit.variance(slopes) * (float(ndtri(0.5 + 0.5 * level)) / t) ** 2
    low, high = (betaincinv(worth * kill + 0.5 + s, worth * (1 - kill) + 0.5 - s, 0.5 + 2 * s * level)
                 for s in (-0.25, 0.25))  # fmt: skip
    change = kill - kill[0]
    down, up = _reach(fit, slopes, t, kill - low, high - kill)
    at = int(np.searchsorted(grid, np.quantile(np.repeat(X[:, -1], np.round(n).astype(int)), 0.9)))
    method = "logistic in load, limits at the level of baths"
    made = {"confidence_level": level, "method": method, **counts}
    return BathLife(
        grid, kill, low, high,
        fresh=Estimate(estimate=float(kill[0]), low=float(low[0]), high=float(high[0]), **made),
        fall=Estimate(
            estimate=float(change[at]), low=float(change[at] - down[at]), high=float(change[at] + up[at]), **made
        ),
        fall_at=float(grid[at]),
        serves_to=_last(grid, low >= target),
        holds_to=_last(grid, change - down >= -margin),
        below_from=_first(grid, high < target),
        baths=baths,
    )  # fmt: skip


def _reach(fit: ClusterFit, slopes: Floats, t: float, below: Floats, above: Floats) -> tuple[Floats, Floats]:
    """Return how far the change in kill from a fresh bath may lie down and up, shape (n_grid,); nought at no load.

    t standard errors of the change, stretched as kill's own limits (`below` and `above` it) are longer than t of its
    own: on the way down those of the load from below and of a fresh bath from above, joined by squares (Zou & Donner
    2008, Stat Med 27:1693). Symmetric limits held 92 % where a fresh bath kills 98 % and survivors are few.
    """
    change, own = t * np.sqrt(fit.variance(slopes - slopes[0])), t * np.sqrt(fit.variance(slopes))
    plain = np.hypot(own, own[0])
    return change * np.hypot(below, above[0]) / plain, change * np.hypot(above, below[0]) / plain


def _at(fit: ClusterFit, X: Floats, n: Floats, load: float) -> tuple[float, Floats]:
    """Kill at one load over all kinds counted, and its gradient in the coefficients."""
    like = X.copy()
    like[:, -1] = load
    mean = expit(like @ fit.coefficients)
    return float(n @ mean / n.sum()), (n * mean * (1 - mean)) @ like / n.sum()


def _last(grid: Floats, holds: NDArray[np.bool_]) -> float | None:
    """Return the last load of the unbroken stretch from 0 on, None where it does not begin."""
    if not holds[0]:
        return None
    return float(grid[-1] if holds.all() else grid[np.argmin(holds) - 1])


def _first(grid: Floats, below: NDArray[np.bool_]) -> float | None:
    return float(grid[np.argmax(below)]) if below.any() else None


def _silent(reason: str, baths: int, level: float, counts: dict[str, int]) -> BathLife:
    none = cannot_say(reason, confidence_level=level, **counts)
    nothing = np.zeros(0)
    return BathLife(nothing, nothing, nothing, nothing, none, none, None, None, None, None, baths, reason)
