"""Confidence limits of a probability that came from pieces sharing baths.

Pieces of one session share its fate, so n pieces are worth n / design effect independent ones. The limits are exact
binomial (Clopper & Pearson 1934) at that effective number, shrunk for the few degrees of freedom, as Korn & Graubard
(1998, Survey Methodology 24:193-201) do for surveys. What is added here, because without it they and log-log t limits
cover only 84-90 % at 10-30 sessions, 3 % loss and a correlation of 0.3 (tests/reference/calibration): with deaths in
only a few sessions the data cannot tell the design effect, so the estimate of it is averaged with the one an assumed
intra-session correlation implies, which weighs as much as a third of a session with deaths, and the degrees of freedom
follow the sessions with deaths instead of all sessions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri, stdtrit

INTRA_SESSION_CORRELATION = 0.2
"""Assumed where the log cannot show it; outcomes of pieces that share a bath correlate at 0.05-0.3."""

MIN_SESSIONS = 5
"""Fewest sessions, still followed, from which survival is reported. In simulations the limits hold from fewer
(tests/reference/calibration/survival_coverage.csv), but below five LEAST_DF exceeds the sessions less one: they would
rest more on the assumed correlation than on the log."""

PRIOR_WEIGHT = 1 / 3
"""Weight of the assumed design effect, in sessions with deaths; tuned so that coverage stays within 94-98.5 %."""

LEAST_DF = 4
"""Degrees of freedom never fall below this: with one or two such sessions the design effect is mostly assumed."""

ONE_SESSION_DF = 30
"""With deaths in one session only the design effect is the assumed one and nothing is estimated, so that limits need
not be widened for it: coverage stays at 97.6 % or more at 1-3 % loss, and the width falls by up to a third."""

MOST_REFITS = 200
"""Up to so many sessions a fitted model's limits come from refits without each of them, beyond from the sandwich."""


def loglog_limits(survival: ArrayLike, error: ArrayLike, *, confidence_level: float) -> tuple[NDArray, NDArray]:
    """Return low and high of survival by the normal interval of log(-log S); [S, S] where S is 0 or 1.

    Kalbfleisch & Prentice 1980, The Statistical Analysis of Failure Time Data, sec. 1.4. For independent pieces.
    """
    s, error = np.asarray(survival, float), np.asarray(error, float)
    inside = (s > 0) & (s < 1)
    safe = np.where(inside, s, 0.5)
    width = ndtri(0.5 + confidence_level / 2) * error / (safe * -np.log(safe))
    low, high = safe ** np.exp(width), safe ** np.exp(-width)
    return np.where(inside, low, s), np.where(inside, high, s)


def session_limits(
    proportion: ArrayLike,
    piece_error: ArrayLike,
    session_error: ArrayLike,
    *,
    sessions: int,
    sessions_with_events: ArrayLike,
    assumed_design_effect: float,
    confidence_level: float,
) -> tuple[NDArray, NDArray]:
    """Return low and high of a proportion strictly between 0 and 1; elsewhere the proportion itself.

    `piece_error`: its standard error as if pieces were independent (Greenwood); `session_error`: the plain sandwich,
    here multiplied by sqrt(m / (m - 1)). With k sessions with events the design effect used is
    (assumed / 3 + (k - 1) estimated) / (1 / 3 + k - 1), at least 1, and t has max(4, min(k, m - 1)) degrees of freedom,
    or ONE_SESSION_DF where k is 1. Arrays broadcast.
    """
    p, v0, v1 = np.asarray(proportion, float), np.square(piece_error), np.square(session_error)
    known = (p > 0) & (p < 1) & (v0 > 0)
    safe, v0 = np.where(known, p, 0.5), np.where(known, v0, 1.0)
    k = np.maximum(np.asarray(sessions_with_events, float), 1)
    estimated = v1 / v0 * (sessions / max(sessions - 1, 1))
    weights = PRIOR_WEIGHT + k - 1
    design_effect = np.maximum((PRIOR_WEIGHT * assumed_design_effect + (k - 1) * estimated) / weights, 1)
    df = np.where(k <= 1, ONE_SESSION_DF, np.maximum(np.minimum(k, sessions - 1), LEAST_DF))
    upper = 0.5 + confidence_level / 2
    n = safe * (1 - safe) / (v0 * design_effect) * np.square(ndtri(upper) / stdtrit(df, upper))
    low, high = betaincinv(safe * n, (1 - safe) * n + 1, 1 - upper), betaincinv(safe * n + 1, (1 - safe) * n, upper)
    return np.where(known, low, p), np.where(known, high, p)


def design_effect(pieces_by_session: ArrayLike, *, correlation: float) -> float:
    """Return 1 + (b - 1) correlation, b the mean session size as a piece meets it, sum n^2 / sum n (Kish 1965)."""
    n = np.asarray(pieces_by_session, float)
    return 1 + max(float(np.square(n).sum() / n.sum()) - 1, 0) * correlation


def zero_bound(effective_pieces: float, *, confidence_level: float) -> float:
    """Return the one-sided exact upper limit of a proportion of which none was seen in so many pieces."""
    return 1 - (1 - confidence_level) ** (1 / effective_pieces)
