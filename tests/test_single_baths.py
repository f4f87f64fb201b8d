"""A single bath that went wrong: the chance by hand and by sampling, what is named and told, what the page prints."""

import json
from dataclasses import replace
from math import comb
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import betabinom
from statsmodels.stats.multitest import multipletests

from afterdip.answers.quality import answer_quality
from afterdip.answers.quality_actions import SINGLE
from afterdip.answers.single_words import happened, its_like, set_apart
from afterdip.errors import DataError
from afterdip.log import read_log
from afterdip.monitoring import MIN_OTHERS, holm, single, single_baths, stand_out
from afterdip.tables.single_baths import single_sentence, singles_table, traits_table
from builders import write_log


def test_the_laws_are_what_their_names_say():
    """Chances of 0 to 8 of 8 under each beta law against a library's; the grid's step costs less than 1 in 200."""
    laws, share = single._laws(-2.0), 1 / (1 + np.exp(2.0))
    chance = np.exp(single._log_chance(np.arange(9.0), 8.0, share)) @ laws.mass
    each = chance.reshape(9, single._LEVELS.size, -1)
    middle = single._LEVELS.size // 2
    for place, rho in enumerate(single.CORRELATIONS):
        size = 1 / rho - 1
        assert each[:, middle, place] == pytest.approx(betabinom.pmf(range(9), 8, share * size, (1 - share) * size),
                                                       abs=5e-3)  # fmt: skip
    assert laws.correlation.reshape(single._LEVELS.size, -1)[middle, :12] == pytest.approx(
        single.CORRELATIONS, abs=4e-3
    )  # fmt: skip
    assert each.sum(axis=0) == pytest.approx(1.0)


