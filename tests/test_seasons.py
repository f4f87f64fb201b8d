"""Agents used in different months: what a bad winter did is not told of the agent that happened to be used in it."""

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.comparison import answer_comparison
from afterdip.answers.comparison_both import NEVER_TOGETHER
from afterdip.answers.survival import answer_survival
from afterdip.log import read_log
from afterdip.tables import comparison as tables
from afterdip.tally.seasons import SEASON, in_season, of_same_season
from builders import small_log, write_log

AS_OF = "2026-11-20"
WINTER, SUMMER = range(1, 4), range(4, 10)  # months of 2026


def farm(folder, agent_of, more=(0,) * 6):
    """A log with six baths a month, a tray of 20 sps each: 6 of 20 die in winter and 1 in summer, whatever the agent.

    `agent_of(month, bath)` names the agent; `more` die in each of a month's baths. Each bath finds 10 flatworms and
    kills 9, so that kill is equal too.
    """
    log, rows = small_log(), {name: [] for name in ("sessions", "trays", "checks", "pests")}
    log["agents"] = log["agents"][log["agents"]["agent"].isin(["IOD", "OIL", "SHAM"])].reset_index(drop=True)
    for month in [*WINTER, *SUMMER]:
        for bath in range(6):
            day, key = pd.Timestamp(2026, month, 2 + 4 * bath), f"M{month}B{bath}"
            date, died = f"{day:%Y-%m-%d}", str((6 if month in WINTER else 1) + more[bath])
            agent = {"agent": agent_of(month, bath), "minutes": "10", "bath_volume": "10", "bath_volume_unit": "L"}
            amount = {} if agent["agent"] == "SHAM" else {"amount": "10", "amount_unit": "mL"}
            rows["sessions"].append({"session": key, "started": f"{date}T09:00", **agent, **amount})
            rows["trays"].append({"tray": key, "session": key, "coral": "stag", "coral_group": "sps", "pieces": "20"})
            left, look = str(20 - int(died)), {"tray": key, "detached": "0", "removed": "0"}
            for after, dead in ((7, died), (30, "0")):
                seen = {"checked": f"{day + pd.Timedelta(days=after):%Y-%m-%d}", "alive": left, "dead": dead}
                rows["checks"].append(look | seen)
            pest = {"tray": key, "pest": "flatworm", "stage": "adult", "counted": date, "examined": "20"}
            rows["pests"].append({**pest, "moment": "bath", "alive": "0", "dead": "9"})
            rows["pests"].append({**pest, "moment": "on piece", "alive": "1", "dead": "0"})
    for name, found in rows.items():
        log[name] = pd.DataFrame(found).reindex(columns=log[name].columns).fillna("")
    log["labour"] = log["labour"].iloc[:0]
    return read_log(write_log(log, folder), as_of=AS_OF)


def compared(log):
    return answer_comparison(log, first="IOD", second="OIL", as_of=AS_OF)


def rows_of(**sessions):
    """Rows as `in_season` takes them: agent=[days], a session a day."""
    found = [
        (f"{agent}{i}", agent, pd.Timestamp(day)) for agent, days in sessions.items() for i, day in enumerate(days)
    ]
    return pd.DataFrame(found, columns=["session", "agent", "date"])


def test_an_agent_that_took_over_from_the_other_is_not_judged_by_the_season(tmp_path):
    """Loss is 30 % with IOD and 5 % with OIL, and the winter's; nothing in the log can tell winter from agent."""
    answer = compared(farm(tmp_path, lambda month, bath: "IOD" if month in WINTER else "OIL"))
    assert answer.judged.loss.crude.difference.estimate == pytest.approx(0.25)
    assert answer.judged.verdict.word == "undecided"
    for outcome in (answer.judged.loss, answer.judged.kill):
        assert outcome.adjusted.difference.reason == outcome.logistic.reason == NEVER_TOGETHER
    assert [e.reason for e in answer.odds] == [NEVER_TOGETHER] * 2
    assert answer.judged.needed.total > 0
    assert answer.left_out["pieces_in_months_of_first_only"] == 20 * 18
    assert answer.left_out["pests_in_months_of_second_only"] == 10 * 36
    assert NEVER_TOGETHER in tables.verdict_sentence(answer)
    told = tables.fairness_sentence(answer)
    assert "080 pieces of months in which only one of the two was used, where season and agent cannot be" in told


