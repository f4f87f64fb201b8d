"""Draws what the estimators are timed on: pieces that share baths, and cells of a concentration-response design."""

from __future__ import annotations

import numpy as np

DAYS = np.array([1.0, 3.0, 7.0, 14.0, 21.0, 30.0, 60.0])
PIECES_PER_SESSION = 110
STRENGTHS = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])


def pieces(n: int, *, seed: int = 1) -> dict[str, np.ndarray]:
    """Return one row a piece: day last seen, died, session (numbers), arm and x; a frailty is shared by a session."""
    rng = np.random.default_rng(seed)
    sessions = max(n // PIECES_PER_SESSION, 20)
    session = rng.integers(sessions, size=n)
    frailty = rng.lognormal(0.0, 0.6, size=sessions)[session]
    arm, x = (session % 2).astype(float), rng.normal(size=n).round(1)
    died = rng.random(n) < np.minimum(0.06 * frailty * np.exp(0.3 * arm + 0.2 * x), 0.95)
    return {"day": DAYS[rng.integers(len(DAYS), size=n)], "died": died.astype(float), "session": session, "arm": arm,
            "x": x}  # fmt: skip


def cells(n: int, *, seed: int = 1) -> dict[str, np.ndarray]:
    """Return `n` cells of six strengths and 40 pests each: cell, strength, total, responded."""
    rng = np.random.default_rng(seed)
    cell = np.repeat(np.arange(n), len(STRENGTHS))
    a, b = rng.normal(-2.0, 0.5, size=n)[cell], rng.normal(2.5, 0.4, size=n)[cell]
    strength, total = np.tile(STRENGTHS, n), np.full(len(cell), 40)
    share = 1 / (1 + np.exp(-(a + b * np.log10(strength))))
    return {"cell": cell, "strength": strength, "total": total, "responded": rng.binomial(total, share)}
