"""Watching over time: charts, alarms with a stated false-alarm rate, tired baths, and what goes with losses."""

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
from .strength_factor import strength_factor

__all__ = [
    "DRAWS",
    "MIN_BATHS",
    "MIN_IN_GROUP",
    "SMOOTHING",
    "BathLife",
    "ClusterFit",
    "Drift",
    "Ewma",
    "Groups",
    "PChart",
    "Scores",
    "Trend",
    "bath_life",
    "cluster_logistic",
    "drift_alarm",
    "ewma",
    "expected_shares",
    "group_alarm",
    "laney_p_chart",
    "limits_of_picked",
    "p_chart",
    "scores",
    "share_effect",
    "strength_factor",
    "trend_alarm",
]
