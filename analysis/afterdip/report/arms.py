"""What is judged, an agent or an agent at one strength, and its name in words."""

from __future__ import annotations

from collections.abc import Iterable

from afterdip.answers.words import strength_words
from afterdip.report.words import listed


def arms_of(results: dict) -> dict[str, dict]:
    """Return by name what is compared, and the strengths whose loss is judged."""
    strengths = results.get("survival", {}).get("strengths", [])
    return {arm["name"]: arm for arm in strengths} | _compared(results.get("comparison", {}).get("pairs", []))


def arms_by_strength(pairs: list[dict]) -> list[dict]:
    """Return what is compared that is one strength of an agent."""
    return [arm for arm in _compared(pairs).values() if arm["strength"]]


def _compared(pairs: list[dict]) -> dict[str, dict]:
    return {arm["name"]: arm for pair in pairs for arm in pair["arms"]}


def arms_in_words(names: Iterable[str], arms: dict[str, dict], *, most: int = 20) -> str:
    """Return names in words, strengths of one agent together: "OIL and IOD at 250 and 500 mg/L".

    Of more than `most` agents the first few "and 4 more", which counts strengths. A name that is none of `arms` stands
    as it is.
    """
    at: dict[str, list] = {}
    for name in names:
        strength = arms[name]["strength"] if name in arms else None
        at.setdefault(arms[name]["agent"] if strength else name, []).append(strength)
    said = [_at(name, some) if some[0] else name for name, some in [*at.items()][:most]]
    left = sum(len(some) for some in [*at.values()][most:])
    more = [f"{left} more"] if left else []
    return listed([*said, *more], most=len(said) + 1)


def _at(agent: str, strengths: list[dict]) -> str:
    in_order = sorted(strengths, key=lambda strength: (strength["unit"], strength["median"]))
    return f"{agent} at {strength_words(*((strength['median'], strength['unit']) for strength in in_order))}"
