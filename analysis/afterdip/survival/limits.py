"""Confidence limits of a probability that came from pieces sharing baths.

Pieces of one session share its fate, so n pieces are worth n / design effect independent ones. The limits are exact
binomial (Clopper & Pearson 1934) at that effective number, shrunk for the few degrees of freedom, as Korn & Graubard
(1998, Survey Methodology 24:193-201) do for surveys. As published they cover 84-90 % at 10-30 sessions, 3 % loss and
a correlation of 0.3, and less where a few baths are far worse than the rest (tests/reference/calibration): a log with
few deaths has not yet met its bad baths, so that it measures too small a loss and, at once, too small a design effect.

Therefore the two limits differ. The far one, on the side of more of the rarer outcome, averages the design effect with
the one an assumed intra-session correlation implies. The assumed weighs the more the fewer sessions the deaths are in
and the more deaths share one: deaths that each lie in a session of their own speak for a small design effect, deaths in
a few sessions of many say that bad baths are rare and that the log may have met too few. It takes its degrees of
freedom from the sessions that carry the error. The near limit rests on what was measured, on all sessions less one, and
stands nearer than the exact one, which with clumped deaths is hardly ever missed. Where so few died that no log could
miss with the far one, the near one takes over its share of misses, as exact limits may (Blaker 2000, Can J Stat
28:783). Both counts of sessions are effective ones, (sum x)^2 / sum x^2 over sessions: ten sessions, of which one has
nearly all deaths, are little more than one.

In a difference of two arms each limit is joined with one of the other kind and seldom decides alone: constants of their
own, measured likewise.
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

PRIOR_PER_SESSION = 0.5
"""Weight of the assumed design effect in the far limit, for each session followed, beside the square of the effective
sessions with deaths less one. Beside that number itself a weight of 1.5 covers as little as 92 % at 45 sessions and yet
more than 98 % elsewhere."""

PRIOR_IN_DIFFERENCE = 1.0
"""In a difference of two arms: the weight at any number of sessions, beside effective sessions with deaths less one."""

LONE_DEATHS = 0.35
"""Both weights are multiplied by (d - k + this) / (d - 1 + this), d deaths lying in k effective sessions: 1 where they
share one session, almost nought where each has its own. Without it a difference of two arms covers 99 % at 30 small
sessions, a loss of 2 % and no correlation."""

LEAST_DF = 4
"""Degrees of freedom of the far limit never fall below this: with one or two such sessions the design effect is mostly
assumed."""

ONE_SESSION_DF = 30
"""With deaths in one session only the design effect is the assumed one and nothing is estimated, so that limits need
not be widened for it: at 2-3 % loss and up to 12 sessions they are a fifth narrower so and cover as often."""

NEARER = 1.0
"""Of an effective piece, by which the near limit stands closer than the exact one where deaths are many; half of that
with one effective death, as limits closer still miss a loss near nought (half a piece throughout: Jeffreys)."""

NEARER_IN_DIFFERENCE = 0.5
"""The same in a difference of two arms."""

FAR_PIECE = 1.0
"""Of a piece, not an effective one, by which the far limit of an arm in a difference stands closer than the exact one:
a difference of two counts takes so many values that exact limits of each are too wide (half a piece would be mid-p)."""

SPARED = 4.0
"""Effective deaths over which the near limit's tail falls from the whole of 1 - confidence_level, as at no deaths, to
half of it, nearly all of the way at four times as many. The far limit cannot be missed where fewer than three are
due."""

MOST_REFITS = 200
"""Up to so many sessions a fitted model's limits come from refits without each of them, beyond from the sandwich."""


def loglog_limits(survival: ArrayLike, error: ArrayLike, *, confidence_level: float) -> tuple[NDArray, NDArray]:
    """Return low and high of survival by the normal interval of log(-log S); [S, S] where S is 0 or 1.

    Kalbfleisch & Prentice 1980, The Statistical Analysis of Failure Time Data, sec. 1.4. For independent pieces.
    """
    s, error = np.asarray(survival, float), np.asarray(error, float)
    inside = (s > 0) & (s < 1)
    safe = np.where(inside, s, 0.5)
    width = np.minimum(ndtri(0.5 + confidence_level / 2) * error / (safe * -np.log(safe)), 700.0)  # 0 and 1 by then
    low, high = safe ** np.exp(width), safe ** np.exp(-width)
    return np.where(inside, low, s), np.where(inside, high, s)


