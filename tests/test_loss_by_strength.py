"""What an agent costs at its strengths: which of them is stopped, on invented logs and on invented results."""

import json

import numpy as np
import pytest

from afterdip.answers.survival import answer_survival
from afterdip.answers.survival_strengths import parts_of
from afterdip.report.arms import arms_in_words
from afterdip.report.choice import choices
from afterdip.report.failing import below_the_target, groups_over_the_limit, over_the_limit
from afterdip.report.grid import grid
from afterdip.report.index import failed, render_index
from afterdip.report.todo import actions
from afterdip.tables.survival import survival_table, with_strengths
from test_comparison_arms import AS_OF, farm, sessions
from test_report_index import FEW, NO_SHAM, number, pair, removal, survival
from test_report_pages import Reader, results

SHAM = ("SHAM", None, 24, 1, 0)  # one of 20 dies
AGENTS = ("IOD", "OIL", "SHAM")


def answer_of(folder, *baths):
    log = farm(folder, *baths, agents=AGENTS)
    return answer_survival(log, month="2026-10", as_of=AS_OF)


def page_of(answer):
    found = json.loads(json.dumps(answer.to_json(), allow_nan=False))
    page = results(survival=found)
    page["settings"] |= {"target_loss": 0.05}
    return page


def asked(page):
    return [action.what.partition(",")[0] for action in actions(page)[0]]


def test_the_deadly_strength_is_stopped_and_the_working_one_is_not(tmp_path):
    """24 baths at 100 mg/L lose like the sham, 24 at 400 mg/L lose 8 of 20: together 25 in 100 would be stopped."""
    answer = answer_of(tmp_path, SHAM, ("IOD", 10, 24, 1, 5), ("IOD", 40, 24, 8, 9))
    weak, strong = answer.strengths
    assert (weak.label, strong.label) == ("IOD at 100 mg/L", "IOD at 400 mg/L")
    assert weak.loss_over_sham.estimate == pytest.approx(0.0, abs=1e-12)
    assert strong.loss_over_sham.estimate == pytest.approx(0.35, abs=1e-12)
    together = next(c for c in answer.agents if c.label == "IOD").loss_over_sham
    assert together.low > 0.05  # the agent as a whole is over the limit of 5 in 100
    page = page_of(answer)
    assert asked(page) == ["Stop IOD at 400 mg/L"]
    assert actions(page)[0][0].why.endswith("over sham dips; at 100 mg/L it is within the limit")
    assert next(failed(page)).startswith("Over the limit of 5 in 100 pieces lost over sham: IOD at 400 mg/L (12 months")
    assert groups_over_the_limit(page) == []  # sps are all its corals: said already


def test_a_strength_is_what_a_log_of_its_baths_alone_would_say(tmp_path):
    """The same estimate by another way: the other strengths never written down."""
    both = answer_of(tmp_path / "both", SHAM, ("IOD", 10, 24, 1, 5), ("IOD", 40, 24, 8, 9))
    one = answer_of(tmp_path / "one", SHAM, ("IOD", 40, 24, 8, 9))
    whole = next(c for c in one.agents if c.label == "IOD")
    assert both.strengths[1].loss_over_sham == whole.loss_over_sham
    assert both.strengths[1].alive == whole.alive
    assert both.group_strengths[1].loss_over_sham == whole.loss_over_sham  # sps are all there are
    assert one.strengths == one.group_strengths == ()


def test_many_harmless_baths_do_not_hide_a_few_that_kill(tmp_path):
    """Eight baths at 400 mg/L are too few to be compared; what they cost is asked all the same."""
    answer = answer_of(tmp_path, SHAM, ("IOD", 10, 60, 1, 5), ("IOD", 40, 8, 8, 9))
    assert [c.label for c in answer.strengths] == ["IOD at 100 mg/L", "IOD at strengths other than 100 mg/L"]
    together = next(c for c in answer.agents if c.label == "IOD").loss_over_sham
    assert together.low < 0.05
    assert asked(page_of(answer)) == ["Stop IOD at strengths other than 100 mg/L"]


def test_where_all_strengths_are_over_the_agent_is_stopped(tmp_path):
    page = page_of(answer_of(tmp_path, SHAM, ("IOD", 10, 24, 8, 5), ("IOD", 40, 24, 8, 9)))
    assert asked(page) == ["Stop IOD"]
    assert next(failed(page)).startswith("Over the limit of 5 in 100 pieces lost over sham: IOD (12 months")


def test_strengths_that_run_into_one_another_are_stopped_together(tmp_path):
    amounts = list(np.geomspace(10, 40, 48))
    answer = answer_of(tmp_path, SHAM, ("IOD", amounts, 48, 5, 9))
    assert answer.strengths == ()
    assert asked(page_of(answer)) == ["Stop IOD"]


