"""What product becomes in the bath, against outside definitions and worked by hand."""

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from afterdip.log import read_log
from afterdip.log.cells import RefusedError, one_of
from afterdip.log.units import AMOUNT_UNITS, LITRES, celsius, unit_key
from builders import AS_OF, small_log, write_log

COLUMNS = ["strength", "strength_unit", "concentration_mg_per_l", "product_ml", "product_g", "product_tablets"]


def bath(tmp_path, amount, unit, strength, strength_unit, *, volume=10, volume_unit="L", drops=None):
    """Return the derived figures of one bath of 10 L (or `volume`)."""
    tables = small_log()
    tables["agents"].loc[0, ["active_strength", "strength_unit", "drops_per_ml", "max_per_l", "max_per_l_unit"]] = [
        "" if strength is None else str(strength), strength_unit or "", "" if drops is None else str(drops), "", "",
    ]  # fmt: skip
    changed = {"amount": str(amount), "amount_unit": unit, "bath_volume": str(volume), "bath_volume_unit": volume_unit}
    tables["sessions"].loc[0, list(changed)] = list(changed.values())
    if unit not in ("drops", "drops/L"):
        tables["sessions"].loc[3, "amount_unit"] = "mL"
    row = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF).sessions.iloc[0]
    return [None if value is None or value != value else value for value in row[COLUMNS]]


# amount, unit, strength of the product -> strength, axis, mg/L, product used: mL, g, tablets. All in 10 L, by hand.
TABLE = [
    # volume x strength per volume: 30 mL x 100 mg/mL / 10 L
    (30, "mL", 10, "% w/v", [300, "mg/L", 300, 30, None, None]),
    (0.03, "L", 100, "mg/mL", [300, "mg/L", 300, 30, None, None]),
    (3, "mL/L", 100, "g/L", [300, "mg/L", 300, 30, None, None]),
    (0.3, "%", 10, "% w/v", [300, "mg/L", 300, 30, None, None]),  # 0.3 mL in 100 mL
    (600, "drops", 10, "% w/v", [300, "mg/L", 300, 30, None, None]),  # 20 drops a mL
    (60, "drops/L", 10, "% w/v", [300, "mg/L", 300, 30, None, None]),
    # volume without usable strength: the density is not known
    (30, "mL", None, None, [3, "mL/L product", None, 30, None, None]),
    (0.3, "%", None, None, [3, "mL/L product", None, 30, None, None]),
    (30, "mL", 50, "% w/w", [3, "mL/L product", None, 30, None, None]),
    (30, "mL", 500, "mg/g", [3, "mL/L product", None, 30, None, None]),
    (30, "mL", None, "% w/v", [3, "mL/L product", None, 30, None, None]),  # a unit without a number is no strength
    # mass x mass fraction: 0.8 g x 50 % / 10 L
    (0.8, "g", 50, "% w/w", [40, "mg/L", 40, None, 0.8, None]),
    (800, "mg", 500, "mg/g", [40, "mg/L", 40, None, 0.8, None]),
    (0.08, "g/L", 50, "% w/w", [40, "mg/L", 40, None, 0.8, None]),
    (80, "mg/L", 50, "% w/w", [40, "mg/L", 40, None, 0.8, None]),
    (80_000, "ug/L", 50, "% w/w", [40, "mg/L", 40, None, 0.8, None]),
    (80, "ppm", 50, "% w/w", [40, "mg/L", 40, None, 0.8, None]),
    (0.008, "%", 50, "% w/w", [40, "mg/L", 40, None, 0.8, None]),  # 0.008 g in 100 mL
    # mass without strength: of product; with a strength per volume: of the active itself
    (0.8, "g", None, None, [80, "mg/L product", 80, None, 0.8, None]),
    (80, "ppm", None, None, [80, "mg/L product", 80, None, 0.8, None]),
    (80, "mg/L", 10, "% w/v", [80, "mg/L", 80, 8, None, None]),  # 800 mg of active are in 8 mL at 100 mg/mL
    (5, "tablet", None, None, [0.5, "tablets/L", None, None, None, 5]),
    (5, "tablet", 50, "% w/w", [0.5, "tablets/L", None, None, None, 5]),
]


@pytest.mark.parametrize("amount, unit, strength, strength_unit, expected", TABLE)
def test_product_to_bath(tmp_path, amount, unit, strength, strength_unit, expected):
    got = bath(tmp_path, amount, unit, strength, strength_unit, drops=20)
    assert got[1] == expected[1]
    assert [x for i, x in enumerate(got) if i != 1] == [
        None if x is None else pytest.approx(x, rel=1e-12) for i, x in enumerate(expected) if i != 1
    ]


