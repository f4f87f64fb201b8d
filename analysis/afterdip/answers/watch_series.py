"""Each agent's losses and kills against what the farm's own history leads one to expect, bath by bath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.period import Period
from afterdip.comparison import fates_at
from afterdip.monitoring import Scores, expected_shares, scores
from afterdip.tally.monitoring import WatchTally
from afterdip.tally.survival import exits_told_at

# How far apart things are expected to lie, standard deviations on the logit scale: wide, so that data decide.
KIND, SLOPE, OWN_GROUP = 1.5, 4.0, 1.0
_OF_BATHS = ["agent", "is_control", "bath", "session", "date", "lot", "days_open", "events", "trials", "share"]


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of one session and kind of piece or pest: `frame` has session, agent, bath, lot, date, events, trials, share
    (expected), and what else the session's row tells; `design`, `spread` (inf: free) are what `share` was fitted on.
    """  # fmt: skip

    frame: pd.DataFrame
    design: np.ndarray
    spread: np.ndarray

    def where(self, keep) -> Rows:
        """Return the rows kept; `keep`: bool, shape (n_rows,)."""
        keep = np.asarray(keep, bool)
        return Rows(self.frame[keep].reset_index(drop=True), self.design[keep], self.spread)


@dataclass(frozen=True, slots=True)
class Series:
    """One agent's baths in order of time: `outcome` is loss or kill; `worse` is z signed so that worse is above 0.

    `baths`: a row a bath as in `scores`: bath, date, lot, recent (in the month), sessions, days_open.
    """

    agent: str
    outcome: str
    is_control: bool
    scores: Scores
    baths: pd.DataFrame

    @property
    def worse(self) -> np.ndarray:
        """z, worse above 0."""
        return self.scores.z if self.outcome == "loss" else -self.scores.z


def loss_rows(tally: WatchTally, period: Period, horizon: int) -> Rows:
    """Return the window's trays with what died of them by the horizon, and what was expected of such pieces.

    `bad`: deaths seen by then; `last_death`: the day of the check that saw the last of them, NaN without any.
    """
    trays = tally.trays.merge(tally.sessions.drop(columns="pieces"), on="session", how="left")
    exits = exits_told_at(tally.exits, horizon)
    fates = fates_at(
        exits["day"], exits["dead"], exits["left"], exits["place"], trays["agent"].to_numpy(str)[exits["place"]],
        horizon=horizon, n_cells=len(trays),
    )  # fmt: skip
    late = exits[(exits["dead"] > 0) & (exits["day"] <= horizon)].groupby("place")["day"].max()
    frame = trays.assign(
        events=fates.events, trials=fates.total, bad=fates.deaths, last_death=late.reindex(range(len(trays))).to_numpy()
    )
    frame = frame[period.in_window(frame["date"]) & (frame["trials"] > 0)]
    frame = frame.sort_values(["started", "session"], kind="stable").reset_index(drop=True)
    parts = [
        _levels(frame["agent"], KIND), _levels(frame["coral_group"], KIND), _levels(frame["condition"], KIND),
        (frame[["redip"]].to_numpy(float), [KIND]),
        _levels(frame["agent"] + ", " + frame["coral_group"], OWN_GROUP),
        *(_slopes(frame, name) for name in ("strength", "exposure_min")),
    ]  # fmt: skip
    return _fitted(frame, parts)


def kill_rows(tally: WatchTally, period: Period, agent: str, *, load: bool = True) -> Rows:
    """Return the window's pest counts of one agent and the kill expected by kind of pest, strength and minutes.

    `load`: whether what the bath had served is allowed for; `bad`: pests that lived.
    """
    frame = tally.kills[(tally.kills["agent"] == agent) & period.in_window(tally.kills["date"])]
    frame = frame.rename(columns={"found": "trials", "killed": "events"})
    frame = frame.assign(bad=frame["trials"] - frame["events"])
    frame = frame.sort_values(["started", "session", "kind"], kind="stable").reset_index(drop=True)
    parts = [_levels(frame["kind"], KIND), *(_slopes(frame, name) for name in ("strength", "exposure_min"))]
    if load:
        parts.append((frame[["served_per_l"]].to_numpy(float), [KIND]))
    return _fitted(frame, parts)


def series_of(rows: Rows, period: Period, outcome: str) -> tuple[Series, ...]:
    """Return one series an agent, controls last."""
    out, frame = [], rows.frame[_OF_BATHS]
    for agent, place in frame.groupby("agent", sort=True).indices.items():
        part = frame.iloc[np.sort(place)]
        made = scores(part["bath"], part["events"], part["trials"], part["share"])
        first = part.drop_duplicates("bath").set_index("bath").loc[list(made.bath)]
        baths = pd.DataFrame({
            "bath": made.bath,
            "date": first["date"].to_numpy(),
            "lot": first["lot"].to_numpy(object),
            "days_open": first["days_open"].to_numpy(float),
            "recent": period.in_month(first["date"]).to_numpy(bool),
            "sessions": part.groupby("bath")["session"].nunique().loc[list(made.bath)].to_numpy(),
        })  # fmt: skip
        out.append(Series(str(agent), outcome, bool(part["is_control"].iloc[0]), made, baths))
    return tuple(sorted(out, key=lambda s: (s.is_control, s.agent)))


def _levels(column: pd.Series, spread: float) -> tuple[np.ndarray, list[float]]:
    """One 0/1 column a level."""
    codes, names = pd.factorize(column, sort=True)
    return (codes[:, None] == np.arange(len(names))).astype(float), [spread] * len(names)


def _slopes(frame: pd.DataFrame, name: str) -> tuple[np.ndarray, list[float]]:
    """log10 of a column, centred within each agent: one column an agent in which it varies; unknown counts as usual."""
    log = np.log10(frame[name].astype(float).where(frame[name] > 0))
    log = (log - log.groupby(frame["agent"]).transform("mean")).fillna(0.0)
    columns = [np.where(frame["agent"] == agent, log, 0.0) for agent in sorted(frame["agent"].unique())]
    varied = [column for column in columns if np.ptp(column) > 1e-9]
    return np.array(varied).reshape(len(varied), len(frame)).T, [SLOPE] * len(varied)


def _fitted(frame: pd.DataFrame, parts: list[tuple[np.ndarray, list[float]]]) -> Rows:
    design = np.column_stack([np.ones(len(frame)), *(columns for columns, _ in parts)])
    spread = np.array([np.inf, *(s for _, more in parts for s in more)])
    if frame.empty:
        return Rows(frame.assign(share=np.zeros(0)), design, spread)
    share = expected_shares(design, frame["events"], frame["trials"], spread=spread)
    return Rows(frame.assign(share=np.clip(share, 1e-9, 1 - 1e-9)), design, spread)
