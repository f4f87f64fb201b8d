"""Agents compared at their strengths: invented logs whose strengths stand apart, run into one another or drift."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from afterdip.answers.comparison import answer_comparison
from afterdip.answers.comparison_arms import GAP, NARROW, OFTEN, arms_apart, named_arms
from afterdip.answers.comparison_page import answer_comparison_page
from afterdip.answers.words import and_so_on, strength_words
from afterdip.charts.comparison import draw_plane
from afterdip.cli import main
from afterdip.log import read_log
from afterdip.tables import comparison as tables
from afterdip.tables.handling import arms_sentence, handling_table, short_sentence, strengths_sentence
from builders import small_log, write_log

AS_OF = "2026-11-20"


def farm(folder, *baths, agents=("IOD", "OIL")):
    """A log of `baths` (agent, mL in 10 L, sessions, dead of 20, killed of 10), dealt in turn; 10 mL of IOD: 100 mg/L.

    `mL` may be a list, one a session; None for a sham. Every session has one tray of 20 good sps and 10 flatworms.
    """
    log = small_log()
    log["agents"] = log["agents"][log["agents"]["agent"].isin(agents)].reset_index(drop=True)
    rows = {name: [] for name in ("sessions", "trays", "checks", "pests")}
    queue = [[i, *bath] for i, bath in enumerate(baths)]
    runs = sorted((s / n, i, s) for i, _, _, n, *_ in queue for s in range(n))
    for place, (_, i, s) in enumerate(runs):
        _, agent, amounts, _, died, killed = queue[i]
        amount = amounts[s] if isinstance(amounts, list) else amounts
        day, key = pd.Timestamp("2026-02-02") + pd.Timedelta(days=2 * place), f"S{place:03d}"
        date = f"{day:%Y-%m-%d}"
        bath = {"amount": f"{amount:g}", "amount_unit": "mL"} if amount is not None else {}
        bath |= {"bath_volume": "10", "bath_volume_unit": "L"}
        rows["sessions"].append({"session": key, "started": f"{date}T09:00", "agent": agent, "minutes": "10", **bath})
        tray = {"tray": key, "session": key, "coral": "Acropora millepora", "coral_group": "sps", "pieces": "20"}
        rows["trays"].append({**tray, "condition": "good", "origin": "own cut"})
        for after, d in ((7, died), (30, 0)):
            check = {"tray": key, "checked": f"{day + pd.Timedelta(days=after):%Y-%m-%d}", "alive": str(20 - died)}
            rows["checks"].append({**check, "dead": str(d), "detached": "0", "removed": "0"})
        pest = {"tray": key, "pest": "flatworm", "stage": "adult", "counted": date, "examined": "20"}
        rows["pests"].append({**pest, "moment": "bath", "alive": "0", "dead": str(killed)})
        rows["pests"].append({**pest, "moment": "on piece", "alive": str(10 - killed), "dead": "0"})
    for name, found in rows.items():
        log[name] = pd.DataFrame(found).reindex(columns=log[name].columns).fillna("")
    log["labour"] = log["labour"].iloc[:0]
    return read_log(write_log(log, folder), as_of=AS_OF)


def page_of(log, **more):
    return answer_comparison_page(log, month="2026-10", as_of=AS_OF, **more)


def sessions(**strengths):
    """A table of sessions as `arms_apart` reads it: agent=[strengths], a name ending in _sham a sham."""
    rows = [
        {"session": f"{agent}{i}", "agent": agent, "strength": x, "strength_unit": unit, "is_control": "sham" in agent}
        for agent, values in strengths.items()
        for i, value in enumerate(values)
        for x, unit in [value if isinstance(value, tuple) else (value, "mg/L")]
    ]
    return pd.DataFrame(rows)


def names(table, taken=()):
    arms, left = arms_apart(table, set(taken))
    return [arm.name for arm in arms], [(part.agent, part.sessions) for part in left]


# --- which strengths stand apart -----------------------------------------------------------------------------------


def test_strengths_used_often_are_arms_and_rarer_ones_are_left_out():
    table = sessions(A=[500.0] * OFTEN + [1000.0] * OFTEN + [2000.0] * (OFTEN - 1) + [np.nan] * 2, B=[7.0] * 3)
    arms, left = arms_apart(table, set())
    assert [arm.name for arm in arms] == ["A at 500 mg/L", "A at 1\u202f000 mg/L", "B"]
    assert [len(arm.sessions) for arm in arms] == [OFTEN, OFTEN, 3]
    assert [(part.sessions, part.strength and part.strength.median) for part in left] == [
        (OFTEN - 1, 2000.0), (2, None),
    ]  # fmt: skip
    assert not any(arm.mixed for arm in arms)


def test_one_strength_is_the_agent_itself_whatever_it_scatters():
    scattered = list(np.geomspace(90.0, 90.0 * NARROW, 30))
    arms, left = arms_apart(sessions(A=scattered, B=[np.nan] * 20, a_sham=[0.0] * 20), set())
    assert [(arm.name, arm.strength, arm.mixed) for arm in arms] == [
        ("A", None, False), ("B", None, False), ("a_sham", None, False),
    ]  # fmt: skip
    assert left == ()


def test_a_step_of_the_gap_parts_strengths_and_a_smaller_one_does_not():
    assert names(sessions(A=[4.0] * OFTEN + [4.0 * GAP] * OFTEN))[0] == ["A at 4 mg/L", "A at 5 mg/L"]
    assert names(sessions(A=[4.0] * OFTEN + [3.99 * GAP] * OFTEN))[0] == ["A"]


@pytest.mark.parametrize(
    "strengths",
    [
        np.geomspace(10.0, 100.0, 60),  # chosen freely
        np.geomspace(10.0, 10.0 * NARROW * 1.01, 40),  # a drift
        [1.0] * 40 + [2.0] * 20 + list(np.geomspace(10.0, 20.0, 12)),  # one strength used often is a stretch
        [1.0] * (OFTEN - 1) + [2.0] * (OFTEN - 1) + [4.0] * (OFTEN - 1),  # none used often
    ],
)
def test_strengths_that_run_into_one_another_or_are_all_rare_are_taken_together(strengths):
    (arm,), left = arms_apart(sessions(A=list(strengths)), set())
    assert (arm.name, arm.strength, arm.mixed, len(arm.sessions)) == ("A", None, True, len(strengths))
    assert left == ()


def test_axes_are_never_put_on_one():
    table = sessions(A=[(5.0, "mg/L")] * OFTEN + [(5.0, "mL/L product")] * OFTEN + [(5.0, "tablets/L")])
    assert names(table) == (["A at 5 mL/L product", "A at 5 mg/L"], [("A", 1)])


def test_an_arm_never_takes_the_name_of_an_agent():
    table = sessions(A=[500.0] * OFTEN + [1000.0] * OFTEN)
    assert names(table, taken={"A at 500 mg/L"}) == (["A"], [])


def test_two_strengths_measured_with_a_scatter_are_found_and_free_ones_are_not_split():
    """What GAP and NARROW promise, on 200 invented logs each."""
    rng = np.random.default_rng(3)
    found = {"two": 0, "free": 0}
    for _ in range(200):
        two = np.concatenate([np.exp(rng.normal(0, 0.05, 30)), 2 * np.exp(rng.normal(0, 0.05, 30))])
        found["two"] += len(arms_apart(sessions(A=list(two)), set())[0]) == 2
        found["free"] += arms_apart(sessions(A=list(10 ** rng.uniform(0, 1, 40))), set())[0][0].strength is not None
    assert found["two"] == 200
    assert found["free"] <= 3


def test_strengths_in_words():
    assert strength_words((24714.6, "mg/L")) == "24\u202f700 mg/L"
    assert strength_words((0.08351, "mL/L"), (1.6, "mg/L"), (500.0, "mg/L")) == "0.0835 mL/L and 1.6 and 500 mg/L"


# --- names ---------------------------------------------------------------------------------------------------------


def test_an_arm_is_named_as_it_is_printed_or_typed():
    table = sessions(A=[500.0] * 3 + [1000.0] * 2, B=[1.0])
    for typed in ("A at 1\u202f000 mg/L", "A at 1,000 mg/L", "A at 1000mg/L"):
        first, second = named_arms(table, (typed, "B"), ("A", "B"))
        assert (first.name, len(first.sessions)) == ("A at 1\u202f000 mg/L", 2)
        assert (second.name, second.strength) == ("B", None)
    assert [len(arm.sessions) for arm in named_arms(table, ("A", "B"), ("A", "B", "C"))] == [5, 1]


def test_an_agent_is_not_compared_with_itself_or_a_part_of_it():
    table = sessions(A=[500.0] * 3 + [1000.0] * 2, B=[1.0])
    for pair in (("A", "A"), ("A", "A at 500 mg/L"), ("A at 500 mg/L", "A at 500 mg/L")):
        with pytest.raises(ValueError, match="itself: A"):
            named_arms(table, pair, ("A", "B"))
    with pytest.raises(ValueError, match="no agent 'A at 700 mg/L'; it has A, B; at one strength A at 500"):
        named_arms(table, ("A at 700 mg/L", "B"), ("A", "B"))


# --- planted differences -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """IOD at 100 mg/L kills half and at 200 mg/L nine tenths; OIL as the stronger; five odd sessions at 400 mg/L."""
    folder = tmp_path_factory.mktemp("two") / "log"
    baths = [("IOD", 10, 20, 1, 5), ("IOD", 20, 24, 1, 9), ("IOD", 40, 5, 18, 2), ("OIL", 20, 26, 1, 9)]
    return folder, farm(folder, *baths)


@pytest.fixture(scope="module")
def page(two):
    return page_of(two[1])


def test_the_better_strength_is_found_and_rare_ones_touch_nothing(page):
    assert [p.agent for p in page.agents] == ["IOD at 100 mg/L", "IOD at 200 mg/L", "OIL"]
    words = {(p.first, p.second): p.verdict.word for p in page.pairs}
    assert words == {
        ("IOD at 100 mg/L", "IOD at 200 mg/L"): "second",
        ("IOD at 100 mg/L", "OIL"): "second",
        ("IOD at 200 mg/L", "OIL"): "equivalent",
    }
    within = next(p for p in page.pairs if p.one_agent)
    assert within.kill.adjusted.difference.estimate == pytest.approx(0.5 - 0.9)
    assert within.loss.crude.first.estimate == pytest.approx(1 / 20)
    assert within.kill.crude.difference.sessions == 44
    assert [(part.agent, part.sessions, part.strength.median) for part in page.left_out] == [("IOD", 5, 400.0)]


def test_a_stronger_bath_that_costs_corals_and_kills_no_more_is_found(tmp_path):
    log = farm(tmp_path, ("IOD", 10, 30, 1, 9), ("IOD", 20, 30, 6, 9))
    page = page_of(log)
    assert (page.pair.judged.first, page.pair.judged.second) == ("IOD at 100 mg/L", "IOD at 200 mg/L")
    assert page.pair.judged.verdict.word == "first"
    assert "Sicker corals often get the weaker bath" in tables.verdict_sentence(page.pair)
    assert tables.pairs_table(page).rows[0][:2] == ("IOD at 100 mg/L – at 200 mg/L", "IOD at 100 mg/L")
    assert "Sicker corals" in tables.pairs_table(page).note.replace("sicker", "Sicker")
    dealt = replace(page.pair, randomised=page.pair.sessions)
    assert "Sicker corals" not in tables.verdict_sentence(dealt)


def test_an_arm_is_what_a_log_of_its_sessions_alone_would_say(two, tmp_path):
    """The same estimates by another way: the other strengths never written down."""
    alone = farm(tmp_path, ("IOD", 10, 20, 1, 5), ("OIL", 20, 26, 1, 9))
    one = answer_comparison(alone, first="IOD", second="OIL", as_of=AS_OF)
    arm = answer_comparison(two[1], first="IOD at 100 mg/L", second="OIL", as_of=AS_OF)
    for a, b in ((one.judged.kill, arm.judged.kill), (one.judged.loss, arm.judged.loss)):
        for x, y in ((a.adjusted, b.adjusted), (a.crude, b.crude)):
            assert x.difference == y.difference
            assert (x.first, x.second) == (y.first, y.second)
    assert one.sessions == arm.sessions == (20, 26)
    assert one.odds == arm.odds
    assert arm.handling[0].strengths == one.handling[0].strengths
    assert (arm.handling[0].elsewhere, one.handling[0].elsewhere) == (29, 0)


def test_an_agents_name_takes_its_strengths_together_and_says_so(two):
    whole = answer_comparison(two[1], first="IOD", second="OIL", as_of=AS_OF)
    assert whole.sessions == (49, 26)
    assert whole.judged.kill.crude.first.estimate == pytest.approx((20 * 5 + 24 * 9 + 5 * 2) / 490)
    assert strengths_sentence(whole).startswith("An agent's strengths are taken together here")
    apart = answer_comparison(two[1], first="IOD at 200 mg/L", second="OIL", as_of=AS_OF)
    assert strengths_sentence(apart) == "At other or unknown strengths, and not compared here: 25 sessions of IOD."
    assert "takes each kind by itself" in tables.targets_sentence(apart)
    assert "takes each kind by itself" not in tables.targets_sentence(whole)
    both = answer_comparison(two[1], first="IOD at 100 mg/L", second="IOD at 200 mg/L", as_of=AS_OF)
    assert strengths_sentence(both) == "At other or unknown strengths, and not compared here: 5 sessions of IOD."
    assert handling_table(both).columns == ("", "IOD at 100 mg/L", "IOD at 200 mg/L")


def test_the_page_says_what_is_apart_and_what_is_left_out(page):
    assert arms_sentence(page) == (
        "Judged at each strength used in 12 sessions or more, whatever the minutes: IOD. "
        "Left out, used less often: IOD at 400 mg/L (5 sessions)."
    )
    found = json.loads(json.dumps(page.to_json(), allow_nan=False))
    assert "5 sessions of IOD are in no pair: the strength was used in fewer than 12 sessions." in found["trust"]
    assert found["strengths_left_out"][0]["strength"]["median"] == 400.0
    pair = next(p for p in found["pairs"] if p["first"] == "IOD at 100 mg/L" and p["second"] == "OIL")
    assert [arm["agent"] for arm in pair["arms"]] == ["IOD", "OIL"]
    assert [arm["strength"] and arm["strength"]["median"] for arm in pair["arms"]] == [100.0, None]
    assert found["points"][1]["arm"]["name"] == found["points"][1]["agent"] == "IOD at 200 mg/L"


def test_all_that_fall_short_of_the_target_are_named(page):
    """The target is 95 of 100; the weak strength kills half, the others nine in ten of 240 and 260."""
    highs = {point.agent: point.kill.high for point in page.agents}
    short = [name for name, high in highs.items() if high < 0.95]
    assert "IOD at 100 mg/L" in short
    assert short_sentence(page) == (
        f"Short of the target of 95\u00a0% of pests killed, even by the upper limit: {and_so_on(short)}."
    )
    assert short_sentence(replace(page, target_kill=0.1)) == ""


def test_the_close_pair_is_of_two_agents_where_there_are_two(page):
    assert (page.pair.judged.first, page.pair.judged.second) == ("IOD at 200 mg/L", "OIL")  # IOD at 100 has fewer


def test_strengths_of_an_agent_share_a_look_and_are_joined(page, two):
    axes = Figure(layout="constrained").subplots()
    draw_plane(axes, page)
    axes.figure.canvas.draw()
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["IOD, mg/L", "OIL"]
    assert [text.get_text() for text in axes.texts] == ["100", "200"]
    assert "A line joins the strengths of one agent" in tables.comparison_captions(page)["plane"]["caption"]


def test_one_strength_each_leaves_the_page_as_it_was(tmp_path):
    page = page_of(farm(tmp_path, ("IOD", 10, 20, 1, 5), ("OIL", 20, 20, 1, 9)))
    assert [p.agent for p in page.agents] == ["IOD", "OIL"]
    assert arms_sentence(page) == ""
    assert tables.pairs_table(page).caption == "Every pair of agents"
    assert "strength" not in tables.pairs_table(page).note
    assert "strength" not in tables.comparison_captions(page)["plane"]["caption"]
    assert page.to_json()["strengths_left_out"] == []


def test_a_drift_and_a_free_choice_are_taken_together_with_the_words(tmp_path):
    free = np.random.default_rng(1).permutation(np.geomspace(5, 80, 30))
    for n, amounts in enumerate((np.geomspace(10, 20, 30), free)):
        page = page_of(farm(tmp_path / str(n), ("IOD", list(amounts), 30, 1, 5), ("OIL", 20, 30, 1, 9)))
        assert [p.agent for p in page.agents] == ["IOD", "OIL"]
        assert arms_sentence(page).startswith("Judged over all strengths together, as they run into one another")
        assert "An agent's strengths are taken together here" in tables.fairness_sentence(page.pair)


def test_only_pairs_with_the_sessions_for_a_verdict_share_the_error(tmp_path):
    """OIL was used 5 times only: neither pair of it could get a word, whatever it showed."""
    page = page_of(farm(tmp_path, ("IOD", 10, 20, 1, 5), ("IOD", 20, 20, 1, 9), ("OIL", 20, 5, 20, 0)))
    assert (len(page.pairs), page.pairs_able) == (3, 1)
    assert page.superior_level == 0.99
    assert {p.verdict.word for p in page.pairs if "OIL" in (p.first, p.second)} == {"undecided"}
    note = tables.pairs_table(page).note
    assert "at 99.00\u00a0%, as 1 of 3 pairs has the 6 sessions a side for a verdict: with all alike in truth" in note


def test_compare_takes_a_strength_by_name(two, capsys, tmp_path):
    arguments = ["compare", str(two[0]), "--first", "IOD at 100 mg/L", "--second", "IOD at 200 mg/L", "--as-of", AS_OF]
    assert main([*arguments, "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Verdict: IOD at 200 mg/L did better than IOD at 100 mg/L")
    assert "not compared here: 5 sessions of IOD" in said
    results = json.loads((tmp_path / "out" / "results.json").read_text())["comparison"]
    assert (results["first"], results["verdict"]) == ("IOD at 100 mg/L", "second")
    assert results["sessions"] == {"first": 20, "second": 24}
