"""What the demo farm dips with, and how it measures it out."""

from __future__ import annotations

from dataclasses import dataclass

from .chance import Chance
from .truth import IODINE, OIL, PERMANGANATE, PEROXIDE, SALT, SHAM, TABLET, WORM

LITRES_PER_GALLON = 3.785411784  # NIST SP 811
BATHS = ((8, "L"), (10, "L"), (10, "L"), (12, "L"), (15, "L"), (20, "L"), (2, "US gal"), (3, "US gal"), (5, "US gal"))

COLUMNS = (
    "agent", "active", "is_control", "active_strength", "strength_unit", "drops_per_ml", "separates", "rinses_needed",
    "clarity", "signal_word", "basis", "max_per_l", "max_per_l_unit", "max_minutes", "not_for", "price", "price_unit",
)
PRODUCTS = [dict(zip(COLUMNS, row, strict=True)) for row in (
    (SHAM, "none", "yes", "", "", "", "no", "1", "clear", "none", "none", "", "", "", "", "", ""),
    (OIL, "plant oils in a soap base", "no", "", "", "20", "yes", "3", "hazy", "warning", "label", "13", "mL/L", "15",
     "", "0.09", "mL"),
    (PEROXIDE, "hydrogen peroxide", "no", "12", "% w/v", "", "no", "1", "clear", "danger", "label", "21", "mL/L", "20",
     "sps", "0.01", "mL"),
    (IODINE, "povidone-iodine", "no", "10", "% w/v", "", "no", "2", "opaque", "warning", "label", "42", "mL/L", "15",
     "", "0.03", "mL"),
    (PERMANGANATE, "potassium permanganate", "no", "99", "% w/w", "", "no", "2", "opaque", "danger", "off label",
     "0.2", "g/L", "20", "", "0.05", "g"),
    (WORM, "levamisole hydrochloride", "no", "200", "mg/g", "", "no", "2", "clear", "warning", "vet order", "0.08",
     "g/L", "40", "", "0.40", "g"),
    (TABLET, "praziquantel", "no", "", "", "", "no", "1", "hazy", "none", "vet order", "", "", "40", "", "1.10",
     "tablet"),
    (SALT, "potassium chloride", "no", "990", "mg/g", "", "no", "1", "clear", "none", "none", "40", "g/L", "6", "",
     "0.004", "g"),
)]
NOT_FOR = {row["agent"]: row["not_for"] for row in PRODUCTS}
RINSES = {row["agent"]: int(row["rinses_needed"]) for row in PRODUCTS}

PER_UNIT = {OIL: 1.0, PEROXIDE: 120.0, IODINE: 100.0, PERMANGANATE: 990.0, WORM: 200.0, TABLET: 1.0, SALT: 990.0}
# strength on the agent's axis of one mL, g or tablet in a litre
MEASURES = {  # the smallest amount the farm measures out, in thousandths, and the unit it writes down
    OIL: (50, "mL"), PEROXIDE: (100, "mL"), IODINE: (500, "mL"), PERMANGANATE: (10, "g"), WORM: (10, "g"),
    TABLET: (500, "tablet"), SALT: (1000, "g"),
}
LOT_PREFIX = {OIL: "OI", PEROXIDE: "PX", IODINE: "IO", PERMANGANATE: "PM", WORM: "WO", TABLET: "TA", SALT: "KC"}
LOT_DAYS = {OIL: 45, PEROXIDE: 30, IODINE: 68, PERMANGANATE: 120, WORM: 90, TABLET: 80, SALT: 150}


@dataclass(frozen=True, slots=True)
class Bath:
    """A mixed bath as written down, and the strength that makes on the agent's own axis."""

    amount: str
    amount_unit: str
    volume: str
    volume_unit: str
    litres: float
    strength: float


def plain(thousandths: int) -> str:
    """Return a whole number of thousandths as a decimal without idle zeros."""
    whole, rest = divmod(thousandths, 1000)
    return f"{whole}.{rest:03d}".rstrip("0").rstrip(".") if rest else str(whole)


def mix(chance: Chance, agent: str, strength: float, bath: tuple[int, str] | None = None) -> Bath:
    """Return a bath of about this strength: the amount is rounded to what the farm can measure."""
    volume, unit = bath or chance.pick(BATHS)
    litres = volume * (LITRES_PER_GALLON if unit == "US gal" else 1.0)
    if agent == SHAM:
        return Bath("", "", str(volume), unit, litres, 0.0)
    step, amount_unit = MEASURES[agent]
    steps = max(1, round(strength * litres / PER_UNIT[agent] * 1000 / step))
    written, amount_unit = _written(chance, agent, steps * step, amount_unit, volume, unit)
    return Bath(written, amount_unit, str(volume), unit, litres, steps * step / 1000 * PER_UNIT[agent] / litres)


def _written(chance: Chance, agent: str, amount: int, unit: str, volume: int, volume_unit: str) -> tuple[str, str]:
    """Return the amount as the crew of the day writes it: small oil amounts in drops, some others per litre."""
    if agent == OIL and amount <= 6000:
        return str(amount // 50), "drops"
    if agent in (IODINE, SALT, WORM) and volume_unit == "L" and amount % volume == 0 and chance.yes(0.5):
        per_litre = amount // volume
        return (str(per_litre), "mg/L") if agent == WORM else (plain(per_litre), f"{unit}/L")
    if agent == PERMANGANATE and chance.yes(0.3):
        return str(amount), "mg"
    return plain(amount), unit
