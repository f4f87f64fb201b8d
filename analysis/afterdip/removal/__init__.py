"""What a dip removed and what it killed, against the sham, before against after, and what came back."""

from .bootstrap import session_bootstrap
from .control import CDC, CONTROL_RULES, EPA, WHO, ControlledKill, ControlRule, controlled_kill, controlled_kills
from .followup import FollowUp, follow_up, follow_ups
from .formulas import abbott, before_after, geometric_mean, henderson_tilton, schneider_orelli
from .infestation import Infestation, infestation, infestations
from .reductions import (
    Reduction,
    abbott_reduction,
    abbott_reductions,
    before_after_reduction,
    before_after_reductions,
    henderson_tilton_reduction,
    henderson_tilton_reductions,
    log_ratio_standard_error,
    schneider_orelli_reduction,
    schneider_orelli_reductions,
)
from .shares import MIN_PESTS, Shares, shares_of_found, shares_of_pests

__all__ = [
    "CDC",
    "CONTROL_RULES",
    "EPA",
    "MIN_PESTS",
    "WHO",
    "ControlRule",
    "ControlledKill",
    "FollowUp",
    "Infestation",
    "Reduction",
    "Shares",
    "abbott",
    "abbott_reduction",
    "abbott_reductions",
    "before_after",
    "before_after_reduction",
    "before_after_reductions",
    "controlled_kill",
    "controlled_kills",
    "follow_up",
    "follow_ups",
    "geometric_mean",
    "henderson_tilton",
    "henderson_tilton_reduction",
    "henderson_tilton_reductions",
    "infestation",
    "infestations",
    "log_ratio_standard_error",
    "schneider_orelli",
    "schneider_orelli_reduction",
    "schneider_orelli_reductions",
    "session_bootstrap",
    "shares_of_found",
    "shares_of_pests",
]
