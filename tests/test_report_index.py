"""The first page: what is there, what is not, and colours decided by a limit."""

import pytest

from afterdip.estimate import Estimate, cannot_say
from afterdip.report.first_screen import estimate, grid, tiles
from afterdip.report.index import failed, render_index, sentence, trust
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
    return answer | {"unknown": unknown, "groups": groups, "agents": []} | more


def test_without_answers_every_part_says_so():
    html = render_index(results())
    assert html.count("Not in this report.") == 6  # actions, four figures, the grid
    assert "does not hold the page on survival" in html


def test_one_sentence_for_the_month():
    assert sentence(results(survival=survival())) == (
        "1\u202f240 pieces had their first dip in 12 sessions; 30 days later 93.1\u00a0% (90.2 to 95.3) were alive; "
        "lost over the sham: +2.3 points (−0.4 to +5.0)."
    )
    month = survival()["month"]
    few = survival(month=month | {"alive": FEW, "loss_over_sham": NO_SHAM})
    assert sentence(results(survival=few)) == (
        "1\u202f240 pieces had their first dip in 12 sessions; alive 30 days later: too few: 2 sessions, needs 5; "
        "lost over the sham: cannot say, no sham dip to compare with."
    )
    none = survival(month=month | {"pieces": 0})
    assert sentence(results(survival=none)) == "No piece had its first dip in this month."


def tile(found, place):
    return list(tiles(found))[place]


def test_the_figures_stand_with_limits_counts_and_earlier_months():
    alive = tile(results(survival=survival()), 0)
    assert alive.title == "Alive 30 days after the dip"
    assert alive.lines == (("93.1\u00a0%", "95\u00a0% limits 90.2 to 95.3"),)
    assert alive.behind == "1\u202f240 pieces, 12 sessions"
    assert alive.earlier == "Jul 7.0\u00a0%; Aug 8.0\u00a0%; Sep 9.0\u00a0%"
    loss = tile(results(survival=survival()), 1)
    assert loss.lines == (("+2.3 points", "95\u00a0% limits −0.4 to 5.0"),)
    unknown = tile(results(survival=survival(month=survival()["month"] | {"alive": FEW})), 0)
    assert unknown.lines == (("too few: 2 sessions, needs 5", ""),)


def removal(**more):
    month = {"pests": 546, "sessions": 49, "removed": number(0.72, 0.579, 0.83), "killed": FEW}
    month |= {"sham_removed": number(0.06, 0.01, 0.3)}
    agents = [
        {"agent": "IOD", "is_control": False, "killed": number(0.6, 0.5, 0.9499)},
        {"agent": "OIL", "is_control": False, "killed": number(0.96, 0.9, 0.99)},
        {"agent": "POW", "is_control": False, "killed": FEW},
        {"agent": "SHAM", "is_control": True, "killed": number(0.0, 0.0, 0.1)},
    ]
    answer = {"month": month, "months": [month | {"month": "2026-09"}], "agents": agents, "groups": []}
    return answer | {"dips": 57, "counted": 54} | more


def test_pests_are_shown_by_the_lower_limit_beside_the_sham():
    shown = tile(results(removal=removal()), 2)
    assert shown.lines == (
        ("at least 57.9\u00a0% off the pieces", "removed: 72.0\u00a0% (57.9 to 83.0)"),
        ("too few: 2 sessions, needs 5", "killed"),
    )
    assert shown.behind == "546 pests found, 49 sessions; shaking alone removed 6.0\u00a0% (1.0 to 30.0)"
    assert shown.earlier == "Sep at least 57.9\u00a0%"


def test_other_pages_bring_their_own_figures():
    page = {
        "first_screen": [
            {
                "tile": "labour",
                "title": "Hours per thousand",
                "figure": number(31.25, 28, None),
                "unit": "hours",
                "places": 0,
                "also": {"title": "cost, USD", "figure": number(2880, 2279, 3907), "unit": "", "places": 0},
                "trend": [{"month": "2026-09", "figure": number(30, 29, 31)}, {"month": "2026-08", "figure": FEW}],
                "behind": "12 sessions",
            },
            {"tile": "another", "figure": FEW, "unit": "", "trend": [], "behind": ""},
        ]
    }
    shown = tile(results(labour=page), 3)
    assert shown.lines == (
        ("31 hours", "95\u00a0% limits 28 or more"),
        ("2\u202f880", "cost, USD; 95\u00a0% limits 2\u202f279 to 3\u202f907"),
    )
    assert shown.title == "Hours per thousand"
    assert shown.earlier == "Aug too few: 2 sessions, needs 5; Sep 30 hours"
    assert "3\u202f907" in render_index(results(labour=page))


def test_what_failed_is_what_the_whole_interval_says():
    agents = [
        {"agent": "IOD", "is_control": False, "loss_over_sham": number(0.09, 0.051, 0.12)},
        {"agent": "OIL", "is_control": False, "loss_over_sham": number(0.09, 0.05, 0.12)},
        {"agent": "POW", "is_control": False, "loss_over_sham": FEW},
        {"agent": "SHAM", "is_control": True, "loss_over_sham": number(0.5, 0.4, 0.6)},
    ]
    assert list(failed(results(survival=survival(agents=agents), removal=removal()))) == [
        "Over the limit of 5 points lost over the sham, 12 months to October 2026: IOD.",
        "Short of the target of 95\u00a0% of pests killed, 6 months to October 2026: IOD.",
    ]
    assert list(failed(results(survival=survival(), removal=removal(agents=[])))) == [
        "No agent is shown to be over the limit of 5 points lost over the sham, 12 months to October 2026.",
        "No agent is shown to fall short of the target of 95\u00a0% of pests killed, 6 months to October 2026.",
    ]
    assert list(failed(results())) == []


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
        (number(0.99, 0.9489, 1.0), "open", "at least 94.9\u00a0%"),
        (number(0.80, 0.7, 0.949), "bad", "at least 70.0\u00a0%"),
        (number(0.96, None, 1.0), "few", "no lower limit"),
        (FEW, "few", "too few: 2 sessions, needs 5"),
    ],
)
def test_a_kill_is_judged_by_its_limits(kill, kind, text):
    cells = [{"coral_group": "sps", "agent": "IOD", "is_control": False, "killed": kill}]
    mark = grid(results(survival=survival(), removal=removal(groups=cells)))["marks"]["sps", "IOD"]["kill"]
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
    page = {"name": "labour", "title": "Labour", "file": "labour.html"}
    labour = {"trust": ["4 of 12 sessions have no labour rows."]}
    said = list(trust(results(survival=survival(), removal=removal(), labour=labour, pages=[page])))
    assert said[:-1] == [
        "3 of 40 trays were never checked after their dip (24 pieces: unknown, not alive).",
        "11 of 14 sessions were followed to day 30.",
        "2 sham sessions to compare with.",
        "3 of 57 sessions have no pest count.",
        "4 of 12 sessions have no labour rows.",
        "3 rows of the log were read, 1 left out.",
    ]
    assert said[-1].startswith("The log has 1 warning: ")
    none = list(trust(results(survival=survival(month_sham={"sessions": 0}), warnings=[])))
    assert "No sham dip in the month: what handling alone does to pieces and pests is not known." in none
    assert none[-1] == "The log has no warnings."


def test_estimates_come_back_as_they_went():
    for values in (number(0.5, 0.1, None, sessions=3, pieces=4), FEW):
        assert estimate(values).to_json() == values
