"""Planning a comparison of agents: sessions needed by the farm's own figures, and trays dealt by lot in blocks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from afterdip.answers.comparison import judge, scope_of
from afterdip.answers.comparison_arms import Arm, named_arms
from afterdip.answers.comparison_needed import ASSUMED_CORRELATION, Needed
from afterdip.answers.comparison_reader import ComparisonReader
from afterdip.comparison import MINIMUM_SESSIONS, SUPERIOR_LEVEL, Margins
from afterdip.log.model import Log
from afterdip.tally.comparison import NOT_RECORDED
from afterdip.trial import deal, difference_shown, sessions_by_survival

RECENT_DAYS = 365  # corals and mother lots of this stretch fill the blocks
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"  # no I, O or Q: they are misread on a wet sheet


@dataclass(frozen=True, slots=True)
class TraySlot:
    """One tray to be filled: its key, the code of the bath it is dealt to, and what it must hold."""

    tray: str
    session: str
    code: str


@dataclass(frozen=True, slots=True)
class Block:
    """Like pieces split between all agents on one day; `sessions` in the order to run them as (key, code, agent)."""

    number: int
    coral_group: str
    source: str
    sessions: tuple[tuple[str, str, str], ...]
    trays: tuple[TraySlot, ...]


@dataclass(frozen=True, slots=True)
class TrialPlan:
    """A planned comparison: `needed` per pair of arms by name, sheets for `blocks`, and what it was reckoned from.

    `sessions_by_survival`: sessions per agent for a log-rank test of a loss at the farm's target against one a margin
    above it. `sessions_per_agent` is what the verdict needs, every pair counted. `shown_by_blocks`: the differences in
    kill and in loss that these blocks alone would prove of any pair (None where none). `left_out`: coral groups that
    one of the agents is not for.
    """

    arms: tuple[Arm, ...]
    seed: int
    needed: dict[tuple[str, str], Needed]
    sessions_per_agent: int
    sessions_by_survival: int
    shown_by_blocks: tuple[float | None, float | None]
    trays_per_session: int
    pieces_per_tray: int
    kill_margin: float
    loss_margin: float
    target_loss: float
    horizon_days: int
    check_days: tuple[int, ...]
    blocks: tuple[Block, ...]
    left_out: tuple[str, ...]

    @property
    def agents(self) -> tuple[str, ...]:
        """The arms' names: agents, or strengths of them."""
        return tuple(arm.name for arm in self.arms)

    def to_json(self) -> dict:
        """Return plan, key and sheets as data."""
        return {
            "agents": list(self.agents),
            "arms": [arm.to_json() for arm in self.arms],
            "seed": self.seed,
            "sessions_per_agent": self.sessions_per_agent,
            "sessions_by_survival": self.sessions_by_survival,
            "shown_by_blocks": dict(zip(("kill", "loss"), self.shown_by_blocks, strict=True)),
            "trays_per_session": self.trays_per_session,
            "pieces_per_tray": self.pieces_per_tray,
            "pairs": [{"first": a, "second": b} | n.to_json() for (a, b), n in self.needed.items()],
            "coral_groups_left_out": list(self.left_out),
            "blocks": [
                {
                    "block": b.number,
                    "coral_group": b.coral_group,
                    "source": b.source,
                    "sessions": [{"session": s, "code": c, "agent": a} for s, c, a in b.sessions],
                    "trays": [{"tray": t.tray, "session": t.session} for t in b.trays],
                }
                for b in self.blocks
            ],
        }


def answer_trial(
    log: Log,
    *,
    agents: tuple[str, ...],
    as_of: str,
    seed: int = 1,
    blocks: int = 12,
    trays_per_session: int | None = None,
    prefix: str = "T",
) -> TrialPlan:
    """Plan a trial of two agents or more: sessions needed, and `blocks` tray sheets dealt by lot from `seed`.

    "agent at 500 mg/L" is one strength of an agent, as far as the log has it (`named_arms`). A block is one coral
    group of one mother lot, its trays dealt to one session per agent. Blocks follow the farm's own mix of the last
    year, coral groups left out that one of the agents is not for. Session and tray keys begin with `prefix`, which no
    key of the log may do: ValueError. Raises ValueError for fewer than two agents, unknown ones, and a log in which no
    coral group is left.
    """
    if len(agents) < 2:
        raise ValueError(f"a trial needs two agents or more, got {len(agents)}")
    scope = scope_of(log, coral_group=None, pest=None, start=None, end=as_of)
    arms = named_arms(scope.sessions(log), agents, log.agents["agent"])
    agents = tuple(arm.name for arm in arms)
    taken = {k for k in (*log.sessions["session"], *log.trays["tray"]) if str(k).startswith(f"{prefix}-")}
    if taken:
        raise ValueError(f"the log already has keys that begin with '{prefix}-' ({min(taken)}); choose another prefix")
    s = log.settings
    reader = ComparisonReader.of(log, scope).of_arms(arms)
    margins = Margins(kill=s.kill_margin, loss=s.loss_margin)
    needed = {(a, b): judge(reader, a, b, margins=margins).needed for a, b in combinations(agents, 2)}
    sizes = _sizes(log)
    rng = np.random.default_rng(seed)
    mix, left_out = _mix(log, tuple(arm.agent for arm in arms), as_of)
    per_session = trays_per_session or max(1, round(sizes["trays"]))
    return TrialPlan(
        arms=arms,
        seed=seed,
        needed=needed,
        sessions_per_agent=max(n.total for n in needed.values()),
        sessions_by_survival=_by_survival(s.target_loss, s.loss_margin, sizes),
        shown_by_blocks=_shown_by(needed, blocks),
        trays_per_session=per_session,
        pieces_per_tray=max(1, round(sizes["pieces"])),
        kill_margin=s.kill_margin,
        loss_margin=s.loss_margin,
        target_loss=s.target_loss,
        horizon_days=s.horizon_days,
        check_days=tuple(sorted({d for d in (1, 7, 14) if d < s.horizon_days} | {s.horizon_days})),
        blocks=_blocks(_apportion(mix, blocks, rng), agents, per_session, prefix, rng),
        left_out=left_out,
    )


