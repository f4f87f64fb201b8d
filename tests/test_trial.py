"""Planning: published sample sizes, properties, edges, and dealing by lot."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from afterdip.comparison import crude_difference
from afterdip.proportion import design_effect
from afterdip.trial import (
    deal,
    deaths_for_hazard_ratio,
    difference_shown,
    pieces_for_difference,
    pieces_for_margin,
    power_for_difference,
    sessions_by_survival,
    sessions_for_precision,
    sessions_needed,
    sessions_needed_from,
)

EXAMPLES = json.loads((Path(__file__).parent / "reference" / "comparison.json").read_text())


def test_power_and_size_of_two_proportions():
    """G1: R's help on power.prop.test, p 0.50 against 0.75: power 0.740 with 50, 76.7 for power 0.90."""
    known = EXAMPLES["G1"]["recomputed_R"]
    assert power_for_difference(0.5, 0.75, 50) == pytest.approx(known["power"], abs=1e-6)
    assert power_for_difference(0.5, 0.75, 50) == pytest.approx(0.740, abs=5e-4)
    assert pieces_for_difference(0.5, 0.75, power=0.9) == pytest.approx(known["n"], abs=1e-5)
    assert pieces_for_difference(0.5, 0.75, power=0.9) == pytest.approx(76.7, abs=0.05)


@pytest.mark.parametrize("case", EXAMPLES["G1"]["recomputed_Python"])
def test_size_with_and_without_continuity_correction(case):
    """G1: Fleiss 1981, 2nd ed., ch. 3; the printed values are from memory, these recomputed to 1e-6."""
    first, second, alpha, power = (float(x.lstrip("apower")) for x in case.split(","))
    options = {"confidence_level": 1 - alpha, "power": power}
    plain, corrected = EXAMPLES["G1"]["recomputed_Python"][case]
    assert pieces_for_difference(first, second, **options) == pytest.approx(plain, rel=1e-9)
    assert pieces_for_difference(first, second, continuity=True, **options) == pytest.approx(corrected, rel=1e-9)


def test_sessions_for_precision():
    """G3: Bennett et al. 1991, World Health Stat. Q. 44:98, p. 102: 17 clusters."""
    found = sessions_for_precision(0.2, 0.05, mean_size=20, correlation=0.02)
    assert found == pytest.approx(EXAMPLES["G3"]["recomputed_R"], abs=1e-6)
    assert math.ceil(found) == 17


@pytest.mark.parametrize(
    ("mean_size", "correlation", "cv", "name"),
    [(20, 0.05, 0, "m=20,icc=.05"), (10, 0.1, 0, "m=10,icc=.1"), (30, 0.01, 0, "m=30,icc=.01"),
     (20, 0.05, 0.4, "cv_adj_m=20,icc=.05,cv=.4")],
)  # fmt: skip
def test_design_effects(mean_size, correlation, cv, name):
    """G3: Donner & Klar 2000; unequal sizes Eldridge et al. 2006."""
    known = EXAMPLES["G3"]["recomputed_Python"]["deff"][name]
    assert design_effect(correlation, mean_size, size_cv=cv) == pytest.approx(known, abs=1e-9)


def test_deaths_for_a_hazard_ratio():
    # by hand: 4 (1.959964 + 0.841621)^2 / ln(2)^2 = 65.35; Schoenfeld 1983
    assert deaths_for_hazard_ratio(2.0) == pytest.approx(4 * 2.8015852**2 / math.log(2) ** 2, rel=1e-6)
    assert deaths_for_hazard_ratio(0.5) == pytest.approx(deaths_for_hazard_ratio(2.0))
    alone = sessions_by_survival(0.1, 0.2, mean_size=1, correlation=0.0)
    assert alone * 0.3 == pytest.approx(deaths_for_hazard_ratio(math.log(0.9) / math.log(0.8)))
    shared = sessions_by_survival(0.1, 0.2, mean_size=30, correlation=0.1)
    assert shared == pytest.approx(alone * design_effect(0.1, 30) / 30)


def test_margin_size_by_simulation():
    n = math.ceil(pieces_for_margin(0.05, 0.03))
    rng = np.random.default_rng(4)
    p, q = rng.binomial(n, 0.05, (2, 40000)) / n
    error = np.sqrt((p * (1 - p) + q * (1 - q)) / n)
    assert np.mean(p - q + 1.6448536 * error < 0.03) == pytest.approx(0.8, abs=0.02)


