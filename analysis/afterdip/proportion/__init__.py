"""Proportions, means and ratios with limits: exact for independent pieces, session-level where pieces shared a bath."""

from .differences import miettinen_nurminen_difference, newcombe_difference, paired_difference, restricted_second
from .mover import difference_of, ratio_of
from .rates import (
    clumping_seen,
    intensity_limits,
    mean_limits,
    ratio_limits,
    session_intensities,
    session_intensity,
    session_mean,
    session_means,
    session_ratio,
    session_ratios,
)
from .sessions import (
    ASSUMED_CORRELATION,
    MIN_SESSIONS,
    by_session,
    design_effect,
    intra_session_correlation,
    ratio_influence,
    session_proportion,
    session_proportions,
    share_limits,
)
from .single import clopper_pearson, upper_bound_when_none, wilson

__all__ = [
    "ASSUMED_CORRELATION",
    "MIN_SESSIONS",
    "by_session",
    "clopper_pearson",
    "clumping_seen",
    "design_effect",
    "difference_of",
    "intensity_limits",
    "intra_session_correlation",
    "mean_limits",
    "miettinen_nurminen_difference",
    "newcombe_difference",
    "paired_difference",
    "ratio_influence",
    "ratio_limits",
    "ratio_of",
    "restricted_second",
    "session_intensities",
    "session_intensity",
    "session_mean",
    "session_means",
    "session_proportion",
    "session_proportions",
    "session_ratio",
    "session_ratios",
    "share_limits",
    "upper_bound_when_none",
    "wilson",
]
