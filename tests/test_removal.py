"""Removal estimators: published values, hand cases, properties and edges."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from afterdip import removal as rm
from afterdip.errors import DataError
from afterdip.estimate import Estimate

PUBLISHED = json.loads((Path(__file__).parent / "reference" / "removal.json").read_text())
sessions = st.lists(st.tuples(*[st.integers(0, 12)] * 3), min_size=4, max_size=10).filter(
    lambda rows: sum(sum(row) > 0 for row in rows) >= 4 and sum(map(sum, rows)) >= 5
)


def limits(estimate):
    return estimate.low, estimate.high


# ---- formulas


# Abbott 1925, J Econ Entomol 18:265: 50 % dead in the check, 98 % in the treated: 96 %; CDC bottle bioassay: 44.4
@pytest.mark.parametrize(
    "treated_dead, control_dead, printed, digit", [(0.98, 0.5, 0.96, 0.005), (0.5, 0.1, 0.444, 5e-4)]
)
def test_abbott_as_published(treated_dead, control_dead, printed, digit):
    mine = rm.abbott(1 - treated_dead, 1 - control_dead)
    assert mine == pytest.approx(printed, abs=digit)
    assert mine == pytest.approx(rm.schneider_orelli(treated_dead, control_dead), abs=1e-12)


def test_abbott_recomputed():
    dead_96, dead_44 = PUBLISHED["C1"]["recomputed_Python"]
    assert 100 * rm.abbott(0.02, 0.5) == pytest.approx(dead_96, abs=1e-9)
    assert 100 * rm.schneider_orelli(0.5, 0.1) == pytest.approx(dead_44, abs=1e-9)
    assert rm.schneider_orelli(1.0, 0.1) == 1.0  # all dead stays all dead, as the guideline says


def test_henderson_tilton_by_hand():
    """Treated 200 to 10, sham 100 to 80: 1 - (10/200)(100/80) = 15/16; equal arms before make it Abbott's."""
    assert rm.henderson_tilton(200, 10, 100, 80) == pytest.approx(15 / 16)
    assert rm.henderson_tilton(50, 10, 50, 40) == pytest.approx(rm.abbott(10, 40))
    assert rm.before_after(200, 10) == pytest.approx(0.95)
    assert rm.henderson_tilton(10, 20, 10, 10) == pytest.approx(-1.0)  # worse than the sham is below zero


def test_no_denominator_is_none():
    assert rm.before_after(0, 3) is None
    assert rm.abbott(3, 0) is None
    assert rm.henderson_tilton(0, 1, 5, 5) is None
    assert rm.henderson_tilton(5, 1, 5, 0) is None
    assert rm.schneider_orelli(0.5, 1) is None


# VICH GL7 efficacy, arithmetic and geometric means (geometric ones asked for by GL7: from memory)
def test_arithmetic_and_geometric_means():
    case = PUBLISHED["C5"]["data"]
    control, treated = case["control"], case["treated"]
    assert 100 * rm.abbott(np.mean(treated), np.mean(control)) == pytest.approx(case["AM_eff"], abs=1e-9)
    flattering = 100 * rm.abbott(rm.geometric_mean(treated), rm.geometric_mean(control))
    assert flattering == pytest.approx(case["GM_eff"], abs=1e-9)
    assert flattering > case["AM_eff"]


# ---- Coles et al. 1992, Vet Parasitol 44:35 (faecal egg counts; one animal stands for one session)


def test_egg_count_reduction_paired():
    case = PUBLISHED["C4"]
    mine = rm.before_after_reduction(case["data"]["after"], case["data"]["before"])
    expected = case["recomputed_Python"]
    assert 100 * mine.estimate.estimate == pytest.approx(expected["est"], abs=1e-9)
    error = mine.log_standard_error * np.sqrt(14 / 13)
    assert error == pytest.approx(expected["se_log_paired"], abs=1e-9)
    ratio = 1 - mine.estimate.estimate
    delta = [100 * (1 - ratio * np.exp(sign * stats.norm.ppf(0.975) * error)) for sign in (1, -1)]
    assert delta == pytest.approx(expected["paired_delta_log"], abs=1e-6)
    # ours at session level, with few animals carrying the eggs, are wider than the normal delta ones
    assert mine.estimate.low < 0.8689
    assert mine.estimate.high > 0.9548


