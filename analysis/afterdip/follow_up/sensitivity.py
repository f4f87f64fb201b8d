"""How much of what is there a look finds, from pests counted twice: before the dip and again in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..estimate import Estimate, cannot_say
from ..proportion import by_session, session_proportion

MIN_PESTS = 20  # pests found in dips below which a share seen beforehand says little


def share_seen(seen, found, *, session=None, confidence_level: float = 0.95) -> Estimate:
    """Share of the pests found in a dip that the look before it had seen; limits at session level.

    `seen`, `found`: pests on the same pieces before and in the dip (bath, rinse and still on), shape (n_rows,);
    `session`: labels. What a look sees beyond what the dip finds is not counted twice. It stands for the chance that a
    look shows an infested piece: on the low side, for a piece with several pests is noticed more easily than one pest;
    on the high side, for a pest that neither look saw is in no count. Fewer than MIN_PESTS found is "cannot say".
    """
    seen, found = by_session(session, seen, found)
    total = float(found.sum())
    if total < MIN_PESTS:
        reason = f"too few pests counted twice: {total:g}, needs {MIN_PESTS}"
        return cannot_say(reason, confidence_level=confidence_level, pests=round(total))
    share = session_proportion(np.minimum(seen, found), found, confidence_level=confidence_level)
    return replace(share, pests=round(total))
