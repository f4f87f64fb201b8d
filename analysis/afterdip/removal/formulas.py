"""The four reductions and the geometric mean as plain formulas: numbers in, one number out, nothing clipped.

A reduction is below 0 where the treated side did worse. The inputs may be counts, means per piece or shares, as long
as both sides are measured alike. None where there is nothing to divide by; DataError for a figure that is not finite or
below 0, and for a share above 1.
"""

from __future__ import annotations

import numpy as np

from ..errors import DataError


def _refuse_impossible(*figures: float, most: float = np.inf) -> None:
    if not all(0 <= figure <= most and np.isfinite(figure) for figure in figures):
        raise DataError(f"expected figures from 0 to {most:g}, got {', '.join(map(repr, figures))}")


def before_after(before: float, after: float) -> float | None:
    """1 - after/before on the same pieces: what handling, escape and time did is in it too."""
    _refuse_impossible(before, after)
    return None if before == 0 else 1 - after / before


def abbott(treated_after: float, sham_after: float) -> float | None:
    """1 - treated/sham of the living after the dip; takes both sides as equally infested before (Abbott 1925).

    Abbott WS 1925, J Econ Entomol 18:265: (x - y)/x, x the living in the check, y the living in the treated.
    """
    _refuse_impossible(treated_after, sham_after)
    return None if sham_after == 0 else 1 - treated_after / sham_after


def henderson_tilton(
    treated_before: float, treated_after: float, sham_before: float, sham_after: float
) -> float | None:
    """1 - (Ta/Tb)(Cb/Ca): before and after in both arms (Henderson & Tilton 1955, J Econ Entomol 48:157).

    Sun & Shepard 1947, J Econ Entomol 40:710, is the same number: (Mt + g)/(1 + g), Mt the treated side's mortality and
    g the sham's growth Ca/Cb - 1. None where there was nothing before on either side, or nothing left of the sham's.
    """
    _refuse_impossible(treated_before, treated_after, sham_before, sham_after)
    if treated_before == 0 or sham_before == 0 or sham_after == 0:
        return None
    return 1 - treated_after / treated_before * sham_before / sham_after


def schneider_orelli(treated_dead: float, sham_dead: float) -> float | None:
    """(Mt - Mc)/(1 - Mc) of the dead shares, 0-1 (Schneider-Orelli 1947, Entomologisches Praktikum)."""
    _refuse_impossible(treated_dead, sham_dead, most=1.0)
    return None if sham_dead == 1 else (treated_dead - sham_dead) / (1 - sham_dead)


def geometric_mean(counts) -> float:
    """exp(mean(log(x + 1))) - 1 of counts, shape (n,).

    Not used on any page: it leans towards the many small counts and flatters a dip that fails on the worst pieces;
    efficacy guidelines that ask for it (VICH GL7) are why it can be computed at all.
    """
    counts = np.asarray(counts, float)
    if counts.size == 0 or (counts < 0).any():
        raise DataError("a geometric mean needs counts of 0 or more")
    return float(np.expm1(np.log1p(counts).mean()))
