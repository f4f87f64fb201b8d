"""More than two agents: every pair judged with the error shared out, and the agents that nothing beats on both."""

from __future__ import annotations

from collections.abc import Sequence

from ..estimate import Estimate
from .verdict import SUPERIOR_LEVEL


def pairwise_level(pairs: int, *, superior_level: float = SUPERIOR_LEVEL) -> float:
    """Return the level of the interval that must exclude nought when `pairs` verdicts are given side by side.

    Bonferroni: the chance of any false `first` or `second` on the page stays what one verdict's would be. Shares of
    the error at the margin are left alone: each verdict `equivalent` is a statement of its own.
    """
    if pairs < 1:
        raise ValueError(f"at least one pair is needed, got {pairs}")
    return 1.0 - (1.0 - superior_level) / pairs


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