def test_egg_count_reduction_unpaired():
    """Treating the same data as two groups is Coles's formula; on paired data it is the wrong one."""
    case = PUBLISHED["C4"]
    ones = np.ones(14)
    mine = rm.abbott_reduction(case["data"]["after"], ones, case["data"]["before"], ones)
    expected = case["recomputed_Python"]
    error = mine.log_standard_error * np.sqrt(14 / 13)
    assert error == pytest.approx(expected["se_log_unpaired"], abs=1e-9)
    ratio = 1 - mine.estimate.estimate
    coles = [100 * (1 - ratio * np.exp(sign * stats.t.ppf(0.975, 26) * error)) for sign in (1, -1)]
    assert coles == pytest.approx(expected["coles"], abs=1e-6)


# ---- control mortality: WHO 2016 (thresholds from memory), CDC bottle bioassay, US EPA acute tests


@pytest.mark.parametrize(
    "rule, share, decision",
    [
        (rm.WHO, 0.0499, "as it is"),
        (rm.WHO, 0.05, "corrected"),
        (rm.WHO, 0.20, "corrected"),
        (rm.WHO, 0.2001, "void"),
        (rm.CDC, 0.03, "as it is"),
        (rm.CDC, 0.0301, "corrected"),
        (rm.CDC, 0.10, "corrected"),
        (rm.CDC, 0.1001, "void"),
        (rm.EPA, 0.10, "as it is"),
        (rm.EPA, 0.1001, "void"),
        (rm.WHO, 1 - 0.95, "corrected"),  # 0.05000000000000004 is 5 %
        (rm.WHO, 1 - 0.80, "corrected"),  # 0.19999999999999996 is 20 %
    ],
)
def test_control_rules_at_their_edges(rule, share, decision):
    assert rule.decide(share) == decision


def test_control_rules_are_named():
    assert set(rm.CONTROL_RULES) == {"WHO 2016", "CDC bottle bioassay", "EPA acute toxicity"}
    assert "from memory" in rm.WHO.source


@pytest.mark.parametrize("sham_dead, decision", [(0, "as it is"), (1, "corrected"), (4, "corrected"), (5, "void")])
def test_controlled_kill_follows_the_rule(sham_dead, decision):
    """Twenty pests in the sham's four sessions: 0, 5, 20 and 25 % dead."""
    sham = [0, 0, 0, sham_dead]
    mine = rm.controlled_kill([9, 8, 9, 10], [10] * 4, sham, [5] * 4)
    assert (mine.decision, mine.rule) == (decision, "WHO 2016")
    assert mine.control_mortality.estimate == pytest.approx(sham_dead / 20)
    if decision == "void":
        assert mine.kill.reason == "void: the sham itself killed 25\u00a0%, more than 20\u00a0% (WHO 2016)"
    else:
        corrected = rm.schneider_orelli(0.9, sham_dead / 20)
        assert mine.kill.estimate == pytest.approx(0.9 if decision == "as it is" else corrected)


def test_controlled_kill_without_a_sham():
    mine = rm.controlled_kill([9, 8, 9, 10], [10] * 4, [], [])
    assert mine.decision == "no sham"
    assert not mine.kill.known


# ---- removed and killed


