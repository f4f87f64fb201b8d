"""Counts of pieces leaving observation, by hand; the chain of re-dips; nobody counted twice."""

import numpy as np
import pandas as pd
import pytest

from afterdip.errors import DataError
from afterdip.log.model import Log, Settings
from afterdip.tally.survival import exits_told_at, share_ends, tally_each_dip, tally_survival

DAY0 = pd.Timestamp("2026-01-01")


def make_log(trays, checks):
    """trays: tray, session, day of dip, pieces, earlier tray; checks: tray, day, alive, dead, detached, removed."""
    frame = pd.DataFrame(trays, columns=["tray", "session", "day", "pieces", "earlier_tray"])
    frame["date"] = DAY0 + pd.to_timedelta(frame["day"], unit="D")
    sessions = frame[["session", "date"]].drop_duplicates().assign(agent="a", is_control=False)
    for column in ("coral", "coral_group", "condition", "origin", "source"):
        frame[column] = "x"
    seen = pd.DataFrame(checks, columns=["tray", "day", "alive", "dead", "detached", "removed"])
    seen["checked"] = DAY0 + pd.to_timedelta(seen["day"], unit="D")
    empty = pd.DataFrame()
    return Log(empty, sessions, frame.drop(columns=["date", "day"]), seen, empty, empty, Settings(), (), ())


def exits(tally):
    rows = zip(tally.of_trays("tray"), tally.day, tally.dead, tally.detached, tally.removed, tally.alive, strict=True)
    return sorted(tuple(int(x) if i else x for i, x in enumerate(row)) for row in rows)


def test_one_tray_by_hand():
    log = make_log([("t", "s", 0, 10, None)], [("t", 3, 8, 1, 1, 0), ("t", 7, 5, 2, 0, 1)])
    tally = tally_survival(log)
    assert exits(tally) == [("t", 3, 1, 1, 0, 0), ("t", 7, 0, 0, 0, 5), ("t", 7, 2, 0, 1, 0)]
    assert tally.pieces == 10
    assert sorted(zip(tally.since.tolist(), tally.day.tolist(), strict=True)) == [(0, 3), (3, 7), (7, 7)]


def test_unchecked_tray_is_unknown_not_alive():
    tally = tally_survival(make_log([("t", "s", 0, 10, None)], []))
    assert exits(tally) == [("t", 0, 0, 0, 0, 10)]
    assert tally.trays["checked"].tolist() == [False]


@pytest.mark.parametrize(
    "parent_checks",
    [
        [("a", 7, 12, 2, 0, 6)],  # the move written down on its day
        [("a", 3, 18, 2, 0, 0), ("a", 9, 12, 0, 0, 6)],  # at the next check
        [("a", 3, 18, 2, 0, 0)],  # not at all: six of those last seen alive
    ],
)
def test_redipped_pieces_are_followed_and_counted_once(parent_checks):
    log = make_log(
        [("a", "s1", 0, 20, None), ("b", "s2", 7, 6, "a")],
        [*parent_checks, ("b", 10, 5, 1, 0, 0), ("b", 17, 4, 1, 0, 0)],
    )
    tally = tally_survival(log)
    assert tally.pieces == 20
    assert tally.trays["tray"].tolist() == ["a"]
    assert tally.trays["dips"].tolist() == [2]
    assert tally.dead.sum() == 4
    deaths = sorted((int(d), int(n)) for d, n in zip(tally.day, tally.dead, strict=True) if n)
    assert deaths[-2:] == [(10, 1), (17, 1)]
    assert tally.removed.sum() == 0
    each = tally_each_dip(log)
    assert each.trays[["tray", "first_session"]].values.tolist() == [["a", "s1"], ["b", "s1"]]
    assert each.day[each.of_trays("tray") == "b"].max() == 10


def test_sold_pieces_stay_censored_beside_the_redipped():
    log = make_log(
        [("a", "s1", 0, 20, None), ("b", "s2", 7, 6, "a")],
        [("a", 3, 15, 0, 0, 5), ("a", 7, 9, 0, 0, 6), ("b", 12, 6, 0, 0, 0)],
    )
    tally = tally_survival(log)
    assert tally.pieces == 20
    assert [(int(d), int(n)) for d, n in zip(tally.day, tally.removed, strict=True) if n] == [(3, 5)]


