"""What is known of a pest's time to hatch and to lay, at which water temperature, and from where.

Bounds are needed, not means: the latest day on which an egg hatches and the earliest age at which a hatchling lays.
One pest has published figures, and those are means; every other pest is unknown until the farm enters its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Protocol

# Names a farm may use for the one pest with published figures. Plain "flatworm" is not among them: red acoels and
# other flatworms live otherwise.
FLATWORM_NAMES = (
    "acropora flatworm", "acropora eating flatworm", "aefw", "prosthiostomum acroporae", "amakusaplana acroporae",
)  # fmt: skip
FLATWORM_SOURCE = "Barton et al. 2019, Front. Mar. Sci. 6:524 (abstract), on Prosthiostomum acroporae"
FLATWORM_COVERS_C = (24.0, 27.0)
FLATWORM_HATCH_MEAN_27 = 11.0  # days, a mean; no latest day is published, and no day of hatching at 24 C
FLATWORM_GENERATION_27 = 38.0  # days from egg to egg, at least; at 24 C 64
HATCH_FACTOR = 2.0
"""Latest hatch over mean hatch where only a mean is known: a margin of this project, no published figure. 22 days at
27 C; it also covers an older report of 21 days of development at an unstated temperature."""
TOLERANCE_C = 0.5  # water this near to a figure's temperature counts as that temperature; common practice, no source


class OwnFigures(Protocol):
    """The farm's own figures of a pest, days at a water temperature."""

    hatch_days_latest: float
    first_laying_days_earliest: float
    at_temperature_c: float
    source: str


@dataclass(frozen=True, slots=True)
class LifeCycle:
    """Bounds of one pest in one water, days; None where they are not known, and then `reason` says why.

    `hatch_days_latest`: no egg hatches later; `hatch_days_at_least`: where that is not known, what it is not below;
    `laying_days_earliest`: from hatching to the first eggs. `basis`: farm, published or unknown; `notes` say how the
    figures were come by.
    """

    pest: str
    water_temperature_c: float | None
    hatch_days_latest: float | None
    hatch_days_at_least: float | None
    laying_days_earliest: float | None
    basis: str
    source: str = ""
    notes: tuple[str, ...] = ()
    reason: str = ""

    def to_json(self) -> dict:
        """Return every field."""
        return {name: getattr(self, name) for name in self.__slots__ if name != "notes"} | {"notes": list(self.notes)}


def same_name(name: str) -> str:
    """Return a pest's name without regard to case, hyphens, spaces or a plural s."""
    return re.sub(r"[\W_]+", " ", name.casefold()).strip().removesuffix("s")


def is_flatworm(pest: str) -> bool:
    """Whether a name means the Acropora-eating flatworm."""
    return same_name(pest) in {same_name(name) for name in FLATWORM_NAMES}


def life_cycle(
    pest: str, *, water_temperature_c: float | None, own: OwnFigures | None = None, hatch_factor: float = HATCH_FACTOR
) -> LifeCycle:
    """Return what is known of a pest in this water: the farm's own figures, else published ones, else nothing.

    Figures speak for the temperatures they were taken at (within TOLERANCE_C): elsewhere they are refused. The
    published ones cover 24 to 27 C; between, each bound is that of the end where it is stricter, and the latest hatch
    below 27 C is not known. `hatch_factor`: latest hatch over mean hatch, 1 or more. Raises ValueError below 1.
    """
    if hatch_factor < 1.0:
        raise ValueError(f"the latest egg hatches no earlier than the mean one: hatch_factor {hatch_factor!r}")
    unknown = {"hatch_days_latest": None, "hatch_days_at_least": None, "laying_days_earliest": None}
    if own is None and not is_flatworm(pest):
        reason = f"unknown: enter your figures for '{pest}' in farm.toml, section [pests.\"{pest}\"]"
        if same_name(pest) == "flatworm":
            reason += "; which flatworm is not said: the Acropora eater is known as 'acropora-flatworm'"
        return LifeCycle(pest, water_temperature_c, **unknown, basis="unknown", reason=reason)
    source = own.source if own is not None else FLATWORM_SOURCE
    basis = "farm" if own is not None else "published"
    low, high = (own.at_temperature_c,) * 2 if own is not None else FLATWORM_COVERS_C
    slack = TOLERANCE_C if own is not None else 0.0
    covers = f"{low:g} C" if low == high else f"{low:g} to {high:g} C"
    if water_temperature_c is None:
        reason = f"unknown: the figures hold at {covers}; enter water_temperature_c in farm.toml"
        return LifeCycle(pest, None, **unknown, basis=basis, source=source, reason=reason)
    if not low - slack <= water_temperature_c <= high + slack:
        reason = f"unknown: the figures hold at {covers}, the water has {water_temperature_c:g} C; enter your figures"
        return LifeCycle(pest, water_temperature_c, **unknown, basis=basis, source=source, reason=reason)
    if own is not None:
        return LifeCycle(
            pest, water_temperature_c, own.hatch_days_latest, own.hatch_days_latest, own.first_laying_days_earliest,
            basis, source,
        )
    return _flatworm(pest, water_temperature_c, hatch_factor)


def _flatworm(pest: str, water: float, hatch_factor: float) -> LifeCycle:
    """Return planning bounds from the published means.

    The generation of 38 days at least includes the egg: who hatches as late as day h needs 38 - h days more to lay.
    Growing up is taken to be no faster in cooler water.
    """
    hatch = FLATWORM_HATCH_MEAN_27 * hatch_factor
    laying = FLATWORM_GENERATION_27 - hatch
    warm = water >= FLATWORM_COVERS_C[1] - TOLERANCE_C
    notes = [
        f"published at 27 C: eggs hatch after {FLATWORM_HATCH_MEAN_27:g} days on average and a generation takes at "
        f"least {FLATWORM_GENERATION_27:g} days, which leaves about "
        f"{FLATWORM_GENERATION_27 - FLATWORM_HATCH_MEAN_27:g} days from an average hatch to the first eggs",
        f"no latest hatch is published: {hatch:g} days, {hatch_factor:g} times the mean, is this report's margin; "
        f"an animal that hatches that late may lay {laying:g} days later",
    ]
    reason = ""
    if not warm:
        notes.append("below 27 C the earliest laying is taken from 27 C, as nothing grows up faster in cooler water")
        reason = (
            f"days to hatch are not published below 27 C (plan for more than {hatch:g}): enter your figures to know "
            "when the last egg has hatched"
        )
    known = {"hatch_days_latest": hatch if warm else None, "hatch_days_at_least": hatch}
    if laying <= 0:
        reason = f"unknown: a latest hatch of {hatch:g} days leaves nothing of the generation; enter your figures"
        known, laying = dict.fromkeys(known), None
    return LifeCycle(
        pest, water, **known, laying_days_earliest=laying, basis="published", source=FLATWORM_SOURCE,
        notes=tuple(notes), reason=reason,
    )
