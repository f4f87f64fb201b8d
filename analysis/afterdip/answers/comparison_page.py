"""The month's comparison page: every pair of arms with the error shared out, and one pair looked at closely.

An arm is an agent, or one of its strengths where the log sets them apart (`comparison_arms`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import pandas as pd

from afterdip.answers.comparison import ComparisonAnswer, Judgement, compare, judge, scope_of
from afterdip.answers.comparison_arms import OFTEN, Arm, LeftOut, arms_apart, named_arms
from afterdip.answers.comparison_reader import ComparisonReader
from afterdip.answers.period import period_of
from afterdip.answers.words import and_so_on, counted
from afterdip.comparison import SUPERIOR_LEVEL, Margins, pairwise_level, unbeaten
from afterdip.estimate import Estimate
from afterdip.log.model import Log

AGENTS_PAIRED = 20
"""Arms whose pairs are all judged, those with the most sessions: 400 agents would make 79,800 pairs and take an hour.
Sessions, not outcomes, choose them, so the error shared out over their pairs holds."""

_PLACE = {"first": 0, "second": 0, "equivalent": 1, "undecided": 2}


@dataclass(frozen=True, slots=True)
class AgentPoint:
    """One arm on the plane of kill against loss, over all its pieces; `unbeaten`: nothing does better on both."""

    arm: Arm
    kill: Estimate
    loss: Estimate
    unbeaten: bool

    @property
    def agent(self) -> str:
        """The arm's name."""
        return self.arm.name

    def to_json(self) -> dict:
        """Return the point by name."""
        return {
            "agent": self.agent, "arm": self.arm.to_json(), "kill": self.kill.to_json(), "loss": self.loss.to_json(),
            "unbeaten": self.unbeaten,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ComparisonPage:
    """The page: `pair` looked at closely (None with fewer than two arms), all `pairs` best told first, and points.

    `pairs_able` of them have the sessions for a verdict, and share the error. `left_out`: sessions of agents judged by
    strength at strengths that are not. `unpaired` arms had fewer sessions than the `AGENTS_PAIRED` whose pairs are
    judged. Verdicts of `pairs` use `superior_level`; so does that of `pair`, unless it was asked for by name.
    """

    month: str
    window_months: int
    pair: ComparisonAnswer | None
    pairs: tuple[Judgement, ...]
    pairs_able: int
    unpaired: int
    agents: tuple[AgentPoint, ...]
    left_out: tuple[LeftOut, ...]
    superior_level: float
    target_kill: float
    target_loss: float
    horizon_days: int
    confidence_level: float

    @property
    def apart(self) -> tuple[Arm, ...]:
        """The arms that are an agent at one of its strengths."""
        return tuple(point.arm for point in self.agents if point.arm.strength is not None)

    def to_json(self) -> dict:
        """Return the close pair's answer, and under `pairs` and `points` all agents."""
        close = self.pair.to_json() if self.pair else {"verdict": "undecided"}
        return close | {
            "pairs": [pair.to_json() for pair in self.pairs],
            "points": [point.to_json() for point in self.agents],
            "agents_unpaired": self.unpaired,
            "strengths_left_out": [left.to_json() for left in self.left_out],
            "superior_level_of_pairs": self.superior_level,
            "pairs_able": self.pairs_able,
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
    """Compare all agents of the window of months, by strength where the log sets strengths apart, and two closely.

    The two are `first` and `second`, names as `answer_comparison` takes them; without, the arm with the most sessions
    and the one of another agent with the most (of the same, if there is no other), by name in order. `start` and `end`
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
    if bool(first) != bool(second):
        raise ValueError("name both agents, first and second, or neither")
    sessions = scope.sessions(log)
    named = named_arms(sessions, (first, second), log.agents["agent"]) if first else ()
    arms, left_out = arms_apart(sessions, taken=set(log.agents["agent"]))
    whole = ComparisonReader.of(log, scope)
    reader = whole.of_arms(arms)
    used = _by_use(reader)
    chosen = named or _most_used_two(used)
    paired = [arm.name for arm in sorted(used[:AGENTS_PAIRED], key=_order)]
    margins = Margins(kill=log.settings.kill_margin, loss=log.settings.loss_margin)
    judged = [judge(reader, a, b, margins=margins) for a, b in combinations(paired, 2)]
    able = sum(pair.able for pair in judged)
    level = pairwise_level(max(1, able))
    close = SUPERIOR_LEVEL if first else level  # a pair picked by the page is one of its many
    return ComparisonPage(
        month=month,
        window_months=window_months,
        pair=compare(log, whole.of_arms(chosen), chosen, superior_level=close) if chosen else None,
        pairs=tuple(sorted((pair.at(level, margins) for pair in judged), key=_rank)),
        pairs_able=able,
        unpaired=len(used) - len(paired),
        agents=_points(reader, sorted(used, key=_order)),
        left_out=left_out,
        superior_level=level,
        target_kill=log.settings.target_kill,
        target_loss=log.settings.target_loss,
        horizon_days=log.settings.horizon_days,
        confidence_level=log.settings.confidence,
    )


def _most_used_two(arms: list[Arm]) -> tuple[Arm, Arm] | tuple[()]:
    """Return the first arm and the first of another agent, or else of the same, by name; () with fewer than two."""
    if len(arms) < 2:
        return ()
    other = next((arm for arm in arms if arm.agent != arms[0].agent), arms[1])
    return tuple(sorted((arms[0], other), key=_order))


def _by_use(reader: ComparisonReader) -> list[Arm]:
    """Return the arms, the most used first."""
    trays = reader.tally.trays
    used = trays[~trays["is_control"].astype(bool)].groupby("agent")["session"].nunique()
    return [reader.arms[name] for name, _ in sorted(used.items(), key=lambda item: (-item[1], item[0]))]


def _order(arm: Arm) -> tuple[str, str, float]:
    return arm.order


def _points(reader: ComparisonReader, arms: list[Arm]) -> tuple[AgentPoint, ...]:
    kill, loss = ([of(arm.name) for arm in arms] for of in (reader.own_kill, reader.own_loss))
    marks = unbeaten(kill, loss)
    return tuple(AgentPoint(*row) for row in zip(arms, kill, loss, marks, strict=True))


def _trust(page: ComparisonPage) -> list[str]:
    """Return what a reader of the first page should know of the comparisons."""
    if page.pair is None:
        return []
    by_lot, sessions = sum(page.pair.randomised), sum(page.pair.sessions)
    many = "all" if by_lot == sessions else f"{by_lot or 'none'} of the"
    own = f"{many} {sessions} sessions of {page.pair.judged.first} and {page.pair.judged.second}"
    dealt = f"{own} {'was' if by_lot == 1 else 'were'} dealt by lot"
    elsewhere = "elsewhere " if by_lot else ""
    told = [f"Agents compared: {dealt}; {elsewhere}like is compared with like as far as the log tells."]
    if page.unpaired:
        of = "agents and strengths" if page.apart else "agents"
        told.append(f"Only the {AGENTS_PAIRED} most used {of} are compared in pairs; {page.unpaired} others are not.")
    if out := sum(left.sessions for left in page.left_out):
        agents = and_so_on(sorted({left.agent for left in page.left_out}))
        unknown = " or is not known" if any(left.strength is None for left in page.left_out) else ""
        told.append(
            f"{counted(out, 'session')} of {agents} {'is' if out == 1 else 'are'} in no pair: the strength was used in "
            f"fewer than {OFTEN} sessions{unknown}."
        )
    return told


def _rank(answer: Judgement) -> tuple:
    """Order pairs: told apart first, then alike, then undecided; larger differences in kill before smaller."""
    gap = answer.kill.adjusted.difference.estimate
    return _PLACE[answer.verdict.word], -abs(gap) if gap is not None else 1.0, answer.first, answer.second