def test_more_sessions_for_less_difference_more_likeness_and_larger_correlation():
    base = sessions_needed(0.05, 0.03, mean_size=40, correlation=0.1)
    assert base.total == max(base.to_show_difference, base.to_show_alike)
    assert sessions_needed(0.05, 0.02, mean_size=40, correlation=0.1).total > base.total
    assert sessions_needed(0.05, 0.03, mean_size=40, correlation=0.2).total > 1.5 * base.total
    assert sessions_needed(0.05, 0.03, mean_size=40, correlation=0.0).total < base.total
    assert sessions_needed(0.05, 0.03, mean_size=40, correlation=0.1, size_cv=1).total > base.total
    assert sessions_needed(0.0, 0.03, mean_size=40, correlation=0.1).total > 5  # nothing lost yet is not nothing ever


def test_sessions_needed_from_a_comparison_begun():
    rng = np.random.default_rng(9)
    risk = rng.beta(0.1 * 9, 0.9 * 9, 400)  # correlation 0.1
    arm = np.arange(400) >= 200
    found = crude_difference(arm, np.arange(400), np.full(400, 40), rng.binomial(40, risk))
    own = sessions_needed_from(found.contrast, (200, 200), 0.03)
    planned = sessions_needed(0.1, 0.03, mean_size=40, correlation=0.1)
    assert own.total == pytest.approx(planned.total, rel=0.25)


def test_the_difference_shown_by_some_sessions_takes_that_many():
    needed = sessions_needed(0.93, 0.05, mean_size=20, correlation=0.1)
    assert difference_shown(needed, needed.to_show_difference) == pytest.approx(0.05, abs=1e-3)  # sessions are whole
    gaps = [difference_shown(needed, sessions) for sessions in (6, 12, 30, 60)]
    assert gaps == sorted(gaps, reverse=True)
    for sessions, gap in zip((6, 12, 30, 60), gaps, strict=True):
        pieces = sessions * needed.pieces_worth_a_session
        power = power_for_difference(0.93, 0.93 - gap, pieces, confidence_level=0.99)
        assert power == pytest.approx(0.8, abs=1e-6)
    even = sessions_needed(0.5, 0.05, mean_size=8, correlation=0.0)
    assert difference_shown(even, 1) is None  # by hand: half against none takes 16 pieces, a session has 8
    assert difference_shown(even, 2) is not None
    assert difference_shown(sessions_needed(0.05, 0.03, mean_size=40, correlation=0.0), 10**9) == pytest.approx(1e-4)


def test_dealing_is_even_random_and_reproducible():
    blocks = [4, 5, 7, 2] * 50
    dealt = deal(blocks, 2, rng=np.random.default_rng(1))
    again = deal(blocks, 2, rng=np.random.default_rng(1))
    assert all((a == b).all() for a, b in zip(dealt, again, strict=True))
    for size, agents in zip(blocks, dealt, strict=True):
        counts = np.bincount(agents, minlength=2)
        assert counts.sum() == size
        assert abs(counts[0] - counts[1]) <= 1
    odd = np.array([np.bincount(a, minlength=2)[0] > a.size / 2 for a in dealt if a.size % 2])
    assert 20 < odd.sum() < 80  # the odd tray goes either way
    assert len({tuple(a) for a in dealt if a.size == 4}) > 3


@pytest.mark.parametrize(
    "call",
    [
        lambda: pieces_for_difference(0.5, 0.5),
        lambda: pieces_for_difference(-0.1, 0.5),
        lambda: power_for_difference(0.1, 0.5, 10, confidence_level=1.0),
        lambda: pieces_for_margin(0.05, 0.0),
        lambda: deaths_for_hazard_ratio(1.0),
        lambda: sessions_for_precision(0.2, 0.0, mean_size=20, correlation=0.02),
        lambda: deal([3], 1, rng=np.random.default_rng(0)),
        lambda: deal([1], 2, rng=np.random.default_rng(0)),
    ],
)
def test_misuse_is_refused(call):
    with pytest.raises(ValueError, match=r"."):
        call()
