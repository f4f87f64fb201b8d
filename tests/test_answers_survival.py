"""The survival page's answer: by hand on small logs, and against the demo farm's planted truth."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.period import period_of
from afterdip.answers.survival import answer_survival
from afterdip.answers.survival_models import look_gap
from afterdip.estimate import Estimate, cannot_say
from afterdip.log import read_log
from afterdip.report.show import demo_log
from afterdip.tables.survival import survival_captions, survival_table, unknown_sentence
from afterdip.tally.survival import SurvivalTally

AS_OF = "2026-11-20"


@pytest.fixture(scope="module")
def log():
    return read_log(demo_log(), as_of=AS_OF)


@pytest.fixture(scope="module")
def truth():
    return json.loads((demo_log().parent / "truth.json").read_text())


@pytest.fixture(scope="module")
def whole(log):
    return answer_survival(log, month="2026-11", as_of=AS_OF, window_months=16)


@pytest.fixture(scope="module")
def october(log):
    return answer_survival(log, month="2026-10", as_of=AS_OF)


def test_each_agents_planted_loss_lies_in_its_limits(whole, truth):
    cells = [c for c in whole.agents if c.label in truth["expected"]]
    inside = [c.loss.low <= truth["expected"][c.label]["loss"] <= c.loss.high for c in cells]
    assert len(inside) == 8
    assert np.mean(inside) >= 0.8  # of eight agents one miss is expected in one farm of three


def test_planted_loss_over_sham_of_the_randomised_trial_lies_in_its_limits(log, truth):
    """Trays were dealt to salt, worm bath and sham by lot, so agent minus sham is the agent's own loss."""
    dealt = log.sessions.loc[log.sessions["randomised"].fillna(False).astype(bool), "session"]
    trays = log.trays[log.trays["session"].isin(dealt) & log.trays["earlier_tray"].isna()].reset_index(drop=True)
    checks = log.checks[log.checks["tray"].isin(trays["tray"])].reset_index(drop=True)
    answer = answer_survival(replace(log, trays=trays, checks=checks), month="2026-11", as_of=AS_OF, window_months=16)
    trial = {c.label: c.loss_over_sham for c in answer.agents}
    for agent in (truth["pairs"]["better_on_kill"]["first"], truth["pairs"]["better_on_kill"]["second"]):
        true = truth["expected"][f"{agent} (trial)"]["loss_over_sham"]
        assert trial[agent].low <= true <= trial[agent].high
        assert trial[agent].high - trial[agent].low < 0.06  # and says something


def test_months_without_a_dip_are_no_rows_and_the_deaths_say_how_far_they_go(log):
    whole = answer_survival(log, month="2025-09", as_of=AS_OF, window_months=4)  # the log begins in August 2025
    empty = [c.label for c in whole.months if not c.pieces]
    table = survival_table(whole, whole.months, caption="c")
    assert empty
    assert [row[0] for row in table.rows] == [c.label for c in whole.months if c.pieces]
    assert "Months without dips are left out." in table.note
    assert not any(month in survival_captions(whole)["months"]["alt"] for month in empty)
    assert survival_captions(replace(whole, months=()))["months"]["alt"].endswith("one per month: none.")
    assert table.columns[3] == "died so far"
    assert "after day 30 too" in table.note
    assert "left out" not in survival_table(whole, whole.agents, caption="c").note


def test_the_months_figures_count_each_piece_once(october, log):
    first = log.trays.merge(log.sessions[["session", "date", "is_control"]], on="session")
    first = first[first["earlier_tray"].isna() & (first["date"].dt.strftime("%Y-%m") == "2026-10")]
    assert october.month.pieces == first.loc[~first["is_control"], "pieces"].sum()
    assert october.month_sham.pieces == first.loc[first["is_control"], "pieces"].sum()
    assert sum(c.pieces for c in october.month_agents) == october.month.pieces + october.month_sham.pieces


