"""Looks that find nothing: against published sample sizes, against enumeration by hand, and where they fall short."""

import json
import math
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from afterdip.follow_up import (
    TrayLooks,
    infested_at,
    lot_freedom,
    miss_chance,
    miss_chance_large,
    pieces_needed,
    probability_below,
    share_seen,
)
from afterdip.proportion import upper_bound_when_none

REFERENCE = json.loads((Path(__file__).parent / "reference" / "follow_up.json").read_text(encoding="utf-8"))
EYES = REFERENCE["imperfect_eyes"]


@pytest.mark.parametrize("lot_size, prevalence, infested, exact, raw, rounded", REFERENCE["freedom_tables"]["finite"])
def test_sample_sizes_of_finite_lots(lot_size, prevalence, infested, exact, raw, rounded):
    """Cannon & Roe 1982; Cannon 2001, Prev Vet Med 49:141: exact sizes, and their formula beside them."""
    assert infested_at(prevalence, lot_size) == infested
    assert pieces_needed(lot_size, prevalence=prevalence) == exact
    assert (1 - 0.05 ** (1 / infested)) * (lot_size - (infested - 1) / 2) == pytest.approx(raw, rel=1e-9)
    assert abs(exact - rounded) <= 1  # the formula is an approximation, good to a piece


@pytest.mark.parametrize("prevalence, needed", REFERENCE["freedom_tables"]["very_large"])
def test_sample_sizes_of_very_large_lots(prevalence, needed):
    """299, 149, 59, 29: Cannon & Roe 1982; RSurveillance."""
    assert pieces_needed(None, prevalence=prevalence) == needed
    assert miss_chance_large(prevalence, needed) <= 0.05 < miss_chance_large(prevalence, needed - 1)


@pytest.mark.parametrize("lot_size, printed, exact", REFERENCE["fish_lots"]["rows"])
def test_sizes_printed_for_fish_lots(lot_size, printed, exact):
    """The printed sizes (from memory) are rounded; ours are the exact ones behind them."""
    ours = [pieces_needed(lot_size, prevalence=p) for p in (0.02, 0.05, 0.10)]
    assert ours == exact
    assert np.abs(np.subtract(ours, printed)).max() <= 4


@pytest.mark.parametrize("n, bound", REFERENCE["rule_of_three"]["rows"])
def test_rule_of_three_is_the_very_large_lot(n, bound):
    """Hanley & Lippman-Hand 1983 (from memory): at the bound, n looks miss with a chance of 5 %."""
    assert float(miss_chance_large(bound, n)) == pytest.approx(0.05, abs=1e-9)
    assert upper_bound_when_none(n).high == pytest.approx(bound, abs=1e-9)


@pytest.mark.parametrize("lot_size, prevalence, sensitivity, level, printed", EYES["very_large"])
def test_imperfect_eyes_in_very_large_lots(lot_size, prevalence, sensitivity, level, printed):
    """EpiR, surveillance vignette, example 1: 66 at 5 % and sensitivity 0.90."""
    ours = pieces_needed(lot_size, prevalence=prevalence, sensitivity=sensitivity, confidence_level=level)
    assert ours == printed


@pytest.mark.parametrize("lot_size, infested, sensitivity, level, printed", EYES["approximated"])
def test_imperfect_eyes_in_finite_lots(lot_size, infested, sensitivity, level, printed):
    """EpiR and RSurveillance print MacDiarmid's approximation: an upper bound of the exact size, and near it."""
    ours = pieces_needed(lot_size, prevalence=infested / lot_size, sensitivity=sensitivity, confidence_level=level)
    approximate = lot_size / sensitivity * (1 - (1 - level) ** (1 / infested))
    if printed is None:
        assert ours is None
        assert approximate > lot_size
        return
    assert math.ceil(approximate - 1e-9) == printed
    # Cannon 2001 (from memory), with D s detectable pieces: good to a piece
    cannon = (1 - (1 - level) ** (1 / infested)) * (lot_size - (infested * sensitivity - 1) / 2) / sensitivity
    assert ours <= printed
    assert ours == pytest.approx(math.ceil(cannon), abs=1)


@pytest.mark.parametrize("lot_size, examined, prevalence, sensitivity, printed", EYES["detection"]["rows"])
def test_chance_to_notice(lot_size, examined, prevalence, sensitivity, printed):
    """EpiR, rsu.sep.rs: 0.943 in a very large lot; 0.28 to 0.36 in herds of 100 to 80, one infested."""
    if lot_size is None:
        missed = float(miss_chance_large(prevalence, examined, sensitivity=sensitivity))
        assert 1 - missed == pytest.approx(printed, abs=0.0005)
    else:
        missed = float(miss_chance(lot_size, infested_at(prevalence, lot_size), examined, sensitivity=sensitivity))
        assert 1 - missed == pytest.approx(printed, abs=0.0051)
        assert missed == pytest.approx(1 - sensitivity * examined / lot_size, rel=1e-9)