def _sizes(log: Log) -> dict[str, float]:
    """Return the farm's usual trays a session, pieces a tray and a session, and how unequal sessions are."""
    if log.trays.empty:
        return {"trays": 2.0, "pieces": 12.0, "session": 24.0, "cv": 0.0}
    session = log.trays.groupby("session")["pieces"].sum()
    return {
        "trays": float(log.trays.groupby("session").size().median()),
        "pieces": float(log.trays["pieces"].median()),
        "session": float(session.mean()),
        "cv": float(session.std(ddof=0) / session.mean()),
    }


def _by_survival(target: float, margin: float, sizes: dict[str, float]) -> int:
    low = min(max(target, 0.005), 0.9)
    sessions = sessions_by_survival(
        low,
        min(low + margin, 0.95),
        mean_size=sizes["session"],
        correlation=ASSUMED_CORRELATION,
        size_cv=sizes["cv"],
        confidence_level=SUPERIOR_LEVEL,
    )
    return int(np.ceil(sessions))


def _shown_by(needed: dict[tuple[str, str], Needed], sessions: int) -> tuple[float | None, float | None]:
    """Return the differences in kill and in loss that so many sessions prove of whichever pair needs the largest."""
    if sessions < MINIMUM_SESSIONS:
        return None, None
    found = []
    for name in ("kill", "loss"):
        each = [difference_shown(getattr(n, name), sessions) for n in needed.values()]
        found.append(None if None in each else max(each))
    return found[0], found[1]


def _mix(log: Log, agents: tuple[str, ...], as_of: str) -> tuple[pd.Series, tuple[str, ...]]:
    """Return pieces by (coral group, mother lot) of the last year, and the groups no agent may be tried on."""
    trays = log.trays.merge(log.sessions[["session", "date"]], on="session")
    recent = trays[trays["date"] > pd.Timestamp(as_of) - pd.Timedelta(days=RECENT_DAYS)]
    not_for = log.agents.loc[log.agents["agent"].isin(agents), "not_for"].dropna()
    barred = {name.strip().casefold() for entry in not_for for name in str(entry).split(";")}
    out = recent["coral_group"].str.casefold().isin(barred) | recent["coral"].str.casefold().isin(barred)
    usable = recent[~out]
    if usable.empty:
        raise ValueError("no coral group of the last year is left that every agent may be used on")
    source = usable["source"].astype(object).where(usable["source"].notna(), NOT_RECORDED)
    left_out = sorted(set(recent.loc[recent["coral_group"].str.casefold().isin(barred), "coral_group"]))
    return usable.groupby(["coral_group", source])["pieces"].sum(), tuple(left_out)


def _apportion(mix: pd.Series, blocks: int, rng: np.random.Generator) -> list[tuple[str, str]]:
    """Share blocks out over coral groups by pieces (largest remainders); lots are drawn by their pieces."""
    groups = mix.groupby(level=0).sum()
    quota = blocks * groups / groups.sum()
    seats = np.floor(quota).astype(int)
    rest = (quota - seats).sort_values(ascending=False, kind="stable").index[: blocks - int(seats.sum())]
    seats[rest] += 1
    chosen = []
    for group, count in seats.items():
        lots = mix[group]
        fill = min(count, len(lots))
        drawn = list(rng.choice(lots.index.to_numpy(object), fill, replace=False, p=(lots / lots.sum()).to_numpy()))
        chosen += [(str(group), str(lot)) for lot in (drawn * count)[:count]]
    return [chosen[i] for i in rng.permutation(len(chosen))]


def _blocks(
    kinds: list[tuple[str, str]], agents: tuple[str, ...], per_session: int, prefix: str, rng: np.random.Generator
) -> tuple[Block, ...]:
    """Deal every block: which tray goes into which bath, the baths' codes and the order to run them in."""
    codes = iter(_codes(len(kinds) * len(agents), rng))
    dealt = deal([per_session * len(agents)] * len(kinds), len(agents), rng=rng)
    made = []
    for number, ((group, source), arms) in enumerate(zip(kinds, dealt, strict=True), start=1):
        key = f"{prefix}-{number:02d}"
        baths = [(f"{key}-{code}", code, agent) for agent, code in zip(agents, codes, strict=False)]
        trays = [
            TraySlot(f"{key}-{place:02d}", baths[arm][0], baths[arm][1]) for place, arm in enumerate(arms, start=1)
        ]
        order = rng.permutation(len(baths))
        made.append(Block(number, group, source, tuple(baths[i] for i in order), tuple(trays)))
    return tuple(made)


def _codes(count: int, rng: np.random.Generator) -> list[str]:
    """Return distinct codes of two letters and a digit that say nothing of the agent."""
    every = len(LETTERS) ** 2 * 8
    if count > every:
        raise ValueError(f"at most {every} baths can be coded, got {count}")
    drawn = rng.choice(every, count, replace=False)
    letters = len(LETTERS)
    return [f"{LETTERS[n // 8 // letters]}{LETTERS[n // 8 % letters]}{n % 8 + 2}" for n in drawn.tolist()]
