"""Prevalence, mean intensity and mean abundance: three different things (Bush et al. 1997, J Parasitol 83:575)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate, cannot_say
from ..proportion import clopper_pearson, session_intensities, session_means, session_proportions
from ..proportion.columns import as_labels, in_step


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
    return infestations([(pests, infested, examined, session)], confidence_level=confidence_level)[0]


def infestations(looks: Sequence[tuple], *, confidence_level: float = 0.95) -> list[Infestation]:
    """What `infestation` gives for each of `looks`, (pests, infested, examined, session labels or None), in one go."""
    looks = [_look(*look) for look in looks]
    known = [tuple(column[~np.isnan(look[1])] for column in look) for look in looks]
    level = {"confidence_level": confidence_level}
    parts = (
        looks,
        known,
        session_proportions([(infested, examined, labels) for _, infested, examined, labels in known], **level),
        session_intensities([(pests, infested, labels) for pests, infested, _, labels in known], **level),
        session_means([(pests, examined, labels) for pests, _, examined, labels in looks], **level),
    )
    return [_infestation(*part, **level) for part in zip(*parts, strict=True)]


def _look(pests, infested, examined, session) -> tuple[np.ndarray, ...]:
    """One look as arrays, each row a session of its own where none are named."""
    pests, infested, examined = (np.asarray(column, float) for column in (pests, infested, examined))
    labels = np.arange(len(pests)) if session is None else as_labels(session)
    in_step(pests, infested, examined, labels, what="pests, infested, examined and session")
    return pests, infested, examined, labels


def _infestation(
    look: tuple, known: tuple, prevalence: Estimate, intensity: Estimate, abundance: Estimate, *,
    confidence_level: float,
) -> Infestation:  # fmt: skip
    """Put one look together: its rows, those of them with infested pieces counted, and the three figures."""
    pests, _, examined, _ = look
    found, looked_at = float(known[1].sum()), float(known[2].sum())
    exact = clopper_pearson(found, looked_at, confidence_level=confidence_level)
    if prevalence.known:
        prevalence = replace(prevalence, low=min(prevalence.low, exact.low), high=max(prevalence.high, exact.high))
    if not found:
        silent = "no piece was infested" if len(known[1]) else "infested pieces were not counted"
        intensity = cannot_say(silent, confidence_level=confidence_level)
    counts = {"pieces": int(looked_at), "pests": int(known[0].sum())}
    return Infestation(
        examined=int(examined.sum()),
        infested=int(found) if len(known[1]) else None,
        pests=int(pests.sum()),
        prevalence=replace(prevalence, **counts),
        prevalence_if_independent=replace(exact, **counts),
        intensity=replace(intensity, **counts),
        abundance=replace(abundance, pieces=int(examined.sum()), pests=int(pests.sum())),
    )
