"""One bath against the others of its agent: how often would a bath like it come out as badly as it did?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, expit, gammaln, log_expit, logit, logsumexp, ndtr

from ..errors import DataError
from ..proportion.columns import events_among, in_step

Floats = NDArray[np.float64]
MIN_OTHERS = 3  # other baths of the agent: fewer are nothing to compare with
STANDS_OUT = 3.0  # times the odds of the others
NAMING_RATE = 0.03  # asked of `holm`, so that 5 % hold where baths differ more than the laws below reckon with

# How baths of one agent may differ, and what each weighs before looking: a beta law of their risks by the correlation
# within a bath, and a normal one of their log odds by its standard deviation, whose far tail is the longer one.
CORRELATIONS = np.array([1e-4, 0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6])
CORRELATION_WEIGHTS = np.array([1, 1, 1, 1, 1, 2, 3, 4, 4, 4, 2, 1]) / 25
DEVIATIONS = np.array([0.01, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5])
DEVIATION_WEIGHTS = np.array([1, 1, 1, 2, 4, 4, 4, 2]) / 19
_LEVELS = 4.5 * np.linspace(-1, 1, 31) * np.abs(np.linspace(-1, 1, 31))  # of the agent, on the logit scale
_STEP, _CENTRES = 0.2, 0.25  # between risks, and between the levels about which laws are laid out
_RISKS = np.arange(-14.0, 14.0 + _STEP / 2, _STEP)  # log odds, relative to what is expected of the bath


@dataclass(frozen=True, slots=True)
class Singles:
    """Each bath judged against the others of its agent; all arrays have shape (n_judged,).

    `p`: the chance that such a bath has as many events or more; `usual`: the share of events to be expected of it;
    `correlation` within baths. NaN where `others`, how many other baths have trials, is below MIN_OTHERS.
    """

    p: Floats
    usual: Floats
    correlation: Floats
    others: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Laws:
    """Laws of a bath's log odds: `mass` (n_risks, n_laws), log weights before looking and correlations (n_laws,)."""

    mass: Floats
    before: Floats
    correlation: Floats


def single_baths(events: ArrayLike, trials: ArrayLike, share: ArrayLike, judged: ArrayLike) -> Singles:
    """Set each bath at a place in `judged`, shape (n_judged,), against all others of one agent.

    `events`, `trials`: whole numbers, shape (n_baths,); `share`: expected of each bath by what was in it and how it
    was mixed, inside 0 and 1, shape (n_baths,). p is the chance of so many events in one more bath, averaged over the
    agent's level and over laws by which baths differ, each weighed by how probable it makes the other baths (a
    posterior predictive p: Meng 1994, Ann Stat 22:1142). Before looking the level weighs as Jeffreys' prior has it,
    half the laws are beta (Skellam 1948, J R Stat Soc B 10:257) and half logit-normal; few others leave both open.
    Raises DataError unless 0 <= events <= trials, whole, and shares inside 0 and 1.
    """
    (y, n), e, judged = events_among(events, trials), np.asarray(share, float), np.asarray(judged, np.int64)
    in_step(y, e, what="events, trials and share")
    if (y != np.round(y)).any() or (n != np.round(n)).any():
        raise DataError("events and trials must be whole numbers, 0 <= events <= trials")
    if not np.all((e > 0) & (e < 1)):
        raise DataError("expected shares must lie inside 0 and 1")
    others = (n > 0).sum() - (n[judged] > 0)
    p, usual, correlation = np.full((3, judged.size), np.nan)
    if (told := np.flatnonzero(others >= MIN_OTHERS)).size:
        laws = _laws(_CENTRES * round(float(logit(n @ e / n.sum())) / _CENTRES))
        each = np.log(np.exp(_log_chance(y, n, e)) @ laws.mass + 1e-300)
        whole = laws.before + each.sum(axis=0)
        for place in told:
            i = judged[place]
            weight = np.exp(whole - each[i] - logsumexp(whole - each[i]))
            risk = laws.mass @ weight
            p[place] = _tail(y[i], n[i], e[i], risk)
            usual[place] = risk @ expit(logit(e[i]) + _RISKS)
            correlation[place] = weight @ laws.correlation
    return Singles(p, usual, correlation, others)


def stand_out(events: ArrayLike, trials: ArrayLike) -> NDArray[np.bool_]:
    """Which of an agent's baths, shape (n_baths,), are to be left out where what is expected of the others is fitted.

    Two events or more, at over STANDS_OUT times the odds of all the other baths together, half an event added: at first
    sight only, lest a bath's own strength or corals explain it away. Nothing is named by this.
    """
    y, n = events_among(events, trials)
    own = (y + 0.5) / (n - y + 0.5)
    rest = (y.sum() - y + 0.5) / ((n - y).sum() - (n - y) + 0.5)
    return (y >= 2) & (own > STANDS_OUT * rest)


def holm(p: ArrayLike, rate: float) -> NDArray[np.bool_]:
    """Which of `p`, shape (n,), are found, so that any is found falsely with a chance of `rate` at most.

    The smallest is held against rate / n, the next against rate / (n - 1), up to the first that fails (Holm 1979, Scand
    J Stat 6:65); whatever the dependence. NaN does not count and is never found.
    """
    p = np.asarray(p, float)
    order = np.argsort(p, kind="stable")[: int(np.isfinite(p).sum())]
    passes = np.cumprod(p[order] <= rate / np.arange(order.size, 0, -1)).astype(bool)
    found = np.zeros(p.size, bool)
    found[order[passes]] = True
    return found


@lru_cache(maxsize=64)
def _laws(centre: float) -> _Laws:
    """Return every law about every level, `centre` being the log odds of the agent's mean expected share."""
    ends = np.r_[-np.inf, _RISKS[:-1] + _STEP / 2, np.inf][:, None, None]
    mean, size = expit(centre + _LEVELS[:, None]), 1 / CORRELATIONS - 1
    beta = betainc(mean * size, (1 - mean) * size, expit(centre + ends))
    normal = ndtr((ends - _LEVELS[:, None]) / DEVIATIONS)
    mass = np.diff(np.concatenate([beta, normal], axis=2), axis=0).reshape(_RISKS.size, -1)
    risk = expit(centre + _RISKS)
    level = np.clip(risk @ mass, 1e-12, 1 - 1e-12)
    correlation = np.maximum(risk**2 @ mass - level**2, 0.0) / (level * (1 - level))
    weights = np.gradient(_LEVELS)[:, None] * np.r_[CORRELATION_WEIGHTS, DEVIATION_WEIGHTS]
    return _Laws(mass, 0.5 * np.log(level * (1 - level)) + np.log(weights.ravel()), correlation)


def _tail(events: float, trials: float, share: float, risk: Floats) -> float:
    """Return the chance of so many events or more where a bath's log odds have these masses, shape (n_risks,)."""
    upper = events > trials / 2  # the shorter of both tails is added up
    counts = np.arange(events, trials + 1) if upper else np.arange(events)
    tail = float((np.exp(_log_chance(counts, trials, share)) @ risk).sum())
    return min(max(tail if upper else 1 - tail, 0.0), 1.0)


def _log_chance(events: Floats, trials: Floats | float, share: Floats | float) -> Floats:
    """Binomial log chance at every risk, shape (n, n_risks); `events` (n,), the others too or one number for all."""
    y, n, e = np.broadcast_arrays(events, trials, share)
    odds = logit(e)[:, None] + _RISKS
    ways = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    return ways[:, None] + y[:, None] * log_expit(odds) + (n - y)[:, None] * log_expit(-odds)
