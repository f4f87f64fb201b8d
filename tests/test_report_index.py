"""The first page: what is there, what is not, and colours decided by a limit."""

import pytest

from afterdip.estimate import Estimate, cannot_say
from afterdip.report.index import TILES, estimate, grid, render_index, sentence, tile, trust
from test_report_pages import Reader, results


def number(value, low, high, **counts):
    return Estimate(estimate=value, low=low, high=high, **counts).to_json()


FEW = cannot_say("too few: 2 sessions, needs 5", sessions=2).to_json()
NO_SHAM = cannot_say("no sham dip to compare with").to_json()


def cell(coral_group, agent, loss, *, is_control=False):
    return {"coral_group": coral_group, "agent": agent, "is_control": is_control, "loss_over_sham": loss}


def survival(**more):
    month = {"pieces": 1240, "sessions": 12, "alive": number(0.931, 0.902, 0.953)}
    month |= {"loss_over_sham": number(0.023, -0.004, 0.05)}
    months = [month | {"month": f"2026-{m:02}", "alive": number(m / 100, 0, 1)} for m in range(5, 11)]
    unknown = {"trays": 40, "trays_never_checked": 3, "pieces_never_checked": 24}
    unknown |= {"sessions": 14, "sessions_followed_to_horizon": 11}
    groups = [
        cell("sps", "IOD", number(0.01, -0.01, 0.05)),
        cell("sps", "OIL", number(0.2, 0.06, 0.3)),
        cell("lps", "IOD", number(0.04, 0.01, 0.08)),
        cell("lps", "OIL", FEW),
        cell("soft", "OIL", NO_SHAM),
        cell("sps", "SHAM", NO_SHAM, is_control=True),
    ]
    answer = {"horizon_days": 30, "month": month, "months": months, "month_sham": {"sessions": 2}}
    return answer | {"unknown": unknown, "groups": groups} | more


def test_without_answers_every_part_says_so():
    html = render_index(results())
    assert html.count("Not in this report.") == 2 + len(TILES)
    assert "does not hold the page on survival" in html


def test_one_sentence_for_the_month():
    assert sentence(results(survival=survival())) == (
        "1\u202f240 pieces had their first dip in 12 sessions; 30 days later 93.1\u00a0% (90.2 to 95.3) were alive; "
        "lost over the sham: +2.3 points (−0.4 to +5.0)."
    )
    month = survival()["month"]
    few = survival(month=month | {"alive": FEW, "loss_over_sham": NO_SHAM})
    assert sentence(results(survival=few, removal={"failed": ["OIL failed on flatworms."]})) == (
        "1\u202f240 pieces had their first dip in 12 sessions; alive 30 days later: too few: 2 sessions, needs 5; "
        "lost over the sham: cannot say, no sham dip to compare with. OIL failed on flatworms."
    )
    none = survival(month=month | {"pieces": 0})
    assert sentence(results(survival=none)) == "No piece had its first dip in this month."


def test_the_figures_stand_with_limits_counts_and_earlier_months():
    alive = tile(results(survival=survival()), "alive")
    assert (alive.value, alive.limits) == ("93.1\u00a0%", "95% limits 90.2 to 95.3")
    assert alive.behind == "1\u202f240 pieces, 12 sessions"
    assert alive.earlier == "Jul 7.0\u00a0%; Aug 8.0\u00a0%; Sep 9.0\u00a0%"
    loss = tile(results(survival=survival()), "loss_over_sham")
    assert (loss.value, loss.limits) == ("+2.3 points", "95% limits −0.4 to 5.0")
    unknown = tile(results(survival=survival(month=survival()["month"] | {"alive": FEW})), "alive")
    assert (unknown.value, unknown.known, unknown.limits) == ("too few: 2 sessions, needs 5", False, "")


def test_other_pages_bring_their_own_figures():
    page = {
        "first_screen": [
            {
                "tile": "labour",
                "figure": number(31.25, 28, None),
                "unit": "hours",
                "trend": [{"month": "2026-09", "figure": number(30, 29, 31)}, {"month": "2026-08", "figure": FEW}],
                "behind": "12 sessions",
            }
        ]
    }
    shown = tile(results(labour=page), "labour")
    assert (shown.value, shown.limits) == ("31.2 hours", "95% limits 28.0 or more")
    assert shown.earlier == "Sep 30.0 hours; Aug too few: 2 sessions, needs 5"
    assert shown.title == TILES["labour"]


def test_the_grid_is_coloured_by_limits_only():
    found = grid(results(survival=survival()))
    assert found["agents"] == ["IOD", "OIL"]
    assert found["groups"] == ["lps", "soft", "sps"]
    marks = {key: (m["loss"].kind, m["loss"].word) for key, m in found["marks"].items()}
    assert marks == {
        ("sps", "IOD"): ("good", "within the limit"),
        ("sps", "OIL"): ("bad", "over the limit"),
        ("lps", "IOD"): ("open", "open"),
        ("lps", "OIL"): ("few", "too few"),
        ("soft", "OIL"): ("few", "cannot say"),
    }
    assert all(m["kill"] is None for m in found["marks"].values())


@pytest.mark.parametrize(
    "kill, kind, text",
    [
        (number(0.99, 0.951, 1.0), "good", "at least 95.1\u00a0%"),
        (number(0.99, 0.9499, 1.0), "open", "at least 94.9\u00a0%"),
        (number(0.80, 0.7, 0.949), "bad", "at least 70.0\u00a0%"),
        (number(0.96, None, 1.0), "few", "no lower limit"),
        (FEW, "few", "too few: 2 sessions, needs 5"),
    ],
)
def test_a_kill_is_judged_by_its_limits(kill, kind, text):
    removal = {"grid_cells": [{"coral_group": "sps", "agent": "IOD", "kill": kill}]}
    mark = grid(results(survival=survival(), removal=removal))["marks"]["sps", "IOD"]["kill"]
    assert (mark.kind, mark.text) == (kind, text)


def test_every_colour_has_its_word():
    html = render_index(results(survival=survival()))
    for words in ("within the limit", "over the limit", "loss: open", "loss: too few", "loss: cannot say"):
        assert words in html
    assert Reader(html)


def test_actions_are_shown_in_their_order_and_five_at_most():
    actions = [{"due": f"2026-11-2{i}", "what": f"Dip lot {i}", "why": "eggs <hatch>"} for i in range(7)]
    text = Reader(render_index(results(actions=actions))).text
    assert [i for i in range(7) if f"Dip lot {i}" in text] == [0, 1, 2, 3, 4]
    assert "by 2026-11-20" in text
    assert "eggs <hatch>" in text
    assert "Nothing is due." in render_index(results(actions=[]))


def test_how_far_to_trust_it():
    said = list(trust(results(survival=survival(), removal={"trust": ["4 of 12 sessions without counts."]})))
    assert said == [
        "3 of 40 trays were never checked after their dip (24 pieces: unknown, not alive).",
        "11 of 14 sessions were followed to day 30.",
        "2 sham sessions to compare with.",
        "4 of 12 sessions without counts.",
        "3 rows of the log were read, 1 left out.",
        said[-1],
    ]
    assert said[-1].startswith("The log has 1 warning: ")
    none = list(trust(results(survival=survival(month_sham={"sessions": 0}), warnings=[])))
    assert "No sham dip in the month: what handling alone does to pieces and pests is not known." in none
    assert none[-1] == "The log has no warnings."


def test_estimates_come_back_as_they_went():
    for values in (number(0.5, 0.1, None, sessions=3, pieces=4), FEW):
        assert estimate(values).to_json() == values
