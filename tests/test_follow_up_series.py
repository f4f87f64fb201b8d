"""A series of dips against eggs that hatch: every hatch day covered, dates by hand, nothing guessed."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterdip.estimate import Estimate, cannot_say
from afterdip.follow_up import (
    LifeCycle,
    Series,
    days_until_hatched,
    is_flatworm,
    life_cycle,
    longest_gap,
    plan_series,
    read_series,
    residual_risk,
)
from afterdip.follow_up.series import JOINED


@dataclass(frozen=True)
class Own:
    hatch_days_latest: float = 14.0
    first_laying_days_earliest: float = 21.0
    at_temperature_c: float = 25.5
    source: str = "invented for tests"


def known(hatch, laying):
    return LifeCycle("pest", 25.0, hatch, hatch, laying, "farm", "invented for tests")


def simulate(dips, *, hatch, laying, hours):
    """Follow every egg: laid at any hour up to the first dip's, hatching at any hour; return those that lay undipped.

    `dips`: days; `hours`: hour of the day of each dip. An egg of age a at the first dip hatches up to `hatch` - a days
    later; the worst hatchling lays `laying` days after hatching.
    """
    at = [day + hour / 24 for day, hour in zip(dips, hours, strict=True)]
    free, step = [], 1 / 8
    hatched = at[0]
    while hatched <= at[0] + hatch:
        if not any(hatched < dip < hatched + laying for dip in at):
            free.append(hatched)
        hatched += step
    return free


@settings(max_examples=300, deadline=None)
@given(
    st.integers(1, 60), st.integers(2, 60), st.integers(0, 400), st.data(),
    st.sampled_from([0.0, 0.3, 0.5, 0.9]), st.sampled_from([0.0, 0.3, 0.5, 0.9]),
)  # fmt: skip
def test_a_planned_series_meets_every_hatchling(hatch, laying, start, data, more_hatch, more_laying):
    """For any latest hatch and earliest laying, at any hours of the day, dips kept on the planned or the latest day."""
    life = known(hatch + more_hatch, laying + more_laying)
    assert longest_gap(life) is not None
    done, today = [start], start
    while True:
        never = [False] * len(done)
        plan = plan_series(read_series(done, never, never, life=life), as_of=today, life=life)
        if plan.status == "complete":
            break
        assert plan.status in ("due", "planned")
        dip = plan.dips[0]
        assert today <= dip.day <= dip.latest
        today = data.draw(st.sampled_from([dip.day, dip.latest]))
        done.append(today)
    hours = [data.draw(st.sampled_from([0.0, 8.0, 23.9])) for _ in done]
    assert simulate(done, hatch=life.hatch_days_latest, laying=life.laying_days_earliest, hours=hours) == []
    assert all(b - a <= longest_gap(life) for a, b in pairwise(done))
    assert done[-1] > start + life.hatch_days_latest


@settings(max_examples=200, deadline=None)
@given(st.integers(3, 40), st.integers(3, 40), st.lists(st.integers(1, 45), max_size=6), st.data())
def test_a_series_called_complete_is_complete(hatch, laying, gaps, data):
    """Whatever dips were given, with survivors after some: once complete, eggs up to the anchor met a dip in time.

    A dip with survivors is followed by another before the series counts, so eggs laid in between are covered too.
    """
    life = known(hatch, laying)
    dips = [0]
    for gap in gaps:
        dips.append(dips[-1] + gap)
    layers = [data.draw(st.booleans()) for _ in dips]
    series = read_series(dips, layers, layers, life=life)
    plan = plan_series(series, as_of=dips[-1], life=life)
    if plan.status == "complete":
        left = [day for day in dips if day >= series.anchor]
        assert simulate(left, hatch=hatch, laying=laying, hours=[8.0] * len(left)) == []
        assert not any(layers[dips.index(series.anchor) :])
    assert series.met == sum(day >= series.anchor for day in dips[-series.met :])


def test_the_bounds_are_sharp():
    """One day more between dips, or a last dip one day sooner, and some hatchling goes free."""
    life = known(14, 21)
    assert (longest_gap(life), days_until_hatched(life)) == (20, 15)
    assert simulate([0, 20], hatch=14, laying=21, hours=[0, 23.9]) == []
    assert simulate([0, 21], hatch=14, laying=21, hours=[8, 9]) != []  # hatched after the first dip, laid an hour ago
    assert simulate([0, 14], hatch=14, laying=21, hours=[8, 7]) != []  # the last eggs hatch after that dip


def test_dates_by_hand():
    """Hatch within 14 days, laying from day 21: dipped on day 0, the one further dip falls on day 15, by day 20."""
    life = known(14, 21)
    plan = plan_series(Series(0, 0, 1, False), as_of=3, life=life)
    assert (plan.status, [(d.day, d.latest) for d in plan.dips], plan.hatched_by) == ("planned", [(15, 20)], 15)
    plan = plan_series(Series(0, 0, 1, False), as_of=18, life=life)
    assert (plan.status, [(d.day, d.latest) for d in plan.dips]) == ("due", [(18, 20)])
    plan = plan_series(Series(0, 0, 1, False), as_of=21, life=life)  # too late: today's dip begins the series again
    assert (plan.status, [(d.day, d.latest) for d in plan.dips]) == ("overdue", [(21, 21), (36, 41)])
    assert (plan.latest, plan.hatched_by) == (20, 36)


def test_several_dips_are_spread_evenly():
    """Hatch within 30 days, laying from day 11: last dip on day 31, gaps of 10 at most, so four, eight days apart."""
    plan = plan_series(Series(0, 0, 1, False), as_of=0, life=known(30, 11))
    assert [(d.day, d.latest) for d in plan.dips] == [(8, 10), (16, 18), (24, 26), (31, 34)]


def test_survivors_begin_the_series_again():
    life = known(14, 21)
    series = read_series([0, 15], [True, False], [True, False], life=life)
    assert (series.anchor, series.met, series.layers) == (15, 1, False)
    assert [d.day for d in plan_series(series, as_of=15, life=life).dips] == [30]
    series = read_series([0, 15], [False, True], [False, True], life=life)
    plan = plan_series(series, as_of=20, life=life)
    assert (plan.status, [d.day for d in plan.dips], plan.latest) == ("due", [20, 35], 35)
    late = read_series([0, 30], [False, False], [False, False], life=life)
    assert (late.anchor, late.late) == (30, (30,))
    hatchlings = read_series([0, 15], [False, False], [True, False], life=life)
    assert (hatchlings.anchor, plan_series(hatchlings, as_of=40, life=life).status) == (0, "complete")
    failed = read_series([0, 15], [False, False], [False, True], life=life)  # alive after the last dip that should do
    assert failed.layers
    assert plan_series(failed, as_of=20, life=life).status == "due"


def test_no_dip_yet():
    plan = plan_series(read_series([], [], [], life=known(14, 21)), as_of=100, life=known(14, 21))
    assert (plan.status, [(d.day, d.latest) for d in plan.dips]) == ("not dipped", [(100, 100), (115, 120)])


def test_too_fast_a_pest_and_misuse():
    assert longest_gap(known(5, 1.5)) is None
    assert plan_series(Series(0, 0, 1, False), as_of=1, life=known(5, 1.5)).status == "unknown"
    with pytest.raises(ValueError, match="in order"):
        read_series([3, 1], [False] * 2, [False] * 2, life=known(5, 5))


def test_published_flatworm_at_27():
    """Barton et al. 2019 (abstract): 11 days to hatch on average, 38 days or more a generation; twice the mean."""
    life = life_cycle("Acropora flatworms", water_temperature_c=27.0)
    assert (life.hatch_days_latest, life.laying_days_earliest, life.basis) == (22.0, 16.0, "published")
    assert "Barton et al. 2019" in life.source
    means = life_cycle("acropora-flatworm", water_temperature_c=27.0, hatch_factor=1.0)
    assert (means.hatch_days_latest, means.laying_days_earliest) == (11.0, 27.0)
    assert longest_gap(life) < longest_gap(means) == 26
    assert days_until_hatched(life) == 23 > days_until_hatched(means) == 12


@pytest.mark.parametrize("water", [24.0, 25.5])
def test_days_to_hatch_below_27_are_not_invented(water):
    life = life_cycle("acropora-flatworm", water_temperature_c=water)
    assert life.hatch_days_latest is None
    assert life.laying_days_earliest == 16.0
    assert "not published" in life.reason
    plan = plan_series(Series(0, 0, 1, False), as_of=0, life=life)
    assert (plan.ends, plan.hatched_by, [d.day for d in plan.dips]) == (False, None, [12, 23])
    on = plan_series(read_series([0, 12, 23], [False] * 3, [False] * 3, life=life), as_of=24, life=life)
    assert (on.status, [(d.day, d.latest) for d in on.dips]) == ("planned", [(38, 38)])  # never complete


@pytest.mark.parametrize("water", [20.0, 23.9, 27.1, 30.0, None])
def test_temperatures_outside_the_source_are_refused(water):
    life = life_cycle("acropora-flatworm", water_temperature_c=water)
    assert life.laying_days_earliest is None
    assert life.reason.startswith("unknown")
    assert plan_series(Series(0, 0, 1, False), as_of=0, life=life).dips == ()


@pytest.mark.parametrize("name", ["red-acoel", "flatworm", "flatworms", "zoanthid nudibranch", "Montipora nudibranch"])
def test_other_pests_are_unknown(name):
    life = life_cycle(name, water_temperature_c=25.0)
    assert (life.basis, life.hatch_days_latest, life.laying_days_earliest) == ("unknown", None, None)
    assert "enter your figures" in life.reason
    assert not is_flatworm(name)


@pytest.mark.parametrize("name", ["Acropora_Flatworm", "AEFW", "acropora-eating flatworm", "Prosthiostomum acroporae"])
def test_names_of_the_flatworm(name):
    assert is_flatworm(name)


def test_own_figures_come_first_and_hold_at_their_temperature():
    life = life_cycle("acropora-flatworm", water_temperature_c=25.0, own=Own())
    assert (life.hatch_days_latest, life.laying_days_earliest, life.basis) == (14.0, 21.0, "farm")
    for water in (24.9, 26.1, None):
        assert life_cycle("anything", water_temperature_c=water, own=Own()).laying_days_earliest is None
    with pytest.raises(ValueError, match="hatch_factor"):
        life_cycle("acropora-flatworm", water_temperature_c=27.0, hatch_factor=0.9)


def test_residual_risk_by_hand():
    kill = Estimate(estimate=0.9, low=0.8, high=0.95, sessions=6, pests=100)
    other = Estimate(estimate=0.5, low=0.4, high=0.6, sessions=5, pests=40)
    risk = residual_risk([kill, kill, kill])
    assert (risk.estimate, risk.low, risk.high) == pytest.approx((0.1**3, 0.05**3, 0.2**3))
    assert (risk.sessions, risk.pests) == (6, 100)
    mixed = residual_risk([kill, other])
    low = 0.05 * np.exp(-JOINED * np.hypot(np.log(0.1 / 0.05), np.log(0.5 / 0.4)))
    angle, ten = np.linspace(0, np.pi / 2, 100_001), JOINED * 0.1
    high = ((0.1 + ten * np.cos(angle)) * (0.5 + ten * np.sin(angle))).max()  # every way to share the error out
    assert (mixed.estimate, mixed.low, mixed.high) == pytest.approx((0.05, low, high))
    assert mixed.sessions == 11
    thrice = residual_risk([kill, other, other])
    high = ((0.1 + ten * np.cos(angle)) * (0.5 + ten * np.sin(angle)) ** 2).max()
    assert (thrice.estimate, thrice.high) == pytest.approx((0.025, high))
    assert residual_risk([kill, cannot_say("too few pests")]).reason == "too few pests"
    assert residual_risk([]).reason == "no dip yet"
    clean = residual_risk([Estimate(estimate=1.0, low=0.7, high=1.0)] * 2)
    assert (clean.estimate, clean.high) == (0.0, pytest.approx(0.09))  # all killed so far is still a bound
    one, two = (Estimate(estimate=1.0, low=0.7, high=1.0) for _ in range(2))
    assert residual_risk([one, two]).high == pytest.approx(JOINED**2 * 0.3 * 0.3 / 2)  # both at once not at their worst
    certain = Estimate(estimate=0.5, low=0.5, high=0.5)
    assert residual_risk([one, certain]).high == pytest.approx(0.15)
