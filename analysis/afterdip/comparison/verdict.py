"""Which of two agents to use: one word from two outcomes, by a rule whose error rates are measured.

The rule, its error rates and what was tried stand in DEVELOPERS.md under "The verdict".
"""

from __future__ import annotations

from dataclasses import dataclass

from .cells import Floats
from .difference import Difference, chances

SUPERIOR_LEVEL = 0.99  # better: this interval excludes nought. Two outcomes, 1 % each: 2 % of false verdicts at most
MARGIN_LEVEL = 0.90  # not worse, and alike: this interval stays inside the margin (5 % in each direction)

WORDS = ("first", "second", "equivalent", "undecided")


@dataclass(frozen=True, slots=True)
class Margins:
    """Differences too small to matter to the farm, as proportions above 0."""

    kill: float
    loss: float

    def __post_init__(self) -> None:
        """Refuse margins no difference could lie within."""
        if not (0.0 < self.kill < 1.0 and 0.0 < self.loss < 1.0):
            raise ValueError(f"margins must lie between 0 and 1, got kill {self.kill!r} and loss {self.loss!r}")


@dataclass(frozen=True, slots=True)
class Finding:
    """What one outcome says, "better" always meaning better for the farm; all False when it cannot say."""

    known: bool
    first_better: bool
    second_better: bool
    first_not_worse: bool
    second_not_worse: bool

    @property
    def alike(self) -> bool:
        """Whether the difference is shown to be smaller than matters, either way."""
        return self.first_not_worse and self.second_not_worse


@dataclass(frozen=True, slots=True)
class Verdict:
    """One of WORDS, and the findings on the two outcomes behind it."""

    word: str
    kill: Finding
    loss: Finding


_NOTHING = Finding(
    known=False, first_better=False, second_better=False, first_not_worse=False, second_not_worse=False
)


def shown(chance: Floats, more_is_better: bool, superior_level: float) -> tuple:
    """Return the last four fields of `Finding` from the chances under no difference, minus the margin and the margin.

    `chance`: shape (3,) as `chances` gives it, or (3, n_farms) of many. An interval excludes a difference whose chance
    lies in its tail.
    """
    tail, near = 0.5 - 0.5 * superior_level, 0.5 - 0.5 * MARGIN_LEVEL
    more, less = chance[0] < tail, chance[0] > 1.0 - tail
    not_less, not_more = chance[1] < near, chance[2] > 1.0 - near
    return (more, less, not_less, not_more) if more_is_better else (less, more, not_more, not_less)


def finding(
    gain: Difference, margin: float, *, more_is_better: bool, superior_level: float = SUPERIOR_LEVEL
) -> Finding:
    """Return what a difference (first minus second) shows against a margin."""
    if gain.contrast is None:
        return _NOTHING
    chance = chances(gain.contrast, (0.0, -margin, margin))
    return Finding(True, *map(bool, shown(chance, more_is_better, superior_level)))


def verdict(kill: Difference, loss: Difference, *, margins: Margins, superior_level: float = SUPERIOR_LEVEL) -> Verdict:
    """Return the verdict on two agents from their differences in kill and in loss (first minus second, adjusted).

    `equivalent`: both outcomes alike within the margins, even where a difference is proven: it is too small to matter.
    `first` or `second`: better on one outcome and not worse than the margin on the other. `undecided`: anything else,
    an outcome that cannot say included, and a gain on one side bought with harm on the other.
    """
    by_kill = finding(kill, margins.kill, more_is_better=True, superior_level=superior_level)
    by_loss = finding(loss, margins.loss, more_is_better=False, superior_level=superior_level)
    pair = (by_kill, by_loss)
    if by_kill.alike and by_loss.alike:
        word = "equivalent"
    elif any(f.first_better for f in pair) and all(f.first_not_worse for f in pair):
        word = "first"
    elif any(f.second_better for f in pair) and all(f.second_not_worse for f in pair):
        word = "second"
    else:
        word = "undecided"
    return Verdict(word, by_kill, by_loss)
