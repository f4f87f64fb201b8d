"""What the limits of residual risk and of what a look sees claim: the committed simulation table, and a short rerun."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.calibrate import follow_up as calibration

TABLE = Path(__file__).parent / "reference" / "calibration" / "follow_up_coverage.csv"


def test_limits_hold():
    table = pd.read_csv(TABLE)
    assert set(table["figure"]) == set(calibration.FIGURES)
    assert set(table["correlation"]) == set(calibration.CORRELATIONS)
    both = ["coverage", "coverage_logit_normal"]
    assert table[both].min().min() >= 0.93  # 600 farms a cell, 2,400 near a bound: binomial error 0.9 and 0.5 %
    assert table[both].mean().min() >= 0.95
    smaller = table[["sessions", "other_sessions"]].replace(0, np.inf).min(axis=1)
    assert table.loc[smaller >= 30, both].max().max() <= 0.98


@pytest.mark.parametrize("figure", calibration.FIGURES)
def test_short_rerun(figure):
    rng = np.random.default_rng(3)
    truth = {calibration.FIGURES[0]: 0.04, calibration.FIGURES[1]: 0.02, calibration.FIGURES[2]: 0.8}[figure]
    sessions = (20, 10 if figure == calibration.FIGURES[1] else 0)
    made = calibration._simulated(figure, 0.8, sessions, 0.2, "logit-normal", rng, 60)
    assert sum(e.low <= truth <= e.high for e in made) >= 51  # of 60 at 95 %: fewer than 51 in one of 1,350
