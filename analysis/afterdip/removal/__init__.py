"""What a dip removed and what it killed, against the sham, before against after, and what came back."""

from .bootstrap import session_bootstrap
from .control import CDC, CONTROL_RULES, EPA, WHO, ControlledKill, ControlRule, controlled_kill
from .followup import FollowUp, follow_up
from .formulas import abbott, before_after, geometric_mean, henderson_tilton, schneider_orelli
from .infestation import Infestation, infestation
from .reductions import (
    Reduction,
    abbott_reduction,
    before_after_reduction,
    henderson_tilton_reduction,
    log_ratio_standard_error,
    schneider_orelli_reduction,
)
from .shares import MIN_PESTS, Shares, shares_of_found

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
    "before_after",
    "before_after_reduction",
    "controlled_kill",
    "follow_up",
    "geometric_mean",
    "henderson_tilton",
    "henderson_tilton_reduction",
    "infestation",
    "log_ratio_standard_error",
    "schneider_orelli",
    "schneider_orelli_reduction",
    "session_bootstrap",
    "shares_of_found",
]