def test_one_strength_and_a_sham_have_no_parts():
    assert parts_of(sessions(A=[5.0] * 30, a_sham=[0.0] * 30), set()) == ()
    table = sessions(A=[5.0] * 12 + [10.0] * 12 + [20.0] * 2 + [np.nan], B=[5.0] * 3)
    assert [(part.name, len(part.sessions)) for part in parts_of(table, set())] == [
        ("A at 5 mg/L", 12), ("A at 10 mg/L", 12), ("A at strengths other than 5 and 10 mg/L", 3),
    ]  # fmt: skip


def test_the_page_has_the_strengths_below_their_agent(tmp_path):
    answer = answer_of(tmp_path, SHAM, ("IOD", 10, 24, 1, 5), ("IOD", 40, 24, 8, 9), ("OIL", 20, 12, 1, 5))
    rows = with_strengths(answer.agents, answer.strengths)
    assert [c.label for c in rows] == ["IOD", "IOD at 100 mg/L", "IOD at 400 mg/L", "OIL", "SHAM"]
    table = survival_table(answer, rows, caption="c")
    assert "Strengths stand below their agent" in table.note
    assert "Strengths" not in survival_table(answer, answer.agents, caption="c").note
    groups = with_strengths(answer.groups, answer.group_strengths)
    assert [c.label for c in groups][:3] == ["sps, IOD", "sps, IOD at 100 mg/L", "sps, IOD at 400 mg/L"]


# --- invented results ----------------------------------------------------------------------------------------------

OVER, OPEN, WITHIN = number(0.2, 0.06, 0.4), number(0.06, 0.01, 0.1), number(0.0, -0.04, 0.04)


def part(strength, loss, group="", pieces=100):
    """A strength of IOD in results.json; None: its other strengths."""
    name = f"IOD at {strength} mg/L" if strength else "IOD at strengths other than 10 mg/L"
    at = {"median": float(strength), "unit": "mg/L"} if strength else None
    where = {"coral_group": group} if group else {}
    return where | {"agent": "IOD", "name": name, "strength": at, "is_control": False, "pieces": pieces,
                    "loss_over_sham": loss}  # fmt: skip


def whole(loss, group="", agent="IOD", pieces=200):
    where = {"coral_group": group} if group else {}
    return where | {"agent": agent, "is_control": False, "pieces": pieces, "loss_over_sham": loss}


def judged(agents=(), strengths=(), groups=(), group_strengths=()):
    names = ("agents", "strengths", "groups", "group_strengths")
    given = dict(zip(names, map(list, (agents, strengths, groups, group_strengths)), strict=True))
    return results(survival=survival(**given))


@pytest.mark.parametrize(
    ("together", "parts", "names"),
    [
        (OVER, [(10, OPEN), (40, OVER)], ["IOD at 40 mg/L"]),
        (OPEN, [(10, WITHIN), (40, OVER)], ["IOD at 40 mg/L"]),  # many weak baths hide nothing
        (FEW, [(10, FEW), (40, OVER)], ["IOD at 40 mg/L"]),
        (OVER, [(10, OVER), (40, OVER)], ["IOD"]),
        (OVER, [(10, OVER), (40, OVER), (None, WITHIN)], ["IOD"]),
        (OVER, [(10, OVER), (40, FEW)], ["IOD at 10 mg/L"]),
        (OVER, [(10, OPEN), (40, OPEN)], ["IOD"]),  # only together
        (OVER, [(10, WITHIN), (40, OPEN)], ["IOD at strengths other than 10 mg/L"]),
        (OVER, [(10, OPEN), (None, OVER)], ["IOD at strengths other than 10 mg/L"]),
        (OPEN, [(10, OPEN), (40, OPEN)], []),
        (NO_SHAM, [(10, NO_SHAM), (40, NO_SHAM)], []),
        (OVER, [], ["IOD"]),
    ],
)
def test_who_is_over_the_limit(together, parts, names):
    page = judged([whole(together)], [part(*p) for p in parts])
    assert [name for over in over_the_limit(page) for name in over.names] == names


def test_a_coral_group_is_kept_out_of_the_strength_that_harms_it():
    strengths = [part(10, WITHIN), part(40, OPEN)]
    on_soft = [part(10, FEW, "soft"), part(40, OVER, "soft")]
    page = judged([whole(OPEN)], strengths, [whole(OPEN, "soft"), whole(WITHIN, "sps")], on_soft)
    assert asked(page) == ["Keep soft corals out of IOD at 40 mg/L"]
    assert next(failed(page)).startswith(
        "Over the limit of 5 in 100 pieces lost over sham: no agent on all corals, but IOD at 40 mg/L on soft ("
    )
    only_one = judged([whole(OPEN)], strengths, [whole(OVER, "soft")], [part(40, OVER, "soft")])
    assert asked(only_one) == ["Keep soft corals out of IOD at 40 mg/L"]  # 10 mg/L was never used on them
    stopped = judged([whole(OPEN)], [part(10, WITHIN), part(40, OVER)], [whole(OVER, "soft")], on_soft)
    assert asked(stopped) == ["Stop IOD at 40 mg/L"]