def session_limits(
    proportion: ArrayLike,
    piece_error: ArrayLike,
    session_error: ArrayLike,
    *,
    sessions: int,
    events: ArrayLike,
    event_sessions: ArrayLike,
    error_sessions: ArrayLike,
    assumed_design_effect: ArrayLike,
    confidence_level: float,
    in_difference: bool = False,
) -> tuple[NDArray, NDArray]:
    """Return low and high of a proportion strictly between 0 and 1; elsewhere the proportion itself.

    `piece_error`: its standard error as if pieces were independent (Greenwood); `session_error`: the plain sandwich,
    here multiplied by sqrt(m / (m - 1)). `events`: how many there were; `event_sessions`, `error_sessions`: effective
    numbers of sessions, of their events and of their squared influences. The far design effect averages the measured
    and the assumed (see `_averaged`), on max(4, min(error_sessions, m - 1)) degrees of freedom, or ONE_SESSION_DF with
    one event session; the near one is the measured, on m - 1; neither is below 1. Up to a half the upper limit is the
    far one by 1 - p, beyond the lower by p: there is no jump. `in_difference`: limits to be joined with another arm's,
    or with those of a cost's other parts. Arrays broadcast.
    """
    p, v0, v1 = np.asarray(proportion, float), np.square(piece_error), np.square(session_error)
    known = (p > 0) & (p < 1) & (v0 > 0)
    p, v0, upper = np.where(known, p, 0.5), np.where(known, v0, 1.0), 0.5 + confidence_level / 2
    k = np.maximum(np.asarray(event_sessions, float), 1)
    measured = v1 / v0 * (sessions / max(sessions - 1, 1))
    averaged = _averaged(measured, assumed_design_effect, events, k, sessions, in_difference)
    few = np.where(k > 1 + 1e-9, np.clip(error_sessions, LEAST_DF, max(sessions - 1, LEAST_DF)), ONE_SESSION_DF)
    far, near = _widened(averaged, few, upper), _widened(measured, max(sessions - 1, 1), upper)
    n = p * (1 - p) / v0
    low = _lower(p, n, far, near, 1 - upper, in_difference)
    high = 1 - _lower(1 - p, n, far, near, 1 - upper, in_difference)
    at = np.asarray(proportion, float)
    return np.where(known, np.minimum(low, p), at), np.where(known, np.maximum(high, p), at)


def _averaged(
    measured: NDArray, assumed: ArrayLike, events: ArrayLike, k: NDArray, sessions: int, in_difference: bool
) -> NDArray:
    """Design effect of the far limit: the assumed and the measured, weighing as PRIOR_PER_SESSION and LONE_DEATHS say.

    With all events in one session it is the assumed one. Events spread over the days before a late look may be fewer
    than the sessions they are in; then none shares one.
    """
    shared = np.maximum(np.asarray(events, float) - k, 0)
    clumped = (shared + LONE_DEATHS) / (shared + k - 1 + LONE_DEATHS)
    if in_difference:
        weight, known = PRIOR_IN_DIFFERENCE * clumped, k - 1
    else:
        weight, known = PRIOR_PER_SESSION * sessions * clumped, np.square(k - 1)
    return (weight * assumed + known * measured) / (weight + known)


def _lower(p: NDArray, n: NDArray, far: NDArray, near: NDArray, tail: float, in_difference: bool) -> NDArray:
    """Lower limit of p among n independent pieces: the near one where p is small, the far one where it is large."""
    effective = n / (p * far + (1 - p) * near)
    seen = p * effective
    if in_difference:
        closer = NEARER_IN_DIFFERENCE * (1 - p) * seen / (seen + 1) + FAR_PIECE * p / far
    else:
        closer = NEARER * (1 - p) * seen / (seen + 1)
        tail = tail * (1 + (1 - p) * np.exp(-seen / SPARED))
    return betaincinv(seen + closer, (1 - p) * effective + 1 - closer, tail)


def _widened(effect: NDArray, df: ArrayLike, upper: float) -> NDArray:
    """Design effect, at least 1, times the squared ratio of Student's to the normal quantile.

    What pieces would vary by on their own is known, only the excess is estimated: the nearer the effect is to 1, the
    more degrees of freedom it has, by sqrt(effect / (effect - 1)).
    """
    effect = np.maximum(effect, 1)
    df = df * np.sqrt(effect / np.maximum(effect - 1, 1e-6))
    return effect * np.square(stdtrit(df, upper) / ndtri(upper))


def effective_sessions(parts: NDArray) -> NDArray[np.float64]:
    """Return how many equal sessions would be as even, (sum x)^2 / sum x^2; 0 where all are 0.

    `parts`: what each session adds, 0 or more, shape (..., n_sessions, n_days); the result has shape (..., n_days).
    """
    squares = np.einsum("...gj,...gj->...j", parts, parts)
    return np.divide(np.square(parts.sum(axis=-2)), squares, out=np.zeros_like(squares), where=squares > 0)


def design_effect(pieces_by_session: ArrayLike, *, correlation: float) -> float:
    """Return 1 + (b - 1) correlation, b the mean session size as a piece meets it, sum n^2 / sum n (Kish 1965)."""
    n = np.asarray(pieces_by_session, float)
    return 1 + max(float(np.square(n).sum() / n.sum()) - 1, 0) * correlation


def zero_bound(effective_pieces: float, *, confidence_level: float) -> float:
    """Return the one-sided exact upper limit of a proportion of which none was seen in so many pieces."""
    return 1 - (1 - confidence_level) ** (1 / effective_pieces)