def test_removed_and_killed_are_two_outcomes():
    """Five dips of ten: nine fell, of which one alive; one stayed on, dead. Removed 9/10, killed 9/10."""
    shares = rm.shares_of_found([9] * 5, [9] * 5, [10] * 5)
    assert shares.removed.estimate == shares.killed.estimate == pytest.approx(0.9)
    shaken = rm.shares_of_found([10] * 5, [0] * 5, [10] * 5)  # all off, none dead: a live pest in the tub
    assert (shaken.removed.estimate, shaken.killed.estimate) == (1.0, 0.0)
    assert shaken.removed.pests == 50


@pytest.mark.parametrize(
    "found, reason",
    [
        ([0, 0, 0, 0], "no denominator: no pest was found"),
        ([], "no denominator: no pest was found"),
        ([1, 1, 1, 1], "too few pests: 4 found, needs 5"),
        ([30, 0, 0, 30], "too few sessions with pests: 2, needs 4"),
    ],
)
def test_shares_cannot_say(found, reason):
    shares = rm.shares_of_found(found, found, found)
    assert shares.removed.reason == shares.killed.reason == reason


def test_all_dead_and_none_dead_are_bounds():
    dead, none = rm.shares_of_found([6] * 6, [6] * 6, [6] * 6), rm.shares_of_found([0] * 6, [0] * 6, [6] * 6)
    assert (dead.killed.estimate, dead.killed.high) == (1, 1)
    assert 0.7 < dead.killed.low < 0.95
    assert none.killed.high == pytest.approx(1 - dead.killed.low)


def test_more_removed_than_found_is_refused():
    with pytest.raises(DataError, match="more pests removed or killed than found"):
        rm.shares_of_found([5], [1], [4])


# ---- reductions with limits


def test_control_worse_than_treated_and_the_reverse_are_not_clipped():
    better = rm.henderson_tilton_reduction([2] * 8, [10] * 8, [9] * 8, [10] * 8).estimate
    worse = rm.henderson_tilton_reduction([9] * 8, [10] * 8, [2] * 8, [10] * 8).estimate
    assert better.estimate == pytest.approx(1 - 2 / 9)
    assert worse.estimate == pytest.approx(-3.5)
    assert worse.high < 0
    assert rm.schneider_orelli_reduction([1] * 8, [10] * 8, [5] * 8, [10] * 8).estimate.estimate == pytest.approx(-0.8)


def test_nothing_left_is_a_bound_in_every_formula():
    after, before, sham, pieces = [0] * 6, [10] * 6, [9] * 6, [20] * 6
    for reduction in (
        rm.before_after_reduction(after, before),
        rm.abbott_reduction(after, pieces, sham, pieces),
        rm.henderson_tilton_reduction(after, before, sham, before),
        rm.schneider_orelli_reduction(before, before, [0] * 6, before),
    ):
        assert (reduction.estimate.estimate, reduction.estimate.high) == (1, 1)
        assert 0.3 < reduction.estimate.low < 1
        assert reduction.log_standard_error is None


def test_reductions_say_what_is_missing():
    dips = ([5, 6, 5, 6], [10] * 4)
    assert "no denominator" in rm.before_after_reduction([0] * 4, [0] * 4).estimate.reason
    assert rm.henderson_tilton_reduction(*dips, [], []).estimate.reason == "no sham dip with a count"
    assert rm.henderson_tilton_reduction(*dips, [3], [5]).estimate.reason == "sham: too few sessions: 1, needs 4"
    assert "no denominator" in rm.henderson_tilton_reduction(*dips, [0] * 4, [5] * 4).estimate.reason
    open_ended = rm.abbott_reduction([1] * 6, [20] * 6, [2, 0, 0, 0, 0, 0], [20] * 6).estimate
    assert open_ended.known
    assert open_ended.low is None or open_ended.low < 0