def test_probability_at_a_prior():
    """EpiR, rsu.sspfree.rs: 65 pieces at a prior of 0.495 (0.5 after a 1 % chance of introduction)."""
    case = EYES["probability"]

    def probability(n):
        missed = float(miss_chance_large(case["prevalence"], n, sensitivity=case["sensitivity"]))
        return probability_below(1 - missed, prior=case["prior"])

    assert probability(case["pieces"]) >= case["wanted"] > probability(case["pieces"] - 1)
    assert probability_below(0.0) == 0.5
    assert probability_below(1.0) == 1.0


def test_miss_chance_by_enumeration():
    """7 pieces, 3 of them infested, 4 looked at: all 35 ways, and every way to notice or not."""
    ways = list(combinations(range(7), 4))
    for sensitivity in (1.0, 0.6):
        missed = sum((1 - sensitivity) ** sum(piece < 3 for piece in way) for way in ways) / len(ways)
        assert float(miss_chance(7, 3, 4, sensitivity=sensitivity)) == pytest.approx(missed, abs=1e-12)
    assert float(miss_chance(7, 3, 4)) == pytest.approx(1 / 35)
    assert miss_chance(7, np.arange(8), 0).tolist() == [1.0] * 8
    assert miss_chance(7, [0, 1, 7], 7, sensitivity=0.75) == pytest.approx([1.0, 0.25, 0.25**7])


def test_miss_chance_against_scipy():
    for lot, infested, examined, s in [(120, 7, 40, 0.7), (5000, 100, 147, 0.9), (100_000, 2000, 149, 1.0)]:
        y = np.arange(min(infested, examined) + 1)
        other = (hypergeom.pmf(y, lot, infested, examined) * (1 - s) ** y).sum()
        assert float(miss_chance(lot, infested, examined, sensitivity=s)) == pytest.approx(other, rel=1e-7)


def test_one_tray_is_the_published_case():
    for lot_size, prevalence, s in [(100, 0.02, 1.0), (500, 0.05, 0.9), (80, 0.025, 0.8)]:
        freedom = lot_freedom([TrayLooks(lot_size)], prevalence=prevalence, sensitivity=s)
        needed = pieces_needed(lot_size, prevalence=prevalence, sensitivity=s)
        assert (freedom.further_looks, freedom.further_pieces) == (1, needed)
        assert freedom.confidence.estimate == 0.0
        assert freedom.share.high == 1.0
        done = lot_freedom([TrayLooks(lot_size, (needed,))], prevalence=prevalence, sensitivity=s)
        assert (done.further_looks, done.further_pieces) == (0, 0)
        assert done.confidence.estimate >= 0.95
        assert done.ruled_out <= done.design_infested


def test_hand_case_of_two_looks():
    """10 pieces, sensitivity 0.85, each looked at twice: one infested piece is missed with chance 0.15 squared."""
    freedom = lot_freedom([TrayLooks(10, (10, 10))], prevalence=0.02, sensitivity=0.85)
    assert freedom.confidence.estimate == pytest.approx(1 - 0.15**2)
    assert (freedom.ruled_out, freedom.share.high) == (1, 0.1)  # no more than one in ten: never "none"
    once = lot_freedom([TrayLooks(10, (10,))], prevalence=0.02, sensitivity=0.85)
    assert once.confidence.estimate == pytest.approx(0.85)
    assert (once.further_looks, once.further_pieces) == (1, 8)  # 0.15 (1 - 0.85 * 8 / 10) = 0.048
    blind = lot_freedom([TrayLooks(10)], prevalence=0.02, sensitivity=0.01)
    assert (blind.further_looks, blind.further_pieces) == (None, None)


def test_tray_never_looked_at_leaves_no_confidence():
    freedom = lot_freedom([TrayLooks(50, (50,)), TrayLooks(5)], prevalence=0.05, sensitivity=1.0)
    assert freedom.design_infested == 3
    assert freedom.confidence.estimate == 0.0  # all three may sit in the small tray
    assert freedom.ruled_out == 6


def test_further_looks_go_where_they_are_missing():
    """A tray looked at twice needs nothing; the other 10 pieces once and 8 more: 0.15 (1 - 0.85 * 8/10) = 0.048."""
    freedom = lot_freedom([TrayLooks(12, (12, 12)), TrayLooks(10)], prevalence=0.02, sensitivity=0.85)
    assert (freedom.further_looks, freedom.further_pieces) == (2, 18)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 9), st.integers(1, 9), st.sampled_from([0.5, 0.8, 1.0]), st.sampled_from([0.02, 0.3]))