def test_the_logit_normal_laws_against_draws():
    laws, share = single._laws(-2.0), 1 / (1 + np.exp(2.0))
    chance = np.exp(single._log_chance(np.arange(9.0), 8.0, share)) @ laws.mass
    each = chance.reshape(9, single._LEVELS.size, -1)[:, single._LEVELS.size // 2, single.CORRELATIONS.size :]
    rng = np.random.default_rng(3)
    for place, deviation in enumerate(single.DEVIATIONS):
        risk = 1 / (1 + np.exp(2.0 - deviation * rng.standard_normal(40_000)))
        drawn = [comb(8, k) * np.mean(risk**k * (1 - risk) ** (8 - k)) for k in range(9)]
        assert each[:, place] == pytest.approx(drawn, abs=6e-3)


def test_the_chance_is_the_posterior_predictive_one():
    """All levels and laws one by one, the other baths' chance multiplied up, the bath itself left out."""
    y, n, e = np.array([0, 1, 0, 2, 7.0]), np.array([10, 12, 8, 15, 10.0]), np.full(5, 0.06)
    found = single_baths(y, n, e, [4, 0])
    laws = single._laws(0.25 * round(float(np.log(0.06 / 0.94)) / 0.25))
    for place, i in enumerate((4, 0)):
        weight = np.exp(laws.before)
        for j in set(range(5)) - {i}:
            weight = weight * (np.exp(single._log_chance(y[[j]], n[j], e[j]))[0] @ laws.mass)
        at_least = np.exp(single._log_chance(np.arange(y[i], n[i] + 1), n[i], e[i])) @ laws.mass
        assert found.p[place] == pytest.approx((at_least.sum(axis=0) @ weight) / weight.sum(), rel=1e-9)
    assert found.others.tolist() == [4, 4]
    assert found.p[1] == pytest.approx(1.0)


def test_many_alike_baths_leave_the_beta_binomial_of_their_own():
    """600 baths of 20 at 10 % and a correlation of 0.2: the tail is the true law's, to a fifth of itself."""
    rng = np.random.default_rng(4)
    y = rng.binomial(20, rng.beta(0.4, 3.6, 600)).astype(float)
    y[-1] = 12
    found = single_baths(y, np.full(600, 20.0), np.full(600, 0.1), [599])
    assert found.p[0] == pytest.approx(betabinom.sf(11, 20, 0.4, 3.6), rel=0.2)
    assert found.usual[0] == pytest.approx(0.1, abs=0.015)
    assert found.correlation[0] == pytest.approx(0.2, abs=0.05)


def test_more_events_are_rarer_and_order_does_not_matter():
    y, n, e = np.array([1, 0, 2, 0, 1.0]), np.array([20, 15, 30, 8, 20.0]), np.array([0.03, 0.05, 0.05, 0.02, 0.04])
    p = [single_baths(np.r_[y, k], np.r_[n, 20], np.r_[e, 0.04], [5]).p[0] for k in range(21)]
    assert (np.diff(p) < 0).all()
    order = np.array([3, 5, 1, 0, 4, 2])
    again = single_baths(np.r_[y, 9][order], np.r_[n, 20][order], np.r_[e, 0.04][order], [1])
    assert again.p[0] == pytest.approx(p[9], rel=1e-9)
    doubtful = single_baths(np.r_[y[:3], 9], np.r_[n[:3], 20], np.r_[e[:3], 0.04], [3]).p[0]
    assert doubtful > p[9]  # fewer others say less


def test_too_few_others_and_nonsense():
    few = single_baths([0] * MIN_OTHERS, [9] * MIN_OTHERS, [0.1] * MIN_OTHERS, [0])
    assert np.isnan(few.p[0])
    assert few.others[0] == MIN_OTHERS - 1
    assert single_baths([], [], [], []).p.size == 0
    with pytest.raises(DataError, match="whole numbers"):
        single_baths([0.5], [3], [0.1], [0])
    with pytest.raises(DataError, match="inside 0 and 1"):
        single_baths([0], [3], [1.0], [0])


def test_holm_against_a_library():
    rng = np.random.default_rng(2)
    for _ in range(50):
        p = rng.random(9) ** 5
        assert holm(p, 0.05).tolist() == multipletests(p, 0.05, method="holm")[0].tolist()
    assert holm([np.nan, 0.04, np.nan], 0.05).tolist() == [False, True, False]
    assert holm([0.04, 0.03], 0.05).tolist() == [False, False]
    assert holm([], 0.05).size == 0


def test_what_stands_out_by_hand():
    # 3 of 10 is odds of 3.5/7.5; all others 1 of 30: 1.5/29.5
    assert stand_out([3, 0, 1, 0], [10] * 4).tolist() == [True, False, False, False]
    assert not stand_out([1, 0, 0, 0], [1, 10, 10, 10]).any()  # one event never does


# --- the page ---------------------------------------------------------------------------------------------------------


def farm(folder, *, died, killed=20, baths=16, strength="10", others=True, shared=False):
    """Return the answer of a farm whose last bath of agent DIP, in October, lost `died` of 20 and killed `killed`."""
    rows = range(baths) if others else range(baths - 1, baths)
    day = [pd.Timestamp("2026-08-30") + pd.Timedelta(days=3 * i) for i in range(baths)]
    last = baths - 1
    sessions, trays, checks, pests = [], [], [], []
    for i in rows:
        agent = "SHAM" if i % 4 == 0 and i != last else "DIP"
        went_in = ["", ""] if agent == "SHAM" else [strength if i == last else "10", "mL/L"]
        mix = "M9" if shared and i >= last - 1 else ""
        sessions.append([f"S{i:02}", f"{day[i]:%Y-%m-%d}T10:00", agent, *went_in, "10", "L", "15", f"L{i % 2}", mix])
        trays.append([f"T{i:02}", f"S{i:02}", "Acropora millepora", "sps", "20"])
        dead = died if i == last or (shared and i == last - 1) else int(i % 5 == 0)
        checks.append([f"T{i:02}", f"{day[i] + pd.Timedelta(days=3):%Y-%m-%d}", 20 - dead, dead, 0, 0])
        checks.append([f"T{i:02}", f"{day[i] + pd.Timedelta(days=31):%Y-%m-%d}", 20 - dead, 0, 0, 0])
        lived = 20 - killed if i == last else int(i % 3 == 0)
        for moment, alive, gone in (("bath", 0, 20 - lived), ("on piece", lived, 0)):
            pests.append([f"T{i:02}", "flatworm", "adult", moment, f"{day[i]:%Y-%m-%d}", 20, alive, gone])
    heads = {
        "sessions": "session started agent amount amount_unit bath_volume bath_volume_unit minutes lot mix",
        "trays": "tray session coral coral_group pieces",
        "checks": "tray checked alive dead detached removed",
        "pests": "tray pest stage moment counted examined alive dead",
    }
    bodies = dict(zip(heads, (sessions, trays, checks, pests), strict=True))
    frames = {name: pd.DataFrame(bodies[name], columns=head.split(), dtype=str) for name, head in heads.items()}
    frames["agents"] = pd.DataFrame([["DIP", "plant oils", "no"], ["SHAM", "none", "yes"]],
                                    columns=["agent", "active", "is_control"])  # fmt: skip
    log = read_log(write_log(frames, folder), as_of="2026-12-20")
    return answer_quality(log, month="2026-10", as_of="2026-12-20")


def asked(answer):
    return {a["what"]: a["why"] for a in answer.to_json()["actions"] if a["page"] == SINGLE}


def test_a_bath_that_killed_most_of_its_pieces_is_asked_about(tmp_path):
    answer = farm(tmp_path, died=19)
    (bath,) = answer.watch.singles.told
    assert (bath.bath, bath.bad, bath.whole, bath.by_day, bath.named) == ("S15", 19, 20, 3, True)
    assert bath.like_baths == 11
    why = asked(answer)["Find out what went wrong in session S15 of DIP, 2026-10-14"]
    assert why.startswith("19 of 20 pieces died by day 3; of such corals in 11 other baths of it 2 of 220 pieces did")
    assert "nothing recorded sets it apart; not recorded: temperature, condition, mixed by" in why


def test_a_quiet_month_asks_for_nothing(tmp_path):
    answer = farm(tmp_path, died=1)
    assert asked(answer) == {}
    assert answer.watch.singles.judged == answer.watch.singles.baths == 5
    assert "None did worse than chance allows. " in single_sentence(answer.watch.singles)
    one = replace(answer.watch.singles, judged=0, baths=1)
    assert "0 of 1 bath of the month could be compared with others of its agent. " in single_sentence(one)


def test_a_bath_that_killed_no_pest_is_named_by_its_pests(tmp_path):
    answer = farm(tmp_path, died=0, killed=1)
    (bath,) = answer.watch.singles.told
    assert (bath.outcome, bath.bad, bath.whole, bath.named) == ("kill", 19, 20, True)
    assert happened(bath) == "19 of 20 pests lived"
    assert "of such pests in 11 other baths of it" in its_like(bath)


def test_a_slip_in_mixing_does_not_explain_itself_away(tmp_path):
    """The only bath at five times the strength: the fit must not learn from it that such a strength kills corals."""
    answer = farm(tmp_path, died=19, strength="50")
    (bath,) = answer.watch.singles.told
    assert bath.named
    assert bath.expected < 6
    assert "unlike the others: strength 50 mL/L product (others 10 mL/L product)" in set_apart(bath)


def test_with_nothing_to_compare_with_it_is_still_told(tmp_path):
    answer = farm(tmp_path, died=16, others=False)
    (bath,) = answer.watch.singles.told
    assert (bath.p, bath.expected, bath.named, bath.most) == (None, None, False, True)
    assert "16 of 20 pieces died by day 3; no other bath of it to compare with" in next(iter(asked(answer).values()))
    assert [row[2:] for row in singles_table(answer.watch.singles).rows] == [
        ("none to compare with", "–", "too few other baths", "lost most")
    ]


def test_what_an_agent_does_to_all_is_not_asked_of_one_bath(tmp_path):
    """Half of every bath dies: the twelfth of twenty is no event of this bath."""
    one = farm(tmp_path, died=16, others=False)
    (bath,) = one.watch.singles.told
    usual = replace(bath, bad=12, p=0.3, expected=10.0)
    answer = replace(one, watch=replace(one.watch, singles=replace(one.watch.singles, told=(usual,))))
    assert asked(answer) == {}
    assert singles_table(answer.watch.singles).rows[0][5] == "lost most, as its like do"
    assert traits_table(one.watch.singles).rows
    assert traits_table(answer.watch.singles).rows == ()  # nothing sets apart a bath that did as its like do
    assert asked(one)


def test_several_that_lost_most_share_a_line(tmp_path):
    one = farm(tmp_path, died=16, others=False)
    (bath,) = one.watch.singles.told
    four = tuple(replace(bath, bath=f"S{i}", sessions=(f"S{i}",)) for i in range(4))
    many = replace(one, watch=replace(one.watch, singles=replace(one.watch.singles, told=four)))
    ((what, why),) = asked(many).items()
    assert what == "Look into 4 baths that lost most of their pieces"
    assert why.startswith("session S0 of DIP, 2026-10-14: 16 of 20 pieces died by day 3; session S1")
    assert why.endswith("and 1 more")


def test_sessions_of_one_mixed_bath_are_one(tmp_path):
    answer = farm(tmp_path, died=19, shared=True)
    (bath,) = answer.watch.singles.told
    assert (bath.sessions, bath.whole, bath.bad) == (("S14", "S15"), 40, 38)
    assert "Find out what went wrong in bath M9 of DIP, 2026-10-11" in asked(answer)


def test_what_is_printed_is_what_is_recorded(tmp_path):
    answer = farm(tmp_path, died=19)
    recorded = answer.to_json()["watch"]["single_baths"]
    json.dumps(recorded, allow_nan=False)
    (bath,) = recorded["told"]
    row = singles_table(answer.watch.singles).rows[0]
    assert row[1] == f"{bath['bad']} of {bath['whole']} pieces died by day {bath['by_day']}"
    assert row[2].startswith(f"{bath['like_bad']} of {bath['like_whole']} in {bath['like_baths']} baths")
    assert row[3] == f"{bath['expected']:.1f}"
    assert row[5] == "named"
    traits = {row[1]: row[2:] for row in traits_table(answer.watch.singles).rows}
    assert traits["bottle"] == ("L1", "L0, L1", "no")
    assert "mixed by" not in traits


def test_the_demo_has_no_such_bath():
    demo = Path(__file__).parents[1] / "data" / "demo" / "log"
    answer = answer_quality(read_log(demo, as_of="2026-11-20"), month="2026-10", as_of="2026-11-20")
    assert answer.watch.singles.told == ()
    assert answer.watch.singles.judged == 62
