"""Counts and missing numbers in print."""

from dataclasses import replace

import pytest

from afterdip.answers.words import so_many
from afterdip.estimate import cannot_say
from afterdip.tables.base import Table, as_text, number, per_cent, points


@pytest.mark.parametrize(
    ("part", "whole", "said"),
    [
        (0, 1, "0 of 1 session has"), (1, 1, "1 of 1 session has"), (1, 5, "1 of 5 sessions has"),
        (0, 5, "0 of 5 sessions have"), (5, 5, "5 of 5 sessions have"),
    ],
)  # fmt: skip
def test_one_is_no_plural(part, whole, said):
    assert so_many(part, whole, "session", ("has", "have")) == said


@pytest.mark.parametrize("written", [number, per_cent, points])
def test_a_reason_speaks_of_what_was_not_counted(written):
    """Wherever the words stand: a part's own reason is named after it."""
    assert written(cannot_say("no denominator: nothing was counted")) == "nothing was counted"
    assert written(cannot_say("examined for pests: no denominator: nothing was counted")) == (
        "examined for pests: nothing was counted"
    )


def test_a_table_without_rows_says_why_and_not_how_to_read_them():
    full = Table("c", ("a",), (("1",),), "how to read", "nothing was dipped")
    assert "how to read" in full.to_html()
    assert as_text(full).splitlines() == ["c", "a", "1", "how to read"]
    bare = replace(full, rows=())
    assert "how to read" not in bare.to_html()
    assert ">nothing was dipped</td>" in bare.to_html()
    assert as_text(bare).splitlines() == ["c", "nothing was dipped"]
