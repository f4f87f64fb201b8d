"""How sure a look that found nothing makes us: exact for finite lots, imperfect eyes included.

A look at n of N pieces, D of them infested, each noticed with chance s when looked at, finds nothing with chance
sum over y of hypergeometric(y; N, D, n) (1 - s)^y (Cameron & Baldock 1998, Prev Vet Med 34:1, with a test that is
never wrongly positive); in a very large lot (1 - p s)^n (Cannon & Roe 1982, Livestock Disease Surveys). One minus
that chance is the confidence that fewer than D are infested: had there been D or more, the look would have found one
at least so often. A lot is never shown to be clean, only to have no more than so many infested pieces.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from ..estimate import Estimate, check_level

LOOKS_AT_MOST = 50  # so many whole further looks and no more are worth naming


@dataclass(frozen=True, slots=True)
class TrayLooks:
    """A tray of a lot: `pieces` now in it, and of how many of them each look that counts was made, none found."""

    pieces: int
    examined: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        """Refuse more looked at than there are."""
        if self.pieces < 1 or any(not 0 <= n <= self.pieces for n in self.examined):
            raise ValueError(f"looks at {self.examined} of {self.pieces} pieces")


@dataclass(frozen=True, slots=True)
class Freedom:
    """What looks without a find say of a lot of `pieces`.

    `confidence`: that fewer than `design_infested` pieces are infested; `share`: the infested share, a bound (0, 0 to
    high) at the wanted confidence; `ruled_out`: the same in pieces, the fewest infested that are ruled out, all of them
    where nothing is. Both are never 0: the truth lies below. `further_looks`, `further_pieces`: what it still takes to
    be sure enough, in looks at the lot and pieces looked at in all; 0, 0 where nothing is missing and None where
    looking alone cannot reach it.
    """

    pieces: int
    design_infested: int
    confidence: Estimate
    share: Estimate
    ruled_out: int
    further_looks: int | None
    further_pieces: int | None


def infested_at(prevalence: float, lot_size: int) -> int:
    """Return the fewest pieces that make up the design prevalence, 1 at least: 2 % of 40 is 1 piece, of 60 it is 2."""
    if not 0.0 < prevalence < 1.0 or lot_size < 1:
        raise ValueError(f"no design value of {prevalence} in {lot_size} pieces")
    return max(1, math.ceil(prevalence * lot_size - 1e-9))


def _refuse_sensitivity(sensitivity: float) -> None:
    if not 0.0 < sensitivity <= 1.0:
        raise ValueError(f"sensitivity must lie above 0 and at most 1, got {sensitivity!r}")


def miss_chance(lot_size: int, infested, examined: int, *, sensitivity: float = 1.0) -> np.ndarray:
    """Chance that a look at `examined` of `lot_size` pieces notices none of the `infested` ones; shape of `infested`.

    `sensitivity`: chance, in (0, 1], that looking at an infested piece shows it. Pieces looked at are taken to be
    chosen without regard to infestation. Raises ValueError for counts beyond the lot.
    """
    infested = np.asarray(infested)
    _refuse_sensitivity(sensitivity)
    whole = float(lot_size).is_integer() and float(examined).is_integer() and (infested == np.floor(infested)).all()
    if not whole or not 0 <= examined <= lot_size or (infested < 0).any() or (infested > lot_size).any():
        raise ValueError(f"cannot look at {examined} and have {infested} infested of {lot_size} pieces")
    lot_size, examined, infested = int(lot_size), int(examined), infested.astype(np.int64)
    seen = np.arange(1 if sensitivity == 1.0 else min(examined, int(infested.max(initial=0))) + 1)
    d = infested[..., None]
    fits = (seen <= d) & (examined - seen <= lot_size - d)
    y, d = np.where(fits, seen, 0), np.where(fits, d, 0)
    n = np.where(fits, examined, 0)
    log = _log_choose(d, y) + _log_choose(lot_size - d, n - y) - _log_choose(lot_size, n)
    weight = (1.0 - sensitivity) ** y
    return np.minimum((np.where(fits, np.exp(log), 0.0) * weight).sum(-1), 1.0)


def miss_chance_large(prevalence, examined: int, *, sensitivity: float = 1.0) -> np.ndarray:
    """Chance that a look at `examined` pieces of a very large lot notices nothing; shape of `prevalence`."""
    _refuse_sensitivity(sensitivity)
    return np.exp(examined * np.log1p(-np.asarray(prevalence, float) * sensitivity))


def pieces_needed(
    lot_size: int | None, *, prevalence: float, sensitivity: float = 1.0, confidence_level: float = 0.95
) -> int | None:
    """Return how many pieces of a lot must be looked at, once, to have the wanted confidence if none is found.

    `lot_size` None is a very large lot. None is returned where looking at every piece once is not enough. Raises
    ValueError for a confidence, prevalence or sensitivity outside 0 to 1.
    """
    _refuse_sensitivity(sensitivity)
    check_level(confidence_level)
    infested = infested_at(prevalence, 1 if lot_size is None else lot_size)
    allowed = (1.0 - confidence_level) * (1 + 1e-12)
    if lot_size is None:
        return math.ceil(math.log1p(-confidence_level) / math.log1p(-prevalence * sensitivity) - 1e-9)

    def enough(n: int) -> bool:
        return float(miss_chance(lot_size, infested, n, sensitivity=sensitivity)) <= allowed

    if not enough(lot_size):
        return None
    low, high = 0, int(lot_size)  # the chance to miss falls with every piece looked at
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def probability_below(confidence: float, *, prior: float = 0.5) -> float:
    """Probability that the lot is below the design value, if it was so with chance `prior` before anyone looked.

    prior / (1 - (1 - prior) confidence): Martin et al. 2007, Prev Vet Med 79:71. The prior is the user's, not the
    data's; at 0.5 the lot is taken to be as likely infested at the design value as free of the pest.
    """
    if not 0.0 < prior < 1.0 or not 0.0 <= confidence <= 1.0:
        raise ValueError(f"prior {prior} and confidence {confidence} must be probabilities, the prior not 0 or 1")
    return prior / (1.0 - (1.0 - prior) * confidence)


def lot_freedom(
    trays: Sequence[TrayLooks], *, prevalence: float, sensitivity: float, confidence_level: float = 0.95
) -> Freedom:
    """Read the looks at a lot's trays, none of which found anything.

    Pieces of a tray share their fate, so infested pieces may sit together in one tray: of all ways in which they could
    be spread over the trays the one hardest to notice is taken. Within a tray, looks are at pieces taken without
    regard to infestation, and looks on different days notice independently: hand in only looks far enough apart. A
    tray never looked at leaves no confidence. Raises ValueError without trays.
    """
    if not trays:
        raise ValueError("a lot needs a tray")
    pieces = sum(tray.pieces for tray in trays)
    design = infested_at(prevalence, pieces)
    allowed = (1.0 - confidence_level) * (1 + 1e-12)
    misses = _worst_misses(trays, sensitivity, design, allowed)
    confidence = 1.0 - float(misses[design])
    ruled_out = min(int(np.flatnonzero(misses > allowed)[-1]) + 1, pieces)
    looked = sum(min(tray.pieces, sum(tray.examined)) for tray in trays)
    method = f"exact, infested pieces spread in the way hardest to notice; sensitivity {sensitivity:g}"
    counts = {"confidence_level": confidence_level, "pieces": looked, "trays": len(trays), "method": method}
    looks, further = _further(trays, sensitivity, design, allowed, float(misses[design]))
    return Freedom(
        pieces=pieces,
        design_infested=design,
        confidence=Estimate(estimate=min(max(confidence, 0.0), 1.0), **counts),
        share=Estimate(estimate=0.0, low=0.0, high=ruled_out / pieces, **counts),
        ruled_out=ruled_out,
        further_looks=looks,
        further_pieces=further,
    )


def _log_choose(n, k):
    return gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)


def _worst_misses(trays: Sequence[TrayLooks], sensitivity: float, design: int, allowed: float) -> np.ndarray:
    """Chance to notice nothing for 0, 1, 2 ... infested pieces, until it is small enough or all pieces are infested."""
    pieces = sum(tray.pieces for tray in trays)
    most = min(pieces, max(design, 8))
    while True:
        misses = np.exp(_spread([_log_misses(tray, sensitivity, most) for tray in trays], most))
        if most == pieces or misses[-1] <= allowed:
            return misses
        most = min(pieces, 2 * most)


def _log_misses(tray: TrayLooks, sensitivity: float, most: int) -> np.ndarray:
    """Log of the chance that all looks at a tray notice nothing, for 0 ... min(most, pieces) infested pieces."""
    infested = np.arange(min(most, tray.pieces) + 1)
    chance = np.ones(len(infested))
    for n in tray.examined:
        chance = chance * miss_chance(tray.pieces, infested, n, sensitivity=sensitivity)
    with np.errstate(divide="ignore"):
        return np.log(chance)


def _spread(logs: Sequence[np.ndarray], most: int) -> np.ndarray:
    """For each number of infested pieces in the lot, the largest product over all ways to spread them over trays."""
    total = np.zeros(1)
    for log in logs:
        size = min(most, len(total) + len(log) - 2) + 1
        best = np.full(size, -np.inf)
        for i, value in enumerate(log):  # i infested pieces in this tray
            stop = min(size, i + len(total))
            best[i:stop] = np.maximum(best[i:stop], total[: stop - i] + value)
        total = best
    return total


def _further(
    trays: Sequence[TrayLooks], sensitivity: float, design: int, allowed: float, missed: float
) -> tuple[int | None, int | None]:
    """Looks and pieces still needed: every tray is brought to the same chance to miss one infested piece.

    That chance is the largest with which the lot as a whole is sure enough; a tray below it needs nothing more. Looked
    for among the chances that whole numbers of pieces can give, so for one tray the answer is the fewest pieces.
    """
    if missed <= allowed:
        return 0, 0
    chances = [_one_missed(tray, sensitivity, allowed) for tray in trays]
    if any(chance is None for chance in chances):
        return None, None
    levels = np.unique(np.concatenate(chances))
    low, high = -1, len(levels) - 1  # levels[0] is enough: no infested piece is then missed oftener than allowed
    while high - low > 1:
        middle = (low + high) // 2
        more = [_looked_at_more(t, _fewest(c, levels[-1 - middle])) for t, c in zip(trays, chances, strict=True)]
        logs = [_log_misses(tray, sensitivity, design) for tray in more]
        enough = np.exp(_spread(logs, design))[design] <= allowed
        low, high = (low, middle) if enough else (middle, high)
    needed = [_fewest(chance, levels[-1 - high]) for chance in chances]
    return max(math.ceil(n / tray.pieces) for n, tray in zip(needed, trays, strict=True)), sum(needed)


def _one_missed(tray: TrayLooks, sensitivity: float, allowed: float) -> np.ndarray | None:
    """Chance that one infested piece of a tray is missed after 0, 1, 2 ... further pieces, until it is small enough.

    None if that takes more than LOOKS_AT_MOST looks.
    """
    now = math.prod(1.0 - sensitivity * n / tray.pieces for n in tray.examined)
    looks = 1
    if now > 0.0 and sensitivity < 1.0:
        looks = max(1, math.ceil(math.log(allowed / now) / math.log1p(-sensitivity) - 1e-9))
    if looks > LOOKS_AT_MOST:
        return None
    more = np.arange(looks * tray.pieces + 1)
    return now * (1.0 - sensitivity) ** (more // tray.pieces) * (1.0 - sensitivity * (more % tray.pieces) / tray.pieces)


def _fewest(chances: np.ndarray, level: float) -> int:
    """Fewest further pieces that bring the chance, which falls with every piece, down to a level; all if none does."""
    below = np.flatnonzero(chances <= level * (1 + 1e-12))
    return int(below[0]) if len(below) else len(chances) - 1


def _looked_at_more(tray: TrayLooks, further: int) -> TrayLooks:
    """The tray after so many further pieces: whole looks, then one at the rest."""
    whole, rest = divmod(further, tray.pieces)
    return TrayLooks(tray.pieces, (*tray.examined, *([tray.pieces] * whole), *([rest] if rest else [])))
