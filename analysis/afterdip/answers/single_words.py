"""Single baths that went wrong, in words: which, what happened, what its like do, what set it apart."""

from __future__ import annotations

from afterdip.answers.watch_single import SingleBath
from afterdip.answers.words import counted


def bath_named(bath: SingleBath) -> str:
    """Return "session 022 of perox, 2026-10-13", or the mixed bath's own name, which has the agent in it."""
    own = bath.sessions == (bath.bath,)
    return f"{f'session {bath.bath} of {bath.agent}' if own else bath.bath}, {bath.date}"


def happened(bath: SingleBath) -> str:
    """Return "16 of 20 pieces died by day 3", "27 of 30 pests lived"."""
    if bath.outcome == "kill":
        return f"{bath.bad} of {counted(bath.whole, 'pest')} lived"
    return f"{bath.bad} of {counted(bath.whole, 'piece')} died" + (f" by day {bath.by_day}" if bath.by_day else "")


def its_like(bath: SingleBath) -> str:
    """Return what the agent's other baths did: "of such corals in 9 other baths of it 10 of 180 did (5.6 %)"."""
    if not bath.like_baths:
        return "no other bath of it to compare with"
    kinds = ("corals" if bath.outcome == "loss" else "pests") if bath.alike else ""
    where = f"{counted(bath.like_baths, 'other bath')} of it"
    share = f"{100 * bath.like_bad / max(bath.like_whole, 1):.1f} %"
    did = f"{bath.like_bad} of {counted(bath.like_whole, 'piece' if bath.outcome == 'loss' else 'pest')} did ({share})"
    return f"of such {kinds} in {where} {did}" if kinds else f"in {where}, of any kind, {did}"


def doubt(bath: SingleBath) -> str:
    """Return what is to be said of a bath that is told of but not named; "" of a named one."""
    return "" if bath.named else "chance is not ruled out" if bath.p is not None else "too few to judge by"


def set_apart(bath: SingleBath) -> str:
    """Return what was unlike the other baths, and what nobody wrote down."""
    unlike = [f"{t.name} {t.here} (others {t.others})" for t in bath.traits if t.unlike]
    blank = [t.name for t in bath.traits if not t.here]
    said = f"unlike the others: {'; '.join(unlike)}" if unlike else "nothing recorded sets it apart"
    return said + (f"; not recorded: {', '.join(blank)}" if blank else "")
