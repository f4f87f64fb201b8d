"""Warnings of cells and columns that changed places, and of trays that are not what the trays they came from were."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .letters import alike
from .model import Problem
from .notices import Tables, brief, counted
from .rules import lookup
from .schema import CORAL_GROUPS
from .typed import TypedColumn

SHAM_DEATHS = 0.5  # of the pieces of sham dips: plain handling kills no such share
MANY_PIECES, MANY_AT_ONCE = 20, 5  # pieces (or trays) to judge by; pieces of a tray
USUAL_END = 0.95  # of the trays with no piece left, or of the re-dips
RARE = 0.02  # of the rows: more alike are no slip
NAMES = {"coral": "coral", "source": "source", "system": "water"}  # columns of trays that hold names
MANY_ROWS = 20  # more alike are told once: a whole column changed its place
SAME_PIECES = ("coral", "coral_group", "source", "arrived", "cut")  # what a re-dip does not change
WORDS = {  # columns that hold names, and those whose words are no names
    "sessions": (("mix", "lot"), ("agitation", "ppe")),
    "trays": (("coral", "system"), ("origin", "condition")),
    "labour": (("person",), ("task",)),
}


def changed_places(log: Tables) -> Iterator[Problem]:
    """Return these warnings."""
    yield from groups_for_corals(log)
    yield from traded_names(log)
    yield from words_for_names(log)
    yield from origins(log)
    yield from redips(log)
    yield from pests_of_no_piece(log)
    yield from dead_or_removed(log)


def told(rows: np.ndarray) -> Iterator[tuple[int, str]]:
    """Return the rows to warn of, each with what to add to its message: all of few, of `MANY_ROWS` the first."""
    many = len(rows) > MANY_ROWS
    for i in rows[:1] if many else rows:
        yield int(i), f" (so in {len(rows)} rows)" if many else ""


def groups_for_corals(log: Tables) -> Iterator[Problem]:
    """Corals, sources and waters named like a coral group, in a group that is none of the known ones (group_for_coral),
    once per name.

    The two cells changed places: the tray has no like pieces, and the name is a group of its own.
    """
    trays, columns = log.frames["trays"], log.typed["trays"].columns
    is_group = lambda word: word.casefold() in CORAL_GROUPS  # noqa: E731
    known = {name: columns[name].where(is_group) for name in ("coral_group", *NAMES)}
    for name, noun in NAMES.items():
        odd = np.flatnonzero(known[name] & ~known["coral_group"])
        for i, (word, group) in trays.iloc[odd][[name, "coral_group"]].drop_duplicates().iterrows():
            whose = "its" if name == "coral" else "the coral's"
            message = f"a {noun}'s name, with {whose} group in coral_group, got '{word}' in the group '{group}'"
            yield log.note("trays", i, name, message, "group_for_coral", trays["session"].iloc[i])


def traded_names(log: Tables) -> Iterator[Problem]:
    """Trays whose coral and source, or the like, are each a name of the other column elsewhere (swapped_cells)."""
    trays, columns = log.frames["trays"], log.typed["trays"].columns
    names = {name: _frequent(columns[name]) for name in ("coral", "source", "system")}
    for one, other in (("coral", "source"), ("coral", "system"), ("source", "system")):
        if names[other].isdisjoint(columns[one].levels):
            continue
        odd = columns[one].where(names[other].__contains__) & columns[other].where(names[one].__contains__)
        odd &= (trays[one] != trays[other]).to_numpy(dtype=bool, na_value=False)
        for i in np.flatnonzero(odd) if odd.sum() <= max(1, RARE * len(trays)) else ():
            message = f"a {one} and a {other} by the names of other trays, got '{trays[one].iloc[i]}' and "
            message += f"'{trays[other].iloc[i]}': did two cells change places?"
            yield log.note("trays", i, one, message, "swapped_cells", trays["session"].iloc[i])


def _frequent(column: TypedColumn) -> set[str]:
    """Return the texts that stand in two rows or more."""
    counts = np.bincount(column.codes, minlength=len(column.levels))
    return {name for name, n in zip(column.levels, counts, strict=True) if n > 1 and name is not None}


def words_for_names(log: Tables) -> Iterator[Problem]:
    """Names that are a word of another column of the row, and persons that are a session's name (swapped_cells)."""
    for table, (names, others) in WORDS.items():
        if not len(log.frames[table]):
            continue
        source = log.typed[table]
        words = {word: other for other in others for word in source.schema.column(other).allowed}
        for name in names:
            odd = source.columns[name].where(lambda text, words=words: text.casefold() in words)
            for i, more in told(np.flatnonzero(odd)):
                got = log.frames[table][name].iloc[i]
                message = f"a name, got '{got}', a word of '{words[got.casefold()]}'{more}"
                yield log.note(table, i, name, message, "swapped_cells", log.session_of(table, i))
    labour = log.frames["labour"]
    if len(labour) and (nowhere := log.typed["labour"].columns["session"].missing).any():
        person = log.where("labour", "person", *log.typed["sessions"].columns["session"].levels)
        for i, more in told(np.flatnonzero(person & nowhere)):
            message = f"a person beside the session, got the name of a session, '{labour['person'].iloc[i]}'{more}"
            yield log.note("labour", i, "person", message, "swapped_cells")


