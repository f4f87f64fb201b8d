"""From a log to the labour page: tallies by hand, the demo's planted minutes, figures equal to the JSON, command."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.labour import answer_labour
from afterdip.answers.labour_cost import CostReader
from afterdip.answers.labour_months import last_month
from afterdip.answers.period import period_of
from afterdip.charts.labour import draw_costs, draw_hours, draw_plan, draw_work
from afterdip.charts.style import figure
from afterdip.cli import main
from afterdip.estimate import Estimate
from afterdip.log import read_log
from afterdip.report.strict import plain
from afterdip.survival import cumulative_incidence
from afterdip.tables import labour as tables
from afterdip.tally.cost import tally_costs, tally_plan, tally_redip_lags
from afterdip.tally.labour import tally_baths, tally_cutting, tally_labour
from builders import AS_OF, small_log, write_log

DEMO = Path(__file__).parents[1] / "data" / "demo"
MONTHS = tuple(str(p) for p in pd.period_range("2025-11", "2026-10", freq="M"))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return read_log(write_log(small_log(), tmp_path_factory.mktemp("small")), as_of=AS_OF)


@pytest.fixture(scope="module")
def demo():
    return read_log(DEMO / "log", as_of="2026-11-20")


@pytest.fixture(scope="module")
def answer(demo):
    return answer_labour(demo, month="2026-10", as_of="2026-11-20")


def estimates(node, path=""):
    """Every Estimate of a JSON document with its path."""
    if isinstance(node, dict):
        if "estimate" in node:
            yield path, node
        else:
            for key, item in node.items():
                yield from estimates(item, f"{path}/{key}")
    elif isinstance(node, list):
        for place, item in enumerate(node):
            yield from estimates(item, f"{path}/{place}")


def test_labour_tally_by_hand(small):
    tally = tally_labour(small, months=("2026-09", "2026-10"))
    found = tally.sessions.set_index("session")
    assert found.loc["001", "minutes"] == 1 * 10 + 2 * 25 + 2 * 12.5
    assert found.loc["001", "clock"] == 10 + 25 + 12.5
    assert found.loc["004", "minutes"] == 20
    assert found["minutes"].isna().sum() == 4
    assert found["pieces"].tolist() == [35, 20, 8, 18, 12, 12]
    assert found.loc["004", "redipped"] == 18
    assert tally.tasks["rinse"][0] == 25
    assert tally.tasks["rinse"][3] == 0
    assert np.isnan(tally.tasks["rinse"][1])
    assert tally.done.tolist() == [85, 20]
    assert tally.shared["inspect"].tolist() == [0, 40]
    assert tally.carry == (1.0,)
    assert tally_labour(small, months=("2026-09",)).sessions["session"].tolist() == ["001", "002", "003"]


def test_work_done_after_the_stretch_is_not_seen(tmp_path):
    tables_ = small_log()
    late = {"done": "2026-10-07", "task": "inspect", "people": "1", "minutes": "30", "session": "001", "pieces": "",
            "person": ""}  # fmt: skip
    tables_["labour"] = pd.concat([tables_["labour"], pd.DataFrame([late])], ignore_index=True)
    log = read_log(write_log(tables_, tmp_path), as_of=AS_OF)
    whole, september = (tally_labour(log, months=m) for m in (("2026-09", "2026-10"), ("2026-09",)))
    assert whole.sessions["minutes"][0] == 115
    assert september.sessions["minutes"][0] == 85
    assert whole.done.tolist() == [85, 50]
    assert whole.carry == pytest.approx((105 / 135, 30 / 135))


def test_baths_by_hand(small, tmp_path):
    baths = tally_baths(small).set_index("session")
    assert baths.loc["001", ["product", "unit"]].tolist() == [30, "mL"]
    assert baths.loc["001", "cost"] == pytest.approx(1.20)
    assert baths.loc["003", "product"] == pytest.approx(2.5 * 5 * 3.785411784)
    assert baths.loc["004", "product"] == pytest.approx(60 / 20)
    assert baths.loc["005", "cost"] == pytest.approx(0.8 * 0.30)
    assert baths.loc["002", "cost"] == 0
    tables_ = small_log()  # one bath for sessions 001 and 004: its product is counted once, shared 35 to 18
    sessions = tables_["sessions"]
    sessions.loc[sessions["session"].isin(["001", "004"]), ["mix", "mixed", "amount", "amount_unit", "bath_volume"]] = (
        "M9", "2026-09-07T09:00", "30", "mL", "10",
    )  # fmt: skip
    shared = tally_baths(read_log(write_log(tables_, tmp_path), as_of=AS_OF)).set_index("session")
    assert shared.loc[["001", "004"], "product"].tolist() == pytest.approx([30 * 35 / 53, 30 * 18 / 53])
    assert shared.loc[["001", "004"], "litres"].sum() == pytest.approx(10)


def test_costs_follow_pieces_through_their_dips(small):
    costs = tally_costs(small).set_index("tray")
    assert costs.index.tolist() == ["T01", "T02", "T03", "T04", "T06", "T07"]
    assert costs.loc["T01", "person_min"] == pytest.approx(85 * 20 / 35)
    assert costs.loc["T01", "redip_min"] == pytest.approx(20 + 18 * 40 / 105)  # session 004, and its share of upkeep
    assert costs.loc["T01", "redip_cost"] == pytest.approx(3 * 0.04)
    assert np.isnan(costs.loc["T04", "person_min"])
    assert costs.loc["T01", ["examined", "infested"]].tolist() == [19, 2]  # the last look, 14 September
    assert costs.loc["T06", ["examined", "infested"]].tolist() == [12, 0]
    assert np.isnan(costs.loc["T02", "examined"])  # looked at in the bath only
    lags = tally_redip_lags(small, end=pd.Timestamp("2026-11-01"))
    assert lags[28] == pytest.approx(18 / (20 + 15 + 20 + 8))  # 28 days on, of the pieces dipped 28 days or more ago
    assert lags[:28].sum() == 0
    plan = tally_plan(small, start=pd.Timestamp("2026-11-01"))
    assert plan["redips"].iloc[0] == pytest.approx(42 * lags[28])  # T05-T07, dipped 5-6 October, 28 days on


def test_cutting_and_gluing_are_one_batch_a_day(demo):
    minutes, pieces = tally_cutting(demo, months=MONTHS)
    rows = demo.labour[demo.labour["task"].isin(["cut", "glue"])]
    rows = rows[rows["done"].between("2025-11-01", "2026-10-31")]
    assert minutes.sum() == pytest.approx(rows["person_min"].sum())
    assert pieces.sum() == rows[rows["task"] == "cut"]["pieces"].sum()


def test_a_tiny_log_says_what_it_cannot(small):
    tiny = answer_labour(small, month="2026-10", as_of=str(AS_OF))
    assert tiny.total.effort.fixed.reason == "2 sessions written down, needs 8"
    assert tiny.forecast.hours.reason == "2 months with labour written down, a forecast needs 3"
    assert tiny.sessions_without_labour == 4
    assert [m.recorded_hours for m in tiny.months] == pytest.approx([85 / 60, 1.0])
    assert not any(c.cost.per_survivor.known for c in tiny.cost_agents)
    for draw, data in ((draw_hours, tiny), (draw_work, tiny.tasks), (draw_plan, tiny.plan)):
        draw(figure()[1], data)
    draw_costs(figure()[1], tiny.cost_agents, currency="EUR")
    assert "cannot say" in tables.forecast_sentence(tiny)
    plain(tiny.to_json(), "labour")


def test_words_where_the_log_has_one_session_no_currency_and_no_labour(tmp_path):
    tables_ = small_log()
    tables_["labour"] = tables_["labour"].iloc[:0]
    tables_["farm"] = tables_["farm"].replace('currency = "EUR"', "")
    for table, key, kept in (("sessions", "session", {"001"}), ("trays", "tray", {"T01", "T02"}),
                             ("checks", "tray", {"T02"}), ("pests", "tray", {"T02"})):  # fmt: skip
        tables_[table] = tables_[table][tables_[table][key].isin(kept)]
    log = read_log(write_log(tables_, tmp_path), as_of=AS_OF)
    one = answer_labour(log, month="2026-09", as_of=str(AS_OF))
    captions = tables.labour_captions(one)
    assert captions["hours"]["alt"].endswith("next month: cannot say, no labour written down.")
    assert captions["costs"]["caption"].startswith("Cost per clean surviving piece")
    assert "35 pieces, 1 session; 1 of 1 session has no labour rows" in captions["hours"]["caption"]
    assert one.to_json()["trust"] == ["1 of 1 session has no labour rows: what it took cannot be said."]
    table = tables.cost_table(one, one.cost_months, caption="c")
    assert [row[0] for row in table.rows] == ["2026-09"]
    assert "Months without dips are left out." in table.note


def test_a_log_whose_labour_names_no_session(demo, answer):
    """The demo's labour by day alone: the forecast still stands, near the other; what sessions take cannot be said."""
    rows = demo.labour.assign(session=None)
    blurred = answer_labour(replace(demo, labour=rows), month="2026-10", as_of="2026-11-20")
    assert blurred.forecast.hours.estimate == pytest.approx(answer.forecast.recorded_hours.estimate, rel=0.06)
    assert not blurred.forecast.session_hours.known
    assert not blurred.total.effort.fixed.known
    assert "cannot be said" in tables.forecast_sentence(blurred)
    assert "No labour row names its session" in tables.hours_sentence(blurred)