def test_a_box_names_the_strength_that_it_hides():
    groups = [whole(OPEN, "soft"), whole(OVER, "sps"), whole(OVER, "lps")]
    parts = [part(10, OPEN, "soft"), part(40, OVER, "soft"), part(10, WITHIN, "sps"), part(40, OVER, "sps"),
             part(None, OVER, "soft"), part(40, OVER, "lps")]  # fmt: skip
    page = judged([whole(OPEN)], [part(10, OPEN), part(40, OVER)], groups, parts)
    marks = {key[0]: [(name, mark.word) for name, mark in cell["at"]] for key, cell in grid(page)["marks"].items()}
    assert marks == {
        "soft": [("loss at 40 mg/L", "over the limit"), ("loss at its other strengths", "over the limit")],
        "sps": [("loss at 10 mg/L", "within the limit")],
        "lps": [],
    }
    text = " ".join(Reader(render_index(page)).text.split())
    assert text.count("loss at 40 mg/L: over the limit") == 1
    assert text.count("loss at 10 mg/L: within the limit") == 1
    assert list(choices(page)) == [
        "The table takes all strengths of an agent together; on all corals over the limit of loss: IOD at 40 mg/L."
    ]


def test_of_many_that_fail_three_are_named_those_with_the_most_pests_or_pieces():
    losses = [whole(OVER, agent=agent, pieces=n) for agent, n in (("A", 50), ("B", 90), ("C", 10), ("D", 70))]
    kills = [
        {"agent": agent, "is_control": False, "killed": number(0.6, 0.5, 0.7, pests=n)}
        for agent, n in (("A", 50), ("B", 10), ("C", 90), ("D", 70), ("E", 5))
    ]
    pages = [{"name": name, "title": name, "file": f"{name}.html"} for name in ("removal", "comparison")]
    pairs = [pair("F", agent, "first") for agent in "ABCDE"] + [pair("A", "E", "second"), pair("G", "A", "first")]
    page = results(survival=survival(agents=losses, groups=[]), removal=removal(agents=kills), pages=pages,
                   comparison={"pairs": pairs})  # fmt: skip
    page["parameters"]["removal"] = page["parameters"]["comparison"] = page["parameters"]["survival"]
    assert list(failed(page)) == [
        "Over the limit of 5 in 100 pieces lost over sham: B, D, A and 1 more (12 months to October 2026).",
        "Short of the target of 95\u00a0% of pests killed: C, D, A and 2 more.",
    ]
    assert below_the_target(page) == ["C", "D", "A", "B", "E"]
    weak = actions(page)[0][-1]
    assert weak.what == "Do not rely on one dip of C, D, A and 2 more"
    assert weak.why.endswith("; among like corals F kills a larger share than any of them and G than 1 of them")
    assert weak.page == "comparison.html"  # which names them all


def test_an_agent_beaten_at_two_strengths_is_one_of_them():
    low = number(0.6, 0.5, 0.7, pests=9)
    kills = [{"agent": agent, "is_control": False, "killed": low} for agent in ("IOD", "POW")]
    pairs = [pair("F", "IOD at 10 mg/L", "first"), pair("F", "IOD at 40 mg/L", "first"), pair("F", "POW", "undecided")]
    page = results(removal=removal(agents=kills), comparison={"pairs": pairs})
    (action,) = actions(page)[0]
    assert action.what == "Do not rely on one dip of IOD and POW"
    assert action.why.endswith("; among like corals F kills a larger share than 1 of them")


def test_strengths_compared_otherwise_do_not_count_among_those_judged():
    """A comparison of another window has other strengths of the agent: all that are judged for loss are over."""
    page = judged([whole(OVER)], [part(10, OVER), part(40, OVER)])
    page["comparison"] = {"pairs": [pair("IOD at 80 mg/L", "OIL", "undecided")]}
    page["parameters"]["comparison"] = page["parameters"]["survival"]
    assert [over.names for over in over_the_limit(page)] == [("IOD",)]


def test_strengths_of_one_agent_stand_together_and_those_left_out_count_one_by_one():
    """All four of IOD are as short as three "and 1 more"; of four agents the two strengths of the last are two more."""
    names = [f"IOD at {n} mg/L" for n in (10, 20, 40, 80)]
    pairs = [pair(names[0], names[1], "undecided"), pair(names[2], names[3], "undecided")]
    arms = {arm["name"]: arm for both in pairs for arm in both["arms"]}
    points = [{"arm": arms[name], "kill": number(0.5, 0.4, 0.6, pests=n)} for n, name in enumerate(names)]
    kills = [{"agent": "IOD", "is_control": False, "killed": number(0.5, 0.4, 0.6, pests=9)}]
    page = results(removal=removal(agents=kills), comparison={"pairs": pairs, "points": points})
    (action,) = actions(page)[0]
    assert action.what == "Do not rely on one dip of IOD at 10, 20, 40 and 80 mg/L"
    assert arms_in_words(["OIL", "POW", "KEL", names[0], names[3]], arms, most=3) == "OIL, POW, KEL and 2 more"
