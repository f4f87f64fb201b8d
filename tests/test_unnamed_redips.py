"""Re-dips that name no earlier tray, put together from several or dipped before the log began: no piece twice."""

import pytest

from afterdip.log import read_log
from afterdip.tally.comparison import tally_comparison
from afterdip.tally.cost import tally_costs
from afterdip.tally.labour import tally_labour
from afterdip.tally.series import of_unnamed_series
from afterdip.tally.survival import tally_each_dip, tally_survival
from builders import small_log, write_log


@pytest.fixture
def log(tmp_path):
    """The small log, its one re-dip T05 (session 004, 18 pieces out of T01) naming no earlier tray."""
    tables = small_log()
    tables["trays"].loc[tables["trays"]["tray"] == "T05", "earlier_tray"] = ""
    return read_log(write_log(tables, tmp_path), as_of="2026-11-20")


def test_they_are_no_first_dips_and_their_pieces_count_once(log):
    assert log.trays.loc[of_unnamed_series(log.trays), "tray"].tolist() == ["T05"]
    tally = tally_survival(log)
    assert "T05" not in set(tally.trays["tray"])
    assert tally.pieces == 20 + 15 + 20 + 8 + 12 + 12  # all trays but T05
    assert tally.removed[tally.of_trays("tray") == "T01"].sum() == 18  # taken out alive: where they went is not known


def test_no_page_takes_them_for_fresh_pieces(log):
    each = tally_each_dip(log).trays.set_index("tray")["dip"]
    assert each["T05"] == 2
    assert (each.drop("T05") == 1).all()
    assert tally_comparison(log).redipped["tray"].tolist() == ["T05"]
    assert "T05" not in set(tally_costs(log)["tray"])
    assert tally_costs(log)["tray"].tolist() == tally_survival(log).trays["tray"].tolist()
    sessions = tally_labour(log, months=("2026-09", "2026-10")).sessions.set_index("session")
    assert sessions.loc["004", ["pieces", "redipped"]].tolist() == [18, 18]
    assert sessions["redipped"].sum() == 18


def test_a_series_that_begins_with_one_is_left_out_whole(tmp_path):
    tables = small_log()
    trays = tables["trays"]
    trays.loc[trays["tray"] == "T05", "earlier_tray"] = ""
    trays.loc[trays["tray"] == "T06", ["origin", "earlier_tray", "pieces"]] = ["re-dip", "T05", "12"]
    log = read_log(write_log(tables, tmp_path), as_of="2026-11-20")
    assert not {"T05", "T06"} & set(tally_survival(log).trays["tray"])
    assert tally_each_dip(log).trays.set_index("tray")["dip"]["T06"] == 3


def test_the_log_says_what_is_missing(log):
    told = [str(note) for note in log.warnings if note.code == "redip_link"]
    assert told == [
        "trays.csv, row 6, column 'earlier_tray': the tray of the dip before (without it these pieces are in "
        "no survival figure), got an empty cell"
    ]
