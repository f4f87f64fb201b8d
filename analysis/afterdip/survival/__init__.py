"""Survival after a dip: curves, tests and models that hold when pieces share a bath."""

from .cumulative_incidence import CumulativeIncidence, cumulative_incidence, incidence_at
from .followup import sessions_followed
from .horizon import loss_at, loss_over_sham, median_days, survival_at
from .kaplan_meier import SurvivalCurve, at_risk_on, kaplan_meier, survival_influence, survival_on
from .limits import INTRA_SESSION_CORRELATION, MIN_SESSIONS

__all__ = [
    "INTRA_SESSION_CORRELATION",
    "MIN_SESSIONS",
    "CumulativeIncidence",
    "SurvivalCurve",
    "at_risk_on",
    "cumulative_incidence",
    "incidence_at",
    "kaplan_meier",
    "loss_at",
    "loss_over_sham",
    "median_days",
    "sessions_followed",
    "survival_at",
    "survival_influence",
    "survival_on",
]