def test_series_of_three_with_two_daughters():
    log = make_log(
        [("a", "s1", 0, 30, None), ("b", "s2", 7, 10, "a"), ("c", "s2", 7, 8, "a"), ("d", "s3", 14, 9, "b")],
        [("a", 7, 12, 0, 0, 18), ("b", 14, 0, 1, 0, 9), ("c", 14, 8, 0, 0, 0), ("d", 30, 9, 0, 0, 0)],
    )
    tally = tally_survival(log)
    assert tally.pieces == 30
    assert tally.trays["dips"].tolist() == [3]
    assert exits(tally) == [
        ("a", 7, 0, 0, 0, 12), ("a", 14, 0, 0, 0, 8), ("a", 14, 1, 0, 0, 0), ("a", 30, 0, 0, 0, 9),
    ]  # fmt: skip


def test_more_redipped_than_there_were():
    log = make_log([("a", "s1", 0, 5, None), ("b", "s2", 7, 6, "a")], [("a", 7, 4, 1, 0, 0)])
    with pytest.raises(DataError, match="more pieces re-dipped than the earlier tray can have had: a"):
        tally_survival(log)


def test_selection_keeps_rows_with_their_trays():
    log = make_log([("a", "s1", 0, 5, None), ("b", "s2", 1, 7, None)], [("a", 3, 5, 0, 0, 0), ("b", 4, 6, 1, 0, 0)])
    part = tally_survival(log).select(np.array([False, True]))
    assert part.pieces == 7
    assert set(part.of_trays("tray")) == {"b"}


@pytest.mark.parametrize("seed", range(20))
def test_every_piece_leaves_once(seed):
    rng = np.random.default_rng(seed)
    trays, checks = [], []
    for i in range(12):
        key, pieces = f"t{i}", int(rng.integers(5, 40))
        trays.append((key, f"s{i}", 0, pieces, None))
        alive, day = pieces, 0
        for _ in range(rng.integers(0, 5)):
            day += int(rng.integers(1, 8))
            dead, off, out = (int(rng.integers(0, max(1, alive // 4) + 1)) for _ in range(3))
            if dead + off + out > alive:
                continue
            alive -= dead + off + out
            checks.append((key, day, alive, dead, off, out))
            if out and rng.random() < 0.7:
                trays.append((f"{key}r{day}", f"r{i}{day}", day, out, key))
    log = make_log(trays, checks)
    tally = tally_survival(log)
    firsts = sum(t[3] for t in trays if t[4] is None)
    assert tally.pieces == firsts
    assert tally.dead.sum() == sum(c[3] for c in checks)
    assert tally_each_dip(log).pieces == sum(t[3] for t in trays)


def test_ends_found_at_a_look_that_straddles_the_day_are_shared_by_hand():
    """Looks on days 20 and 35 read on day 30: of 3 dead and 6 detached since day 20, 10/15 belong to day 30."""
    tally = tally_survival(make_log([("t", "s", 0, 20, None)], [("t", 20, 18, 2, 0, 0), ("t", 35, 8, 3, 6, 1)]))
    told = tally.told_at(30)
    rows = zip(told.since, told.day, told.dead, told.detached, told.removed, told.alive, strict=True)
    assert sorted(tuple(float(x) for x in row) for row in rows) == [
        (0, 20, 2, 0, 0, 0),
        (20, 30, 2, 4, 0, 0),
        (20, 35, 1, 2, 1, 0),
        (35, 35, 0, 0, 0, 8),
    ]
    assert told.pieces == tally.pieces == 20


@pytest.mark.parametrize("at", [20, 35, 36, 400])
def test_a_day_on_which_no_look_straddles_changes_nothing(at):
    tally = tally_survival(make_log([("t", "s", 0, 20, None)], [("t", 20, 18, 2, 0, 0), ("t", 35, 8, 3, 6, 1)]))
    assert exits(tally.told_at(at)) == exits(tally)


@pytest.mark.parametrize("seed", range(10))
def test_shared_ends_add_up_and_stay_in_their_interval(seed):
    rng = np.random.default_rng(seed)
    since = rng.integers(0, 40, 30)
    day = since + rng.integers(0, 20, 30)
    row, when, share = share_ends(since, day, at=30)
    assert np.bincount(row, share) == pytest.approx(np.ones(30))
    assert ((since[row] <= when) & (when <= day[row])).all()
    frame = pd.DataFrame({"since": since, "day": day, "dead": rng.integers(0, 9, 30), "left": rng.integers(0, 9, 30)})
    told = exits_told_at(frame, 30)
    assert told[["dead", "left"]].sum().to_numpy() == pytest.approx(frame[["dead", "left"]].sum().to_numpy())
