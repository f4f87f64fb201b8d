"""Learning and drift over the months, sessions and pieces allowed for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from afterdip.estimate import Estimate, cannot_say

from .drift import MIN_MONTHS_FOR_LEARNING, MonthSeries, Prediction
from .months import MonthlyWork
from .rows import months_in_words, t_quantile


@dataclass(frozen=True, slots=True)
class Learning:
    """How the minutes changed over the months once session and piece numbers are allowed for.

    `rate`: what a doubling of the sessions dipped leaves of the minutes (unit model; 0.9 = one tenth less);
    `per_month`: relative change a month (-0.01 = one hundredth less every month).
    """

    rate: Estimate
    per_month: Estimate


def learning(work: MonthlyWork, *, confidence_level: float = 0.95) -> Learning:
    """Return learning and drift over the months, as they went: with t limits on months - 2.

    Of the work in sessions alone: cleaning and other work that names no session has no unit to learn by. Both are
    straight lines through the months' levels, in the log of the sessions dipped and in time; a month's own ups and
    downs are noise. A level that wandered or jumped has its line too: whether it goes on so is the forecast's concern,
    which counts with lasting change; limits of a line that did would hold 98-100 % where nothing wanders.
    Crawford's unit model on sessions: the log's first session is taken as the first ever, so a farm that dipped for
    years before it kept a log will show a rate nearer 1 than its own. Fewer than MIN_MONTHS_FOR_LEARNING months with
    labour: not said.
    """
    used = int(work.usable.sum())
    counts = {"sessions": int(work.recorded_sessions.sum())}
    if used < MIN_MONTHS_FOR_LEARNING:
        why = f"{months_in_words(used)} with labour written down, needs {MIN_MONTHS_FOR_LEARNING}"
        none = cannot_say(why, confidence_level=confidence_level, **counts)
        return Learning(none, none)
    rows = replace(MonthSeries.of(work, work.session_ratio, np.ones_like(work.session_ratio)), lasting=0.0)
    curve = rows.predict(work.log_order, 0.0, 1.0)
    line = rows.predict(rows.time, 0.0, 1.0)
    method = "log of session minutes over expected, by month; t on months - 2"
    return Learning(
        _exponential(curve, np.log(2), 0.0, confidence_level, {**counts, "method": method}),
        _exponential(line, 1.0, 1.0, confidence_level, {**counts, "method": method}),
    )


def _exponential(part: Prediction, factor: float, minus: float, confidence_level: float, counts: dict) -> Estimate:
    reach = t_quantile(confidence_level, part.freedom) * part.slope_error
    ends = (part.slope - reach, part.slope, part.slope + reach)
    low, middle, high = (float(np.exp(factor * x)) - minus for x in ends)
    return Estimate(estimate=middle, low=low, high=high, confidence_level=confidence_level, **counts)
