"""The month's comparison page: every pair of agents with the error shared out, and one pair looked at closely."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import pandas as pd

from afterdip.answers.comparison import ComparisonAnswer, Judgement, check_agents, compare, judge, scope_of
from afterdip.answers.comparison_reader import ComparisonReader
from afterdip.answers.handling import handling_of
from afterdip.answers.period import period_of
from afterdip.answers.words import so_many
from afterdip.comparison import SUPERIOR_LEVEL, Margins, pairwise_level, unbeaten
from afterdip.estimate import Estimate
from afterdip.log.model import Log

AGENTS_PAIRED = 20
"""Agents whose pairs are all judged, those with the most sessions: 400 agents would make 79,800 pairs and take an hour.
Sessions, not outcomes, choose them, so the error shared out over their pairs holds."""

_PLACE = {"first": 0, "second": 0, "equivalent": 1, "undecided": 2}


@dataclass(frozen=True, slots=True)
class AgentPoint:
    """One agent on the plane of kill against loss, over all its pieces; `unbeaten`: nothing does better on both."""

    agent: str
    kill: Estimate
    loss: Estimate
    unbeaten: bool

    def to_json(self) -> dict:
        """Return the point by name."""
        return {
            "agent": self.agent, "kill": self.kill.to_json(), "loss": self.loss.to_json(), "unbeaten": self.unbeaten,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ComparisonPage:
    """The page: `pair` looked at closely (None with fewer than two agents), all `pairs` best told first, and points.

    `unpaired` agents had fewer sessions than the `AGENTS_PAIRED` whose pairs are judged. Verdicts of `pairs` use
    `superior_level`; so does that of `pair`, unless it was asked for by name.
    """

    month: str
    window_months: int
    pair: ComparisonAnswer | None
    pairs: tuple[Judgement, ...]
    unpaired: int
    agents: tuple[AgentPoint, ...]
    superior_level: float
    target_kill: float
    target_loss: float
    horizon_days: int
    confidence_level: float

    def to_json(self) -> dict:
        """Return the close pair's answer, and under `pairs` and `points` all agents."""
        close = self.pair.to_json() if self.pair else {"verdict": "undecided"}
        return close | {
            "pairs": [pair.to_json() for pair in self.pairs],
            "points": [point.to_json() for point in self.agents],
            "agents_unpaired": self.unpaired,
            "superior_level_of_pairs": self.superior_level,
            "trust": _trust(self),
        }


def answer_comparison_page(
    log: Log,
    *,
    month: str,
    as_of: str,
    window_months: int = 12,
    first: str = "",
    second: str = "",
    coral_group: str = "",
    pest: str = "",
    start: str = "",
    end: str = "",
) -> ComparisonPage:
    """Compare all agents of the window of months, and `first` with `second` closely.

    Without names the two agents with the most sessions are looked at closely, by name in order. `start` and `end`
    (days) take the place of the window where given. Raises ValueError as `answer_comparison`.
    """
    period = period_of(month, window_months=window_months)
    last = min(pd.Timestamp(as_of), period.end - pd.Timedelta(days=1))
    scope = scope_of(
        log,
        coral_group=coral_group,
        pest=pest,
        start=start or f"{period.start:%Y-%m-%d}",
        end=end or f"{last:%Y-%m-%d}",
    )
    reader = ComparisonReader.of(log, scope)
    chosen = _chosen(log, reader, first, second)
    paired = _most_used(reader, AGENTS_PAIRED)
    pairs = tuple(combinations(paired, 2))
    level = pairwise_level(max(1, len(pairs)))
    close = SUPERIOR_LEVEL if first else level  # a pair picked by the page is one of its many
    margins = Margins(kill=log.settings.kill_margin, loss=log.settings.loss_margin)
    judged = [judge(reader, a, b, margins=margins, superior_level=level) for a, b in pairs]
    return ComparisonPage(
        month=month,
        window_months=window_months,
        pair=compare(log, reader, *chosen, handling_of(log, scope, chosen), superior_level=close) if chosen else None,
        pairs=tuple(sorted(judged, key=_rank)),
        unpaired=len(reader.agents) - len(paired),
        agents=_points(reader),
        superior_level=level,
        target_kill=log.settings.target_kill,
        target_loss=log.settings.target_loss,
        horizon_days=log.settings.horizon_days,
        confidence_level=log.settings.confidence,
    )


def _chosen(log: Log, reader: ComparisonReader, first: str, second: str) -> tuple[str, str] | tuple[()]:
    """Return the two agents asked for, or those with the most sessions in scope; nothing with fewer than two."""
    if bool(first) != bool(second):
        raise ValueError("name both agents, first and second, or neither")
    if first:
        check_agents(log, (first, second))
        return first, second
    most = _most_used(reader, 2)
    return most if len(most) == 2 else ()


def _most_used(reader: ComparisonReader, most: int) -> tuple[str, ...]:
    """Return the agents with the most sessions in scope, at most so many, by name."""
    trays = reader.tally.trays
    used = trays[~trays["is_control"].astype(bool)].groupby("agent")["session"].nunique()
    return tuple(sorted(name for name, _ in sorted(used.items(), key=lambda item: (-item[1], item[0]))[:most]))


def _points(reader: ComparisonReader) -> tuple[AgentPoint, ...]:
    kill, loss = ([of(agent) for agent in reader.agents] for of in (reader.own_kill, reader.own_loss))
    marks = unbeaten(kill, loss)
    return tuple(AgentPoint(*row) for row in zip(reader.agents, kill, loss, marks, strict=True))


def _trust(page: ComparisonPage) -> list[str]:
    """Return what a reader of the first page should know of the comparisons."""
    if page.pair is None:
        return []
    undecided = sum(pair.verdict.word == "undecided" for pair in page.pairs)
    by_lot, sessions = sum(page.pair.randomised), sum(page.pair.sessions)
    a, b = page.pair.judged.first, page.pair.judged.second
    dealt = f"{by_lot} of the {sessions} sessions of {a} and {b} {'was' if by_lot == 1 else 'were'} dealt by lot"
    pairs = so_many(undecided, len(page.pairs), "pair", ("is", "are"))
    told = [
        f"Agents compared: {pairs} undecided; {dealt}; elsewhere like is compared "
        "with like as far as the log tells."
    ]
    if page.unpaired:
        told.append(f"Only the {AGENTS_PAIRED} most used agents are compared in pairs; {page.unpaired} others are not.")
    return told


def _rank(answer: Judgement) -> tuple:
    """Order pairs: told apart first, then alike, then undecided; larger differences in kill before smaller."""
    gap = answer.kill.adjusted.difference.estimate
    return _PLACE[answer.verdict.word], -abs(gap) if gap is not None else 1.0, answer.first, answer.second