def test_months_that_both_were_used_in_decide(tmp_path):
    """In the three months of both, half and half, neither is better; the agent alone in summer does not gain by it."""
    answer = compared(farm(tmp_path, lambda month, bath: "IOD" if month in WINTER and bath % 2 else "OIL"))
    assert answer.judged.loss.crude.difference.estimate == pytest.approx(0.3 - (9 * 0.3 + 36 * 0.05) / 45)
    found = answer.judged.loss.adjusted
    assert found.difference.estimate == pytest.approx(0.0, abs=1e-12)
    assert (found.first.sessions, found.second.sessions) == (9, 9)
    assert answer.left_out["pieces_in_months_of_first_only"] == 0
    assert answer.left_out["pieces_in_months_of_second_only"] == 20 * 36


def test_a_slow_change_of_agents_is_compared_quarter_by_quarter(tmp_path):
    """Every month has both, but IOD has five of six baths in winter and one of six later: within a quarter, no gap."""
    answer = compared(farm(tmp_path, lambda month, bath: "IOD" if (bath < 5) == (month in WINTER) else "OIL"))
    assert answer.judged.loss.crude.difference.estimate > 0.1
    assert answer.judged.loss.adjusted.difference.estimate == pytest.approx(0.0, abs=1e-12)
    assert answer.judged.verdict.word in ("undecided", "equivalent")


def test_agents_used_all_along_lose_no_piece_and_no_power(tmp_path):
    answer = compared(farm(tmp_path, lambda month, bath: "IOD" if bath % 2 else "OIL"))
    found = answer.judged.loss
    assert (found.adjusted.first.sessions, found.adjusted.second.sessions) == (27, 27)
    assert found.adjusted.strata == (", ".join(["sps", "not recorded", "not recorded", ""]),)
    assert found.adjusted.difference.low == pytest.approx(found.crude.difference.low, abs=1e-9)


def took_over(month, bath):
    """Two of six baths are shams; the others are IOD's in winter and OIL's later."""
    return "SHAM" if bath < 2 else "IOD" if month in WINTER else "OIL"


def test_an_agent_is_set_beside_the_shams_of_its_months(tmp_path):
    """30 % die in winter and 5 % later, with agent and sham alike: none costs anything, and none is to be stopped."""
    answer = answer_survival(farm(tmp_path, took_over), month="2026-09", as_of=AS_OF)
    found = {c.label: c.loss_over_sham for c in (*answer.agents, *answer.groups, *answer.strengths)}
    for name in ("IOD", "OIL", "sps, IOD", "sps, OIL"):
        assert found[name].estimate == pytest.approx(0.0, abs=1e-12)
        assert found[name].low < 0 < found[name].high
    assert found["IOD"].sessions == 3 * 6  # its own twelve and the six shams of winter
    assert answer.window.loss_over_sham.estimate == pytest.approx(0.0, abs=1e-12)


def test_shams_begun_in_spring_are_not_set_beside_the_winter(tmp_path):
    """All dips are OIL's, and shams only of April to September: the winter's loss is not over a summer's sham."""
    farm_log = farm(tmp_path, lambda month, bath: "SHAM" if bath < 2 and month in SUMMER else "OIL")
    answer = answer_survival(farm_log, month="2026-09", as_of=AS_OF)
    whole = (18 * 0.3 + 24 * 0.05) / 42
    assert answer.window.loss.estimate == pytest.approx(whole)
    for cell in (answer.window, *(c for c in (*answer.agents, *answer.groups) if not c.keys["is_control"])):
        assert cell.loss_over_sham.estimate == pytest.approx(0.0, abs=1e-12)
        assert (cell.loss_over_sham.sessions, cell.loss_over_sham.trays) == (24 + 12, 24 + 12)


