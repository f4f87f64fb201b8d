"""Survival after a dip: curves, tests and models that hold when pieces share a bath."""

from .cox import CoxFit, cox
from .cox_exact import cox_exact
from .cumulative_incidence import CumulativeIncidence, cumulative_incidence, incidence_at
from .followup import followed_to, sessions_followed
from .horizon import difference_limits, loss_at, loss_over_sham, median_days, survival_at
from .interval_tests import interval_logrank
from .kaplan_meier import SurvivalCurve, at_risk_on, kaplan_meier, survival_influence, survival_on
from .limits import INTRA_SESSION_CORRELATION, MIN_SESSIONS
from .logrank import LogRank, logrank
from .rmst import RestrictedMean, rmst, rmst_difference
from .session_tests import PermutationTest, SessionScoreTest, permute, permuted_logrank, session_logrank
from .turnbull import IntervalCurve, survival_bounds, turnbull
from .weibull import WeibullFit, weibull, weibull_survival

__all__ = [
    "INTRA_SESSION_CORRELATION",
    "MIN_SESSIONS",
    "CoxFit",
    "CumulativeIncidence",
    "IntervalCurve",
    "LogRank",
    "PermutationTest",
    "RestrictedMean",
    "SessionScoreTest",
    "SurvivalCurve",
    "WeibullFit",
    "at_risk_on",
    "cox",
    "cox_exact",
    "cumulative_incidence",
    "difference_limits",
    "followed_to",
    "incidence_at",
    "interval_logrank",
    "kaplan_meier",
    "logrank",
    "loss_at",
    "loss_over_sham",
    "median_days",
    "permute",
    "permuted_logrank",
    "rmst",
    "rmst_difference",
    "session_logrank",
    "sessions_followed",
    "survival_at",
    "survival_bounds",
    "survival_influence",
    "survival_on",
    "turnbull",
    "weibull",
    "weibull_survival",
]
