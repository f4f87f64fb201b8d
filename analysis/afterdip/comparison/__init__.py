"""Two agents compared at session level, crude and among like pieces, and the verdict on them."""

from .difference import (
    MINIMUM_SESSIONS,
    Contrast,
    Difference,
    adjusted_difference,
    crude_difference,
    limits,
)
from .fates import Fates, fates_at
from .logistic import LogisticFit, logistic_difference, session_logistic
from .mixed import MixedFit, mixed_logistic, session_odds_ratio
from .ranking import pairwise_level, unbeaten
from .verdict import MARGIN_LEVEL, SUPERIOR_LEVEL, WORDS, Finding, Margins, Verdict, finding, verdict

__all__ = [
    "MARGIN_LEVEL",
    "MINIMUM_SESSIONS",
    "SUPERIOR_LEVEL",
    "WORDS",
    "Contrast",
    "Difference",
    "Fates",
    "Finding",
    "LogisticFit",
    "Margins",
    "MixedFit",
    "Verdict",
    "adjusted_difference",
    "crude_difference",
    "fates_at",
    "finding",
    "limits",
    "logistic_difference",
    "mixed_logistic",
    "pairwise_level",
    "session_logistic",
    "session_odds_ratio",
    "unbeaten",
    "verdict",
]
