"""Which of two agents: who got which, what they killed and lost, the verdict, and what a verdict still needs.

What is compared is an arm: an agent with all its strengths, or an agent at one of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from afterdip.answers.comparison_arms import Arm, named_arms
from afterdip.answers.comparison_both import Both
from afterdip.answers.comparison_dealt import BalanceRow, balance, dots
from afterdip.answers.comparison_needed import Needed, still_needed
from afterdip.answers.comparison_reader import ComparisonReader, Scope
from afterdip.answers.handling import Handling, handling_of
from afterdip.comparison import SUPERIOR_LEVEL, Difference, Finding, Margins, Verdict, verdict
from afterdip.estimate import Estimate
from afterdip.log.model import Log


@dataclass(frozen=True, slots=True)
class GroupRow:
    """The adjusted differences within one coral group."""

    coral_group: str
    kill: Both
    loss: Both

    def to_json(self) -> dict:
        """Return both differences, crude and adjusted."""
        return {
            "coral_group": self.coral_group,
            "kill_difference": self.kill.to_json(),
            "loss_difference": self.loss.to_json(),
        }


@dataclass(frozen=True, slots=True)
class Judgement:
    """The heart of a comparison: both outcomes, the verdict and what it still needs; differences first minus second."""

    arms: tuple[Arm, Arm]
    kill: Both
    loss: Both
    verdict: Verdict
    needed: Needed

    @property
    def first(self) -> str:
        """The first arm's name."""
        return self.arms[0].name

    @property
    def second(self) -> str:
        """The second arm's name."""
        return self.arms[1].name

    @property
    def able(self) -> bool:
        """Whether it has the sessions for a verdict, in kill and in loss."""
        return self.kill.adjusted.able and self.loss.adjusted.able

    def at(self, superior_level: float, margins: Margins) -> Judgement:
        """Return it with the verdict that this level gives."""
        found = verdict(self.kill.adjusted, self.loss.adjusted, margins=margins, superior_level=superior_level)
        return replace(self, verdict=found)

    @property
    def one_agent(self) -> bool:
        """Whether two strengths of one agent are compared."""
        return self.arms[0].agent == self.arms[1].agent

    def to_json(self) -> dict:
        """Return what every comparison carries."""
        return {
            "first": self.first,
            "second": self.second,
            "arms": [arm.to_json() for arm in self.arms],
            "verdict": self.verdict.word,
            "findings": {"kill": _said(self.verdict.kill), "loss": _said(self.verdict.loss)},
            "outcomes": {"kill": self.kill.outcome, "loss": self.loss.outcome},
            "kill_difference": self.kill.to_json(),
            "loss_difference": self.loss.to_json(),
            "sessions_needed": self.needed.to_json(),
        }


