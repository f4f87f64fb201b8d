"""The first page: what is there, what is not, and colours decided by a limit."""

import pytest

from afterdip.estimate import Estimate, cannot_say
from afterdip.report.choice import choices
from afterdip.report.first_screen import estimate, tiles
from afterdip.report.grid import grid
from afterdip.report.index import failed, lead, render_index, trust
from afterdip.report.todo import actions, last_actions
from afterdip.report.trend import Trend, trend
from afterdip.report.words import short
from test_report_pages import Reader, results


def number(value, low, high, **counts):
    return Estimate(estimate=value, low=low, high=high, **counts).to_json()


FEW = cannot_say("too few: 2 sessions, needs 5", sessions=2).to_json()
NO_SHAM = cannot_say("no sham dip to compare with").to_json()


def cell(coral_group, agent, loss, *, is_control=False):
    return {"coral_group": coral_group, "agent": agent, "is_control": is_control, "loss_over_sham": loss}


def survival(**more):
    month = {"pieces": 1240, "sessions": 12, "alive": number(0.931, 0.902, 0.953)}
    month |= {"loss_over_sham": number(0.023, -0.004, 0.05), "detached": number(0.031, 0.01, 0.06)}
    month |= {"alive_spread": number(0.93, 0.9, 0.953), "straddling": 2}
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
    window = month | {"pieces": 9000, "loss_over_sham": number(0.021, 0.008, 0.034)}
    answer = {"horizon_days": 30, "dips": 14, "month": month, "months": months, "month_sham": {"sessions": 2}}
    answer |= {"window": window}
    return answer | {"unknown": unknown, "groups": groups, "agents": []} | more


def test_without_answers_every_part_says_so():
    html = render_index(results())
    assert html.count("Not in this report.") == 6  # actions, four figures, the grid
    assert "does not hold the page on survival" in html


def with_month(alive=None, loss=None, **more):
    month = survival()["month"] | more
    month |= {"alive": alive or month["alive"], "loss_over_sham": loss or NO_SHAM}
    return results(survival=survival(month=month))


def test_the_month_in_plain_sentences():
    first, second = lead(results(survival=survival(), removal=removal()))
    assert first == (
        "1\u202f240 pieces had their first dip in 12 sessions; 30 days later 93.1\u00a0% (90.2 to 95.3) were alive. "
        "Lost to the dip itself: +2.3 in 100 pieces (−0.4 to +5.0), within the farm’s limit of 5 in 100. "
        "Over the 12 months to October 2026: +2.1 in 100 pieces (+0.8 to +3.4)."
    )
    unsaid = "what share was killed cannot be said: too few: 2 of the 5 sessions needed."
    assert second == f"546 pests were found in the dips; {unsaid}"


@pytest.mark.parametrize(
    "answers, said",
    [
        (with_month(FEW), "30 days later cannot be said yet: too few: 2 of the 5 sessions needed."),
        (with_month(), "What the dip itself cost cannot be said: no sham dip to compare with."),
        (
            with_month(pieces=0),
            "dip with an agent in this month; 2 sham sessions and 12 dips of pieces dipped before.",
        ),
        (
            results(survival=survival(month=survival()["month"] | {"pieces": 0}, month_sham={"sessions": 0})),
            "No piece had its first dip in this month; 14 dips of pieces dipped before.",
        ),
        (with_month(FEW) | {"as_of": "2026-12-01"}, "later cannot be said: too few: 2 of the 5 sessions needed."),
        (with_month(pieces=1, sessions=1), "1 piece had its first dip in 1 session; "),
        (with_month(loss=number(0.09, 0.0501, 0.2)), "over the farm’s limit of 5 in 100."),
        (with_month(loss=number(0.04, 0.001, 0.2)), "whether it is over the farm’s limit of 5 in 100 is open."),
        (with_month(loss=number(0.04, -0.001, 0.2)), "so this month alone cannot tell it from none."),
    ],
)
def test_the_lead_claims_what_the_limits_bear(answers, said):
    assert said in next(lead(answers))


