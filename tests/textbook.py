"""Published cases, kept with their source in reference/textbook.json, and how closely they are to be met."""

import json
from pathlib import Path

import numpy as np
import pytest

CASES = json.loads((Path(__file__).parent / "reference" / "textbook.json").read_text(encoding="utf-8"))


def case(name):
    return CASES[name]["data"], CASES[name]["published"]


def printed(figures, digits):
    """Within half the last printed digit."""
    return pytest.approx(figures, abs=0.5000001 * 10.0**-digits, rel=0)


def by_piece(days, died):
    """Days, deaths and left, a row a piece."""
    died = np.asarray(died, float)
    return np.asarray(days, float), died, 1 - died