def test_each_reduction_says_what_it_used():
    labels = {
        (r.name, r.control)
        for r in (
            rm.before_after_reduction([1] * 4, [9] * 4),
            rm.abbott_reduction([1] * 4, [9] * 4, [5] * 4, [9] * 4),
            rm.henderson_tilton_reduction([1] * 4, [9] * 4, [5] * 4, [9] * 4),
            rm.schneider_orelli_reduction([8] * 4, [9] * 4, [1] * 4, [9] * 4),
        )
    }
    assert labels == {
        ("before/after", "none (the same pieces before)"),
        ("Abbott", "sham after the dip"),
        ("Henderson-Tilton", "sham before and after"),
        ("Schneider-Orelli", "sham's dead share"),
    }


@settings(deadline=None, max_examples=50)
@given(sessions, sessions, st.randoms(use_true_random=False), st.integers(2, 5))
def test_order_units_and_splitting_change_nothing(agent, sham, random, times):
    """Rows shuffled, a session's row repeated as an empty tray, and pieces counted in other units: the same answer."""
    def arm(rows):
        return [a for a, _, _ in rows], [a + b for a, b, _ in rows], [f"s{i}" for i in range(len(rows))]

    dead, found, labels = arm(agent)
    sham_dead, sham_found, sham_labels = arm(sham)
    mine = rm.schneider_orelli_reduction(
        dead, found, sham_dead, sham_found, session=labels, sham_session=sham_labels
    ).estimate
    order = [*range(len(dead)), 0]
    random.shuffle(order)
    seen = set()
    again = ([], [], [])
    for place in order:
        first = place not in seen
        seen.add(place)
        for column, value in zip(again, (dead[place], found[place], labels[place]), strict=True):
            column.append(value if first or isinstance(value, str) else 0)
    other = rm.schneider_orelli_reduction(
        again[0], again[1], sham_dead, sham_found, session=again[2], sham_session=sham_labels
    ).estimate
    assert (mine.known, mine.reason) == (other.known, other.reason)
    if mine.known:
        assert other.estimate == pytest.approx(mine.estimate, abs=1e-9)
        assert limits(other) == pytest.approx(limits(mine), abs=1e-9)
        assert mine.low is None or mine.low <= mine.estimate + 1e-9
        assert mine.estimate <= mine.high + 1e-9
    # Abbott's reduction does not depend on what one counts pieces in
    per_piece = rm.abbott_reduction(dead, [20] * len(dead), sham_dead, [30] * len(sham)).estimate
    per_other = rm.abbott_reduction(dead, [20 * times] * len(dead), sham_dead, [30 * times] * len(sham)).estimate
    assert per_piece.known == per_other.known
    if per_piece.known:
        assert per_other.estimate == pytest.approx(per_piece.estimate, abs=1e-9)


# ---- prevalence, intensity, abundance (Bush et al. 1997)


def test_three_measures_of_infestation():
    """192 pieces in eight tanks: 19 infested with 41 worms (laboratory counts, open data): 19/192, 41/19, 41/192."""
    infested = [3, 2, 2, 3, 2, 3, 2, 2]
    worms = [7, 4, 5, 6, 4, 7, 4, 4]
    mine = rm.infestation(worms, infested, [24] * 8)
    assert mine.prevalence.estimate == pytest.approx(19 / 192)
    assert mine.intensity.estimate == pytest.approx(41 / 19)
    assert mine.abundance.estimate == pytest.approx(41 / 192)
    assert limits(mine.prevalence_if_independent) == pytest.approx((0.0606, 0.1502), abs=5e-5)
    assert mine.prevalence.low <= mine.prevalence_if_independent.low
    assert mine.intensity.low >= 1


@pytest.mark.parametrize(
    "infested, pieces, low, high", [(0, 192, 0.0, 0.0190), (3, 192, 0.0032, 0.0450), (0, 19, 0, 0.176)]
)
def test_open_counts_exact_limits(infested, pieces, low, high):
    mine = rm.infestation([infested], [infested], [pieces])
    assert limits(mine.prevalence_if_independent) == pytest.approx((low, high), abs=5.1e-4 if pieces == 19 else 5.1e-5)
    assert mine.prevalence.reason == "too few sessions: 1, needs 4"


