"""Tables and the sentence on single baths that went wrong."""

from __future__ import annotations

from afterdip.answers.single_words import bath_named, happened
from afterdip.answers.watch_single import NAMED_FALSELY, SingleBath, Singles
from afterdip.answers.words import counted
from afterdip.tables.base import Table, count, digits, out_of, per_cent


def single_sentence(singles: Singles) -> str:
    """Say how many baths are named, how many lost most of their pieces, and how often a quiet month names one."""
    if not singles.baths:
        return "No bath of the month has a count to judge it by."
    named = sum(bath.named for bath in singles.told)
    most = sum(bath.most and not bath.named for bath in singles.told)
    rate = digits(1 / NAMED_FALSELY)
    of = f"{count(singles.judged)} of {counted(singles.baths, 'bath')} of the month could be compared with others of "
    of += f"{'its' if singles.baths == 1 else 'their'} agent."
    found = f"{counted(named, 'bath')} did worse than chance allows" if named else "None did worse than chance allows"
    more = "more " if named else ""
    also = f"; {count(most)} {more}lost most of {'its' if most == 1 else 'their'} pieces" if most else ""
    return (
        f"{of} {found}{also}. Where all baths are alike, at most 1 month in {rate} names any. A bath not named may "
        "still have gone wrong: few pieces, few other baths, or baths that always differ hide it."
    )


def singles_table(singles: Singles) -> Table:
    """Set each bath told of: what happened, what its like did, what was to be expected and how rare it is."""
    rows = tuple(
        (bath_named(bath), happened(bath), _like(bath), _number(bath.expected), _rare(bath), _verdict(bath))
        for bath in singles.told
    )
    note = (
        "Baths like it: the same agent's others in the window, with the same corals or pests where three or more have "
        "them. Expected: for such a coral group or pest, condition, strength and minutes. How rare: the chance of as "
        "many in one bath, given that its pieces share its fate; a bath is named where that is small enough for all "
        "baths of the month together (Holm). A bath that lost most of its pieces is always listed. Deaths found after "
        "the day judged count by the days before it; a piece followed in part counts in part."
    )
    columns = ("bath", "what happened", "baths like it", "expected", "how rare", "verdict")
    return Table("Baths that went wrong by themselves", columns, rows, note)


def traits_table(singles: Singles) -> Table:
    """Set what was written of these baths beside what was written of the others of their agent.

    A bath that did as its like do is left out: the agent does that, and nothing sets the bath apart.
    """
    rows = tuple(
        (bath_named(bath), trait.name, trait.here or "not written down", trait.others or "not written down",
         "unlike" if trait.unlike else "no")
        for bath in singles.told if bath.named or not bath.as_its_like
        for trait in bath.traits if trait.here or trait.others
    )  # fmt: skip
    note = (
        "Unlike: beyond anything recorded for the others. Look there first: the amount that really went in, the clock, "
        "the bottle, how much the bath had served, who mixed it. What nobody wrote down cannot be seen."
    )
    return Table("What set them apart", ("bath", "what", "here", "the others", "unlike"), rows, note)


def _like(bath: SingleBath) -> str:
    if not bath.like_baths:
        return "none to compare with"
    share = f", {per_cent(bath.like)}" if bath.like.known else ""
    kinds = "" if bath.alike else " (of any kind)"
    return f"{out_of(bath.like_bad, bath.like_whole)} in {counted(bath.like_baths, 'bath')}{kinds}{share}"


def _number(expected: float | None) -> str:
    return "–" if expected is None else digits(expected, 1)


def _rare(bath: SingleBath) -> str:
    if bath.p is None:
        return "too few other baths"
    if bath.p < 1e-5:
        return "under 1 in 100\u202f000"
    if bath.p < 0.01:
        return f"{digits(1000 * bath.p, 2 if bath.p < 0.001 else 1)} in 1000"
    return f"{digits(100 * bath.p)} in 100"


def _verdict(bath: SingleBath) -> str:
    return "named" if bath.named else "lost most" + (", as its like do" if bath.as_its_like else "")