def test_us_gallon():
    # NIST SP 811 (2008), appendix B.8: 1 gallon (US) = 3.785 412 E-03 m3; exactly 231 cubic inches of (2.54 cm)^3
    assert LITRES["US gal"] == float(Fraction(231) * Fraction(254, 100) ** 3 / 1000)
    assert LITRES["US gal"] == pytest.approx(3.785412, abs=5e-7)


def test_a_total_in_gallons(tmp_path):
    strength, axis, *_ = bath(tmp_path, 30, "mL", 10, "% w/v", volume=5, volume_unit="us  GAL")
    assert axis == "mg/L"
    assert strength == pytest.approx(3000 / (5 * 3.785411784), rel=1e-12)


def test_fahrenheit():
    # NIST SP 811, appendix B.8: t/C = (t/F - 32)/1.8
    assert celsius(np.array([32.0, 212.0, 77.0, 25.0, np.nan]), np.array(["F", "F", "F", "C", None])) == pytest.approx(
        [0, 100, 25, 25, np.nan], nan_ok=True
    )


def test_spelling_of_units_is_tolerant_but_not_ambiguous():
    allowed = {unit_key(unit): unit for unit in AMOUNT_UNITS}
    assert len(allowed) == len(AMOUNT_UNITS)  # no two units are spelt alike
    spelt = {"ml/l": "mL/L", " µg/L": "ug/L", "μg / l": "ug/L", "PPM": "ppm", "ML": "mL", "Drops": "drops", "%": "%"}
    assert {text: one_of(text, allowed=allowed, unit=True) for text in spelt} == spelt
    for text in ("cc", "m", "gal", "mL L", "mol/L", "oz", 5, "%%"):
        with pytest.raises(RefusedError):
            one_of(text, allowed=allowed, unit=True)


def test_an_agent_on_two_axes_names_the_axis_of_each_session(tmp_path):
    tables = small_log()
    tables["agents"].loc[0, ["active_strength", "strength_unit"]] = ""
    tables["sessions"].loc[3, ["amount", "amount_unit"]] = ["2", "g"]
    log = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF)
    iodine = log.sessions[log.sessions["agent"] == "IOD"]
    assert list(iodine["strength_unit"]) == ["mL/L product", "mg/L product"]
    assert list(iodine["strength"]) == [3, 2000]
    assert log.agents.loc[0, "strength_unit_of_bath"] == "mL/L product"
    assert log.agents.loc[0, "max_strength"] == 5


def test_limits_are_on_the_axis_of_the_baths(tmp_path):
    agents = read_log(write_log(small_log(), tmp_path / "log"), as_of=AS_OF).agents
    assert list(agents["max_strength"][:3]) == [500, 4, 50]  # 5 mL/L at 100 mg/mL; 4 mL/L; 100 mg/L at 50 %
    assert list(agents["strength_unit_of_bath"]) == ["mg/L", "mL/L product", "mg/L", None]


def test_a_limit_on_another_axis_than_the_baths_is_unknown(tmp_path):
    tables = small_log()
    tables["agents"].loc[1, "max_per_l_unit"] = "g"
    agents = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF).agents
    assert np.isnan(agents.loc[1, "max_strength"])


def test_a_bath_that_served_two_sessions_used_its_product_once(tmp_path):
    tables = small_log()
    second = tables["sessions"].loc[[2]].assign(session="003b", started="2026-09-21T09:20")
    tables["sessions"] = pd.concat([tables["sessions"], second], ignore_index=True)
    sessions = read_log(write_log(tables, tmp_path / "log"), as_of=AS_OF).sessions.set_index("session")
    used = 2.5 * 5 * 3.785411784
    assert sessions.loc[["003", "003b"], "product_ml"].to_list() == pytest.approx([used / 2, used / 2], rel=1e-12)
    assert sessions.loc["003b", "strength"] == 2.5


def test_a_sham_has_no_strength_on_any_axis(tmp_path):
    sessions = read_log(write_log(small_log(), tmp_path / "log"), as_of=AS_OF).sessions
    sham = sessions[sessions["is_control"]]
    assert (sham["strength"] == 0).all()
    assert (sham["concentration_mg_per_l"] == 0).all()
    assert sham["strength_unit"].isna().all()
    assert sham[["product_ml", "product_g", "product_tablets"]].isna().all(axis=None)
