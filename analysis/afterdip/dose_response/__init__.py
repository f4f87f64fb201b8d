"""Concentration-response: curves of kill and loss on log10 strength, strength with minutes, and the working window.

Every limit is at session level unless asked otherwise: a row is a session, and sessions are what repeats.
"""

from .bands import MIN_SESSIONS, MIN_SHAM, MIN_STRENGTHS, ResponseBand, enough_for_curve, response_band, response_bands
from .curve import CellFits, ConcentrationCurve, fit_cells, fit_curve
from .fit import DesignFit
from .horizon import counts_at_horizon
from .levels import (
    concentration_at,
    delta_standard_error,
    inside_tried,
    natural_response,
    ratio_limits,
)
from .links import LINKS
from .potency import LinkComparison, Potency, compare_links, relative_potency
from .rows import same_strength
from .shares import response_at, shares_at
from .spearman_karber import interpolate_log, smooth, spearman_karber
from .strength_time import (
    StrengthMinutes,
    chick_watson_minutes,
    chick_watson_survival,
    equivalent_strength,
    fit_strength_minutes,
    strength_for,
    time_exponent,
    tried_together,
)
from .window import WindowMap, WorkingWindow, window_map, window_maps, working_window

__all__ = [
    "LINKS",
    "MIN_SESSIONS",
    "MIN_SHAM",
    "MIN_STRENGTHS",
    "CellFits",
    "ConcentrationCurve",
    "DesignFit",
    "LinkComparison",
    "Potency",
    "ResponseBand",
    "StrengthMinutes",
    "WindowMap",
    "WorkingWindow",
    "chick_watson_minutes",
    "chick_watson_survival",
    "compare_links",
    "concentration_at",
    "counts_at_horizon",
    "delta_standard_error",
    "enough_for_curve",
    "equivalent_strength",
    "fit_cells",
    "fit_curve",
    "fit_strength_minutes",
    "inside_tried",
    "interpolate_log",
    "natural_response",
    "ratio_limits",
    "relative_potency",
    "response_at",
    "response_band",
    "response_bands",
    "same_strength",
    "shares_at",
    "smooth",
    "spearman_karber",
    "strength_for",
    "time_exponent",
    "tried_together",
    "window_map",
    "window_maps",
    "working_window",
]
