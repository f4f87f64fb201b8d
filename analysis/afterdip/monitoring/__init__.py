"""Watching over time: charts, alarms of a stated rate, single bad baths, tired ones, and what goes with losses."""

from .alarms import (
    DRAWS,
    MIN_BATHS,
    MIN_IN_GROUP,
    SMOOTHING,
    Drift,
    Groups,
    Trend,
    drift_alarm,
    group_alarm,
    limits_of_picked,
    trend_alarm,
)
from .bath_life import BathLife, bath_life
from .cluster import ClusterFit, cluster_logistic
from .ewma import Ewma, ewma
from .expected import Scores, expected_shares, scores
from .p_chart import PChart, laney_p_chart, p_chart
from .response import share_effect
from .single import MIN_OTHERS, NAMING_RATE, Singles, holm, single_baths, stand_out
from .strength_factor import strength_factor

__all__ = [
    "DRAWS",
    "MIN_BATHS",
    "MIN_IN_GROUP",
    "MIN_OTHERS",
    "NAMING_RATE",
    "SMOOTHING",
    "BathLife",
    "ClusterFit",
    "Drift",
    "Ewma",
    "Groups",
    "PChart",
    "Scores",
    "Singles",
    "Trend",
    "bath_life",
    "cluster_logistic",
    "drift_alarm",
    "ewma",
    "expected_shares",
    "group_alarm",
    "holm",
    "laney_p_chart",
    "limits_of_picked",
    "p_chart",
    "scores",
    "share_effect",
    "single_baths",
    "stand_out",
    "strength_factor",
    "trend_alarm",
]