def test_the_window_is_named_only_where_it_says_more_than_the_month():
    alone = survival()
    for window in (alone["month"], alone["window"] | {"loss_over_sham": NO_SHAM}):
        assert "Over the" not in next(lead(results(survival=survival(window=window))))


def test_no_pest_found_is_not_all_pests_killed():
    month = removal()["month"] | {"pests": 0, "killed": cannot_say("no denominator: no pest was found").to_json()}
    found = results(removal=removal(month=month))
    assert list(lead(found))[1] == "No pest was found, so what the dips killed cannot be said."
    assert tile(found, 2).lines == (("no pest was found in 49 sessions, so nothing can be said", ""),)
    never = results(removal=removal(month=month | {"sessions": 0}))
    assert list(lead(never))[1] == "No pest was looked for, so what the dips killed cannot be said."
    assert tile(never, 2).lines == (("only sham dips have a pest count", ""),)
    never["removal"]["counted"] = 0
    assert tile(never, 2).lines == (("no pest was looked for", ""),)


def tile(found, place):
    return list(tiles(found))[place]


def test_the_figures_stand_with_limits_counts_and_earlier_months():
    alive = tile(results(survival=survival()), 0)
    assert alive.title == "Pieces alive 30 days after the dip"
    assert alive.lines == (("93.1\u00a0%", "95\u00a0% limits 90.2 to 95.3"),)
    assert alive.behind == ("1\u202f240 pieces, 12 sessions", "another 3.1\u00a0% (1.0 to 6.0) came off")
    assert alive.trend.words == "5 earlier months: 5.0 to 9.0\u00a0%; this month does not stand out"
    assert "alive, by month: May 2026 5.0\u00a0%; Jun 2026 6.0" in alive.trend.picture
    loss = tile(results(survival=survival()), 1)
    assert loss.lines[0] == ("+2.3 in 100", "95\u00a0% limits −0.4 to +5.0; beside 2 sham sessions")
    assert loss.lines[1][1].startswith("over the 12 months")
    assert loss.behind == ()  # no shams below the window's figure
    silent = tile(results(survival=survival(month=survival()["month"] | {"loss_over_sham": NO_SHAM})), 1)
    assert silent.lines[0] == ("no sham dip to compare with", "")
    unknown = tile(results(survival=survival(month=survival()["month"] | {"alive": FEW})), 0)
    assert unknown.lines == (("too few: 2 of the 5 sessions needed", ""),)


def test_the_trend_of_a_month_within_a_longer_log_ends_with_it():
    months = [m | {"month": f"2026-{9 + i:02}"} for i, m in enumerate(survival()["months"][:4])]
    assert tile(results(survival=survival(months=months)), 0).trend.words.startswith("1 earlier month: 5.0")


def test_a_trend_never_says_more_than_the_months_before_it():
    months = [("2026-08", Estimate(**number(0.9, 0.88, 0.92))), ("2026-09", cannot_say("too few"))]
    options = {"month": "2026-10", "say": lambda x: f"{x:.2f}", "name": "alive"}
    assert trend([], **options) == Trend("", "no earlier month to compare with")
    assert trend(months[1:], **options).words == "no figure in 1 earlier month"
    assert trend(months, **options) == Trend("", "1 of 2 earlier months: 0.90")
    now = ("2026-10", Estimate(**number(0.95, 0.905, 0.97)))
    assert trend([*months, now], **options).words == "1 of 2 earlier months: 0.90; higher now than in any of them"
    picture = trend([*months, now], **options).picture
    assert 'aria-label="alive, by month: Aug 2026 0.90; Oct 2026 0.95"' in picture
    assert picture.count("<circle") == 2
    assert 'class="now"' in picture
    bound = trend([*months, now], bound=True, **options).words
    assert bound == "1 of 2 earlier months: at least 0.88; higher now than in any of them"
    low = ("2026-10", Estimate(**number(0.85, 0.8, 0.91)))
    assert trend([*months, low], **options).words.endswith("; this month does not stand out")