@dataclass(frozen=True, slots=True)
class ComparisonAnswer:
    """Two agents compared closely.

    `dots`: one row a session with kill and loss (NaN where not counted), for drawing. `left_out` counts by reason.
    `horizon_days`: the day losses are compared at, earlier than the farm's own while an agent is young.
    `odds`: that a pest is not killed and that a piece dies, first over second, by a model of its own.
    `targets`: per agent whether its kill and loss on the common mix meet the farm's: yes, no, not shown. Of loss never
    no: the limit is for loss over sham.
    """

    judged: Judgement
    scope: Scope
    last_day: str
    horizon_days: int
    confidence_level: float
    margins: Margins
    target_kill: float
    target_loss: float
    randomised: tuple[int, int]
    sessions: tuple[int, int]
    balance: tuple[BalanceRow, ...]
    groups: tuple[GroupRow, ...]
    handling: tuple[Handling, ...]
    targets: dict[str, dict[str, str]]
    left_out: dict[str, int]
    odds: tuple[Estimate, Estimate]
    dots: pd.DataFrame

    def to_json(self) -> dict:
        """Return the comparison's part of results.json."""
        kill, loss = self.judged.kill, self.judged.loss
        return self.judged.to_json() | {
            "coral_group": self.scope.coral_group,
            "pest": self.scope.pest,
            "from": f"{self.scope.start:%Y-%m-%d}",
            "to": self.last_day,
            "horizon_days": self.horizon_days,
            "margins": {"kill": self.margins.kill, "loss": self.margins.loss},
            "targets": self.targets,
            "agents": {
                name: {
                    "kill": {"crude": of(kill.crude).to_json(), "adjusted": of(kill.adjusted).to_json()},
                    "loss": {"crude": of(loss.crude).to_json(), "adjusted": of(loss.adjusted).to_json()},
                }
                for name, of in (("first", _first), ("second", _second))
            },
            "sessions": {"first": self.sessions[0], "second": self.sessions[1]},
            "randomised_sessions": {"first": self.randomised[0], "second": self.randomised[1]},
            "balance": [row.to_json() for row in self.balance],
            "coral_groups": [row.to_json() for row in self.groups],
            "handling": [row.to_json() for row in self.handling],
            "left_out": self.left_out,
            "odds_ratios": {"pest_not_killed": self.odds[0].to_json(), "piece_dead": self.odds[1].to_json()},
        }


def answer_comparison(
    log: Log,
    *,
    first: str,
    second: str,
    coral_group: str | None = None,
    pest: str | None = None,
    start: str | None = None,
    end: str | None = None,
    as_of: str,
    superior_level: float = SUPERIOR_LEVEL,
) -> ComparisonAnswer:
    """Compare two agents of a log over the dips from `start` to `end` (days, both included; open ends: all of it).

    An agent's strengths are taken together, unless a name is of one of them: "agent at 500 mg/L" (`named_arms`).
    `superior_level`: see `comparison.verdict`. Raises ValueError for an agent, strength, coral group or pest that the
    log does not know, and for an agent compared with itself.
    """
    scope = scope_of(log, coral_group=coral_group, pest=pest, start=start, end=end or as_of)
    arms = named_arms(scope.sessions(log), (first, second), log.agents["agent"])
    return compare(log, ComparisonReader.of(log, scope).of_arms(arms), arms, superior_level=superior_level)


def scope_of(log: Log, *, coral_group: str | None, pest: str | None, start: str | None, end: str) -> Scope:
    """Return the scope in days; refuses names the log does not hold, and an end before the start."""
    for name, wanted, known in (
        ("coral group", coral_group, log.trays["coral_group"]),
        ("pest", pest, log.pests["pest"]),
    ):
        if wanted and wanted not in set(known):
            raise ValueError(f"the log has no {name} '{wanted}'; it has {', '.join(sorted(set(known.dropna())))}")
    dates = log.sessions["date"]
    begin = pd.Timestamp(start) if start else (dates.min() if len(dates) else pd.Timestamp(end))
    after = pd.Timestamp(end) + pd.Timedelta(days=1)
    if begin >= after:
        raise ValueError(f"the comparison would end on {end}, before it begins on {begin:%Y-%m-%d}")
    return Scope(begin, after, coral_group or "", pest or "")


def judge(
    reader: ComparisonReader, first: str, second: str, *, margins: Margins, superior_level: float = SUPERIOR_LEVEL
) -> Judgement:
    """Compare two arms of a reader, by name, in both outcomes and judge them."""
    kill, loss = reader.kill(first, second), reader.loss(first, second)
    found = verdict(kill.adjusted, loss.adjusted, margins=margins, superior_level=superior_level)
    lacking = still_needed(reader, kill.adjusted, loss.adjusted, margins, first, second)
    return Judgement((reader.arms[first], reader.arms[second]), kill, loss, found, lacking)


