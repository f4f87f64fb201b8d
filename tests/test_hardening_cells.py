"""Every way of writing a cell that spreadsheets, people and programs know: read as meant, or refused."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterdip.log import cells
from afterdip.log.cells import RefusedError, parser
from afterdip.log.schema import TABLES
from mutations import BY_KIND, CHANGES_MEANING, NUMBERS
from test_log_fuzz import FEW

COLUMNS = [(table.name, column) for table in TABLES.values() for column in table.columns]
MEANT = {
    "count": ["0", "1", "7", "10", "12", "100", "999", "1000", "1200", "2026", "12345", "1000000"],
    "number": ["0.5", "1", "1.5", "2.25", "10", "12.5", "1.234", "30", "100", "999.5", "1000", "1200",
               "1234.5", "46275"],
    "date": ["2026-09-10", "2026-12-09", "2026-09-09", "2000-02-29", "2026-11-13"],
    "time": ["2026-09-10T09:30", "2026-12-09T00:00", "2026-09-10", "2026-01-02T23:59"],
    "yes_no": ["yes", "no", "true", "0"],
}  # fmt: skip


def value_of(column, text):
    """What a cell is read as, or RefusedError itself."""
    try:
        return parser(column)(text)
    except RefusedError:
        return RefusedError


def meant(column):
    texts = MEANT.get(column.kind, column.allowed)
    return [text for text in texts if value_of(column, text) is not RefusedError]


MEASURED = [(t, c) for t, c in COLUMNS if c.kind in BY_KIND and c.kind != "key"]


@pytest.mark.parametrize("table, column", MEASURED, ids=[f"{t}.{c.name}" for t, c in MEASURED])
def test_a_cell_is_read_as_meant_or_refused(table, column):
    tried = read = 0
    for text in meant(column):
        wanted = value_of(column, text)
        for name, write in BY_KIND[column.kind].items():
            written = write(text)
            got = value_of(column, written)
            tried, read = tried + 1, read + (got is not RefusedError)
            if not written or (column.kind == "number" and re.fullmatch(r"[1-9]\d{0,2}\.\d\d[1-9]", written)):
                continue  # empty is not recorded; 1.234 among measures has the log's decimal point: see the tests below
            if name in CHANGES_MEANING:
                same = got == wanted or (column.kind == "number" and column.least is column.above is None)
                assert got is RefusedError or same, (name, written, got)
            else:
                assert got is RefusedError or got == wanted, (name, written, got, wanted)
    assert 0 < read < tried  # some are harmless, some are not


@pytest.mark.parametrize("text, value", [
    ("5e-324", None), ("1e-300", None), ("9.9e-10", None), ("1e-9", 1e-9), ("0.000001", 1e-6), ("1e9", 1e9),
    ("1.1e9", None), ("1e400", None), ("-1e-300", None),
])  # fmt: skip
def test_a_measure_so_small_or_large_that_a_strength_would_overflow(text, value):
    column = TABLES["sessions"].column("bath_volume")
    assert value_of(column, text) == (RefusedError if value is None else value)


@pytest.mark.parametrize("sign", "\u200b\u034f\ufe0f\u3164\u2800\uffa0")
def test_a_sign_without_a_shape_makes_no_other_name(sign):
    for name, text in (("coral", "Zoanthus sp."), ("coral_group", "sps"), ("system", "Q1")):
        column = TABLES["trays"].column(name)
        assert value_of(column, f"{text[:2]}{sign}{text[2:]}{sign}") == text
        assert value_of(column, sign) is None  # as good as empty


@pytest.mark.parametrize("name", NUMBERS)
def test_what_a_count_is_written_as(name):
    """A count is right or refused, whatever the mark between its thousands."""
    column = TABLES["checks"].column("alive")
    for n in (*range(130), 999, 1000, 1001, 1200, 10_000, 123_456, 1_000_000):
        got = value_of(column, NUMBERS[name](str(n)))
        assert got is RefusedError or got == n or (n == 0 and got == 0)


@pytest.mark.parametrize("text, value", [
    ("1,200", None), ("1.200", None), ("12.500", None), ("1,000", None), ("-1,200", None), ("+1.000", None),
    ("1,200.5", 1200.5), ("1,200,000", 1.2e6), ("1.234", 1.234), ("0.500", 0.5), ("1.20", 1.2), ("1200.000", 1200.0),
    ("1.2000", 1.2), ("3.785", 3.785), ("1 200", None), ("1.200,5", None), ("1'200", None), ("0,500", None),
])  # fmt: skip
def test_measures_that_could_be_a_thousand_times_another(text, value):
    column = TABLES["sessions"].column("temperature")  # any sign
    assert value_of(column, text) == (RefusedError if value is None else value)


def test_the_refusal_says_both_readings():
    with pytest.raises(RefusedError, match=r"^number above 0, written as 1200 or as 1\.2$"):
        parser(TABLES["sessions"].column("minutes"))("1.200")
    with pytest.raises(RefusedError, match=r"whole number of 1 or more, written as 1000 or as 1$"):
        parser(TABLES["trays"].column("pieces"))("1,000")


TEXT = TABLES["trays"].column("coral")
UNSEEN = ["\x00", "\x07", "\x1b", "\x7f", "\x85x", "\u202a", "\u202e", "\u2066", "\u2069", "\U000e0041", "\ud800"]


@pytest.mark.parametrize("sign", UNSEEN, ids=ascii)
def test_text_that_is_not_what_it_looks_like_is_refused(sign):
    for text in (f"Acro{sign}pora", f"{sign}Acropora"):
        got = value_of(TEXT, text)
        assert got is RefusedError or (sign == "\x85x" and "\x85" not in got)  # a line end is a space


@pytest.mark.parametrize("text, kept", [
    ("Acropora\u200f", "Acropora"), ("\u200eAcro\u00adpora", "Acropora"), ("e\u0301", "\u00e9"), ("\u212b", "\u00c5"),
    ("'=1+1", "=1+1"), ("'@x", "@x"), ("'-x", "-x"), ("'+x", "+x"), ("'x", "'x"), ("''=x", "''=x"), ("=1+1", "=1+1"),
    ("a\nb\r\nc\td", "a b c d"), ("\u2028a\u3000b", "a b"), ("日本 🐠 \u0627", "日本 🐠 \u0627"), ("T０１", "T０１"),
])  # fmt: skip
def test_text_is_kept_as_it_is_seen(text, kept):
    assert value_of(TEXT, text) == kept


def test_text_has_a_length():
    note = TABLES["sessions"].column("note")
    for column, longest in ((TEXT, 300), (note, 32_767)):
        assert value_of(column, "a" * longest) == "a" * longest
        assert value_of(column, "a" * (longest + 1)) is RefusedError
        assert cells.all_tidy(["b", "a" * longest], cells.longest_of(column))
        assert not cells.all_tidy(["b", "a" * (longest + 1)], cells.longest_of(column))


def test_no_farm_counts_more_than_a_million():
    """A tray of a thousand million pieces is a slip, and would take all memory there is."""
    assert value_of(TABLES["trays"].column("pieces"), "1000000") == 1e6
    assert value_of(TABLES["trays"].column("pieces"), "1000001") is RefusedError
    assert value_of(TABLES["sessions"].column("amount"), "1000001") == 1_000_001


@pytest.mark.parametrize("word", ["nan", "NaN", "None", "NaT", "<NA>", "null", "N/A", "#N/A", "NA", "-", "–", "?"])
def test_words_for_nothing_are_no_names(word):
    """As one lot, one tank or one person they would join what nobody wrote down."""
    texts = {(t, c.name) for t, c in COLUMNS if c.kind in ("key", "text", "group")}
    refused = {(t, c.name) for t, c in COLUMNS if (t, c.name) in texts and value_of(c, word) is RefusedError}
    may = {("agents", "active"), ("agents", "not_for"), ("sessions", "note")}
    may |= {("checks", "checker"), ("labour", "person")} if word == "NA" else set()
    may |= {("agents", "agent"), ("sessions", "agent")} if word == "None" else set()
    assert texts - refused == may
    for table, column in COLUMNS:
        if column.kind in ("key", "text"):  # the quick look agrees
            assert not cells.all_names(["x", word, ""], column) or (table, column.name) in may


@pytest.mark.parametrize("word", ["'", "''", '""', ".", "...", "*", "\\", "(-)", "____", "“”"])
def test_points_alone_are_no_names(word):
    """An apostrophe left by a spreadsheet, a ditto mark: as one lot they would join pieces that have none in common."""
    free = {"active", "not_for", "note"}
    for _, column in COLUMNS:
        if column.kind in ("key", "text", "group"):
            assert (value_of(column, word) is RefusedError) == (column.name not in free)
            assert cells.all_names(["x", word], column) <= (column.name in free)
    assert value_of(TEXT, "$$") == "$$"
    assert value_of(TEXT, "🐠") == "🐠"


@pytest.mark.parametrize("word", ["#REF!", "#VALUE!", "#NAME?", "#div/0!", "#NUM!", "#NULL!"])
def test_a_failed_formula_saved_as_text_is_no_text(word):
    for _, column in COLUMNS:
        assert value_of(column, word) is RefusedError
        if column.kind in ("key", "text"):
            assert not cells.all_names(["x", word], column)


SIGNS = st.sampled_from("ab' =-+@\t\n\x0b\x1c\x07\x7f\x00\u00a0é\u200b")


@FEW
@given(st.lists(st.text(SIGNS, max_size=6), max_size=4))
def test_the_quick_look_at_plain_texts_is_right(texts):
    """`all_tidy` lets a column pass unparsed: then the parser must change nothing in it."""
    if cells.all_tidy(texts):
        assert [value_of(TEXT, text) for text in texts] == [text or None for text in texts]


ANY = st.one_of(
    st.none(), st.booleans(), st.integers(), st.integers(10**70, 10**80), st.floats(), st.text(max_size=12),
    st.datetimes(), st.dates(), st.times(), st.timedeltas(),
    st.builds(cells.Special, st.sampled_from(["formula", "error", "percent", "padded", "merged"]), st.text(max_size=5),
              st.floats(0, 1e6)),
)  # fmt: skip


@FEW
@given(st.sampled_from(COLUMNS), ANY)
def test_any_cell_gives_a_value_of_its_kind_or_a_refusal(place, cell):
    _, column = place
    got = value_of(column, cell)
    if got is None or got is RefusedError:
        return
    if column.kind in ("number", "count"):
        assert isinstance(got, float)
        assert math.isfinite(got)
    assert len(cells.shown(cell)) <= 60 or isinstance(cell, cells.Special)
