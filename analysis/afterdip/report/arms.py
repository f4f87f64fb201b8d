"""What the comparison sets side by side, an agent or an agent at one strength, and its name in words."""

from __future__ import annotations

from collections.abc import Iterable

from afterdip.answers.words import strength_words
from afterdip.report.words import listed


def arms_of(pairs: list[dict]) -> dict[str, dict]:
    """Return what is compared by name."""
    return {arm["name"]: arm for pair in pairs for arm in pair["arms"]}


def arms_by_strength(pairs: list[dict]) -> list[dict]:
    """Return the arms that are one strength of an agent."""
    return [arm for arm in arms_of(pairs).values() if arm["strength"]]


def arms_in_words(names: Iterable[str], pairs: list[dict], *, most: int = 20) -> str:
    """Return names in words, strengths of one agent together: "OIL and IOD at 250 and 500 mg/L".

    A name that is no arm of `pairs` stands as it is.
    """
    arms, at = arms_of(pairs), {}
    for name in names:
        strength = arms[name]["strength"] if name in arms else None
        at.setdefault(arms[name]["agent"] if strength else name, []).append(strength)
    return listed([_at(name, some) if some[0] else name for name, some in at.items()], most=most)


def _at(agent: str, strengths: list[dict]) -> str:
    in_order = sorted(strengths, key=lambda strength: (strength["unit"], strength["median"]))
    return f"{agent} at {strength_words(*((strength['median'], strength['unit']) for strength in in_order))}"