def test_survival_at_the_horizon_recomputed_from_the_files(october, log):
    """Product of (1 - deaths / followed) over days, counted tray by tray without the package's tallies."""
    trays = log.trays.merge(log.sessions[["session", "date", "is_control"]], on="session").set_index("tray")
    seen = log.checks.sort_values(["tray", "checked"]).groupby("tray")
    exits = []
    for tray, row in trays[(trays["date"].dt.strftime("%Y-%m") == "2026-10") & ~trays["is_control"]].iterrows():
        if isinstance(row["earlier_tray"], str):
            continue
        exits += _follow(tray, row["date"], trays, seen)
    looks, late = [exit[1:] for exit in exits], [part for exit in exits for part in _at_day_30(*exit)]
    assert october.month.alive.estimate == pytest.approx(_product_limit(looks), abs=1e-12)
    assert october.month.alive_spread.estimate == pytest.approx(_product_limit(late), abs=1e-12)
    assert october.month.straddling == sum(dead for since, day, dead, _ in exits if since < 30 < day)


def _product_limit(exits):
    days, deaths, left = (np.array(x) for x in zip(*exits, strict=True))
    alive, followed = 1.0, deaths.sum() + left.sum()
    for day in np.unique(days[days <= 30]):
        now = days == day
        alive *= 1 - deaths[now].sum() / followed
        followed -= deaths[now].sum() + left[now].sum()
    return alive


def _at_day_30(since, day, deaths, left):
    """Deaths found at a look that straddles day 30 happened evenly over the days since the look before."""
    if since < 30 < day:
        early = deaths * (30 - since) / (day - since)
        return [(30, early, 0), (day, deaths - early, left)]
    return [(day, deaths, left)]


def _follow(tray, origin, trays, seen):
    """Exits (day of the look before, day, deaths, left) of a tray and of the later trays its pieces went to."""
    later = trays[trays["earlier_tray"] == tray]
    moved = dict(zip(later["date"], later["pieces"], strict=True))
    if len(later) != len(moved):
        moved = later.groupby("date")["pieces"].sum().to_dict()
    exits, owed = [], sum(moved.values())
    checks = seen.get_group(tray) if tray in seen.groups else None
    if checks is not None:
        before = (trays.loc[tray, "date"] - origin).days
        for c in checks.itertuples():
            on_the_day = min(moved.get(c.checked, 0), c.removed)
            owed -= on_the_day
            day = (c.checked - origin).days
            exits.append([before, day, c.dead, c.detached + c.removed - on_the_day])
            before = day
        assert owed == 0, "the demo writes a move down on its day"
        exits.append([before, before, 0, checks["alive"].iloc[-1]])
    elif not owed and origin != trays.loc[tray, "date"]:
        day = (trays.loc[tray, "date"] - origin).days
        exits.append([day, day, 0, trays.loc[tray, "pieces"]])
    for child in later.index:
        exits += _follow(child, origin, trays, seen)
    return exits


def test_sham_comparison_says_when_there_is_none(log):
    trays = log.trays[~log.trays["session"].isin(log.sessions.loc[log.sessions["is_control"], "session"])]
    trays = trays[trays["earlier_tray"].isna()].reset_index(drop=True)
    checks = log.checks[log.checks["tray"].isin(trays["tray"])].reset_index(drop=True)
    answer = answer_survival(replace(log, trays=trays, checks=checks), month="2026-10", as_of=AS_OF)
    assert answer.month.loss_over_sham.reason == "no sham dip to compare with"
    assert all(r.test_p is None for r in answer.readings)


def test_an_empty_month_is_a_proper_answer(log):
    answer = answer_survival(log, month="2024-01", as_of=AS_OF)
    assert answer.month.pieces == 0
    assert answer.month.alive.reason == "no pieces dipped"
    assert answer.agents == ()
    json.dumps(answer.to_json(), allow_nan=False)


def test_confounding_shows_in_the_crude_and_not_in_the_adjusted(whole, truth):
    """Tablets went to sicker corals than the worm bath: crude losses differ, hazards like with like do not."""
    pair = truth["pairs"]["confounded"]
    crude = {c.label: c.loss.estimate for c in whole.agents}
    assert crude[pair["second"]] > 1.4 * crude[pair["first"]]
    hazard = dict(whole.adjusted.agents)
    assert hazard[pair["second"]].low < hazard[pair["first"]].high
    assert hazard[pair["first"]].low < hazard[pair["second"]].high


def test_json_is_plain(october):
    text = json.dumps(october.to_json(), allow_nan=False)
    assert '"alive"' in text


