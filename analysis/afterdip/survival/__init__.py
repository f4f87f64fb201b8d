"""Survival after a dip: curves, tests and models that hold when pieces share a bath."""

from .horizon import loss_at, loss_over_sham, median_days, sessions_followed, survival_at
from .kaplan_meier import SurvivalCurve, at_risk_on, kaplan_meier, survival_influence, survival_on
from .limits import INTRA_SESSION_CORRELATION, MIN_SESSIONS

__all__ = [
    "INTRA_SESSION_CORRELATION",
    "MIN_SESSIONS",
    "SurvivalCurve",
    "at_risk_on",
    "kaplan_meier",
    "loss_at",
    "loss_over_sham",
    "median_days",
    "sessions_followed",
    "survival_at",
    "survival_influence",
    "survival_on",
]
