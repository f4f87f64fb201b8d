"""Prevalence, mean intensity and mean abundance: three different things (Bush et al. 1997, J Parasitol 83:575)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate, cannot_say
from ..proportion import clopper_pearson, session_intensity, session_mean, session_proportion


@dataclass(frozen=True, slots=True)
class Infestation:
    """How infested pieces were at one moment.

    `prevalence`: infested pieces over pieces examined; `prevalence_if_independent`: the same with exact limits as if
    no two pieces shared a session, the least that the limits can honestly be: those of `prevalence` hold them;
    `intensity`: pests per infested piece; `abundance`: pests per piece examined.
    """

    examined: int
    infested: int | None
    pests: int
    prevalence: Estimate
    prevalence_if_independent: Estimate
    intensity: Estimate
    abundance: Estimate

    def to_json(self) -> dict:
        """Return the counts and the four estimates."""
        counts = {name: getattr(self, name) for name in ("examined", "infested", "pests")}
        names = ("prevalence", "prevalence_if_independent", "intensity", "abundance")
        return counts | {name: getattr(self, name).to_json() for name in names}


def infestation(pests, infested, examined, *, session=None, confidence_level: float = 0.95) -> Infestation:
    """Infestation of the pieces looked at; rows of shape (n_rows,), one a tray and look.

    `infested` is NaN where only the pests were counted: such rows count for abundance, not for prevalence or intensity.
    """
    pests, infested, examined = (np.asarray(column, float) for column in (pests, infested, examined))
    session = np.arange(len(pests)) if session is None else np.asarray(session)
    known = ~np.isnan(infested)
    options = {"session": session[known], "confidence_level": confidence_level}
    whole = {"session": session, "confidence_level": confidence_level}
    counts = {"pieces": int(examined[known].sum()), "pests": int(pests[known].sum())}
    prevalence = replace(session_proportion(infested[known], examined[known], **options), **counts)
    found, looked_at = float(infested[known].sum()), float(examined[known].sum())
    exact = clopper_pearson(found, looked_at, confidence_level=confidence_level)
    if prevalence.known:
        prevalence = replace(prevalence, low=min(prevalence.low, exact.low), high=max(prevalence.high, exact.high))
    return Infestation(
        examined=int(examined.sum()),
        infested=int(infested[known].sum()) if known.any() else None,
        pests=int(pests.sum()),
        prevalence=prevalence,
        prevalence_if_independent=replace(exact, **counts),
        intensity=_intensity(pests[known], infested[known], options, counts),
        abundance=replace(
            session_mean(pests, examined, **whole), pieces=int(examined.sum()), pests=int(pests.sum())
        ),
    )


def _intensity(pests, infested, options: dict, counts: dict) -> Estimate:
    """Pests per infested piece, where any was infested."""
    if not infested.sum():
        silent = "no piece was infested" if len(infested) else "infested pieces were not counted"
        return cannot_say(silent, confidence_level=options["confidence_level"], **counts)
    return replace(session_intensity(pests, infested, **options), **counts)
