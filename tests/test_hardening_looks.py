"""A workbook's number as its format shows it: the value, or a refusal where a reader sees something else.

What each format shows follows ECMA-376 part 1, 18.8.31 (numFmts), from memory; the figures are worked by hand.
"""

import pytest

from afterdip.log import check_log, read_log
from afterdip.log.cells import Special
from afterdip.log.looks import as_shown
from builders import AS_OF
from test_hardening_workbooks import saved  # noqa: F401

LOOKS = {
    "plain": r"""General|0|0.00|#,##0|#,##0.00|#|@|0E+00|##0.0E+0|# ?/?|# ##0|[Red]0|0;-0;;@|#,##0_);(#,##0)|+0
        |0_ ;\-0\ |#,##0;[Red]-#,##0|_-* #,##0.00_-;-* #,##0.00_-;_-* "-"??_-;_-@_-""",
    "padded": "000|000_)|000;-000|000;@|[Blue]000|[$-409]000",
    "labelled": r"""0 "days"|0.0"h"|"S"General|"T-"0|\S000|000"a"|#,##0.00 "€"|[$€-407] #,##0.00|000.0|0,000|0 0
        |_($* #,##0.00_);_($* (#,##0.00);_($* "-"??_);_(@_)|0 "St." """,
    "disguised": r"""0,|#,##0,,|0.0,|0"00"|0\,0|#"."##0|00-00|#-##|-0|(0)|"-"0|;;;|"few"|[<5]"few";0|[>=1000]0,"k";0
        |0"%"|0\%""",
    "percent": "0%|0.00%|# %",
}
EACH = [(what, look.strip()) for what, looks in LOOKS.items() for look in looks.split("|")]


@pytest.mark.parametrize("what, look", EACH)
def test_what_a_format_shows(what, look):
    got = as_shown(7, look)
    assert got == 7 if what == "plain" else isinstance(got, Special) and (got.what, got.value) == (what, 7)
    assert what != "padded" or got.shown == "007"


@pytest.mark.parametrize("look", ["0;-0;;@", "0,", ";;;", '_-* "-"??_-'])
def test_nought_may_be_shown_as_nothing(look):
    assert as_shown(0, look) == 0


@pytest.mark.parametrize("what, look", EACH)
def test_a_count_is_the_number_seen_or_refused(saved, what, look):  # noqa: F811
    """T01's first check finds 19 alive; 19 whatever the words beside it, but not 0.019 or 1900."""
    path = saved(lambda book: setattr(book["checks"]["C2"], "number_format", look))
    found = check_log(path, as_of=AS_OF).problems
    if what in ("plain", "padded", "labelled"):
        assert not found
        assert read_log(path, as_of=AS_OF).checks["alive"].iloc[0] == 19
    else:
        (problem,) = found
        assert (problem.row, problem.column) == (2, "alive")


@pytest.mark.parametrize("what, look", EACH)
def test_a_key_is_what_is_seen_or_refused(saved, what, look):  # noqa: F811
    """Sessions numbered 1 to 6 and shown as 001 are the sessions 001 that the other sheets name; S001 are none."""

    def number(book):
        for row in range(2, 8):
            book["sessions"].cell(row=row, column=1).value = row - 1
            book["sessions"].cell(row=row, column=1).number_format = look

    found = check_log(saved(number), as_of=AS_OF).problems
    if what == "padded":
        assert not found
    elif what == "plain":
        assert {problem.code for problem in found} == {"unknown_key"}  # 1 is not 001
    else:
        refused = [(p.row, p.column) for p in found if p.code == "type"]
        assert refused == [(row, "session") for row in range(2, 8)]


def test_a_long_formula_is_quoted_in_brief(saved):  # noqa: F811
    (problem,) = check_log(
        saved(lambda book: book["checks"].__setitem__("C2", "=1" + "+1" * 3000)), as_of=AS_OF
    ).problems
    assert len(str(problem)) < 250
    assert str(problem).isprintable()
