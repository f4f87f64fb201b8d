"""Every unit a log may use, and what amounts of product become in the bath.

Amounts are of PRODUCT, what went in. The litre is 1 dm3; the US gallon is 231 cubic inches = 3.785411784 L exactly
(NIST SP 811, appendix B.8). A per cent by volume-strength is 1 g in 100 mL = 10 mg/mL; by mass, 1 g in 100 g.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LITRES = {"L": 1.0, "US gal": 3.785411784}
VOLUME_UNITS = tuple(LITRES)
TEMPERATURE_UNITS = ("C", "F")
PRICE_UNITS = ("mL", "g", "tablet")
MG_PER_ML = {"% w/v": 10.0, "mg/mL": 1.0, "g/L": 1.0}  # strengths per volume of product
MG_PER_MG = {"% w/w": 0.01, "mg/g": 0.001}  # strengths per mass of product
STRENGTH_UNITS = ("% w/v", "% w/w", "mg/mL", "g/L", "mg/g")


@dataclass(frozen=True, slots=True)
class AmountUnit:
    """What one unit of product is: `size` mL, mg or tablets (`kind` volume, mass, tablet), in all or per litre."""

    kind: str
    size: float
    per_litre: bool
    drops: bool = False


AMOUNTS = {
    "mL": AmountUnit("volume", 1.0, False),
    "L": AmountUnit("volume", 1000.0, False),
    "drops": AmountUnit("volume", 1.0, False, drops=True),
    "g": AmountUnit("mass", 1000.0, False),
    "mg": AmountUnit("mass", 1.0, False),
    "tablet": AmountUnit("tablet", 1.0, False),
    "mL/L": AmountUnit("volume", 1.0, True),
    "drops/L": AmountUnit("volume", 1.0, True, drops=True),
    "g/L": AmountUnit("mass", 1000.0, True),
    "mg/L": AmountUnit("mass", 1.0, True),
    "ug/L": AmountUnit("mass", 0.001, True),
    "ppm": AmountUnit("mass", 1.0, True),  # mg/L: in dilute water a litre weighs a kilogram
    "%": AmountUnit("volume", 10.0, True),  # 1 in 100 parts; 10 g/L where the strength is by mass, see `amount_unit`
}
PERCENT_BY_MASS = AmountUnit("mass", 10_000.0, True)
AMOUNT_UNITS = tuple(AMOUNTS)
# A limit is per litre by its column's name, so a bare amount unit says the same as its per-litre form.
LIMITS = {
    **{name: unit for name, unit in AMOUNTS.items() if unit.per_litre},
    **{name: AmountUnit(AMOUNTS[name].kind, AMOUNTS[name].size, True, AMOUNTS[name].drops)
       for name in ("mL", "drops", "g", "mg", "tablet")},
    "tablets/L": AmountUnit("tablet", 1.0, True),
}  # fmt: skip
LIMIT_UNITS = tuple(LIMITS)


def unit_key(text: str) -> str:
    """Return the spelling-blind form of a unit: case and spaces dropped, either micro sign as u."""
    return "".join(text.split()).replace("µ", "u").replace("μ", "u").casefold()


def amount_unit(name: str, strength_unit: str | None, *, limit: bool = False) -> AmountUnit:
    """Return the amount unit `name` for a product of that strength unit (None: no strength known).

    `%` means mL per 100 mL, unless the product's strength is by mass: then g per 100 mL. `limit`: a unit of max_per_l.
    """
    if name == "%" and strength_unit in MG_PER_MG:
        return PERCENT_BY_MASS
    return (LIMITS if limit else AMOUNTS)[name]


def bath_axis(kind: str, strength_unit: str | None) -> tuple[str, float]:
    """Return (axis, factor): the unit of strength for amounts of `kind`, and what one mL/L, mg/L or tablet/L is on it.

    Volume x strength per volume is mg/L of active; volume without usable strength is mL/L of product (density
    unknown). Mass x mass fraction is mg/L of active; mass of a product with a strength per volume can only mean the
    active itself; mass with no strength is mg/L of product. Tablets are counted. Where `scales_with_strength`,
    `factor` is per unit of it.
    """
    if kind == "tablet":
        return "tablets/L", 1.0
    if kind == "volume":
        return ("mg/L", MG_PER_ML[strength_unit]) if strength_unit in MG_PER_ML else ("mL/L product", 1.0)
    if strength_unit is None:
        return "mg/L product", 1.0
    return "mg/L", MG_PER_MG.get(strength_unit, 1.0)


def scales_with_strength(kind: str, strength_unit: str | None) -> bool:
    """Return whether the product's strength enters: it does where volume meets volume, or mass meets mass."""
    return strength_unit in (MG_PER_ML if kind == "volume" else MG_PER_MG if kind == "mass" else ())


def celsius(temperature: np.ndarray, unit: np.ndarray) -> np.ndarray:
    """Return degrees Celsius; `unit` holds C, F or None, shape as `temperature`. 32 F is 0 C, 212 F is 100 C."""
    return np.where(unit == "F", (temperature - 32.0) / 1.8, temperature)
