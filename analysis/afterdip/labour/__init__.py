"""Labour and cost: what a session takes, what the coming month will take, what a clean surviving piece costs."""

from .crew import CrewEffort, crew_effort
from .effort import Effort, extra_rinse, hours_per_thousand, session_effort, task_effort
from .forecast import HoursForecast, forecast_hours
from .learning import Learning, learning
from .months import MonthlyWork, monthly_work
from .standard import (
    average_total,
    basic_time,
    learning_exponent,
    shift_standard_time,
    standard_time,
    unit_time,
    unit_total,
)

__all__ = [
    "CrewEffort",
    "Effort",
    "HoursForecast",
    "Learning",
    "MonthlyWork",
    "average_total",
    "basic_time",
    "crew_effort",
    "extra_rinse",
    "forecast_hours",
    "hours_per_thousand",
    "learning",
    "learning_exponent",
    "monthly_work",
    "session_effort",
    "shift_standard_time",
    "standard_time",
    "task_effort",
    "unit_time",
    "unit_total",
]
