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
    "Verdict",
    "adjusted_difference",
    "crude_difference",
    "fates_at",
    "finding",
    "limits",
    "logistic_difference",
    "pairwise_level",
    "session_logistic",
    "unbeaten",
    "verdict",
]
