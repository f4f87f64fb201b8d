"""When the sham's own deaths matter: published rules as data, and the kill they lead to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..estimate import Estimate, cannot_say
from .reductions import schneider_orelli_reductions
from .shares import shares_of_pests


@dataclass(frozen=True, slots=True)
class ControlRule:
    """What to do at which control mortality: nothing below `correct_from`, correct up to `void_above`, void beyond.

    `edge_is_corrected` says what happens at exactly `correct_from`; exactly `void_above` is not void. `correct_from`
    None: the rule knows no correction.
    """

    name: str
    correct_from: float | None
    edge_is_corrected: bool
    void_above: float
    source: str

    def decide(self, control_mortality: float) -> str:
        """Return "as it is", "corrected" or "void"; shares are compared to 12 digits so that 1 of 20 is 5 %."""
        share = round(control_mortality, 12)
        if share > self.void_above:
            return "void"
        if self.correct_from is None or share < self.correct_from:
            return "as it is"
        return "corrected" if share > self.correct_from or self.edge_is_corrected else "as it is"


WHO = ControlRule(
    "WHO 2016", 0.05, True, 0.20,
    "Test procedures for insecticide resistance monitoring, 2nd ed., ISBN 978 92 4 151157 5 (thresholds from memory)",
)
CDC = ControlRule("CDC bottle bioassay", 0.03, False, 0.10, "CDC bottle bioassay guideline, Box 4")
EPA = ControlRule(
    "EPA acute toxicity", None, False, 0.10, "US EPA acute effluent toxicity methods: control survival of 90 % or more"
)
CONTROL_RULES = {rule.name: rule for rule in (WHO, CDC, EPA)}
"""Borrowed from other trades: no rule exists for coral dips."""
DECISIONS = ("as it is", "corrected", "void", "no sham")


@dataclass(frozen=True, slots=True)
class ControlledKill:
    """Kill as a named control rule leads to it: as counted, corrected for the sham's deaths, or void."""

    rule: str
    decision: str  # one of DECISIONS
    control_mortality: Estimate
    kill: Estimate

    def to_json(self) -> dict:
        """Return rule, decision and the two estimates."""
        numbers = {"control_mortality": self.control_mortality.to_json(), "kill": self.kill.to_json()}
        return {"rule": self.rule, "decision": self.decision} | numbers


def controlled_kill(
    dead, found, sham_dead, sham_found, *, session=None, sham_session=None, rule: ControlRule = WHO,
    confidence_level: float = 0.95,
) -> ControlledKill:
    """Kill after the rule: arrays of dead and found pests of the agent's and of the sham's dips, shape (n_rows,).

    The decision is taken on the sham's dead share as counted. Without a usable sham the kill is "cannot say".
    """
    arms = (dead, found, session), (sham_dead, sham_found, sham_session)
    return controlled_kills([arms], rule=rule, confidence_level=confidence_level)[0]


def controlled_kills(
    arms: Sequence[tuple], *, rule: ControlRule = WHO, confidence_level: float = 0.95
) -> list[ControlledKill]:
    """What `controlled_kill` gives for each of `arms`: (dead, found, session labels) of the agent and of the sham."""
    level = {"confidence_level": confidence_level}
    shams = shares_of_pests([sham for _, sham in arms], **level)
    decisions = [rule.decide(sham.estimate) if sham.known else "no sham" for sham in shams]
    led_to = {name: [pair for pair, its in zip(arms, decisions, strict=True) if its == name] for name in DECISIONS}
    plain = iter(shares_of_pests([agent for agent, _ in led_to["as it is"]], **level))
    corrected = iter(schneider_orelli_reductions(led_to["corrected"], **level))

    def kill(decision: str, sham: Estimate) -> Estimate:
        if decision == "no sham":
            return cannot_say(f"no sham to judge by: {sham.reason}", **level)
        if decision == "void":
            killed, most = (f"{100 * share:.0f}\u00a0%" for share in (sham.estimate, rule.void_above))
            words = f"void: the sham itself killed {killed}, more than {most} ({rule.name})"
            return cannot_say(words, sessions=sham.sessions, **level)
        if decision == "corrected":
            return next(corrected).estimate
        share = next(plain)
        words = f"{share.method}; sham deaths too few to correct ({rule.name})"
        return replace(share, method=words) if share.known else share

    return [
        ControlledKill(rule.name, decision, sham, kill(decision, sham))
        for decision, sham in zip(decisions, shams, strict=True)
    ]