@pytest.mark.parametrize(
    "reason, said",
    [
        ("agent: too few: 1 session followed to day 30, needs 5", "too few: 1 of the 5 sessions needed"),
        ("sham: too few: 2 sessions followed to day 30, needs 5", "too few: 2 of the 5 sham sessions needed"),
        ("too few sessions with pests: 2, needs 4", "too few: 2 of the 4 sessions needed"),
        ("too few pests: 3 found, needs 5", "too few: 3 of the 5 pests needed"),
        ("no denominator: no pest was found", "no pest was found, so nothing can be said"),
        ("no denominator: what stayed on was not counted", "what stayed on was not counted"),
        ("no sham to compare with (what fell was not counted)", "no sham to compare with: what fell was not counted"),
        ("sham: eggs do not fall", "sham dips: eggs do not fall"),
        ("labour: 7 sessions written down, needs 8", "too few: 7 of the 8 sessions with labour rows needed"),
        ("dead: followed to day 15 only", "followed to day 15 only"),
        ("labour: no session with labour written down", "no session with labour written down"),
        ("anything else", "anything else"),
    ],
)
def test_reasons_in_the_owner_s_words(reason, said):
    assert short(reason) == said


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
        ("at least 57.9\u00a0% off the pieces", "72.0\u00a0% (57.9 to 83.0) of those found"),
        ("killed: too few: 2 of the 5 sessions needed", ""),
    )
    assert shown.behind == ("546 pests found, 49 sessions", "shaking alone took off 6.0\u00a0% (1.0 to 30.0)")
    assert shown.trend.words == "1 earlier month: at least 57.9\u00a0%"


