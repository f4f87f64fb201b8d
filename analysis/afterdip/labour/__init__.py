"""Labour and cost: what a session takes, what the coming month will take, what a clean surviving piece costs."""

from .cost import INPUTS, PARTS, PieceCost, PieceInputs, cost_per_clean_piece, session_correlation
from .crew import CrewEffort, crew_effort
from .effort import Effort, extra_rinse, hours_per_thousand, session_effort, task_effort
from .forecast import HoursForecast, coming_hours, forecast_hours
from .jump import LastingJump, lasting_jump
from .learning import Learning, learning
from .months import MonthlyWork, monthly_work, monthly_work_unlinked
from .rows import MIN_SESSIONS, ratio_of_sums, scaled
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
    "INPUTS",
    "MIN_SESSIONS",
    "PARTS",
    "CrewEffort",
    "Effort",
    "HoursForecast",
    "LastingJump",
    "Learning",
    "MonthlyWork",
    "PieceCost",
    "PieceInputs",
    "average_total",
    "basic_time",
    "coming_hours",
    "cost_per_clean_piece",
    "crew_effort",
    "extra_rinse",
    "forecast_hours",
    "hours_per_thousand",
    "lasting_jump",
    "learning",
    "learning_exponent",
    "monthly_work",
    "monthly_work_unlinked",
    "ratio_of_sums",
    "scaled",
    "session_correlation",
    "session_effort",
    "shift_standard_time",
    "standard_time",
    "task_effort",
    "unit_time",
    "unit_total",
]