def origins(log: Tables) -> Iterator[Problem]:
    """Dates of the other origin (swapped_cells); pieces dipped before that are no re-dip, and re-dips of pieces without
    an earlier tray, which are left out of survival and cost (redip_link).
    """
    trays = log.frames["trays"]
    origin, columns = trays["origin"], log.typed["trays"].columns
    earlier, again = ~columns["earlier_tray"].missing, log.where("trays", "origin", "re-dip")
    for word, own, other in (("arrival", "arrived", "cut"), ("own cut", "cut", "arrived")):
        for i, more in told(
            np.flatnonzero(log.where("trays", "origin", word) & columns[own].missing & ~columns[other].missing)
        ):
            message = f"an empty cell for the origin '{word}', with the day in '{own}', got "
            got = f"'{str(trays[other].iloc[i])[:10]}'{more}"
            yield log.note("trays", i, other, message + got, "swapped_cells", trays["session"].iloc[i])
    for i, more in told(np.flatnonzero(earlier & ~columns["origin"].missing & ~again)):
        message = f"re-dip for pieces from tray '{trays['earlier_tray'].iloc[i]}', got '{origin.iloc[i]}'{more}"
        yield log.note("trays", i, "origin", message, "redip_link", trays["session"].iloc[i])
    lacking = np.flatnonzero(again & ~earlier)
    others = again.sum() - len(lacking)
    habit = f", as of {others} other re-dips" if len(lacking) <= (1 - USUAL_END) * again.sum() else ""
    for i, more in told(lacking):
        why = "without it these pieces are in no survival figure"
        message = f"the tray of the dip before{habit} ({why}), got an empty cell{more}"
        yield log.note("trays", i, "earlier_tray", message, "redip_link", trays["session"].iloc[i])


def redips(log: Tables) -> Iterator[Problem]:
    """Re-dipped pieces that are told otherwise than in the tray they came from (redip_link); spelling aside."""
    trays, columns = log.frames["trays"], log.typed["trays"].columns
    of = lookup(log.typed["trays"], "earlier_tray", log.typed["trays"], "tray")
    again = np.flatnonzero(of >= 0)
    for name in SAME_PIECES if len(again) else ():
        here, there = trays[name].iloc[again], trays[name].iloc[of[again]]
        odd = (here.notna().to_numpy() & there.notna().to_numpy()) & (here.to_numpy() != there.to_numpy())
        spelt = (
            {pair: bool(alike(pair)) for pair in set(zip(here[odd], there[odd], strict=True))} if name in NAMES else {}
        )
        odd[odd] = [not spelt.get(pair, False) for pair in zip(here[odd], there[odd], strict=True)]
        for i, more in told(again[odd]):
            earlier = columns[name].quote(of[i])
            message = f"{earlier} as of tray '{trays['tray'].iloc[of[i]]}', whose pieces these are, got "
            message += columns[name].quote(i) + more
            yield log.note("trays", i, name, message, "redip_link", trays["session"].iloc[i])