def test_other_pages_bring_their_own_figures():
    page = {
        "first_screen": [
            {
                "tile": "labour",
                "title": "Hours per thousand",
                "figure": number(31.25, 31.1, None),
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
        ("31 hours", "95\u00a0% limits 31 or more"),
        ("2\u202f880", "cost, USD; 95\u00a0% limits 2\u202f279 to 3\u202f907"),
    )
    assert shown.title == "Hours per thousand"
    assert shown.trend.words == "1 of 2 earlier months: 30 hours; higher now than in any of them"
    assert "3\u202f907" in render_index(results(labour=page))


def test_what_failed_is_what_the_whole_interval_says():
    agents = [
        {"agent": "IOD", "is_control": False, "loss_over_sham": number(0.09, 0.051, 0.12)},
        {"agent": "OIL", "is_control": False, "loss_over_sham": number(0.09, 0.05, 0.12)},
        {"agent": "POW", "is_control": False, "loss_over_sham": FEW},
        {"agent": "SHAM", "is_control": True, "loss_over_sham": number(0.5, 0.4, 0.6)},
    ]
    failing = results(survival=survival(agents=agents, groups=[]), removal=removal())
    assert list(failed(failing)) == [
        "Over the limit of 5 in 100 pieces lost over sham: IOD; of POW it cannot be said (12 months to October 2026).",
        "Short of the target of 95\u00a0% of pests killed: IOD; of POW it cannot be said (6 months to October 2026).",
    ]
    cannot = "cannot be said: no agent has a count"
    assert list(failed(results(survival=survival(groups=[]), removal=removal(agents=[])))) == [
        f"Whether any agent is over the limit of 5 in 100 pieces lost over sham {cannot} (12 months to October 2026).",
        f"Whether any agent falls short of the target of 95\u00a0% of pests killed {cannot} "
        "(6 months to October 2026).",
    ]
    assert list(failed(results())) == []
    assert [action.what for action in actions(failing)[0]] == [
        "Stop IOD, or use it gentler within its label, until a trial clears it",
        "Do not rely on one dip of IOD",
    ]


def test_one_coral_group_over_the_limit_is_named_though_the_agent_as_a_whole_is_not():
    agents = [
        {"agent": name, "is_control": False, "loss_over_sham": number(0.05, low, 0.12)}
        for name, low in (("IOD", 0.051), ("OIL", 0.01))
    ]
    groups = [
        {"coral_group": group, "agent": agent, "is_control": False, "loss_over_sham": number(0.2, low, 0.3)}
        for group, agent, low in (("soft", "OIL", 0.08), ("sps", "OIL", 0.05), ("soft", "IOD", 0.09))
    ]
    said = results(survival=survival(agents=agents, groups=groups))
    over = "Over the limit of 5 in 100 pieces lost over sham: "
    assert list(failed(said)) == [f"{over}IOD and OIL on soft (12 months to October 2026)."]
    alone = results(survival=survival(agents=agents[1:], groups=groups[:2]))
    assert list(failed(alone)) == [f"{over}no agent on all corals, but OIL on soft (12 months to October 2026)."]
    assert [action.what for action in actions(said)[0]][1] == (
        "Keep soft corals out of OIL, or use it gentler within its label, until a trial clears it"
    )


@pytest.mark.parametrize(
    ("agents", "said"),
    [
        ({"IOD": NO_SHAM, "OIL": NO_SHAM}, "cannot be said: no sham dip to compare with ("),
        ({"IOD": NO_SHAM, "OIL": FEW}, "cannot be said: too little is known of each ("),
        ({"IOD": number(0.0, -0.1, 0.1), "OIL": FEW}, "; of OIL it cannot be said ("),
    ],
)
def test_silence_is_no_good_news(agents, said):
    """Where no agent could be judged, none being shown to fail would read as if all were well."""
    rows = [{"agent": name, "is_control": False, "loss_over_sham": loss} for name, loss in agents.items()]
    (sentence,) = failed(results(survival=survival(agents=rows, groups=[])))
    assert said in sentence
    assert sentence.startswith("No agent is shown" if "of OIL" in said else "Whether any agent is over the limit")


def test_what_was_counted_is_said_even_where_a_share_is_not():
    few = cannot_say("too few: 1 session, needs 5", deaths=2).to_json()
    first, second = lead(with_month(few) | {"removal": removal(month=removal()["month"] | {
        "compartments": {"bath_dead": 300, "rinse_dead": 20, "on_dead": 1, "bath_alive": 9, "on_alive": 216}
    })})  # fmt: skip
    assert "2 deaths were found so far; how many are alive" in first
    assert "546 pests were found in the dips, 321 of them dead; what share was killed" in second
    seen = next(lead(with_month(number(0.931, 0.902, 0.953, deaths=1))))
    assert "in 12 sessions; by day 30, 1 death was found and 93.1" in seen


def test_months_before_the_first_dip_are_no_earlier_months():
    empty = ("2026-08", cannot_say("no pieces dipped", sessions=0))
    options = {"month": "2026-10", "say": lambda x: f"{x:.2f}", "name": "alive"}
    assert trend([empty], **options).words == "no earlier month to compare with"
    silent = ("2026-09", cannot_say("no sham dip to compare with", sessions=3))
    assert trend([empty, silent], **options).words == "no figure in 1 earlier month"


def test_the_grid_is_coloured_by_limits_only():
    found = grid(results(survival=survival()))
    assert found["agents"] == ["IOD", "OIL"]
    assert found["groups"] == ["lps", "soft", "sps"]
    marks = {key: (m["loss"].kind, m["loss"].word, m["loss"].lines[0]) for key, m in found["marks"].items()}
    assert marks == {
        ("sps", "IOD"): ("good", "within the limit", "+1.0 in 100"),
        ("sps", "OIL"): ("bad", "over the limit", "+20.0 in 100"),
        ("lps", "IOD"): ("open", "open", "+4.0 in 100"),
        ("lps", "OIL"): ("few", "too few", "2 of the 5 sessions needed"),
        ("soft", "OIL"): ("few", "cannot say", "no sham dip to compare with"),
    }
    assert all(m["kill"] is None for m in found["marks"].values())


@pytest.mark.parametrize(
    "kill, kind, text",
    [
        (number(0.99, 0.951, 1.0), "good", "at least 95.1\u00a0%"),
        (number(0.99, 0.9489, 1.0), "open", "at least 94.9\u00a0%"),
        (number(0.80, 0.7, 0.949), "bad", "at least 70.0\u00a0%"),
        (number(0.96, None, 1.0), "few", "no lower limit"),
        (FEW, "few", "2 of the 5 sessions needed"),
    ],
)
def test_a_kill_is_judged_by_its_limits(kill, kind, text):
    cells = [{"coral_group": "sps", "agent": "IOD", "is_control": False, "killed": kill}]
    mark = grid(results(survival=survival(), removal=removal(groups=cells)))["marks"]["sps", "IOD"]["kill"]
    assert (mark.kind, mark.lines) == (kind, (text,))


def test_every_colour_has_its_word():
    html = render_index(results(survival=survival()))
    for words in ("within the limit", "over the limit", "loss: open", "loss: too few", "loss: cannot say"):
        assert words in html
    assert Reader(html)


def action(due, what="Dip lot 1", **more):
    return {"due": due, "what": what, "why": "eggs <hatch>", **more}


def test_actions_are_shown_by_urgency_and_five_at_most():
    given = [action(f"2026-11-{day}", f"Dip lot {day}") for day in (25, 24, 23, 21, 20, 19)] + [action("", "Some day")]
    shown, more = actions(results(actions=given))
    assert [(a.what, a.when) for a in shown] == [
        ("Dip lot 19", "overdue since 19 November 2026"),
        ("Dip lot 20", "now"),
        ("Dip lot 21", "by 21 November 2026"),
        ("Dip lot 23", "by 23 November 2026"),
        ("Dip lot 24", "by 24 November 2026"),
    ]
    assert more == 2
    text = Reader(render_index(results(actions=given))).text
    assert "eggs <hatch>" in text
    assert "2 more on the pages below." in text
    assert "Nothing is due." in render_index(results(actions=[]))


def test_no_page_crowds_out_the_most_urgent_of_another():
    pages = [{"name": name, "title": name, "file": f"{name}.html"} for name in ("follow_up", "quality")]
    due = {"actions": [action("2026-11-20", f"Dip lot {i}") for i in range(9)]}
    late = {"actions": [action("2026-11-29", "Replace bottle 7"), action("2026-11-30", "Ask for gloves")]}
    shown, more = actions(results(pages=pages, follow_up=due, quality=late))
    assert [a.what for a in shown] == ["Dip lot 0", "Dip lot 1", "Dip lot 2", "Dip lot 3", "Replace bottle 7"]
    assert [a.page for a in shown] == ["follow_up.html"] * 4 + ["quality.html"]
    assert more == 6


def test_danger_comes_first_and_an_agent_that_fails_is_not_crowded_out():
    """Five parts ask before it in the order of the pages: people, then corals, then pests and dips, then the log."""
    pages = [{"name": name, "title": name, "file": f"{name}.html"} for name in ("removal", "follow_up", "quality")]
    due = {"actions": [action("2026-11-18", f"Dip lot {i}") for i in range(6)]}
    asks = [
        ("log", "Give sham dips", "mend"), ("", "Take bottle 7 out of use", "watch"), ("log", "Check trays", "looks"),
        ("corals", "Find out what went wrong", "single"), ("people", "Wear gloves", ""),
    ]  # fmt: skip
    log = {"actions": [action("2026-11-20", what) | {"touches": touches, "page": f"quality.html#{part}"}
                       for touches, what, part in asks]}  # fmt: skip
    kills = [{"agent": "IOD", "is_control": False, "killed": number(0.6, 0.5, 0.7)}]
    shown, more = actions(results(pages=pages, removal=removal(agents=kills), follow_up=due, quality=log))
    assert [a.what.split(":")[0] for a in shown] == [
        "Wear gloves", "Find out what went wrong", "Dip lot 0", "Do not rely on one dip of IOD",
        "Take bottle 7 out of use",
    ]  # fmt: skip
    assert more == 7


def test_what_became_of_the_last_list():
    rows = [{"what": "Dip lot <1> again", "state": "done", "how": "since then: 3 of 3 trays"}]
    rows += [{"what": "Look at lot 2", "state": "open", "how": ""}]
    html = render_index(results(last_actions={"as_of": "2026-10-20", "actions": rows}))
    text = " ".join(Reader(html).text.split())
    said = "What became of the list of 20 October 2026 open Look at lot 2 done Dip lot <1> again since then: 3 of 3"
    assert said in text
    assert "What became" not in render_index(results())
    own = {"as_of": "2026-10-20", "actions": [{"what": "Rinse after IOD", "state": "partly", "how": ""}]}
    page = {"name": "quality", "title": "Quality", "file": "quality.html"}
    both = last_actions(results(last_actions={"as_of": "2026-10-20", "actions": rows}, quality={"last_actions": own},
                                pages=[page]))  # fmt: skip
    assert [row["state"] for row in both["rows"]] == ["open", "partly", "done"]
    assert "Nothing was due then." in render_index(results(last_actions={"as_of": "2026-10-20", "actions": []}))


def test_how_far_to_trust_it():
    page = {"name": "labour", "title": "Labour", "file": "labour.html"}
    labour = {"trust": ["4 of 12 sessions have no labour rows."]}
    said = list(trust(results(survival=survival(), removal=removal(), labour=labour, pages=[page])))
    assert said[:-1] == [
        "3 of 40 trays were never checked after the dip (24 pieces: unknown, not alive).",
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
    one = list(trust(results(survival=survival(month_sham={"sessions": 1}))))
    assert "1 sham session to compare with." in one


def test_warnings_are_told_in_words_and_the_many_kinds_counted():
    codes = ["late_check"] * 3 + ["no_ppe"] * 2 + ["never_checked", "off_label", "not_for", "a_new_one"]
    warnings = [{"code": code, "message": "m"} for code in codes]
    assert list(trust(results(warnings=warnings)))[-1] == (
        "The log has 9 warnings: 3 checks later than due, 2 dips under a danger label without full protection, a new "
        "one, 1 tray never checked after its dip and 2 of other kinds."
    )


def test_estimates_come_back_as_they_went():
    for values in (number(0.5, 0.1, None, sessions=3, pieces=4), FEW):
        assert estimate(values).to_json() == values


def pair(first, second, verdict):
    """A pair of results.json; "IOD at 250 mg/L" is an agent at one strength."""
    arms = []
    for name in (first, second):
        agent, _, at = name.partition(" at ")
        value, _, unit = at.partition(" ")
        arms.append({"name": name, "agent": agent, "strength": {"median": float(value), "unit": unit} if at else None})
    kills_more = {f"{side}_better": side == verdict for side in ("first", "second")}
    neither = dict.fromkeys(kills_more, False)
    return {"first": first, "second": second, "verdict": verdict, "arms": arms,
            "findings": {"kill": kills_more, "loss": neither}}  # fmt: skip


def window(agent, *, empty):
    return {"agent": agent, "empty": empty}


def test_agents_told_apart_and_strengths_that_do_both_are_named_on_the_first_page():
    pairs = [pair("IOD", "OIL", "second"), pair("IOD", "POW", "undecided"), pair("OIL", "POW", "first")]
    page = results(
        comparison={"pairs": [*pairs, pair("IOD", "KEL", "equivalent")]},
        dose_response={"windows": [window("OIL", empty=False), window("IOD", empty=True), window("OIL", empty=False)]},
    )
    page["parameters"]["comparison"] = page["parameters"]["survival"]
    assert list(choices(page)) == [
        "Among like corals OIL is better than IOD and POW; IOD and KEL do alike; 1 of 4 pairs of agents is undecided "
        "(12 months to October 2026).",
        "A strength within those tried that surely meets both targets is shown in 2 of 3 pairings of agent, pest stage "
        "and coral: OIL (2).",
    ]
    assert "OIL is better than IOD and POW" in render_index(page)
    page["dose_response"]["windows"] = [window("OIL", empty=True)]
    assert list(choices(page))[1] == (
        "No strength within those tried is shown to meet both targets, in the one pairing of agent, pest stage and "
        "coral."
    )
    assert list(choices(results())) == []


def test_strengths_judged_apart_are_named_and_a_window_they_lie_in_is_told_once():
    """Windows of IOD reach from 200 to 400 mg/L twice, from 600 to 900 once; another axis is no such strength."""
    weak, usual, strong = "IOD at 250 mg/L", "IOD at 500 mg/L", "IOD at 1000 mg/L"
    pairs = [
        pair("POW", weak, "first"), pair("POW", usual, "first"), pair("OIL", weak, "first"),
        pair(weak, strong, "second"), pair(usual, strong, "equivalent"), pair("OIL", "POW", "undecided"),
    ]  # fmt: skip
    page = results(comparison={"pairs": pairs})
    page["parameters"]["comparison"] = page["parameters"]["survival"]
    held = [(200, 400, "mg/L"), (200, 400, "mg/L"), (600, 900, "mg/L"), (200, 400, "mL/L product")]
    page["dose_response"] = {
        "windows": [
            window("IOD", empty=False)
            | {"strength_unit": unit, "low": {"estimate": float(low)}, "high": {"estimate": float(high)}}
            for low, high, unit in held
        ]
    }
    told, strengths, grid = choices(page)
    assert grid == "The table takes all strengths of an agent together."
    assert told == (
        "Among like corals POW is better than IOD at 250 and 500 mg/L; OIL is better than IOD at 250 mg/L; "
        "IOD at 1\u202f000 mg/L is better than IOD at 250 mg/L; IOD at 500 and 1\u202f000 mg/L do alike; "
        "1 of 6 pairs of agents and strengths is undecided (12 months to October 2026)."
    )
    assert strengths.endswith("4 of 4 pairings of agent, pest stage and coral: IOD (4; of the strengths compared "
                              "above, 250 mg/L in 2).")  # fmt: skip
    page["dose_response"]["windows"] = page["dose_response"]["windows"][2:3]
    between = list(choices(page))[1]
    assert between.endswith(": IOD (600 to 900 mg/L, none of the strengths compared above).")


def test_one_that_kills_more_and_loses_more_is_told_though_it_is_undecided():
    better, worse = {"first_better": True, "second_better": False}, {"first_better": False, "second_better": True}
    traded = pair("IOD at 250 mg/L", "IOD at 500 mg/L", "undecided") | {"findings": {"kill": worse, "loss": better}}
    open_ = pair("IOD at 250 mg/L", "POW", "undecided") | {"findings": {"kill": worse, "loss": worse}}
    page = results(comparison={"pairs": [traded, open_]})
    page["parameters"]["comparison"] = page["parameters"]["survival"]
    said = next(choices(page))
    assert said.startswith("Among like corals IOD at 500 mg/L kills more than IOD at 250 mg/L and loses more; 2 of 2 ")
    assert said.count("kills more") == 1
    assert "undecided, 1 of them as kill stands against loss (" in said
    second = pair("POW", "IOD at 500 mg/L", "undecided") | {"findings": {"kill": worse, "loss": better}}
    page["comparison"]["pairs"] = [traded, second]
    assert "IOD at 500 mg/L kills more than IOD at 250 mg/L and POW and loses more; 2 of 2 " in next(choices(page))


def test_a_part_that_is_never_counted_is_asked_for_and_told_once():
    silent = cannot_say("no denominator: what fell into the bath was not counted").to_json()
    month = removal()["month"] | {"removed": silent, "killed": silent}
    page = results(removal=removal(month=month, counted=57, agents=[]))
    (asked,) = actions(page)[0]
    assert asked.what.startswith("Count the pests in the bath, in the rinse and still on the pieces")
    assert asked.why.startswith("what fell into the bath was not counted, and without it nobody can say")
    assert next(trust(page)) == "All 57 sessions have a pest count, but what fell into the bath was not counted."
    shown = tile(page, 2)
    assert shown.lines == (("what fell into the bath was not counted, so no share can be said", ""),)
    assert shown.behind == ("546 pests found, 49 sessions",)
    assert actions(results(removal=removal(agents=[])))[0] == []


def test_the_one_pair_there_is_is_named_where_it_is_undecided():
    page = results(comparison={"pairs": [pair("OLD", "NEW", "undecided")]})
    page["parameters"]["comparison"] = page["parameters"]["survival"]
    assert next(choices(page)) == (
        "Among like corals it is undecided which of OLD and NEW does better (12 months to October 2026)."
    )


def test_a_better_strength_of_an_agent_that_fails_is_no_way_out():
    kills = [{"agent": name, "is_control": False, "killed": number(0.9, 0.8, 0.93)} for name in ("IOD", "POW")]
    pairs = [pair("IOD at 250 mg/L", "IOD at 500 mg/L", "second"), pair("POW", "KEL", "second")]
    (action,) = actions(results(removal=removal(agents=kills), comparison={"pairs": pairs}))[0]
    assert action.why.endswith("; among like corals KEL kills a larger share than 1 of them")


def test_of_strengths_compared_apart_the_weak_one_is_named_and_the_strong_one_not():
    kills = [{"agent": name, "is_control": False, "killed": number(0.9, 0.8, 0.93)} for name in ("IOD", "POW")]
    pairs = [pair("IOD at 250 mg/L", "IOD at 500 mg/L", "second"), pair("IOD at 250 mg/L", "POW", "undecided")]
    arms = {arm["name"]: arm for both in pairs for arm in both["arms"]}
    highs = {"IOD at 250 mg/L": 0.8, "IOD at 500 mg/L": 0.99, "POW": 0.93}
    points = [{"arm": arms[name], "kill": number(0.75, 0.7, high)} for name, high in highs.items()]
    page = results(removal=removal(agents=kills), comparison={"pairs": pairs, "points": points})
    (action,) = actions(page)[0]
    assert action.what == "Do not rely on one dip of IOD at 250 mg/L and POW"
    assert action.why.startswith("trial another agent, or a strength its label allows; each kills fewer ")
    assert action.why.endswith("; among like corals IOD at 500 mg/L kills a larger share than 1 of them")
    assert "killed: IOD at 250 mg/L and POW (" in list(failed(page))[-1]
    points[1]["kill"] = number(0.75, 0.7, 0.9)  # strengths of one agent are named together
    assert actions(page)[0][0].what == "Do not rely on one dip of IOD at 250 and 500 mg/L and POW"
    assert "killed: IOD at 250 and 500 mg/L and POW (" in list(failed(page))[-1]
    page["comparison"]["coral_group"] = "sps"  # of some corals only: no word on the agent's strengths as a whole
    assert actions(page)[0][0].what == "Do not rely on one dip of IOD and POW"
    del page["comparison"]["coral_group"]
    points[0]["kill"] = points[1]["kill"] = number(0.9, 0.8, 0.96)  # neither strength by itself, both together
    assert actions(page)[0][0].what == "Do not rely on one dip of IOD and POW"


def test_an_agent_that_falls_short_is_told_which_is_better_unless_that_one_fails_too():
    kills = [
        {"agent": name, "is_control": False, "killed": number(0.9, 0.8, high)}
        for name, high in (("IOD", 0.93), ("OIL", 0.97), ("POW", 0.94))
    ]
    page = results(
        removal=removal(agents=kills),
        comparison={"pairs": [pair("IOD", "OIL", "second"), pair("IOD", "POW", "second")]},
    )
    (action,) = actions(page)[0]
    assert action.what == "Do not rely on one dip of IOD and POW"
    assert action.why.endswith("; among like corals OIL kills a larger share than 1 of them")
    page["comparison"]["pairs"][0]["findings"]["kill"]["second_better"] = False  # it loses fewer: no help against pests
    assert actions(page)[0][0].why.endswith("even by its upper limit")
    alone = results(removal=removal(agents=kills[:1]), comparison={"pairs": [pair("IOD", "OIL", "second")]})
    assert actions(alone)[0][0].why.endswith("; among like corals OIL kills a larger share than it")


def test_the_loss_of_the_window_stands_beside_that_of_a_month_only_if_it_holds_more():
    lines = tile(results(survival=survival()), 1).lines
    assert lines[1] == ("+2.1 in 100", "over the 12 months to October 2026; 95\u00a0% limits +0.8 to +3.4")
    alone = survival()
    alone["window"] = alone["window"] | {"pieces": alone["month"]["pieces"]}
    assert len(tile(results(survival=alone), 1).lines) == 1
