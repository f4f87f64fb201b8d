"""The house's colours: apart for every kind of colour sight, in grey and on white; words never carried by colour alone.

Dichromats: matrices in linear RGB at severity 1.0 by Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291 (from
memory). Differences are CIE76 in CIELAB (CIE 15:2004). Contrast: WCAG 2.1, success criteria 1.4.3 (text, 4.5:1) and
1.4.11 (graphics, 3:1).
"""

import ast
import itertools
from pathlib import Path

import numpy as np
import pytest

from afterdip.charts import style
from afterdip.charts.style import SMALL, WIDTH, agent_styles, figure

CHARTS = Path(style.__file__).parent
SIGHT = {
    "every colour": np.eye(3),
    "no red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "no blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
NOTICEABLE = 5.0  # CIELAB; 2.3 is just noticeable side by side (Mahy et al. 1994, Color Res. Appl. 19:105)


def linear(colour):
    channels = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1


def luminance(colour):
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(a, b="#ffffff"):
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def lab(rgb):
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    ratio = to_xyz @ np.clip(rgb, 0, 1) / (to_xyz @ np.ones(3))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(a, b, sight):
    return float(np.linalg.norm(lab(SIGHT[sight] @ linear(a)) - lab(SIGHT[sight] @ linear(b))))


def test_known_contrasts():
    """WCAG's own definition: black on white is 21:1; #767676 is the lightest grey that reaches 4.5:1."""
    assert contrast("#000000") == pytest.approx(21.0)
    assert contrast("#767676") >= 4.5 > contrast("#777777")


def test_known_colours_meet_and_part():
    """Red and green of one lightness meet where green is not seen; a grey stays what it is (rows add up to one)."""
    assert apart("#a06000", "#708000", "no green") < apart("#a06000", "#708000", "every colour") / 3
    for matrix in SIGHT.values():
        assert np.sum(matrix, axis=1) == pytest.approx(np.ones(3), abs=1e-5)


@pytest.mark.parametrize("colour", ["INK", "QUIET", "ACCENT", "GOOD", "BAD"])
def test_words_stand_out_from_the_paper(colour):
    assert contrast(getattr(style, colour)) >= 4.5


@pytest.mark.parametrize("look", agent_styles(map(str, range(8))).values(), ids=lambda look: look.color)
def test_curves_stand_out_from_the_paper(look):
    assert contrast(look.color) >= 3.0


@pytest.mark.parametrize("sight", SIGHT)
def test_agents_stay_apart(sight):
    """By colour where it suffices; two whose colours come near each other differ in both line and marker."""
    looks = list(agent_styles(map(str, range(8)), ["sham"]).values())
    for a, b in itertools.combinations(looks, 2):
        by_shape = a.linestyle != b.linestyle and a.marker != b.marker
        assert apart(a.color, b.color, sight) >= NOTICEABLE or by_shape, (a, b)


def test_no_two_of_eight_agents_share_all_three_nor_a_marker():
    looks = list(agent_styles(map(str, range(8)), ["sham"]).values())
    assert len({look.marker for look in looks}) == len(looks) == len({look.color for look in looks})


@pytest.mark.parametrize("sight", SIGHT)
def test_good_bad_and_undecided_stay_apart(sight):
    for a, b in itertools.combinations((style.GOOD, style.BAD, style.RULE), 2):
        assert apart(a, b, sight) >= NOTICEABLE


def test_a_style_belongs_to_the_agent_whatever_else_is_drawn_in_its_order():
    assert agent_styles(["b", "a"]) == agent_styles(["a", "b", "a"])
    assert agent_styles(["a", "sham"], ["sham"])["sham"].color == style.QUIET


def test_no_chart_writes_smaller_than_a_phone_can_show():
    """The house's width is 390 pixels on a phone: SMALL must come to 9 of them, and no chart may go below it."""
    assert SMALL * 390 / (WIDTH * 72) >= 9
    assert figure()[0].get_figwidth() == WIDTH
    small = [f"{path.name}:{node.lineno}" for path in CHARTS.glob("*.py") for node in _too_small(path)]
    assert small == []


def _too_small(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.keyword) and node.arg in ("fontsize", "labelsize", "size"):
            value = node.value
            if isinstance(value, ast.Constant) and isinstance(value.value, (int, float)) and value.value < SMALL:
                yield value
            if isinstance(value, ast.Constant) and value.value in ("small", "x-small", "xx-small"):
                yield value
