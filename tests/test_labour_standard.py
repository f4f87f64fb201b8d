"""Standard time and learning curves against the textbook figures (tests/reference/labour.json)."""

import json
from pathlib import Path

import numpy as np
import pytest

from afterdip.labour import (
    average_total,
    basic_time,
    learning_exponent,
    shift_standard_time,
    standard_time,
    unit_time,
    unit_total,
)

REFERENCE = json.loads((Path(__file__).parent / "reference" / "labour.json").read_text(encoding="utf-8"))


def test_standard_time_and_its_two_conventions():
    """I1, ILO Introduction to Work Study (1992) ch. 23-24, formula from memory: 0.20 min at 90, allowance 15 %."""
    basic, standard, shift = REFERENCE["I1"]["recomputed_R"]
    assert basic_time(0.20, rating=90) == pytest.approx(basic, abs=1e-12)
    assert standard_time(basic, allowance=0.15) == pytest.approx(standard, abs=1e-12)
    assert shift_standard_time(basic, allowance=0.15) == pytest.approx(shift, abs=1e-10)
    assert basic_time(0.20, rating=45, standard_rating=50) == pytest.approx(basic, abs=1e-12)


def test_unit_model_of_an_80_per_cent_curve():
    """I2, Crawford's unit model; .4765 and 6.315 are the caption of the standard table, from memory, reproduced."""
    given = REFERENCE["I2"]["recomputed_Python"]
    assert learning_exponent(0.8) == pytest.approx(given["b80"], abs=1e-12)
    for unit, minutes in given["unit"].items():
        assert unit_time(int(unit), first=100, rate=0.8) == pytest.approx(minutes, abs=1e-9)
    for units, total in given["cum_total_unit_model"].items():
        assert unit_total(int(units), first=100, rate=0.8) == pytest.approx(total, abs=1e-9)
    for rate, factor in given["factor_70_80_85_90_unit10"].items():
        assert unit_time(10, first=1, rate=float(rate)) == pytest.approx(factor, abs=1e-12)
    assert unit_time([2, 4, 8], first=100, rate=0.8) == pytest.approx([80, 64, 51.2], abs=1e-9)
    assert unit_time(10, first=1, rate=0.8) == pytest.approx(0.4765, abs=5e-5)
    assert unit_total(10, first=1, rate=0.8) == pytest.approx(6.315, abs=5e-4)


def test_cumulative_average_model_differs():
    """I2: under Wright's model (1936, J Aeronaut Sci 3:122-128) ten units take 4.765 times the first, not 6.315."""
    ten = REFERENCE["I2"]["recomputed_R"]["wright_cumavg_total10"]
    assert average_total(10, first=100, rate=0.8) == pytest.approx(ten)
    totals = average_total(np.arange(1, 9), first=100, rate=0.8)
    assert totals[[0, 1, 3, 7]] / [1, 2, 4, 8] == pytest.approx([100, 80, 64, 51.2])


@pytest.mark.parametrize(
    "call",
    [
        lambda: basic_time(0, rating=90),
        lambda: standard_time(0.18, allowance=-0.1),
        lambda: shift_standard_time(0.18, allowance=1.0),
        lambda: learning_exponent(0.0),
        lambda: unit_time([0, 1], first=1, rate=0.8),
        lambda: unit_total(0, first=1, rate=0.8),
    ],
)
def test_what_cannot_be(call):
    with pytest.raises(ValueError, match=r"above 0|\[0, 1\)|count from 1"):
        call()