@pytest.mark.parametrize(
    "month, window, months",
    [("2026-10", 1, ("2026-10",)), ("2026-01", 3, ("2025-11", "2025-12", "2026-01"))],
)
def test_period(month, window, months):
    period = period_of(month, window_months=window)
    assert period.months == months
    assert period.in_month(pd.Series([period.end])).tolist() == [False]
    assert period.in_window(pd.Series([period.start])).tolist() == [True]


@pytest.mark.parametrize("bad", ["2026-13", "2026-1", "October", "2026-10-01", ""])
def test_months_that_are_none(bad):
    with pytest.raises(ValueError, match="month must be written YYYY-MM"):
        period_of(bad)


def test_a_single_look_after_the_horizon_does_not_hide_the_dead(log):
    """Half of every tray found dead on the only look, day 35, cannot read as all alive on day 30."""
    trays = log.trays[log.trays["earlier_tray"].isna()].reset_index(drop=True)
    dipped = trays["session"].map(log.sessions.set_index("session")["date"])
    looks = {"tray": trays["tray"], "checked": dipped + pd.Timedelta(days=35), "dead": trays["pieces"] // 2}
    checks = log.checks.iloc[:0].reindex(trays.index).assign(**looks, detached=0, removed=0)
    checks["alive"] = trays["pieces"] - checks["dead"]
    answer = answer_survival(replace(log, trays=trays, checks=checks), month="2026-11", as_of=AS_OF, window_months=16)
    known = [c for c in answer.agents if c.alive_spread.known]
    assert len(known) > 5
    agent = trays["session"].map(log.sessions.set_index("session")["agent"])
    for cell in known:
        own = checks[agent == cell.label]
        share = own["dead"].sum() / (own["dead"] + own["alive"]).sum()
        said = f"looks too far apart: {own['dead'].sum()} deaths were found only after day 30, 0 by then"
        assert cell.loss.reason == cell.alive.reason == said
        assert cell.loss_over_sham.reason in (said, "this is the sham")
        assert 1 - cell.alive_spread.estimate == pytest.approx(share * 30 / 35)
        assert cell.straddling == own["dead"].sum()
    by_agent = {r.agent: r for r in answer.readings}
    for cell in known:
        reading = by_agent[cell.label]
        assert reading.alive.reason == reading.days_lived.reason == cell.alive.reason
        assert not reading.days_over_sham.known
        assert reading.between_checks[0] < 0.6  # the dead are in the interval between the dip and the look


@pytest.mark.parametrize(
    "looks, silent",
    [
        ([(35, 10)], True),  # ten of a hundred found dead on the only look
        ([(14, 4), (35, 6)], True),
        ([(14, 6), (35, 4)], False),  # most are placed
        ([(21, 0), (35, 10)], False),  # the look before is no more than half the horizon away
        ([(30, 0), (50, 10)], False),
        ([(35, 0)], False),  # nothing died: alive on day 35 is alive on day 30
    ],
)
def test_deaths_in_a_gap_of_looks_silence_survival_only_where_they_are_most(looks, silent):
    day = np.array([day for day, _ in looks] + [looks[-1][0]])
    since = np.array([0, *day[:-1]])
    dead = np.array([n for _, n in looks] + [0])
    none, alive = np.zeros_like(dead), np.append(np.zeros(len(looks), int), 100 - dead.sum())
    trays = pd.DataFrame({"session": ["s"]})
    tally = SurvivalTally(day, since, dead, none, none, alive, np.zeros_like(day), trays)
    assert bool(look_gap(tally, 30)) == silent
    few = SurvivalTally(day, since, dead, none, none, alive + 10_000 * (alive > 0), np.zeros_like(day), trays)
    assert not look_gap(few, 30)


def test_deaths_found_late_are_told_with_or_without_a_sham_to_compare_with(log):
    october = answer_survival(log, month="2026-10", as_of=AS_OF)
    known = replace(october.month, straddling=1, alive_spread=october.months[0].alive)
    without = replace(october, month=replace(known, loss_over_sham_spread=cannot_say("sham: too few")))
    assert unknown_sentence(without).endswith("alive on day 30.")
    beside = replace(october, month=replace(known, loss_over_sham_spread=Estimate(estimate=0.02, low=0.01, high=0.03)))
    assert unknown_sentence(beside).endswith("alive on day 30 and +2.0 points (+1.0 to +3.0) lost over sham.")