def test_pests_without_infested_pieces_count_for_abundance_only():
    mine = rm.infestation([4, 0, 3, 2, 1], [np.nan, 0, np.nan, np.nan, 1], [10] * 5)
    assert (mine.examined, mine.infested, mine.pests) == (50, 1, 10)
    assert mine.prevalence.pieces == 20
    assert mine.abundance.estimate == pytest.approx(0.2)
    none = rm.infestation([4], [np.nan], [10])
    assert none.infested is None
    assert none.intensity.reason == "infested pieces were not counted"


# ---- what came back


def looks(*rows):
    tray, day, alive = zip(*rows, strict=True) if rows else ((), (), ())
    return rm.follow_up(tray, day, alive, session=tray, trays=6)


@pytest.mark.parametrize(
    "rows, verdict",
    [
        ((), "not looked at after the dip"),
        ((("a", 0, 0),), "nothing seen after the dip, not looked at again: not shown to be clean"),
        ((("a", 0, 0), ("a", 5, 0)), "nothing seen after the dip or later: clean only as far as the limit says"),
        ((("a", 0, 0), ("a", 5, 2)), "not clean: none seen at first, living pests later"),
        ((("a", 0, 1), ("a", 5, 0)), "not clean: some left alive after the dip"),
        (
            (("a", 0, 0), ("a", 5, 0), ("b", 0, 0)),
            "nothing seen after the dip, not looked at again: not shown to be clean",
        ),
        ((("a", 5, 0), ("a", 1, 0), ("a", 9, 1)), "not clean: none seen at first, living pests later"),
    ],
)
def test_verdicts(rows, verdict):
    assert looks(*rows).verdict == verdict


def test_follow_up_counts():
    mine = looks(("a", 0, 0), ("a", 5, 2), ("b", 0, 0), ("b", 5, 0), ("c", 0, 0), ("d", 0, 3), ("d", 5, 0), ("e", 2, 0))
    assert (mine.trays, mine.looked_at, mine.looked_clean, mine.looked_again, mine.came_back) == (6, 5, 4, 2, 1)
    assert mine.share_back.reason == "too few sessions: 2, needs 4"


def test_nothing_coming_back_is_a_bound():
    rows = [(f"t{i}", day, 0) for i in range(20) for day in (0, 7)]
    mine = looks(*rows)
    assert mine.share_back.estimate == 0
    assert mine.share_back.high == pytest.approx(0.16843347098308534, abs=1e-9)  # exact, twenty independent trays


# ---- bootstrap


def ratio(totals):
    return totals[..., 0] / totals[..., 1]


def test_bootstrap_agrees_with_the_analytic_limits_where_sessions_are_many():
    rng = np.random.default_rng(4)
    found = rng.integers(3, 12, 300)
    killed = rng.binomial(found, rng.beta(8, 2, 300))
    arm = np.column_stack([killed, found])
    drawn = rm.session_bootstrap(ratio, arm, rng=np.random.default_rng(1), draws=4000)
    mine = rm.shares_of_found(killed, killed, found).killed
    assert limits(drawn) == pytest.approx(limits(mine), abs=0.01)
    again = rm.session_bootstrap(ratio, arm, rng=np.random.default_rng(1), draws=4000)
    assert isinstance(again, Estimate)
    assert limits(again) == limits(drawn)  # the same generator, the same limits


def test_bootstrap_refuses_few_sessions_and_empty_denominators():
    few = rm.session_bootstrap(ratio, np.ones((12, 2)), rng=np.random.default_rng(1))
    assert few.reason == "too few sessions to resample: 12, needs 30"
    arm = np.zeros((40, 2))
    arm[0] = 1
    rare = rm.session_bootstrap(ratio, arm, rng=np.random.default_rng(1))
    assert rare.reason == "no denominator in too many draws"