def test_shams_of_other_months_alone_are_none_to_compare_with(tmp_path):
    """OIL in winter and nothing but shams later: that there are shams is said."""
    farm_log = farm(tmp_path, lambda month, bath: "SHAM" if month in SUMMER else "OIL")
    answer = answer_survival(farm_log, month="2026-09", as_of=AS_OF)
    (oil,) = (cell for cell in answer.agents if not cell.keys["is_control"])
    over = [oil.loss_over_sham, oil.loss_over_sham_spread]
    over += [reading.days_over_sham for reading in answer.readings if not reading.is_control]
    assert {estimate.reason for estimate in over} == {"no sham dip in the same months to compare with"}


def test_sides_of_one_season_are_compared_whole():
    trays = rows_of(a=["2026-01-03", "2026-05-03", "2026-07-01"], b=["2026-02-03", "2026-04-03", "2026-08-01"])
    one = (trays["agent"] == "a").to_numpy()
    same = of_same_season(trays, one, ~one)  # no month in common, and yet the same three quarters
    assert [side.tolist() for side in same] == [one.tolist(), (~one).tolist()]
    late = trays.assign(date=trays["date"].where(one, trays["date"] + pd.Timedelta(days=75)))  # b: April, June, October
    assert [side.sum() for side in of_same_season(late, one, ~one)] == [3, 3]  # three sessions a side: chance may do it
    many = pd.concat([late.assign(session=late["session"] + str(i)) for i in range(5)], ignore_index=True)
    apart = of_same_season(many, np.tile(one, 5), ~np.tile(one, 5))
    assert [side.sum() for side in apart] == [0, 0]  # fifteen a side: no month in common, and it shows


def test_days_lived_tests_and_hazards_stay_within_the_season_too(tmp_path):
    answer = answer_survival(farm(tmp_path, took_over, more=(0, 1, 0, 1, 0, 1)), month="2026-09", as_of=AS_OF)
    for reading in answer.readings:
        if not reading.is_control:
            assert reading.days_over_sham.estimate == pytest.approx(0.0, abs=1e-9)
            assert min(reading.test_p, reading.interval_p) > 0.9
    assert [round(ratio.estimate, 6) for _, ratio in answer.adjusted.agents] == [1.0, 1.0]


def test_in_season_by_hand():
    few = rows_of(a=["2026-01-03", "2026-01-31", "2026-04-01"], b=["2026-01-15", "2026-05-01"])
    assert in_season(few)[SEASON].tolist() == [""] * 5  # in like quarters, though in few months together
    assert in_season(few.iloc[:3])[SEASON].tolist() == [""] * 3
    assert in_season(few.iloc[:0])[SEASON].tolist() == []
    slow = rows_of(
        a=["2026-02-01"] * 20 + ["2026-05-01"] * 4 + ["2026-03-05"], b=["2026-02-02"] * 4 + ["2026-05-02"] * 20
    )  # 4 to 1, then 1 to 4: over half would have to move
    assert in_season(slow)[SEASON].tolist() == ["224"] * 20 + ["225"] * 4 + [None] + ["224"] * 4 + ["225"] * 20


def test_an_uneven_spread_by_chance_alone_is_not_a_season():
    """Sessions dealt by coin over a year: chance is in the limits, and to leave months out would only cost sessions."""
    rng, days = np.random.default_rng(3), pd.date_range("2026-01-01", "2026-12-31")
    told = 0
    for _ in range(300):
        dealt = rng.choice(days, 40)
        rows = rows_of(a=dealt[:20], b=dealt[20:])
        told += in_season(rows)[SEASON].iloc[0] != ""
    assert told <= 0.1 * 300
