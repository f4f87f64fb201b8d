"""The three tolerance distributions: share responding at a linear predictor, its complement, slope and inverse."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit, ndtr, ndtri

Floats = NDArray[np.float64]
_SQRT_2PI = float(np.sqrt(2.0 * np.pi))
_ETA_MAX = 6.5  # exp(-exp(6.5)) is 1e-289: beyond it the complementary log-log response is 1 to every digit


@dataclass(frozen=True, slots=True)
class Link:
    """A link by name. `shares(eta)` gives the share responding F, 1 - F kept exact near one, and dF/deta.

    `bend(eta)` is the second derivative of F; `predictor(F)` is the eta at which a share F responds.
    """

    name: str
    label: str
    shares: Callable[[Floats], tuple[Floats, Floats, Floats]]
    bend: Callable[[Floats], Floats]
    predictor: Callable[[Floats], Floats]

    def below(self, eta: Floats) -> Floats:
        """Return the share responding at a predictor."""
        return self.shares(np.asarray(eta, dtype=float))[0]


def _logit_shares(eta: Floats) -> tuple[Floats, Floats, Floats]:
    small = np.exp(-np.abs(eta))
    large = 1.0 / (1.0 + small)
    small = small * large
    up = eta >= 0.0
    return np.where(up, large, small), np.where(up, small, large), large * small


def _logit_bend(eta: Floats) -> Floats:
    below, above, density = _logit_shares(eta)
    return density * (above - below)


def _probit_shares(eta: Floats) -> tuple[Floats, Floats, Floats]:
    return ndtr(eta), ndtr(-eta), np.exp(-0.5 * eta * eta) / _SQRT_2PI


def _probit_bend(eta: Floats) -> Floats:
    return -eta * np.exp(-0.5 * eta * eta) / _SQRT_2PI


def _cloglog_shares(eta: Floats) -> tuple[Floats, Floats, Floats]:
    capped = np.minimum(eta, _ETA_MAX)
    rate = np.exp(capped)
    return -np.expm1(-rate), np.exp(-rate), np.exp(capped - rate)


def _cloglog_bend(eta: Floats) -> Floats:
    return _cloglog_shares(eta)[2] * (1.0 - np.exp(np.minimum(eta, _ETA_MAX)))


LINKS: dict[str, Link] = {
    "logit": Link("logit", "logit", _logit_shares, _logit_bend, logit),
    "probit": Link("probit", "probit", _probit_shares, _probit_bend, ndtri),
    "cloglog": Link(
        "cloglog", "complementary log-log", _cloglog_shares, _cloglog_bend, lambda share: np.log(-np.log1p(-share))
    ),
}


def link_named(name: str) -> Link:
    """Return the link, or say which there are (ValueError)."""
    if name not in LINKS:
        raise ValueError(f"link must be one of {', '.join(LINKS)}, got {name!r}")
    return LINKS[name]