def test_where_all_work_is_in_sessions_no_rest_is_spoken_of(demo, answer):
    assert "the rest cleaning, cutting and other work that names no session." in tables.forecast_sentence(answer)
    rows = demo.labour[demo.labour["session"].notna()]
    within = answer_labour(replace(demo, labour=rows), month="2026-10", as_of="2026-11-20")
    assert " All of it is work in sessions: the log has no row of cleaning" in tables.forecast_sentence(within)
    assert "the rest" not in tables.forecast_sentence(within)


@pytest.mark.parametrize("dropped", ["labour", "trays"])
def test_a_log_without_labour_or_trays_still_answers(tmp_path, dropped):
    tables_ = small_log()
    for name in ("checks", "pests", "trays") if dropped == "trays" else ("labour",):
        tables_[name] = tables_[name].iloc[:0]
    log = read_log(write_log(tables_, tmp_path), as_of=AS_OF)
    none = answer_labour(log, month="2026-10", as_of=str(AS_OF))
    assert not none.forecast.hours.known
    assert none.sessions_without_labour == none.sessions
    assert not any("estimated from the others" in line for line in none.to_json()["trust"])  # there are no others
    plain(none.to_json(), "labour")
    tables.labour_captions(none)


def test_planted_minutes_of_the_demo_are_recovered(demo, answer):
    """Tasks whose planted minutes are the same for every agent, times the mean of learning and crew in the window."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["labour"]
    found = demo.sessions[demo.sessions["date"].between("2025-11-01", "2026-10-31")]
    months = (found["date"].dt.year - 2025) * 12 + found["date"].dt.month - 8 + 1
    pace = truth["learning_per_doubling_of_months"] ** np.log2(months)
    factor = float((pace * found["crew"].astype(str).map(truth["crew_factor"])).mean())
    tasks = {row.label: row.effort for row in answer.tasks}
    for task in ("dip", "record"):
        planted = truth["person_min"][task]["sham"]
        for part in ("fixed", "per_piece"):
            e = getattr(tasks[task], part)
            slack = 0.5 * (e.high - e.low)  # twice the limits' reach: two tasks, two parts, one draw of the demo
            assert abs(e.estimate - planted[part] * factor) < 2 * slack, (task, part)
    assert answer.learning.rate.low < truth["learning_per_doubling_of_months"] < answer.learning.rate.high
    ratios = {c.crew: c.person_minutes_ratio for c in answer.crews}
    for crew in (2, 3):
        assert ratios[crew].low - 0.03 < truth["crew_factor"][str(crew)] < ratios[crew].high + 0.03
    mean = answer.rinse_person_min.pieces / answer.rinse_person_min.sessions
    rinse = truth["person_min"]["rinse"]["sham"]
    planted = (rinse["fixed"] + rinse["per_piece"] * mean) * factor
    assert answer.rinse_person_min.estimate == pytest.approx(planted, rel=0.08)


def test_forecasts_in_hindsight_hold(answer):
    tried = [m for m in answer.months if m.forecast.known]
    assert len(tried) == 9
    assert sum(m.forecast.low <= m.hours <= m.forecast.high for m in tried) >= 7  # of 9 at 95 %: fewer has chance 0.8 %


def test_eleven_months_forecast_the_twelfth(demo):
    """The month's real work, sessions without labour at the others' rate, from the months before it alone."""
    before = answer_labour(demo, month="2026-09", as_of="2026-11-20", pieces=1290, sessions=57)
    assert before.forecast.months == 12
    october = answer_labour(demo, month="2026-10", as_of="2026-11-20").months[-1]
    given = {"pieces": october.pieces, "sessions": october.sessions}
    ahead = answer_labour(demo, month="2026-09", as_of="2026-11-20", **given).forecast
    assert ahead.hours.low < october.hours < ahead.hours.high
    assert ahead.recorded_hours.low < october.recorded_hours < ahead.recorded_hours.high
    assert ahead.session_hours.estimate < ahead.hours.estimate


def test_weeks_add_up_to_about_a_month(answer):
    weekly = [w.hours.estimate / (w.fresh + w.redips) for w in answer.plan]
    assert np.mean(weekly) * 1000 == pytest.approx(answer.forecast.hours_per_thousand.estimate, rel=0.1)
    assert [w.week for w in answer.plan] == ["2026-11-20", "2026-11-27", "2026-12-04", "2026-12-11"]  # none is over


def test_costs_of_the_demo_hang_together(answer):
    for cell in (*answer.cost_agents, *answer.cost_groups, *answer.cost_months):
        cost = cell.cost
        if not cost.per_clean_survivor.known:
            assert cost.per_clean_survivor.reason
            continue
        assert cost.per_clean_survivor.estimate >= cost.per_survivor.estimate
        assert sum(e.estimate for e in cost.shares.values()) == pytest.approx(1)
        assert cell.inputs.clean.low < 1
    assert sum(c.pieces for c in answer.cost_agents) == sum(c.pieces for c in answer.cost_groups)


@pytest.mark.parametrize("agent", ["iodine-soak", "oil-drip", "permanganate-soak", "tablet-soak", "worm-bath"])
def test_lost_pieces_cost_what_they_were_worth_group_by_group(demo, agent):
    """An agent's lost pieces cost what its coral groups' do together, where a group is dear and dies more than others.

    At the mean value of all pieces dipped, permanganate-soak's were 22 % too dear: its cheap corals die.
    """
    reader = CostReader.of(demo)
    trays = reader.survival.trays
    keep = (period_of("2026-10").in_window(trays["date"]) & (trays["agent"] == agent)).to_numpy()

    def lost(of):
        inputs = reader.cell("", {}, of).inputs
        return trays["pieces"][of].sum() * inputs.piece_value * (inputs.dead.estimate + inputs.detached.estimate)

    groups = [keep & (trays["coral_group"] == group).to_numpy() for group in trays["coral_group"][keep].unique()]
    assert len(groups) > 1
    assert lost(keep) == pytest.approx(sum(map(lost, groups)), rel=0.01)


def test_cost_limits_agree_with_a_session_bootstrap(demo):
    """Sessions drawn again with all that is theirs: labour, agent, re-dips, losses and clean pieces move together."""
    reader, rng = CostReader.of(demo), np.random.default_rng(1)
    trays = reader.survival.trays
    keep = (period_of("2026-10").in_window(trays["date"]) & (trays["agent"] == "worm-bath")).to_numpy()
    cost = reader.cell("worm-bath", {}, keep).cost.per_clean_survivor
    rows, tally = reader.costs[keep].reset_index(drop=True), reader.survival.select(keep)
    worth = tally.trays["coral_group"].map(demo.settings.piece_value)
    usual = np.average(worth, weights=tally.trays["pieces"])
    seen = tally.select(tally.trays["checked"].to_numpy(bool)).told_at(30)
    labels = np.unique(rows["session"])
    places, ends = np.searchsorted(labels, rows["session"]), np.searchsorted(labels, seen.of_trays("session"))
    rows["minutes"] = rows["person_min"] + rows["upkeep_min"] + rows["redip_min"]
    rows["money"] = rows["agent_cost"] + rows["redip_cost"]
    gone = (seen.dead + seen.detached) * (seen.day <= 30)
    of_gone = seen.trays["coral_group"].map(demo.settings.piece_value).to_numpy()[seen.tray]

    def once(times):
        def ratio(top, bottom):
            known = rows[top].notna()
            return np.average(rows[top][known] / rows[bottom][known], weights=(times[places] * rows[bottom])[known])

        w = times[ends]
        counts = [np.column_stack([seen.dead, seen.detached]) * w[:, None], (seen.removed + seen.alive) * w]
        lost = cumulative_incidence(seen.day[w > 0], *(c[w > 0] for c in counts))
        dead, detached = lost.incidence[:, np.searchsorted(lost.days, 30, side="right") - 1]
        spent = demo.settings.wage_per_hour / 60 * ratio("minutes", "pieces") + ratio("money", "pieces")
        clean = 1 - ratio("infested", "examined")
        value = ((of_gone * gone) @ w + usual) / (gone @ w + 1)  # of what was lost, and one piece like any
        return (spent + value * (dead + detached)) / ((1 - dead - detached) * clean)

    m = len(labels)
    drawn = [once(rng.multinomial(m, np.full(m, 1 / m)).astype(float)) for _ in range(200)]
    assert once(np.ones(m)) == pytest.approx(cost.estimate, rel=0.02)  # re-dips count where labour is unknown too
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert cost.low == pytest.approx(low, rel=0.06)
    assert cost.high == pytest.approx(high, rel=0.06)
    assert cost.high - cost.low > 0.9 * (high - low)


def test_a_strong_product_is_not_read_as_none(answer):
    """7 mg a session and 370 mg per 1,000 pieces are little, but something."""
    row = next(m for m in answer.materials if m.unit)
    little = [Estimate(estimate=x, low=x, high=x, sessions=9) for x in (0.0066, 0.37)]
    row = replace(row, unit="g", product_per_session=little[0], product_per_thousand=little[1])
    (cells,) = tables.materials_table(replace(answer, materials=(row,))).rows
    assert [cell.split(" (")[0] for cell in cells[2:4]] == ["0.007\u00a0g", "0.370\u00a0g"]


def test_figures_on_the_page_equal_the_json(answer):
    """Every number printed in the tables is in the JSON: the Estimates print from the same unrounded values."""
    document = plain(answer.to_json(), "labour")
    stored = list(estimates(document))
    assert len(stored) > 300
    for _, node in stored:
        Estimate(**node)
    assert document["forecast"]["hours"] == answer.forecast.hours.to_json()
    printed = [
        cell
        for table in (
            tables.effort_table(answer, (*answer.tasks, *answer.agents, *answer.kinds, answer.total), caption="x"),
            tables.crew_table(answer), tables.plan_table(answer), tables.materials_table(answer),
            tables.months_table(answer), tables.published_table(answer),
            *(tables.cost_table(answer, c, caption="x") for c in (answer.cost_agents, answer.cost_groups)),
            tables.shares_table(answer, answer.cost_agents, caption="x"),
        )
        for row in table.rows
        for cell in row
        if " to " in cell
    ]  # fmt: skip
    read = [Estimate(**node) for _, node in stored]
    units = ["", *(f"\u00a0{unit}" for unit in ("mL", "g", "tablets"))]
    known = {tables.number(e, places, unit=unit) for e in read for places in (0, 1, 2) for unit in units}
    known |= {tables.per_cent(e, places) for e in read for places in (0, 1)}
    pairs = [cell.split(" against ") for cell in printed]
    assert len(printed) > 150
    assert [part for pair in pairs for part in pair if part not in known] == []
    tile = document["first_screen"][0]
    assert tile["figure"] == document["cost_months"][-1]["hours_per_thousand_clean"]
    assert [t["month"] for t in tile["trend"]] == sorted(t["month"] for t in tile["trend"])


def test_a_month_without_dips_has_no_price(small):
    """Nothing was dipped in November, so nothing is missing from farm.toml or from the labour table either."""
    (tile,) = answer_labour(small, month="2026-11", as_of=str(AS_OF)).to_json()["first_screen"]
    assert tile["figure"]["reason"] == tile["also"]["figure"]["reason"] == "no pieces dipped"
    assert tile["behind"] == "0 pieces, 0 sessions of first dips"


def test_captions_carry_counts_and_level(answer):
    captions = tables.labour_captions(answer)
    assert set(captions) == {"hours", "tasks", "agents", "costs", "plan"}
    for name, words in captions.items():
        assert "95\u00a0%" in words["caption"], name
        assert "sessions" in words["caption"], name
        assert words["alt"]


def test_asking_by_pieces_or_sessions_alone(demo):
    by_sessions = answer_labour(demo, month="2026-10", as_of="2026-11-20", sessions=40).forecast
    assert by_sessions.sessions.estimate == 40
    assert by_sessions.pieces == round(40 * 14934 / 744) or by_sessions.pieces > 40
    with pytest.raises(ValueError, match="a forecast needs"):
        answer_labour(demo, month="2026-10", as_of="2026-11-20", pieces=5, sessions=9)
    with pytest.raises(ValueError, match="YYYY-MM"):
        answer_labour(demo, month="2026-13", as_of="2026-11-20")


def test_the_last_month_of_a_log(demo, small):
    assert last_month(demo, as_of="2026-11-20") == "2026-10"  # November is cut short ten days before its end
    assert last_month(demo, as_of="2026-11-26") == "2026-11"
    assert last_month(small, as_of="2026-11-20") == "2026-10"


def test_the_command(tmp_path, capsys):
    log = str(DEMO / "log")
    asked = ["labour", log, "--as-of", "2026-11-20", "--pieces", "1400", "--sessions", "60"]
    assert main([*asked, "--json", str(tmp_path / "out.json")]) == 0
    text = capsys.readouterr().out
    assert "person-hours" in text
    assert "without labour rows" in text
    assert "no day stands out" in text
    document = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert document["labour"]["forecast"]["pieces"] == 1400
    hours = document["labour"]["forecast"]["hours"]
    assert tables.number(Estimate(**hours), 1) in text
    assert main([*asked, "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out) == document
    with pytest.raises(SystemExit) as wrong:
        main(["labour", log, "--as-of", "2026-11-20", "--pieces", "4", "--sessions", "5"])
    assert wrong.value.code == 2
    with pytest.raises(SystemExit):
        main(["labour", log, "--pieces", "0"])
