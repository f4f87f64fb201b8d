"""The looks at a tray that count towards its release: after the last egg can have hatched, and far enough apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from afterdip.answers.tray_history import TrayHistory
from afterdip.follow_up import LifeCycle, days_until_hatched, plan_series

LOOKS_APART_DAYS = 7  # looks closer together may miss the same hidden pest; common practice, no source


@dataclass(frozen=True, slots=True)
class TrayState:
    """One tray and pest.

    `counts_from`: the day from which looks count, None where that cannot be said; `complete`: no dip is due;
    `counting`: of how many of the pieces now in the tray each look that counts was made; `last_look`: of any look at
    moving stages; `alive_since`: a day on which living pests were seen after the last dip.
    """

    counts_from: int | None
    complete: bool
    counting: tuple[int, ...]
    last_look: int | None
    alive_since: int | None


def tray_state(history: TrayHistory, tray, pest: str, life: LifeCycle, *, found: bool, as_of: int) -> TrayState:
    """Return the state of one tray (a row of the tally) and a pest; `found`: it was ever found in the lot.

    Where the pest was found, looks count after the last dip of a finished series; where it never was, after the eggs
    laid up to the first dip (or, without a dip, up to the arrival) have hatched.
    """
    dips, whole = history.dips[tray.tray], history.whole[tray.tray, pest]
    until, complete = days_until_hatched(life), True
    alive = [find.day for find in history.alive[tray.tray, pest] if find.after == len(dips) - 1]
    start = dips[0][0] if dips else int(tray.first_day)
    counts_from = None if until is None else start + until
    if found:
        series = history.series(tray.tray, pest, life)
        complete = plan_series(series, as_of=as_of, life=life).status == "complete"
        counts_from = max(series.anchor + until, series.last + 1) if complete else None
    return TrayState(
        counts_from=counts_from,
        complete=complete,
        counting=() if counts_from is None else counting_looks(whole, counts_from, int(tray.pieces)),
        last_look=max((day for day, _ in whole), default=None),
        alive_since=max(alive, default=None),
    )


def counting_looks(looks: Sequence[tuple[int, float]], start: int, pieces: int) -> tuple[int, ...]:
    """Pieces looked at, of those now in the tray, in each look from `start` on that stands far enough from the next.

    `looks`: (day, share of the pieces there). Of two looks nearer than LOOKS_APART_DAYS only the larger counts, the
    earlier of equals. A share of pieces since sold is taken to be that of those left, rounded down.
    """
    kept: list[tuple[int, float]] = []
    for day, share in sorted(look for look in looks if look[0] >= start):
        if not kept or day - kept[-1][0] >= LOOKS_APART_DAYS:
            kept.append((day, share))
        elif share > kept[-1][1]:
            kept[-1] = (day, share)
    return tuple(n for _, share in kept if (n := math.floor(share * pieces + 1e-9)) > 0)
