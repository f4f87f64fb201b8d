"""Limits that do not know how alike the pieces of a session are, and let each agent's own sessions weigh the answers.

An agent that luck spared an outbreak shows too small a share and sessions too alike at once, and a correlation
estimated at the share seen rules out its true share twice over. So no correlation is chosen. For every pair of them,
one an agent, a supposed difference has a chance by the score statistic; the chances are averaged, each weighted by how
probable its correlations make the agents' sessions part of the way to the shares supposed: a p-value averaged over the
posterior of what is not known (Meng 1994, Ann Stat 22:1142), inverted. What else was tried stands in DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import expit, gammaln, logit, ndtr

from ..proportion.averaged import where_it_passes
from .cells import Arm, Floats
from .correlation import OWN_SESSIONS, own_spread, session_variances, telling_sessions
from .score import constrained, score_statistics

CORRELATIONS = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4])
CORRELATION_WEIGHTS = np.array([20, 5, 7, 7, 5, 3]) / 47
"""How the correlations weigh before looking: two fifths on none, the rest on those baths commonly have."""
SHARED = 0.2
"""How likely both agents have one correlation, before looking; else each has its own.

At 0.8 intervals held 88-90 % where one agent's baths are alike and the other's are not; at 0 fewer differences were
shown with thirty sessions a side than at 0.5, 81 instead of 83 % (sessions then weighed farther out).
"""
WEIGHED_AT = 0.15
"""Where the sessions are weighed: so far from the share seen (0) to the one supposed (1), in log odds.

At the share seen, intervals of unequal agents held 92.6 %; at 0.3 some of thirty sessions a side with few survivors
held 98.4 %; all the way limits of few events reach so far that 68 instead of 84 % of differences were shown there.
"""
SKEWED = 1.7
"""So many times a correlation counts: where a few baths are far worse than the rest, most sessions look too much alike.

