"""Where many rising functions reach a value, in one search."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .likelihood import Ints
from .links import Floats

_STEPS = 40  # a safeguard: four to seven are used
_CLOSE = 2e-4  # of the value; the last straight line comes closer than that
_FURTHER = 1.3  # past where a straight line would reach the value, to have it between two places


def crossing(function: Callable[[Ints, Floats], Floats], value: Floats, first: Floats, most: Floats) -> Floats:
    """Return where functions that rise from 0 at 0 reach `value` (n,), from a `first` guess; `most` if only beyond it.

    `function(which, at)` returns the functions numbered `which` at `at`, both (some,). They should be nearly straight:
    false position (the Illinois rule: Dowell & Jarratt 1971, BIT 11:168).
    """
    found, which = np.minimum(first, most), np.arange(value.size)
    low, high, below, above = np.zeros(value.size), most, -value, np.full(value.size, np.inf)
    was_up = np.full(value.size, -1)
    for _ in range(_STEPS):
        at, aim = found[which], value[which]
        over = function(which, at) - aim
        up, near = over > 0.0, np.abs(over) <= _CLOSE * aim
        kept = np.where(up == was_up, 0.5, 1.0)  # the value of an end that stays twice running shrinks, lest it stay
        low, below = np.where(up, low, at), np.where(up, below * kept, over)
        high, above = np.where(up, at, high), np.where(up, over, above * kept)
        open_ended = np.isinf(above)
        beyond = at * aim / np.maximum(over + aim, 1e-9 * aim) * np.where(near, 1.0, _FURTHER)
        between = low - (high - low) * below / np.where(open_ended, 1.0, above - below)
        found[which] = np.where(open_ended, np.minimum(beyond, high), between)
        more = ~near & (up | (at < high))
        if not more.any():
            break
        which, was_up = which[more], up[more].astype(int)
        low, high, below, above = low[more], high[more], below[more], above[more]
    return found
