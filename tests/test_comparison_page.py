"""From a log to the comparison: hand-made logs, the demo's planted truths, words and pictures."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from afterdip.answers.comparison import answer_comparison
from afterdip.answers.comparison_page import AGENTS_PAIRED, answer_comparison_page
from afterdip.charts.comparison import draw_differences, draw_dots, draw_plane
from afterdip.cli import main
from afterdip.log import read_log
from afterdip.report.results import check_results
from afterdip.tables import comparison as tables
from afterdip.tables.comparison_models import models_table
from afterdip.tables.handling import handling_table, strengths_sentence
from afterdip.tally.comparison import labels, tally_comparison
from builders import small_log, write_log

DEMO = Path(__file__).parents[1] / "data" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text())
AS_OF = "2026-11-20"


@pytest.fixture(scope="module")
def demo():
    return read_log(DEMO / "log", as_of=AS_OF)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return read_log(write_log(small_log(), tmp_path_factory.mktemp("small")), as_of=AS_OF)


def farm(tmp_path, sessions=20, *, kill=(9, 6), dead=(1, 1), extra=None):
    """A log with `sessions` baths of IOD and of OIL, one tray of 20 sps each: `dead` of 20, `kill` of 10 pests."""
    log = small_log()
    log["agents"] = log["agents"][log["agents"]["agent"].isin(["IOD", "OIL"])].reset_index(drop=True)
    rows = {name: [] for name in ("sessions", "trays", "checks", "pests")}
    for s in range(2 * sessions):
        which = s % 2
        agent, day = ("IOD", "OIL")[which], pd.Timestamp("2026-03-02") + pd.Timedelta(days=3 * s)
        key, date = f"S{s:02d}", f"{day:%Y-%m-%d}"
        bath = {"amount": "20", "amount_unit": "mL", "bath_volume": "10", "bath_volume_unit": "L", "minutes": "10"}
        rows["sessions"].append({"session": key, "started": f"{date}T09:00", "agent": agent, **bath, "rinses": "2"})
        tray = {"tray": key, "session": key, "coral": "Acropora millepora", "coral_group": "sps", "pieces": "20"}
        rows["trays"].append({**tray, "condition": "good", "origin": "own cut"})
        died = dead[which]
        for after, d in ((7, died), (30, 0)):
            check = {"tray": key, "checked": f"{day + pd.Timedelta(days=after):%Y-%m-%d}", "alive": str(20 - died)}
            rows["checks"].append({**check, "dead": str(d), "detached": "0", "removed": "0"})
        pest = {"tray": key, "pest": "flatworm", "stage": "adult", "counted": date, "examined": "20"}
        killed = kill[which]
        rows["pests"].append({**pest, "moment": "bath", "alive": "0", "dead": str(killed)})
        rows["pests"].append({**pest, "moment": "on piece", "alive": str(10 - killed), "dead": "0"})
    for name, found in rows.items():
        log[name] = pd.DataFrame(found).reindex(columns=log[name].columns).fillna("")
    log["labour"] = log["labour"].iloc[:0]
    if extra:
        extra(log)
    return read_log(write_log(log, tmp_path / "log"), as_of=AS_OF)


def test_crude_differences_by_hand(tmp_path):
    answer = answer_comparison(farm(tmp_path, dead=(1, 3)), first="IOD", second="OIL", as_of=AS_OF)
    kill, loss = answer.judged.kill, answer.judged.loss
    assert kill.crude.difference.estimate == pytest.approx(0.9 - 0.6)
    assert loss.crude.difference.estimate == pytest.approx(1 / 20 - 3 / 20)
    assert kill.adjusted.difference.estimate == pytest.approx(0.3)
    assert kill.crude.difference.pests == 400
    assert kill.crude.difference.pieces is None
    assert (loss.crude.difference.pieces, loss.crude.difference.deaths) == (800, 80)
    assert answer.judged.verdict.word == "first"
    unmet = {"kill": "no", "loss": "not shown"}  # 15 of 100 lost, but the limit is for loss over sham
    assert answer.targets == {"first": unmet, "second": unmet}
    said = tables.targets_sentence(answer)
    assert "IOD: kill missed. OIL: kill missed. Losses here have the sham's in them" in said
    kept = replace(answer, targets={side: {"kill": "yes", "loss": "yes"} for side in ("first", "second")})
    assert tables.targets_sentence(kept).endswith("IOD: kill met, loss met. OIL: kill met, loss met.")
    assert answer.sessions == (20, 20)


def test_turning_the_agents_round_turns_the_answer_round(tmp_path):
    log = farm(tmp_path, dead=(1, 3))
    one = answer_comparison(log, first="IOD", second="OIL", as_of=AS_OF).judged
    two = answer_comparison(log, first="OIL", second="IOD", as_of=AS_OF).judged
    assert (one.verdict.word, two.verdict.word) == ("first", "second")
    for a, b in ((one.kill, two.kill), (one.loss, two.loss)):
        d, e = a.adjusted.difference, b.adjusted.difference
        assert (d.estimate, d.low, d.high) == pytest.approx((-e.estimate, -e.high, -e.low), abs=1e-9)


def test_few_sessions_are_undecided_with_what_is_still_needed(tmp_path):
    answer = answer_comparison(farm(tmp_path, 4, dead=(0, 8)), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.judged.verdict.word == "undecided"
    assert answer.judged.kill.adjusted.difference.reason == "4 and 4 sessions with like pieces, needs 6 of each"
    needed = answer.to_json()["sessions_needed"]
    assert needed["first"] == needed["per_agent"] - 4 > 0
    assert needed["kill"]["correlation_assumed"]
    assert "correlation within sessions is assumed" in tables.needed_sentence(answer)


def test_a_tray_never_checked_is_unknown_and_a_re_dip_counts_once(tmp_path):
    def more(log):
        checks = log["checks"]
        log["checks"] = checks[checks["tray"] != "S00"].reset_index(drop=True)
        again = log["trays"].iloc[[4]].assign(tray="S04x", session="S08", pieces="19", earlier_tray="S04")
        log["trays"] = pd.concat([log["trays"], again], ignore_index=True)

    answer = answer_comparison(farm(tmp_path, extra=more), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.left_out["trays_never_checked"] == 1
    assert answer.left_out["trays_of_re_dips"] == 1
    told = tables.fairness_sentence(answer)
    assert "1 tray never checked (unknown, not alive); 1 re-dip tray, whose pieces" in told
    assert answer.judged.loss.crude.difference.sessions == 39
    assert answer.judged.loss.crude.first.pieces == 19 * 20  # S04 was seen once before it was dipped again


def test_pests_without_a_look_at_the_pieces_are_no_share(tmp_path):
    def more(log):
        log["pests"] = log["pests"][(log["pests"]["tray"] != "S02") | (log["pests"]["moment"] != "on piece")]

    answer = answer_comparison(farm(tmp_path, extra=more), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.left_out["pest_counts_without_bath_or_pieces"] == 1
    assert answer.judged.kill.crude.difference.pests == 390


def test_not_recorded_is_a_group_of_its_own(tmp_path):
    def more(log):
        log["trays"].loc[log["trays"].index % 4 == 0, "condition"] = ""

    log = farm(tmp_path, extra=more)
    assert set(tally_comparison(log).trays["condition"]) == {"good", "not recorded"}
    answer = answer_comparison(log, first="IOD", second="OIL", as_of=AS_OF)
    assert answer.left_out["pieces_only_first_had_the_like_of"] == 200  # every fourth bath was one of IOD


def test_where_no_pest_was_found_that_is_the_reason(tmp_path):
    def none_found(log):
        log["pests"] = log["pests"].assign(alive="0", dead="0")

    answer = answer_comparison(farm(tmp_path, extra=none_found), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.judged.kill.adjusted.difference.reason == "no pest was found in the dips of either"
    assert answer.judged.kill.adjusted.first.reason == answer.judged.kill.crude.difference.reason
    assert answer.judged.verdict.word == "undecided"


def test_an_agent_that_killed_every_piece_is_followed_to_the_end(tmp_path):
    """All of OIL were dead at the first look, on day 7: of what is dead nothing more is to be seen."""
    answer = answer_comparison(farm(tmp_path, dead=(1, 20)), first="IOD", second="OIL", as_of=AS_OF)
    loss = answer.judged.loss.adjusted.difference
    assert answer.horizon_days == 30
    assert loss.estimate == pytest.approx(1 / 20 - 1)
    assert loss.high < -0.7
    assert answer.judged.verdict.word == "first"


def test_an_agent_not_followed_to_the_horizon_cannot_be_said_of(tmp_path):
    def more(log):
        checks = log["checks"]
        late = checks["tray"].str[1:].astype(int) % 2 == 1
        log["checks"] = checks[~late | (checks.groupby("tray").cumcount() == 0)].reset_index(drop=True)

    answer = answer_comparison(farm(tmp_path, extra=more), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.judged.loss.adjusted.difference.reason == "no tray of OIL was followed beyond day 7 yet, needs 15"
    assert answer.judged.verdict.word == "undecided"
    assert "loss cannot be compared" in tables.verdict_sentence(answer)


def test_losses_are_compared_at_the_last_day_both_were_followed_to(tmp_path):
    def more(log):
        at_day_30 = log["checks"].groupby("tray").cumcount() == 1
        later = pd.to_datetime(log["checks"]["checked"]) - pd.Timedelta(days=4)
        log["checks"].loc[at_day_30, "checked"] = later.dt.strftime("%Y-%m-%d")[at_day_30]

    answer = answer_comparison(farm(tmp_path, extra=more), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.horizon_days == 26
    assert answer.judged.loss.outcome == "dead by day 26 after the first dip"
    assert answer.judged.loss.crude.first.estimate == pytest.approx(0.05)
    page = answer_comparison_page(farm(tmp_path / "again", extra=more), month="2026-06", as_of=AS_OF)
    assert page.agents[0].loss.reason == "followed to day 26 only"


def test_without_a_bath_counted_before_and_after_are_compared(tmp_path):
    def more(log):
        log["pests"].loc[log["pests"]["moment"] == "bath", "moment"] = "before"
        log["pests"].loc[log["pests"]["moment"] == "before", ["alive", "dead"]] = ["10", "0"]

    answer = answer_comparison(farm(tmp_path, extra=more), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.judged.kill.outcome.startswith("gone from the pieces, dead or alive")
    assert answer.judged.kill.crude.difference.estimate == pytest.approx(0.9 - 0.6)
    assert "gone from the pieces" in tables.differences_table(answer).note
    assert answer.judged.verdict.word == "first"


def test_names_the_log_does_not_hold_are_refused(small):
    with pytest.raises(ValueError, match="no agent 'X'; it has IOD, OIL, POW, SHAM"):
        answer_comparison(small, first="IOD", second="X", as_of=AS_OF)
    with pytest.raises(ValueError, match="with itself"):
        answer_comparison(small, first="IOD", second="IOD", as_of=AS_OF)
    with pytest.raises(ValueError, match="no coral group 'sponge'"):
        answer_comparison(small, first="IOD", second="OIL", coral_group="sponge", as_of=AS_OF)
    with pytest.raises(ValueError, match="before it begins"):
        answer_comparison(small, first="IOD", second="OIL", start="2026-10-01", end="2026-09-01", as_of=AS_OF)
    with pytest.raises(ValueError, match="both agents"):
        answer_comparison_page(small, month="2026-10", as_of=AS_OF, first="IOD")


# --- the demo farm's planted truths --------------------------------------------------------------------------------


def test_the_better_agent_is_found(demo):
    pair = TRUTH["pairs"]["better_on_kill"]
    answer = answer_comparison(demo, first=pair["first"], second=pair["second"], as_of=AS_OF)
    assert answer.judged.verdict.word == pair["verdict"]
    kill = answer.judged.kill.adjusted.difference
    truths = pair["kill_difference"].values()
    assert kill.low <= max(truths)
    assert kill.high >= min(truths)
    loss = answer.judged.loss.adjusted.difference
    assert loss.low <= pair["loss_difference"] <= loss.high


def test_the_confounded_pair_is_not_misjudged(demo):
    pair = TRUTH["pairs"]["confounded"]
    answer = answer_comparison(demo, first=pair["first"], second=pair["second"], as_of=AS_OF)
    crude, adjusted = answer.judged.loss.crude.difference, answer.judged.loss.adjusted.difference
    assert crude.high < 0  # the second got the sick ones
    assert adjusted.low <= pair["loss_difference_within_condition"] <= adjusted.high
    assert abs(adjusted.estimate) < 0.5 * abs(crude.estimate)
    assert answer.judged.verdict.word in (pair["verdict"], "undecided")
    shares = {row.level: (row.first_share, row.second_share) for row in answer.balance if row.factor == "condition"}
    assert shares["poor"][1] > 2 * shares["poor"][0]


@pytest.fixture(scope="module")
def page(demo):
    return answer_comparison_page(demo, month="2026-10", as_of=AS_OF)


def test_every_pair_once_and_no_sham(page):
    agents = [p.agent for p in page.agents]
    assert "sham" not in agents
    assert len(page.pairs) == len(agents) * (len(agents) - 1) // 2
    words = [p.verdict.word for p in page.pairs]
    assert words == sorted(words, key=lambda w: {"first": 0, "second": 0, "equivalent": 1, "undecided": 2}[w])
    sides = [[x for both in (p.kill, p.loss) for x in (both.adjusted.first, both.adjusted.second)] for p in page.pairs]
    able = sum(min(x.sessions or 0 for x in pair) >= 6 for pair in sides)
    assert 10 < able == page.pairs_able < len(page.pairs)
    assert page.superior_level == pytest.approx(1 - 0.025 / able)
    unable = [p for p in page.pairs if not p.able]
    assert {p.verdict.word for p in unable} == {"undecided"}
    assert {p.kill.adjusted.difference.known and p.loss.adjusted.difference.known for p in unable} == {False}
    assert any(p.unbeaten for p in page.agents)
    close = next(p for p in page.pairs if (p.first, p.second) == (page.pair.judged.first, page.pair.judged.second))
    assert close.verdict == page.pair.judged.verdict


def test_numbers_are_estimates_and_the_page_prints_them(page):
    found = json.loads(json.dumps(page.to_json(), allow_nan=False))
    kill = found["kill_difference"]["adjusted"]
    assert set(found["kill_difference"]) == {"crude", "adjusted", "logistic"}
    low = f"{100 * kill['low']:.1f}".replace("-", "−")
    assert low in tables.verdict_sentence(page.pair)
    assert low in tables.differences_table(page.pair).to_html()
    for table in (
        tables.balance_table(page.pair),
        tables.groups_table(page.pair),
        handling_table(page.pair, currency="USD"),
        tables.pairs_table(page),
        models_table(page.pair),
    ):
        assert "nan" not in table.to_html().lower()


def test_pictures_are_drawn_and_say_so_where_there_is_nothing(page, small):
    empty = answer_comparison_page(small, month="2026-08", as_of=AS_OF, start="2025-01-01", end="2025-02-01")
    assert empty.pair is None
    assert tables.verdict_sentence(None).startswith("Fewer than two agents")
    assert empty.to_json()["verdict"] == "undecided"
    for shown in (page, empty):
        captions = tables.comparison_captions(shown)
        for name, draw, what in (
            ("dots", draw_dots, shown.pair),
            ("differences", draw_differences, shown.pair),
            ("plane", draw_plane, shown),
        ):
            figure = Figure(layout="constrained")
            draw(figure.subplots(), what)
            figure.canvas.draw()
            assert captions[name]["alt"]
    few = answer_comparison_page(small, month="2026-10", as_of=AS_OF)
    figure = Figure(layout="constrained")
    draw_differences(figure.subplots(), few.pair)
    draw_dots(figure.add_subplot(2, 1, 1), few.pair)
    assert "cannot be compared" in tables.verdict_sentence(few.pair)
    assert tables.differences_table(None).rows == ()


def test_labels_of_nothing():
    assert labels(pd.DataFrame({"a": []}), ("a",)).size == 0


def test_sentences_of_every_verdict(page):
    pair = page.pair
    for word in ("first", "second", "equivalent", "undecided"):
        judged = replace(pair.judged, verdict=replace(pair.judged.verdict, word=word))
        assert tables.verdict_sentence(replace(pair, judged=judged)).startswith("Verdict: ")
    traded = replace(
        pair.judged.verdict,
        word="undecided",
        kill=replace(pair.judged.verdict.kill, first_better=True),
        loss=replace(pair.judged.verdict.loss, second_better=True),
    )
    judged = replace(pair.judged, verdict=traded)
    assert "More sessions will not settle this" in tables.needed_sentence(replace(pair, judged=judged))
    row = tables.pairs_table(replace(page, pairs=(judged,))).rows[0]
    assert (row[1], row[-1]) == ("kill against loss", "–")


def test_other_models_are_asked_and_agree_where_the_demo_farm_is_plain(demo):
    """Kill in the demo log has stages that only one pest has: the models must bear that."""
    pair = TRUTH["pairs"]["better_on_kill"]
    answer = answer_comparison(demo, first=pair["first"], second=pair["second"], as_of=AS_OF)
    for both in (answer.judged.kill, answer.judged.loss):
        gap = both.adjusted.difference
        assert gap.low < both.logistic.estimate < gap.high
    pests, pieces = answer.odds
    assert pests.high < 1  # far fewer pests live on under the better agent
    assert pieces.low < 1 < pieces.high
    assert (pests.pieces, pieces.pests) == (None, None)
    table = models_table(answer)
    assert f"{pests.estimate:.2f} ({pests.low:.2f} to {pests.high:.2f})" in table.rows[0]
    assert answer.to_json()["odds_ratios"]["pest_not_killed"]["estimate"] == pests.estimate
    assert models_table(None).rows == ()


def test_odds_by_hand(tmp_path):
    """Every bath alike: 4 of 10 pests live under one agent and 1 of 10 under the other, 1 and 3 of 20 pieces die."""
    answer = answer_comparison(farm(tmp_path, dead=(1, 3)), first="IOD", second="OIL", as_of=AS_OF)
    assert answer.odds[0].estimate == pytest.approx((1 / 9) / (4 / 6), rel=1e-6)
    assert answer.odds[1].estimate == pytest.approx((1 / 19) / (3 / 17), rel=1e-6)
    young = answer_comparison(farm(tmp_path / "few", 4), first="IOD", second="OIL", as_of=AS_OF)
    assert young.odds[0].reason == "4 and 4 sessions that tell of odds, needs 6 of each"


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("label", None),
        ("vet order", "that order rules"),
        ("off label", "used off label: this is no advice to use it"),
        ("", "does not say on what authority"),
    ],
)
def test_a_better_agent_is_not_thereby_advised(tmp_path, basis, words):
    def more(log):
        log["agents"].loc[log["agents"]["agent"] == "IOD", "basis"] = basis

    answer = answer_comparison(farm(tmp_path, extra=more), first="IOD", second="OIL", as_of=AS_OF)
    said = tables.verdict_sentence(answer)
    assert said.startswith("Verdict: IOD did better than OIL")
    assert "It is not for: anemone." in said
    assert words in said if words else "advice" not in said


# --- the command ---------------------------------------------------------------------------------------------------


def test_compare_prints_the_result(capsys):
    arguments = ["compare", str(DEMO / "log"), "--first", "worm-bath", "--second", "salt-step", "--as-of", AS_OF]
    assert main([*arguments, "--json", "-"]) == 0
    found = json.loads(capsys.readouterr().out)["comparison"]
    assert found["verdict"] == "first"
    assert np.isfinite(found["loss_difference"]["adjusted"]["low"])


def test_compare_writes_one_page(tmp_path, capsys):
    out = tmp_path / "page"
    arguments = ["compare", str(DEMO / "log"), "--first", "worm-bath", "--second", "tablet-soak", "--as-of", AS_OF]
    assert main([*arguments, "--coral-group", "sps", "--from", "2026-01-01", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    results = json.loads((out / "results.json").read_text())
    check_results(results)
    assert results["comparison"]["coral_group"] == "sps"
    assert results["comparison"]["from"] == "2026-01-01"
    assert said.splitlines()[0].split(":")[0] == "Verdict"
    assert said.splitlines()[0][:40] in (out / "comparison.html").read_text()


def test_compare_refuses_what_is_not_there(small, tmp_path, capsys):
    log = write_log(small_log(), tmp_path / "log")
    with pytest.raises(SystemExit) as stop:
        main(["compare", str(log), "--first", "IOD", "--second", "X", "--as-of", AS_OF])
    assert stop.value.code == 2
    assert "no agent 'X'" in capsys.readouterr().err


def test_a_farm_that_writes_no_rinses_down_is_told_nothing_of_them(tmp_path):
    log = farm(tmp_path)
    log = replace(log, sessions=log.sessions.assign(rinses=pd.array([pd.NA] * len(log.sessions), dtype="Int64")))
    rows = answer_comparison(log, first="IOD", second="OIL", as_of=AS_OF).handling
    assert [row.rinses_done for row in rows] == [None, None]


def test_strengths_that_are_taken_together_are_named(tmp_path, capsys):
    """IOD, 10 % w/v: 20 mL in 10 L are 200 mg/L, 40 mL in every fourth session 400; OIL only ever 2 mL/L."""

    def stronger(log):
        log["sessions"].loc[log["sessions"]["session"].isin([f"S{s:02d}" for s in range(0, 40, 8)]), "amount"] = "40"

    answer = answer_comparison(farm(tmp_path, extra=stronger), first="IOD", second="OIL", as_of=AS_OF)
    row = next(row for row in handling_table(answer).rows if row[0].startswith("strength"))
    assert row[1:] == ("200 – 200 – 400 mg/L", "2 – 2 – 2 mL/L product")
    assert "highest: IOD 200 – 200 – 400 mg/L)" in tables.fairness_sentence(answer)
    assert [row.varied for row in answer.handling] == [True, False]
    assert answer.to_json()["handling"][0]["strengths"] == [
        {"unit": "mg/L", "sessions": 20, "least": 200.0, "median": 200.0, "most": 400.0}
    ]
    assert main(["compare", str(tmp_path / "log"), "--first", "IOD", "--second", "OIL", "--as-of", AS_OF,
                 "--out", str(tmp_path / "out")]) == 0  # fmt: skip
    assert strengths_sentence(answer) in capsys.readouterr().out


def test_one_strength_each_needs_no_sentence(tmp_path):
    answer = answer_comparison(farm(tmp_path), first="IOD", second="OIL", as_of=AS_OF)
    assert strengths_sentence(answer) == ""
    assert "taken together here" not in tables.fairness_sentence(answer)


def test_a_farm_of_many_agents_has_its_most_used_ones_paired(tmp_path):
    def spread(log):
        """Every session of OIL after the first is of an agent of its own; the first of them is used twice."""
        own = [f"agent {i:02d}" for i in range(30)]
        agents = log["agents"]
        like = pd.concat([agents[agents["agent"] == "OIL"]] * len(own), ignore_index=True)
        log["agents"] = pd.concat([agents, like.assign(agent=own)], ignore_index=True)
        rows = log["sessions"].index[log["sessions"]["agent"] == "OIL"][: len(own) + 1]
        log["sessions"].loc[rows, "agent"] = [*own, own[29]]

    log = farm(tmp_path, sessions=32, extra=spread)
    page = answer_comparison_page(log, month="2026-09", as_of=AS_OF)
    paired = {name for pair in page.pairs for name in (pair.first, pair.second)}
    assert len(page.pairs) == AGENTS_PAIRED * (AGENTS_PAIRED - 1) / 2
    assert {"IOD", "agent 29", "agent 00"} <= paired
    assert "agent 28" not in paired
    assert page.unpaired == len(page.agents) - AGENTS_PAIRED > 0
    assert page.to_json()["agents_unpaired"] == page.unpaired
    assert f"{page.unpaired} others are not" in page.to_json()["trust"][1]