Of risks that are normal on the logit scale thirty and sixty sessions a side held 93.6 % at 1.5 and 94.0 % at 1.7.
"""
_HIGHEST = 0.97  # a correlation of 1 would leave nothing to go by
_FITTED_AT_MOST = 5.0  # of how much spread fitted means take away: with hardly any left nothing is told
_STEPS = np.array([-1.5, -0.6, 0.0, 0.6, 1.5])  # logits from the strata's shares, asked of
_WIDTHS = np.diff(_STEPS)
_SPLINE = CubicSpline(_STEPS, np.eye(_STEPS.size)).c.transpose(1, 0, 2)
"""Through values at the steps, as weights of these values, (n_steps - 1, 4, n_steps): the highest power first."""
_PRIOR = SHARED * np.diag(CORRELATION_WEIGHTS) + (1.0 - SHARED) * np.outer(CORRELATION_WEIGHTS, CORRELATION_WEIGHTS)
_NEAREST = 1e-12  # to 0 and 1, of a share on the logit scale
_APART = 1.35  # first guesses of a limit: (1 + d)/(1 - d) so many times that of the difference seen


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """What a side's figure is worth at each of `CORRELATIONS`, for so many farms (one, on a page).

    `sizes` (n_farms, n_correlations): independent pieces. `seen` (n_farms,): logit of the share seen. `at_logit`
    (n_farms, n_steps): logits of the share at which the sessions were asked. `cubics` (n_farms, n_steps - 1, 4,
    n_correlations): between them, the log likelihood as a spline, highest power first.
    """

    seen: Floats
    at_logit: Floats
    cubics: Floats
    sizes: Floats

    def likelihoods(self, share: Floats) -> Floats:
        """Return those of the correlations, the largest 1, (n_farms, n_correlations), if `share` (n_farms,) is true."""
        supposed = logit(np.minimum(np.maximum(share, _NEAREST), 1.0 - _NEAREST))
        place, farm = self.seen + WEIGHED_AT * (supposed - self.seen), np.arange(self.seen.size)
        left = np.minimum((self.at_logit[:, 1:] <= place[:, None]).sum(axis=-1), _STEPS.size - 2)
        low, high = self.at_logit[farm, left], self.at_logit[farm, left + 1]
        gone = np.minimum(np.maximum((place - low) / (high - low), 0.0), 1.0) * _WIDTHS[left]
        cubic, gone = self.cubics[farm, left], gone[:, None]
        log = ((cubic[:, 0] * gone + cubic[:, 1]) * gone + cubic[:, 2]) * gone + cubic[:, 3]
        return np.exp(log - log.max(axis=-1, keepdims=True))

    def of(self, farms: NDArray) -> Worth:
        """Return what some of many farms are worth."""
        return Worth(*(getattr(self, name)[farms] for name in self.__slots__))


def worth_of(side: Arm, weight: Floats, mix: Floats, p: Floats) -> Worth:
    """Return what sum(weight * mix * rate) is worth: `side` and its cells' weights (n_farms, n_sessions, n_strata).

    `mix` and `p` (n_farms, n_strata): the strata's weights, and their shares as for `moments`. The likelihood is
    beta-binomial in the totals of the sessions, each expected as its own strata are; the strata move together on the
    logit scale. Means fitted to the same sessions take some of the spread away, and a correlation counts so many times
    more. All correlations are moved together, by t/(t + OWN_SESSIONS) of the way from the one the sessions make likely
    to the one by exact moments, t the sessions that can tell: moments are right whatever the shape of the risks, once
    there are many.
    """
    total, share = side.total.sum(axis=(-2, -1)), (weight * mix[..., None, :] * side.rate).sum(axis=(-2, -1))
    moved = expit(np.expand_dims(logit(p), -2) + _STEPS[:, None])  # (n_farms, n_steps, n_strata)
    cubics = np.einsum("spk,fkr->fspr", _SPLINE, _log_likelihood(side, moved))
    at_logit = logit(np.clip((mix[..., None, :] * moved).sum(axis=-1), _NEAREST, 1.0 - _NEAREST))
    seen = logit((np.clip(share, 0.0, 1.0) * total + 0.5) / (total + 1.0))
    measured, understated = own_spread(side, weight, p)
    counted = SKEWED * np.minimum(understated, _FITTED_AT_MOST)[..., None] * CORRELATIONS
    likely = CORRELATION_WEIGHTS * Worth(seen, at_logit, cubics, counted).likelihoods(expit(seen))
    telling = telling_sessions(side)
    gap = measured - (likely * counted).sum(axis=-1) / likely.sum(axis=-1)
    rho = np.clip(counted + (telling / (telling + OWN_SESSIONS) * gap)[..., None], 0.0, _HIGHEST)
    ends = (session_variances(side, weight * mix[..., None, :], p, np.full(total.shape, end)) for end in (0.0, 1.0))
    alone, together = (end.sum(axis=-1)[..., None] for end in ends)
    expected = (mix * p).sum(axis=-1)[..., None]
    return Worth(seen, at_logit, cubics, expected * (1.0 - expected) / (alone + rho * (together - alone)))


def _log_likelihood(side: Arm, p: Floats) -> Floats:
    """Return that of `CORRELATIONS`, less what none of them changes, (n_farms, n_steps, n_correlations).

    `p`: the strata's shares at each step, (n_farms, n_steps, n_strata).
    """
    total, events = (counts.sum(axis=-1)[..., None, :] for counts in (side.total, side.events))
    rest, strengths = total - events, 1.0 / CORRELATIONS[1:] - 1.0
    expected = np.clip(p @ np.swapaxes(side.total, -1, -2) / np.maximum(total, 1e-300), _NEAREST, 1.0 - _NEAREST)
    log = [(events * np.log(expected) + rest * np.log1p(-expected)).sum(axis=-1)]
    for strength in strengths:
        drawn = _rising(expected * strength, events) + _rising((1.0 - expected) * strength, rest)
        log.append(drawn.sum(axis=-1) - _rising(np.full(total.shape, strength), total).sum(axis=-1))
    return np.stack(log, axis=-1)


def _rising(a: Floats, n: Floats) -> Floats:
    """Return log of a (a + 1) ... (a + n - 1), 0 where n is."""
    a, n = np.broadcast_arrays(a, n)
    log, some = np.zeros(a.shape), n > 0
    log[some] = gammaln(a[some] + n[some]) - gammaln(a[some])
    return log


def chance_below(
    first: Floats, second: Floats, n_first: Floats, n_second: Floats, worths: tuple[Worth, Worth], delta: Floats
) -> Floats:
    """Return the averaged chance of a difference so large, were `delta` the true one: 1/2 at the one seen.

    Shapes (n_farms,). `n_first`, `n_second`: effective sizes by which the shares are placed, `delta` apart, at which
    the sessions are weighed.
    """
    shares = constrained(first, second, n_first, n_second, delta)
    own, other = (worth.likelihoods(share) for worth, share in zip(worths, shares, strict=True))
    likely = _PRIOR * own[..., :, None] * other[..., None, :]
    sizes = worths[0].sizes[..., :, None], worths[1].sizes[..., None, :]
    score = score_statistics(*(x[..., None, None] for x in (first, second)), *sizes, delta[..., None, None])
    return (likely * ndtr(-score)).sum(axis=(-2, -1)) / likely.sum(axis=(-2, -1))


def averaged_limits(
    first: Floats, second: Floats, n_first: Floats, n_second: Floats, worths: tuple[Worth, Worth], level: float
) -> tuple[Floats, Floats]:
    """Return the differences, shape (n_farms,) each, between which the averaged chance lies inside both tails.

    Searched by (1 + d)/(1 - d), so that no limit lies beyond -1 or 1.
    """
    farms = first.size
    seen = np.clip(first - second, _NEAREST - 1.0, 1.0 - _NEAREST)
    ratio, tails = (1.0 + seen) / (1.0 - seen), np.repeat([0.5 - 0.5 * level, 0.5 + 0.5 * level], farms)

    def chance(value: Floats, place: NDArray[np.intp]) -> Floats:
        i = place % farms
        delta = (value - 1.0) / (value + 1.0)
        return chance_below(first[i], second[i], n_first[i], n_second[i], tuple(w.of(i) for w in worths), delta)

    guesses = np.concatenate([ratio / _APART, ratio]), np.concatenate([ratio, ratio * _APART])
    found = where_it_passes(chance, tails, *guesses)
    found = (found - 1.0) / (found + 1.0)
    return found[:farms], found[farms:]
