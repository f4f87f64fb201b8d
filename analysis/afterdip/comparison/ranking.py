"""More than two agents: every pair judged with the error shared out, and the agents that nothing beats on both."""

from __future__ import annotations

from collections.abc import Sequence

from ..estimate import Estimate
from .verdict import SUPERIOR_LEVEL

FALSE_VERDICTS = 0.05  # on a whole page, where no two agents differ


def pairwise_level(pairs: int, *, false_verdicts: float = FALSE_VERDICTS) -> float:
    """Return the level of the interval that must exclude nought when `pairs` verdicts are given side by side.

    Bonferroni over pairs and both outcomes: the chance of any false `first` or `second` on the page is at most
    `false_verdicts`; never below what a single comparison is held to. Shares of the error at the margin are left
    alone: each verdict `equivalent` is a statement of its own.
    """
    if pairs < 1:
        raise ValueError(f"at least one pair is needed, got {pairs}")
    return max(SUPERIOR_LEVEL, 1.0 - 0.5 * false_verdicts / pairs)


def unbeaten(kill: Sequence[Estimate], loss: Sequence[Estimate]) -> tuple[bool, ...]:
    """Return for each agent whether no other kills at least as much and loses no more, one of the two strictly.

    Point estimates decide: this marks a frontier on a picture, it is no verdict. An agent without both is not marked.
    """
    if len(kill) != len(loss):
        raise ValueError("kill and loss must be given for the same agents")
    known = [k.known and x.known for k, x in zip(kill, loss, strict=True)]
    points = [(k.estimate, -x.estimate) if ok else None for k, x, ok in zip(kill, loss, known, strict=True)]

    def beats(one: tuple[float, float], other: tuple[float, float]) -> bool:
        return one[0] >= other[0] and one[1] >= other[1] and one != other

    return tuple(p is not None and not any(q is not None and beats(q, p) for q in points) for p in points)
