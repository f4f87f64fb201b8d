"""How far to trust the log and what to mend in it, what in the handling can hurt, and the watch over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.answers.last_actions import LastActions
from afterdip.answers.last_quality import answer_last_quality
from afterdip.answers.monitoring import MonitoringAnswer, answer_monitoring
from afterdip.answers.past import NO_EARLIER, Earlier, PastAnswer, answer_past, past_trust
from afterdip.answers.period import Period, period_of
from afterdip.answers.quality_actions import actions
from afterdip.answers.quality_advice import advice_for, rank, words_of
from afterdip.log.model import Log
from afterdip.tally.looks import tally_looks_due
from afterdip.tally.quality import (
    ITEMS,
    Conservation,
    conservation,
    moves_not_written,
    tally_hazards,
    tally_records,
)
from afterdip.tally.survival import tally_survival


@dataclass(frozen=True, slots=True)
class WarningKind:
    """One kind of warning: how often in the month, the window and the whole log, in which sessions of the month."""

    code: str
    month: int
    window: int
    in_all: int
    sessions: tuple[str, ...]

    def to_json(self) -> dict:
        """Return the counts with what it is and what to do."""
        plain = {name: getattr(self, name) for name in ("code", "month", "window", "in_all")}
        return plain | {"what": words_of(self.code), "do": advice_for(self.code), "sessions": list(self.sessions)}


@dataclass(frozen=True, slots=True)
class SessionWarning:
    """One warning of a session of the month, with the log's own message; `session` "" where it is of the month."""

    session: str
    date: str
    agent: str
    code: str
    where: str
    message: str

    def to_json(self) -> dict[str, str]:
        """Return it by name, with what to do."""
        return {name: getattr(self, name) for name in self.__slots__} | {"do": advice_for(self.code)}


@dataclass(frozen=True, slots=True)
class Hazard:
    """One hazard of the month with one agent: the sessions it was in, of how many with that agent."""

    kind: str
    agent: str
    active: str
    sessions: tuple[str, ...]
    of: int

    def to_json(self) -> dict:
        """Return it by name, with what it is and the caution."""
        plain = {name: getattr(self, name) for name in ("kind", "agent", "active", "of")}
        more = {"what": words_of(self.kind), "do": advice_for(self.kind), "sessions": list(self.sessions)}
        return plain | more