def compare(
    log: Log,
    reader: ComparisonReader,
    arms: tuple[Arm, Arm],
    *,
    superior_level: float = SUPERIOR_LEVEL,
) -> ComparisonAnswer:
    """Put the answer together for two arms of a reader."""
    s = log.settings
    first, second = (arm.name for arm in arms)
    margins = Margins(kill=s.kill_margin, loss=s.loss_margin)
    judged = judge(reader, first, second, margins=margins, superior_level=superior_level)
    kill, loss = judged.kill, judged.loss
    sessions = reader.scope.sessions(log)
    if reader.scope.coral_group:
        sessions = sessions[sessions["session"].isin(reader.tally.trays["session"])]
    own = [sessions[sessions["session"].isin(arm.sessions)] for arm in arms]
    day = reader.common_day(first, second)
    rows = reader.losses(first, second, day=day)
    groups = sorted(rows["coral_group"].unique())
    return ComparisonAnswer(
        judged=judged,
        scope=reader.scope,
        last_day=f"{reader.scope.end - pd.Timedelta(days=1):%Y-%m-%d}",
        horizon_days=day,
        confidence_level=s.confidence,
        margins=margins,
        target_kill=s.target_kill,
        target_loss=s.target_loss,
        randomised=tuple(int(rows["randomised"].fillna(False).astype(bool).sum()) for rows in own),
        sessions=tuple(len(rows) for rows in own),
        balance=balance(reader, first, second),
        groups=tuple(GroupRow(g, reader.kill(first, second, g), reader.loss(first, second, g)) for g in groups),
        handling=handling_of(log, reader.scope, arms),
        targets={
            name: {
                "kill": _meets(of(kill.adjusted), s.target_kill, above=True),
                "loss": _spares(of(loss.adjusted), s.target_loss),
            }
            for name, of in (("first", _first), ("second", _second))
        },
        left_out=_left_out(reader, judged),
        odds=reader.odds(first, second),
        dots=dots(reader, rows, first, second),
    )


def _left_out(reader: ComparisonReader, judged: Judgement) -> dict[str, int]:
    """Count what the comparison could not use, by reason."""
    pair, trays = [judged.first, judged.second], reader.tally.trays
    kill, loss = judged.kill, judged.loss
    checked = trays["checked"].to_numpy(bool) | ~trays["agent"].isin(pair).to_numpy()
    return {
        "trays_never_checked": int((~checked).sum()),
        "trays_of_re_dips": int(reader.tally.redipped["agent"].isin(pair).sum()),
        "pest_counts_without_bath_or_pieces": int(reader.tally.uncounted["agent"].isin(pair).sum()),
        "pieces_in_months_of_first_only": round(loss.apart[0]),
        "pieces_in_months_of_second_only": round(loss.apart[1]),
        "pests_in_months_of_first_only": round(kill.apart[0]),
        "pests_in_months_of_second_only": round(kill.apart[1]),
        "pieces_only_first_had_the_like_of": round(loss.adjusted.pieces_left_out[0]),
        "pieces_only_second_had_the_like_of": round(loss.adjusted.pieces_left_out[1]),
        "pests_only_first_had_the_like_of": round(kill.adjusted.pieces_left_out[0]),
        "pests_only_second_had_the_like_of": round(kill.adjusted.pieces_left_out[1]),
    }


def _meets(value, target: float, *, above: bool) -> str:
    """Return yes, no or not shown: decided by the limit, never by the middle."""
    if value.estimate is None:
        return "not shown"
    low, high = (value.low, value.high) if above else (-value.high, -value.low)
    goal = target if above else -target
    return "yes" if low >= goal else "no" if high < goal else "not shown"


def _spares(loss, target: float) -> str:
    """Return yes or not shown: the farm's limit is for loss over sham, and what handling costs is in this loss too."""
    return "yes" if _meets(loss, target, above=False) == "yes" else "not shown"


def _said(found: Finding) -> dict[str, bool]:
    """Return a finding's five statements by name."""
    return {name: bool(getattr(found, name)) for name in found.__slots__}


def _first(difference: Difference):
    return difference.first


def _second(difference: Difference):
    return difference.second
