"""The committed coverage of the odds ratio's limits, what is claimed of it, and that its farms are what they say."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.special import logit

from afterdip.calibrate.odds import SCENARIOS, SESSIONS, SPREADS, simulate_odds, try_odds

TABLE = Path(__file__).parent / "reference" / "calibration" / "comparison_odds.csv"


def rows():
    with TABLE.open() as file:
        return list(csv.DictReader(file))


def smaller_side(row):
    return min(int(n) for n in row["sessions"].split("+"))


def test_the_table_covers_the_grid():
    found = {(r["scenario"], r["sessions"], float(r["spread"])) for r in rows()}
    wanted = {(s.name, f"{n[0]}+{n[1]}", spread) for s in SCENARIOS for n in SESSIONS for spread in SPREADS}
    assert found == wanted


def test_limits_cover_what_is_claimed():
    """From 12 sessions a side up."""
    found = {(r["scenario"], r["sessions"], r["spread"]): float(r["covered"]) for r in rows()}
    assert min(found.values()) >= 0.93, min(found, key=found.get)


def test_coverage_is_not_bought_with_width_from_thirty_sessions():
    assert max(float(r["covered"]) for r in rows() if smaller_side(r) >= 30) <= 0.98


def test_the_ratio_itself_is_hardly_off_and_closes_in():
    for scenario in SCENARIOS:
        own = [r for r in rows() if r["scenario"] == scenario.name]
        for r in own:
            assert abs(np.log(float(r["median_ratio"]) / scenario.ratio)) < 0.1, r
        width = {(r["sessions"], r["spread"]): float(r["median_factor"]) for r in own}
        for spread in {r["spread"] for r in own}:
            assert width["30+30", spread] < width["12+40", spread] < width["12+12", spread]


@pytest.mark.parametrize("truth", SCENARIOS, ids=lambda s: s.name)
def test_farms_have_the_odds_they_say(truth):
    """Among trays of one kind (first corals, fair), without spread: the two agents' own proportions."""
    second, _, factors, total, events = simulate_odds(truth, (3000, 3000), 0.0, np.random.default_rng(1))
    kind = (factors == [0, 1]).all(axis=1)
    p = [events[kind & side].sum() / total[kind & side].sum() for side in (~second, second)]
    assert p[1] == pytest.approx(truth.proportion, abs=0.01)
    assert logit(p[0]) - logit(p[1]) == pytest.approx(np.log(truth.ratio), abs=0.12)


def test_a_short_run_agrees_with_the_table():
    """60 farms of one cell: the error of a coverage of 0.95 is 2.8 %; three and a half errors allowed."""
    found = try_odds(SCENARIOS[1], (12, 40), 0.9, replicates=60, rng=np.random.default_rng(3))
    assert found["known"] == 1.0
    assert found["covered"] >= 0.85
    assert found["median_ratio"] == pytest.approx(0.3, abs=0.06)
