"""truth.json: what an honest reader of the demo log should find, from the same figures the generator uses."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from . import truth as t
from .plan import TRIAL_WEEKS
from .season import Farm


def truth_of(farm: Farm, flaws: list[dict[str, str]]) -> dict[str, Any]:
    """Return the planted figures as plain JSON values; expectations are over the corals actually dipped."""
    return {
        "about": "Every figure is invented; chances are 0-1, strengths on each agent's axis. See README.md.",
        "seed": t.SEED, "first_day": str(t.FIRST_DAY), "last_dip": str(t.LAST_DIP), "as_of": str(t.AS_OF),
        "month": t.MONTH, "horizon_days": t.HORIZON,
        "correlation": {"death": t.DEATH_CORRELATION, "pest": t.PEST_CORRELATION},
        "natural_loss": {g: {c: _r(t.natural_loss(g, c)) for c in t.CONDITION_FACTOR} for g in t.NATURAL_LOSS},
        "handling": {"kill": t.HANDLING_KILL, "sham_removal": t.SHAM_REMOVAL, "egg_kill": t.EGG_KILL},
        "removal": {"dead_fall": t.DEAD_FALL, "alive_fall": t.ALIVE_FALL, "fall_in_bath": t.FALL_IN_BATH},
        "seen": t.SEEN, "juvenile_odds": _r(t.JUVENILE_ODDS),
        "agents": {agent: _agent(agent) for agent in t.AGENTS},
        "windows": {agent: _windows(agent) for agent in (t.OIL, t.IODINE, t.PEROXIDE)},
        "pairs": _pairs(),
        "expected": _expected(farm), "weak_lot": _weak_lot(farm), "tired_bath": _tired(),
        "hard_on": [{"agent": a, "coral_group": g, "own_loss": r.chance} for (a, g), r in t.LOSS_EXCEPTION.items()],
        "pest_life": {"hatch_days_latest": t.HATCH_DAYS, "acoel_doubling_days": t.ACOEL_DOUBLING_DAYS,
                      "redip_days": list(t.REDIP_DAYS)},
        "labour": _labour(), "flaws": flaws,
    }


def _r(value: float) -> float:
    return round(value, 6)


def _agent(agent: str) -> dict[str, Any]:
    strength, minutes = t.WORKING_STRENGTH[agent], t.WORKING_MINUTES[agent]
    at_work = {pest: {stage: _r(t.kill(agent, pest, stage, strength or 1.0, minutes))
                      for stage in ("adult", "juvenile", "egg")} for pest in t.PESTS}
    return {
        "axis": t.AXIS[agent], "working_strength": strength, "working_minutes": minutes, "kill": at_work,
        "removal": {pest: _r(t.removal(agent, stages["adult"])) for pest, stages in at_work.items()},
        "own_loss": {group: _r(t.own_loss(agent, group, strength or 1.0, minutes)) for group in t.NATURAL_LOSS},
        "kill_curve": {pest: t.shape(t.KILL[agent][pest]) for pest in t.PESTS},
        "loss_curve": t.shape(t.LOSS[agent]),
    }


def _windows(agent: str) -> dict[str, Any]:
    """Return, per pest, the strength that kills enough and the strength that starts to cost too much."""
    target, limit = t.SETTINGS["targets"]["kill"], t.SETTINGS["targets"]["loss"]
    high = _r(t.LOSS[agent].strength_for(limit))
    lows = {pest: _r(t.KILL[agent][pest].strength_for(target)) for pest in t.PESTS}
    return {"minutes": t.WORKING_MINUTES[agent],
            "pests": {pest: {"low": low, "high": high, "empty": low > high} for pest, low in lows.items()}}


def _pairs() -> dict[str, Any]:
    first, second, _ = t.TRIAL
    return {
        "better_on_kill": {
            "first": first, "second": second, "verdict": "first", "randomised_blocks": len(TRIAL_WEEKS),
            "kill_difference": {pest: _r(_working(first, pest) - _working(second, pest)) for pest in t.PESTS},
            "loss_difference": 0.0,
        },
        "confounded": {
            "first": t.WORM, "second": t.TABLET, "verdict": "equivalent", "conditions": t.CONFOUNDED,
            "kill_difference": 0.0, "loss_difference_within_condition": 0.0,
        },
    }


def _working(agent: str, pest: str) -> float:
    return t.kill(agent, pest, "adult", t.WORKING_STRENGTH[agent], t.WORKING_MINUTES[agent])


def _expected(farm: Farm) -> dict[str, Any]:
    """Return mean true losses at the horizon of the pieces each agent got: its own mix of corals, then trial only."""
    trial = {row["session"] for row in farm.sessions if row["randomised"] == "yes"}
    agent_of = {row["session"]: row["agent"] for row in farm.sessions}
    sums = defaultdict(lambda: [set(), 0, 0.0, 0.0])
    for session, _, pieces, natural, loss in farm.losses:
        agent = agent_of[session]
        for key in (agent, f"{agent} (trial)") if session in trial else (agent,):
            entry = sums[key]
            entry[0].add(session)
            entry[1:] = entry[1] + pieces, entry[2] + pieces * natural, entry[3] + pieces * loss
    return {key: {"sessions": len(sessions), "pieces": pieces, "natural_loss": _r(natural / pieces),
                  "loss": _r(loss / pieces), "loss_over_sham": _r((loss - natural) / pieces)}
            for key, (sessions, pieces, natural, loss) in sorted(sums.items())}


def _weak_lot(farm: Farm) -> dict[str, Any]:
    sessions = [row["session"] for row in farm.sessions if row["lot"] == t.WEAK_LOT]
    return {"agent": t.IODINE, "lot": t.WEAK_LOT, "from": str(t.WEAK_FROM), "to": str(t.WEAK_TO),
            "strength_factor": t.WEAK_FACTOR, "sessions": sessions}


def _tired() -> dict[str, Any]:
    fresh = {str(x): _r(t.kill(t.PERMANGANATE, t.ACOEL, "any", 99.0, 15, x)) for x in (0, 1, 2, 4, 6)}
    return {"agent": t.PERMANGANATE, "log_odds_per_piece_per_l": t.TIRED, "kill_of_red_acoel_at_pieces_per_l": fresh}


def _labour() -> dict[str, Any]:
    return {
        "person_min": {task: {agent: {"fixed": fixed, "per_piece": each} for agent, (fixed, each) in agents.items()}
                       for task, agents in t.LABOUR.items()},
        "rinse_is_per_rinse": True, "mix_is_per_bath": True,
        "crew_factor": {str(crew): factor for crew, factor in t.CREW_FACTOR.items()},
        "learning_per_doubling_of_months": t.LEARNING_PER_DOUBLING, "missing_sessions": t.LABOUR_MISSING,
        "session_sd": t.LABOUR_SESSION_SD, "task_sd": t.LABOUR_TASK_SD,
    }
