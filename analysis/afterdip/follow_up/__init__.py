"""What to do next: dips still due against eggs that hatch, and how sure looks make us before a lot is released."""

from .freedom import (
    Freedom,
    TrayLooks,
    infested_at,
    lot_freedom,
    miss_chance,
    miss_chance_large,
    pieces_needed,
    probability_below,
)
from .life_cycle import HATCH_FACTOR, LifeCycle, is_flatworm, life_cycle, same_name
from .sensitivity import share_seen
from .series import (
    STATUSES,
    Plan,
    PlannedDip,
    Series,
    days_until_hatched,
    longest_gap,
    plan_series,
    read_series,
    residual_risk,
)

__all__ = [
    "HATCH_FACTOR",
    "STATUSES",
    "Freedom",
    "LifeCycle",
    "Plan",
    "PlannedDip",
    "Series",
    "TrayLooks",
    "days_until_hatched",
    "infested_at",
    "is_flatworm",
    "life_cycle",
    "longest_gap",
    "lot_freedom",
    "miss_chance",
    "miss_chance_large",
    "pieces_needed",
    "plan_series",
    "probability_below",
    "read_series",
    "residual_risk",
    "same_name",
    "share_seen",
]