@dataclass(frozen=True, slots=True)
class Recorded:
    """How much of one item was written down: in the month, and week by week of the window; counts of sessions or trays.

    `done`, `due`: shape (n_weeks,).
    """

    item: str
    month_done: int
    month_due: int
    done: tuple[int, ...]
    due: tuple[int, ...]

    def to_json(self) -> dict:
        """Return the counts by name."""
        return {name: getattr(self, name) for name in ("item", "month_done", "month_due")} | {
            "done": list(self.done), "due": list(self.due)
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class QualityAnswer:
    """The page on log quality and the watch. `window_shams`: sham sessions of the window; `weeks`: the Mondays of
    `recorded`; `unwritten`: re-dipped pieces that no check of their earlier tray shows as taken out, over the window;
    `last`: what became of last month's list; `looks_due`: tally_looks_due's on `as_of`; `past`: what was changed since
    an earlier report.
    """  # fmt: skip

    month: str
    as_of: str
    sessions: int
    sham_sessions: int
    window_shams: int
    trays: int
    pieces: int
    warnings: tuple[WarningKind, ...]
    listed: tuple[SessionWarning, ...]
    hazards: tuple[Hazard, ...]
    weeks: tuple[str, ...]
    recorded: tuple[Recorded, ...]
    pieces_month: Conservation
    pieces_window: Conservation
    unwritten: int
    watch: MonitoringAnswer
    last: LastActions
    looks_due: pd.DataFrame
    past: PastAnswer

    def to_json(self) -> dict:
        """Return the part of results.json that belongs to log quality and the watch."""
        plain = ("sessions", "sham_sessions", "window_shams", "trays", "pieces", "unwritten")
        lists = ("warnings", "listed", "hazards", "recorded")
        return {
            **{name: getattr(self, name) for name in plain},
            **{name: [part.to_json() for part in getattr(self, name)] for name in lists},
            "weeks": list(self.weeks),
            "pieces_month": self.pieces_month.to_json(),
            "pieces_window": self.pieces_window.to_json(),
            "watch": self.watch.to_json(),
            "actions": actions(self),
            "last_actions": self.last.to_json(),
            "past": self.past.to_json(),
            "trust": trust(self),
        }


def answer_quality(
    log: Log, *, month: str, as_of: str, window_months: int = 12, earlier: Earlier = NO_EARLIER
) -> QualityAnswer:
    """Return the log's audit for the month and the watch over the window of months ending with it.

    `earlier`: what last month's report says of the log's rows.
    """
    period = period_of(month, window_months=window_months)
    pieces_month, pieces_window = _conserved(log, period)
    records, hazards, moves = tally_records(log), tally_hazards(log), moves_not_written(log)
    this = records[period.in_month(records["date"])]
    missing = moves[period.in_window(moves["date"])]
    weeks, recorded = _recorded(records, period)
    asked = {"month": month, "as_of": as_of, "window_months": window_months}
    watch = answer_monitoring(log, **asked)
    return QualityAnswer(
        month, as_of,
        sessions=len(this),
        sham_sessions=int(this["is_control"].sum()),
        window_shams=int((records["is_control"] & period.in_window(records["date"])).sum()),
        trays=int(this["trays"].sum()),
        pieces=int(log.trays.loc[log.trays["session"].isin(this["session"]), "pieces"].sum()),
        warnings=_kinds(log, period, month),
        listed=_listed(log, period, month),
        hazards=_hazards(log, hazards[period.in_month(hazards["date"])], this),
        weeks=weeks,
        recorded=recorded,
        pieces_month=pieces_month,
        pieces_window=pieces_window,
        unwritten=int((missing["came"] - missing["removed"]).clip(lower=0).sum()),
        watch=watch,
        last=answer_last_quality(log, hazards, watch, **asked),
        looks_due=tally_looks_due(log, on=as_of, since=period.month_start),
        past=answer_past(log, earlier, as_of=as_of),
    )  # fmt: skip


def _conserved(log: Log, period: Period) -> tuple[Conservation, Conservation]:
    """Follow the pieces first dipped in the month, and in the window, to their ends."""
    survival = tally_survival(log)
    dates = survival.trays["date"]
    kept = (inside(dates).to_numpy() for inside in (period.in_month, period.in_window))
    month, window = (conservation(log, survival, keep) for keep in kept)
    return month, window


def trust(answer: QualityAnswer) -> list[str]:
    """Return what the first page says of how far to trust the log, beyond what other pages say."""
    worst = sorted((r for r in answer.recorded if r.month_due), key=lambda r: (r.month_done / r.month_due, r.item))
    lacking = [f"{r.item} {r.month_done} of {r.month_due}" for r in worst if r.month_done < r.month_due]
    out = [f"Written down this month: {', '.join(lacking)}; all else in full."] if lacking else []
    if answer.pieces_window.balance:
        out.append(f"{abs(answer.pieces_window.balance)} pieces do not add up from dip to last check.")
    if answer.unwritten:
        out.append(f"{answer.unwritten} re-dipped pieces were not written down as taken out of their earlier tray.")
    return [*out, *past_trust(answer.past)]


def _dated(log: Log, period: Period, month: str) -> pd.DataFrame:
    """Warnings with their session's date and agent; one of a month as a whole belongs to that month."""
    frame = pd.DataFrame(
        [(w.code, w.session, str(w).removesuffix(f": {w.message}"), w.message) for w in log.warnings],
        columns=["code", "session", "where", "message"], dtype=object,
    )  # fmt: skip
    frame = frame.merge(log.sessions[["session", "date", "agent"]], on="session", how="left")
    of_month = frame["message"].astype("string").str[-7:].where(frame["code"] == "no_sham", "")
    frame["month"] = period.in_month(frame["date"]) | (of_month == month).astype(bool)
    frame["window"] = period.in_window(frame["date"]) | of_month.isin(period.months).astype(bool)
    return frame


def _kinds(log: Log, period: Period, month: str) -> tuple[WarningKind, ...]:
    frame = _dated(log, period, month)
    out = []
    for code, part in frame.groupby("code"):
        sessions = part.loc[part["month"], "session"].dropna()
        out.append(WarningKind(str(code), int(part["month"].sum()), int(part["window"].sum()), len(part),
                               tuple(dict.fromkeys(map(str, sessions)))))  # fmt: skip
    return tuple(sorted(out, key=lambda kind: (rank(kind.code), kind.code)))


def _listed(log: Log, period: Period, month: str) -> tuple[SessionWarning, ...]:
    frame = _dated(log, period, month)
    frame = frame[frame["month"]]
    frame = frame.assign(rank=[rank(code) for code in frame["code"]]).sort_values(["date", "session", "rank"],
                                                                                 kind="stable")  # fmt: skip
    return tuple(
        SessionWarning(
            "" if pd.isna(row.session) else str(row.session), "" if pd.isna(row.date) else f"{row.date:%Y-%m-%d}",
            "" if pd.isna(row.agent) else str(row.agent), row.code, row.where, row.message,
        )
        for row in frame.itertuples()
    )  # fmt: skip


def _hazards(log: Log, frame: pd.DataFrame, this: pd.DataFrame) -> tuple[Hazard, ...]:
    active = dict(zip(log.agents["agent"], log.agents["active"], strict=True))
    total = this["agent"].value_counts()
    out = [
        Hazard(str(kind), str(agent), str(active[agent]), tuple(dict.fromkeys(part["session"])), int(total[agent]))
        for (kind, agent), part in frame.groupby(["kind", "agent"])
    ]
    return tuple(sorted(out, key=lambda h: (rank(h.kind), h.agent)))


def _recorded(records: pd.DataFrame, period: Period) -> tuple[tuple[str, ...], tuple[Recorded, ...]]:
    """Add what was written down up by week of the dip (Mondays) and over the month."""
    inside, month = records[period.in_window(records["date"])], records[period.in_month(records["date"])]
    start = period.start - pd.Timedelta(days=period.start.weekday())
    mondays = pd.date_range(start, period.end - pd.Timedelta(days=1), freq="7D")
    place = ((inside["date"] - start).dt.days // 7).to_numpy(np.int64)
    out = []
    for item in ITEMS:
        both = [f"{item}, {what}" for what in ("done", "due")]
        done, due = (np.bincount(place, inside[name], len(mondays)).astype(int) for name in both)
        sums = (int(month[name].sum()) for name in both)
        out.append(Recorded(item, *sums, tuple(done.tolist()), tuple(due.tolist())))
    return tuple(f"{day:%Y-%m-%d}" for day in mondays), tuple(out)
