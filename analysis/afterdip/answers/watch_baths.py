"""Baths that serve several sessions: whether they tire, and up to what load they are shown to do their work."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from afterdip.answers.watch_series import Rows
from afterdip.log.model import Settings
from afterdip.monitoring import BathLife, Trend, bath_life, scores, trend_alarm

APART = 0.9  # correlation within baths above which load and hours cannot be told apart


@dataclass(frozen=True, slots=True)
class TiredBath:
    """Kill of one agent against what its baths had served. `load`, `hours`: does kill fall as they grow within a bath?

    `correlation`: of load and hours within baths (None: hours not recorded); `apart`: whether the log can tell them
    apart. `shared`: baths that served more than one session; `dots`: (load, share killed, pests) a session, for the
    chart. `served_most`: the largest load of a session in the month, None without shared baths in it.
    """

    agent: str
    life: BathLife
    load: Trend
    hours: Trend
    correlation: float | None
    shared: int
    dots: tuple[tuple[float, float, float], ...]
    served_most: float | None
    alarm: bool = False

    @property
    def apart(self) -> bool:
        """Whether load and hours differ enough within baths to be told apart."""
        return self.correlation is not None and abs(self.correlation) < APART

    @property
    def change_at(self) -> float | None:
        """Where to change the bath: the last load shown to reach the target, else to hold near a fresh bath's kill."""
        return self.life.serves_to if self.life.serves_to is not None else self.life.holds_to

    def to_json(self) -> dict:
        """Return the numbers, not the curve."""
        loads = ("serves_to", "holds_to", "below_from", "fall_at")
        return {
            "agent": self.agent,
            "fresh_kill": self.life.fresh.to_json(),
            "fall_in_kill": self.life.fall.to_json(),
            **{f"{name}_pieces_per_l": getattr(self.life, name) for name in loads},
            "change_at_pieces_per_l": self.change_at,
            "shared_baths": self.shared,
            "p_load": self.load.p,
            "p_hours": self.hours.p,
            "load_and_hours_correlation": self.correlation,
            "told_apart": self.apart,
            "alarm": self.alarm,
        }


def tired_bath(rows: Rows, in_month: np.ndarray, agent: str, settings: Settings, rng: np.random.Generator) -> TiredBath:
    """Read one agent's kill rows, whose expectation does not allow for load; `in_month`: bool, shape (n_rows,)."""
    f = rows.frame
    life = bath_life(
        f["served_per_l"], f["kind"].to_numpy(str), f["events"], f["trials"], bath=f["bath"].to_numpy(str),
        target=settings.target_kill, margin=settings.kill_margin, confidence_level=settings.confidence,
    )  # fmt: skip
    made = scores(f["session"].to_numpy(str), f["events"], f["trials"], f["share"])
    first = f.drop_duplicates("session").set_index("session").loc[list(made.bath)]
    bath, load, hours = (first[name].to_numpy() for name in ("bath", "served_per_l", "hours"))
    told = ~np.isnan(hours.astype(float))
    sums = f.groupby("session", sort=False)[["events", "trials"]].sum().loc[list(made.bath)]
    shared, part = first["shared"].to_numpy(bool), sums["events"] / sums["trials"]
    month = f.loc[in_month & f["shared"].to_numpy(bool), "served_per_l"]
    return TiredBath(
        agent, life,
        load=trend_alarm(-made.told, load, bath.astype(str), rng=rng),
        hours=trend_alarm(-made.told[told], hours[told].astype(float), bath[told].astype(str), rng=rng),
        correlation=_within(load[told & shared], hours[told & shared].astype(float), bath[told & shared].astype(str)),
        shared=int(first.loc[shared, "bath"].nunique()),
        dots=tuple(zip(load.tolist(), part.tolist(), sums["trials"].tolist(), strict=True)),
        served_most=float(month.max()) if len(month) else None,
    )  # fmt: skip


def raised(bath: TiredBath, level: float) -> TiredBath:
    """Return it with its alarm set by the level of the page."""
    return replace(bath, alarm=bath.load.p is not None and bath.load.p <= level)


def _within(x: np.ndarray, y: np.ndarray, block: np.ndarray) -> float | None:
    """Correlation of two columns within blocks, None where one does not vary."""
    if x.size < 3:
        return None
    _, place = np.unique(block, return_inverse=True)
    size = np.bincount(place)
    x, y = (a - (np.bincount(place, a) / size)[place] for a in (x, y))
    scale = np.sqrt((x @ x) * (y @ y))
    return float(x @ y / scale) if scale > 1e-12 else None
