"""One number with its limits and the counts behind it: what every estimator hands out and every page prints."""

from __future__ import annotations

import math
from dataclasses import dataclass

COUNTS = ("sessions", "trays", "pieces", "deaths", "pests")


def check_level(confidence_level: float) -> None:
    """Raise ValueError unless a confidence level lies inside 0 and 1: 95 would give limits of no meaning."""
    if not 0.0 < confidence_level < 1.0:
        raise ValueError(f"confidence_level must lie between 0 and 1, got {confidence_level!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """An estimate, its confidence limits and what it rests on; unrounded, proportions as 0-1.

    `estimate` is None when the data cannot say; `reason` then says why in words a grower reads ("no sham session",
    "3 sessions, needs 6"). A bound has `estimate` and only one informative limit (0 of 19: 0, 0, 0.146). Counts
    that do not apply are None. `method` names formula, limits and the control used.
    """

    estimate: float | None
    low: float | None = None
    high: float | None = None
    confidence_level: float = 0.95
    sessions: int | None = None
    trays: int | None = None
    pieces: int | None = None
    deaths: int | None = None
    pests: int | None = None
    method: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        """Refuse what no page could print: an estimate that is not finite, limits crossed, silence without a reason."""
        check_level(self.confidence_level)
        if self.estimate is None:
            if not self.reason:
                raise ValueError("an Estimate without a number needs a reason")
            return
        if not math.isfinite(self.estimate):
            raise ValueError(f"an Estimate must be finite or None, got {self.estimate!r}")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"limits crossed: {self.low!r} > {self.high!r}")

    @property
    def known(self) -> bool:
        """Whether there is a number at all."""
        return self.estimate is not None

    def to_json(self) -> dict[str, float | int | str | None]:
        """Return the results.json form: the four numbers always, then the counts, method and reason that are set."""
        head = {name: getattr(self, name) for name in ("estimate", "low", "high", "confidence_level")}
        tail = {name: getattr(self, name) for name in (*COUNTS, "method", "reason")}
        return head | {name: value for name, value in tail.items() if value not in (None, "")}


def cannot_say(reason: str, *, confidence_level: float = 0.95, **counts: int | None) -> Estimate:
    """Return an Estimate that says why there is no number; `counts` are those of Estimate."""
    return Estimate(estimate=None, reason=reason, confidence_level=confidence_level, **counts)
