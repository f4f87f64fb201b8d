"""What the log says of a bath beside the other baths of its agent: where to look when one went wrong."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from afterdip.tally.monitoring import NOT_RECORDED

SAME = 1.15  # strengths and minutes within this factor of the others' count as theirs
SAME_C = 1.0  # degrees


@dataclass(frozen=True, slots=True)
class Trait:
    """One thing recorded of a bath: what it was `here` and in the `others`, "" where not written down.

    `unlike`: whether it lies outside all that was written of the others.
    """

    name: str
    here: str
    others: str
    unlike: bool

    def to_json(self) -> dict:
        """Return it by name."""
        return {name: getattr(self, name) for name in self.__slots__}


def traits_of(f: pd.DataFrame, bath: str, mixers: dict[str, str], unit: str) -> tuple[Trait, ...]:
    """Return strength, minutes, warmth, load, bottle, corals and who mixed of one bath among its agent's rows `f`."""
    f = f.assign(mixer=f["session"].map(mixers))
    mine = (f["bath"] == bath).to_numpy()
    own, rest = f[mine], f[~mine]
    measured = (
        ("strength", "strength", unit, lambda x, low, high: low / SAME <= x <= high * SAME),
        ("minutes", "exposure_min", "min", lambda x, low, high: low / SAME <= x <= high * SAME),
        ("temperature", "temperature_c", "C", lambda x, low, high: low - SAME_C <= x <= high + SAME_C),
        ("served before", "served_per_l", "pieces/L", lambda x, low, high: x <= high * SAME),
    )
    named = (("bottle", "lot"), ("coral group", "coral_group"), ("condition", "condition"), ("pest", "kind"),
             ("mixed by", "mixer"))  # fmt: skip
    return (
        *(_measured(name, own[column], rest[column], unit, like) for name, column, unit, like in measured),
        *(_named(name, own[column], rest[column]) for name, column in named if column in f),
    )


def _measured(name: str, own: pd.Series, rest: pd.Series, unit: str, like) -> Trait:
    own, rest = own.dropna().astype(float), rest.dropna().astype(float)
    unlike = bool(len(own) and len(rest)) and not all(like(x, rest.min(), rest.max()) for x in own)
    return Trait(name, _range(own, unit), _range(rest, unit), unlike)


def _range(values: pd.Series, unit: str) -> str:
    if values.empty:
        return ""
    ends = dict.fromkeys(f"{x:.3g}" for x in (values.min(), values.max()))
    return " to ".join(ends) + f" {unit}".rstrip()


def _named(name: str, own: pd.Series, rest: pd.Series) -> Trait:
    mine, theirs = (sorted(set(map(str, part.dropna())) - {NOT_RECORDED}) for part in (own, rest))
    return Trait(name, ", ".join(mine), ", ".join(theirs), bool(mine and theirs) and not set(mine) & set(theirs))
