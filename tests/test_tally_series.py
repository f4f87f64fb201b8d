"""Series of dips, by hand: which tray came before, which came first."""

import pandas as pd
import pytest

from afterdip.errors import DataError
from afterdip.tally.series import series_of


def _trays(*pairs):
    return pd.DataFrame(pairs, columns=["tray", "earlier_tray"])


def test_two_trays_of_one_are_both_its_second_dip_whatever_the_order_of_rows():
    trays = _trays(("C", "B"), ("A", None), ("B", "A"), ("D", "A"), ("E", pd.NA))
    parent, first, dip = series_of(trays)
    assert parent.tolist() == [2, -1, 1, 1, -1]
    assert first.tolist() == [1, 1, 1, 1, 4]
    assert dip.tolist() == [3, 1, 2, 2, 1]


def test_no_trays_and_a_tray_that_is_not_there():
    assert [column.tolist() for column in series_of(_trays())] == [[], [], []]
    assert [column.tolist() for column in series_of(_trays(("A", "Z")))] == [[-1], [0], [1]]


def test_a_tray_that_comes_back_to_itself_is_refused():
    with pytest.raises(DataError, match="comes back to itself"):
        series_of(_trays(("A", "B"), ("B", "A")))