def test_further_looks_are_enough_and_few(one, other, sensitivity, prevalence):
    """By trying every split of fewer pieces over two trays, one look each at most; more than a look: not compared."""
    asked = {"prevalence": prevalence, "sensitivity": sensitivity}
    freedom = lot_freedom([TrayLooks(one), TrayLooks(other)], **asked)
    sure = [
        a + b
        for a, b in product(range(one + 1), range(other + 1))
        if lot_freedom([TrayLooks(one, (a,)), TrayLooks(other, (b,))], **asked).confidence.estimate >= 0.95 - 1e-12
    ]
    if freedom.further_looks == 1:
        assert min(sure) <= freedom.further_pieces <= min(sure) + 1  # equal trays' chances, not every split, are tried
    else:
        assert not sure


trays = st.lists(
    st.integers(1, 7).flatmap(lambda n: st.tuples(st.just(n), st.lists(st.integers(0, n), max_size=2))),
    min_size=1, max_size=3,
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(trays, st.sampled_from([0.3, 0.8, 1.0]), st.sampled_from([0.02, 0.2, 0.5]))
def test_worst_spread_by_enumeration(trays, sensitivity, prevalence):
    looks = [TrayLooks(n, tuple(examined)) for n, examined in trays]
    freedom = lot_freedom(looks, prevalence=prevalence, sensitivity=sensitivity)

    def missed(spread):
        chances = (
            float(miss_chance(tray.pieces, d, n, sensitivity=sensitivity))
            for tray, d in zip(looks, spread, strict=True) for n in tray.examined
        )  # fmt: skip
        return math.prod(chances)

    spreads = list(product(*(range(tray.pieces + 1) for tray in looks)))
    worst = [max(missed(s) for s in spreads if sum(s) == d) for d in range(freedom.pieces + 1)]
    assert freedom.confidence.estimate == pytest.approx(1 - worst[freedom.design_infested], abs=1e-9)
    beyond = [d for d, chance in enumerate(worst) if chance <= 0.05 * (1 + 1e-9)]
    assert freedom.ruled_out == (min(beyond) if beyond else freedom.pieces)
    assert (freedom.further_pieces == 0) == (freedom.confidence.estimate >= 0.95 - 1e-12)


def test_order_of_trays_and_looks_does_not_matter():
    looks = [TrayLooks(12, (12, 5)), TrayLooks(30, (11,)), TrayLooks(4, (4, 4, 2))]
    again = [TrayLooks(4, (2, 4, 4)), TrayLooks(12, (5, 12)), TrayLooks(30, (11,))]
    one, two = (lot_freedom(t, prevalence=0.1, sensitivity=0.8) for t in (looks, again))
    assert one.confidence.estimate == pytest.approx(two.confidence.estimate)
    assert one.ruled_out == two.ruled_out
    assert one.further_pieces == two.further_pieces


def test_confidence_keeps_its_word():
    """Lots infested at the design value, pests clumped in one tray: those called sure are at most 5 in 100."""
    rng = np.random.default_rng(7)
    examined, s = {0: 24, 1: 24, 2: 24}, 0.85
    looks = [TrayLooks(24, (n, n)) for n in examined.values()]
    freedom = lot_freedom(looks, prevalence=0.02, sensitivity=s)
    assert freedom.further_looks == 0
    clumped = np.arange(72) < freedom.design_infested
    missed = [not (rng.random((2, 72)) < s)[:, clumped].any() for _ in range(20_000)]
    assert np.mean(missed) <= 0.05
    assert np.mean(missed) == pytest.approx(1 - freedom.confidence.estimate, abs=0.002)


@pytest.mark.parametrize("call", [
    lambda: miss_chance(5, 6, 1), lambda: miss_chance(5, 1, 6), lambda: miss_chance(5, 1, 1, sensitivity=0.0),
    lambda: infested_at(0.0, 5), lambda: TrayLooks(5, (6,)), lambda: TrayLooks(0),
    lambda: probability_below(0.5, prior=1), lambda: lot_freedom([], prevalence=0.02, sensitivity=1.0),
])  # fmt: skip
def test_misuse(call):
    with pytest.raises(ValueError, match=r"."):
        call()


def test_share_seen_by_hand():
    seen, found = [9, 8, 10, 12, 0], [10, 10, 10, 10, 0]
    share = share_seen(seen, found, session=list("abcde"))
    assert share.estimate == pytest.approx((9 + 8 + 10 + 10) / 40)  # what was seen beyond the find is not counted
    assert share.low < share.estimate < share.high
    assert (share.sessions, share.pests) == (4, 40)
    assert "too few pests" in share_seen([1, 2], [2, 3]).reason
    assert "too few sessions" in share_seen([20, 20], [30, 30], session=["a", "b"]).reason
    assert not share_seen([], []).known
