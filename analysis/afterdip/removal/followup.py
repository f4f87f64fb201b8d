"""What later looks say about trays that seemed clean after a dip: nothing found is not nothing there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate
from ..proportion import session_proportions
from ..proportion.columns import as_labels, counts_in_step, in_step, label_places

NONE_HAD = "no tray had this pest when it was dipped"
NOT_LOOKED = "not looked at after the dip"
STILL_THERE = "not clean: some left alive after the dip"
CAME_BACK = "not clean: none seen at first, living pests later"
NOT_LOOKED_AGAIN = "nothing seen after the dip, not looked at again: not shown to be clean"
NONE_SEEN_AGAIN = "nothing seen after the dip or later: clean only as far as the limit says"


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Trays that had the pest when they were dipped, by what was seen after the dip and later.

    `looked_at`: trays with any look after the dip; `looked_clean`: none living at the first of them; `looked_again`:
    of those, with a later look; `came_back`: of those, with living pests then, whose share is `share_back` (0 is a
    bound). `verdict` is the worst that was seen in any tray.
    """

    trays: int
    looked_at: int
    looked_clean: int
    looked_again: int
    came_back: int
    share_back: Estimate
    verdict: str

    def to_json(self) -> dict:
        """Return the counts, the share and the verdict."""
        counts = {name: getattr(self, name) for name in self.__slots__ if name not in ("share_back", "verdict")}
        return counts | {"share_back": self.share_back.to_json(), "verdict": self.verdict}


def follow_up(tray, day, alive, *, session, trays: int, confidence_level: float = 0.95) -> FollowUp:
    """Read the looks at the pieces after their dip, each of shape (n_looks,).

    `tray`: labels; `day`: days since the dip; `alive`: living pests seen; `session`: label of each look's dip;
    `trays`: how many had the pest when dipped, looked at or not. A tray's first look is that of its smallest day, and
    several rows of a day are added. Raises DataError for days or counts that are not finite or below 0.
    """
    return follow_ups([(tray, day, alive, session, trays)], confidence_level=confidence_level)[0]


def follow_ups(looks: Sequence[tuple], *, confidence_level: float = 0.95) -> list[FollowUp]:
    """What `follow_up` gives for each of `looks`, (tray, day, alive, session, trays), in one search."""
    seen = [_seen(*columns) for *columns, _ in looks]
    came_back = [(again & clean & back, again & clean, labels) for clean, again, back, labels in seen]
    shares = session_proportions(came_back, confidence_level=confidence_level)
    return [
        FollowUp(
            trays, len(clean), int(clean.sum()), int(watched.sum()), int(returned.sum()),
            replace(share, trays=int(watched.sum())), _verdict(clean, again, back) if trays else NONE_HAD,
        )
        for (*_, trays), (clean, again, back, _), (returned, watched, _), share
        in zip(looks, seen, came_back, shares, strict=True)
    ]  # fmt: skip


def _seen(tray, day, alive, session) -> tuple[np.ndarray, ...]:
    """By tray: none living at its first look, looked at again, any living then, and the label of its dip."""
    day, alive = counts_in_step(day, alive, what="days and living pests")
    in_step(day, np.asarray(tray), np.asarray(session), what="tray, day, alive and session")
    labels, codes = label_places(tray)
    _, first_row = np.unique(codes, return_index=True)
    n, first_day = len(labels), np.full(len(labels), np.inf)
    np.minimum.at(first_day, codes, day)
    at_first = day == first_day[codes]
    clean = np.bincount(codes[at_first], weights=alive[at_first], minlength=n) == 0
    again = np.bincount(codes[~at_first], minlength=n) > 0
    back = np.bincount(codes[~at_first], weights=alive[~at_first], minlength=n) > 0
    return clean, again, back, as_labels(session)[first_row]


def _verdict(clean: np.ndarray, again: np.ndarray, back: np.ndarray) -> str:
    """The worst seen in any tray; a later find overrides a clean first look."""
    if not len(clean):
        return NOT_LOOKED
    if (clean & back).any():
        return CAME_BACK
    if (~clean).any():
        return STILL_THERE
    return NONE_SEEN_AGAIN if again.all() else NOT_LOOKED_AGAIN