def pests_of_no_piece(log: Tables) -> Iterator[Problem]:
    """Pests found where no piece was looked at, or alive where none had any (pests_nowhere); and pests that were mostly
    dead before the dip (swapped_cells), once: a whole column may have changed its place.

    What fell into the bath or the rinse is of no piece that could be told.
    """
    pests = log.frames["pests"]
    if not len(pests):
        return
    seen = ~log.where("pests", "moment", "bath", "rinse")
    alive, dead = pests["alive"].to_numpy(), pests["dead"].to_numpy()
    bare = (pests["examined"] == 0).to_numpy()
    early = log.where("pests", "moment", "before", "on piece")
    for i, more in told(np.flatnonzero(bare & early & (alive + dead == 0))):
        message = f"1 or more, for a count on the pieces, got 0: no row is no count{more}"
        yield log.note("pests", i, "examined", message, "pests_nowhere")
    for column, none, found in (
        ("examined", bare, alive + dead),
        ("infested", (pests["infested"] == 0).fillna(False).to_numpy(dtype=bool), alive),
    ):
        for i, more in told(np.flatnonzero(none & seen & (found > 0))):
            message = f"1 or more, since {brief(found[i])} pests were found on the pieces, got 0{more}"
            yield log.note("pests", i, column, message, "pests_nowhere")
    dying = np.flatnonzero(log.where("pests", "moment", "before") & (dead > alive))
    if len(dying):
        i = dying[0]
        message = f"fewer dead than alive before a dip, got {dead[i]} dead and {alive[i]} alive"
        message += f" (so in {counted(len(dying), 'row')}): did two columns change places?"
        yield log.note("pests", i, "dead", message, "swapped_cells")


def dead_or_removed(log: Tables) -> Iterator[Problem]:
    """Pieces that may have been taken out and not have died (dead_or_removed): most of the sham dips' pieces, once; and
    whole trays at one look, where the farm's trays end by being taken out, and no sooner after the dip than those.
    """
    trays, sham = log.frames["trays"]["pieces"].to_numpy(), log.frames["sessions"]["is_control"].to_numpy()
    of, in_sham = log.rows_of("checks", "tray", "trays"), sham[log.rows_of("trays", "session", "sessions")]
    alive, dead, removed = (log.frames["checks"][name].to_numpy() for name in ("alive", "dead", "removed"))
    died, taken = (int(ends[rows][in_sham[of[rows]]].sum()) for ends in (dead, removed) for rows in [ends.nonzero()[0]])
    pieces = int(trays[in_sham].sum())
    if pieces >= MANY_PIECES and died > max(SHAM_DEATHS * pieces, taken):
        message = (
            f"{SHAM_DEATHS:.0%} or fewer of the {pieces} pieces of sham dips dead, got {died}, and {taken} removed"
        )
        yield log.note("checks", None, "dead", message, "dead_or_removed")
    last = np.flatnonzero((alive == 0) & (dead + removed > 0))
    ended = int((removed[last] >= dead[last]).sum())
    if len(last) >= MANY_PIECES and ended >= USUAL_END * len(last):
        looked, dipped = log.frames["checks"]["checked"].to_numpy(), log.frames["sessions"]["date"].to_numpy()
        since = looked - dipped[log.rows_of("trays", "session", "sessions")[of]]
        soonest = np.sort(since[last])[int((1 - USUAL_END) * len(last))]  # a bath that kills does so before
        for i in last[(dead[last] >= MANY_AT_ONCE) & (dead[last] == trays[of[last]]) & (since[last] >= soonest)]:
            message = (
                f"a whole tray taken out at once, as in {ended} of {len(last)} trays that ended, got {dead[i]} dead"
            )
            name = log.frames["trays"]["session"].iloc[of[i]]
            yield log.note("checks", i, "dead", message, "dead_or_removed", name)
