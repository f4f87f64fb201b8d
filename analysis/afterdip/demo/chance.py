"""Draws that come out the same on every machine: one seeded stream of uniforms and plain arithmetic on it.

Only `random.Random(seed).random()` is used; Python promises its sequence for an integer seed, and promises nothing for
its other methods. Outputs are whole numbers, dates and few-digit decimals, so a last-bit difference of a maths library
does not show.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Chance:
    """A stream of independent draws; every concern of the demo has its own, so that one can change alone."""

    def __init__(self, seed: int) -> None:
        self.uniform = random.Random(seed).random

    def yes(self, probability: float) -> bool:
        """Return True with the given probability."""
        return self.uniform() < probability

    def between(self, low: float, high: float) -> float:
        """Return a uniform draw from low to high."""
        return low + (high - low) * self.uniform()

    def whole(self, low: int, high: int) -> int:
        """Return a whole number from low to high, both included, all equally likely."""
        return low + int(self.uniform() * (high - low + 1))

    def pick(self, items: Sequence[T]) -> T:
        """Return one of the items, all equally likely."""
        return items[int(self.uniform() * len(items))]

    def weighted(self, weights: dict[T, float]) -> T:
        """Return one of the keys with a chance proportional to its weight."""
        left = self.uniform() * sum(weights.values())
        for item, weight in weights.items():
            left -= weight
            if left < 0:
                return item
        return item

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """Return the items in random order (Fisher-Yates)."""
        deck = list(items)
        for i in range(len(deck) - 1, 0, -1):
            j = self.whole(0, i)
            deck[i], deck[j] = deck[j], deck[i]
        return deck

    def waiting(self, mean: float, *, within: float = math.inf) -> float:
        """Return an exponential waiting time of this mean, given that it ends by `within`."""
        return -mean * math.log1p(-self.uniform() * -math.expm1(-within / mean))

    def count(self, mean: float) -> int:
        """Return a count of one or more, geometric, with this mean."""
        return 1 if mean <= 1 else 1 + int(math.log1p(-self.uniform()) / math.log1p(-1.0 / mean))

    def spread(self, sd: float) -> float:
        """Return a positive factor of mean 1 whose logarithm has this standard deviation (near log-normal).

        The sum of twelve uniforms stands in for a normal; its exponential has mean (sinh(sd/2) / (sd/2))^12.
        """
        total = sum(self.uniform() for _ in range(12)) - 6.0
        return math.exp(sd * total) / (math.sinh(sd / 2) / (sd / 2)) ** 12


class Urn:
    """Uniform draws that one session shares: any event `draw() < p` is exactly beta-binomial with this correlation.

    Blackwell & MacQueen 1973 (Ann. Stat. 1:353): each draw is new, or repeats an earlier one of the session, so the
    session's own chance of the event is Beta(p(1-r)/r, (1-p)(1-r)/r) for every p at once, of mean p.
    """

    def __init__(self, chance: Chance, correlation: float) -> None:
        self._chance, self._fresh, self._seen = chance, (1.0 - correlation) / correlation, []

    def draw(self) -> float:
        """Return the next uniform of the session."""
        place = self._chance.uniform() * (self._fresh + len(self._seen)) - self._fresh
        value = self._chance.uniform() if place < 0 else self._seen[int(place)]
        self._seen.append(value)
        return value
