"""The committed table of what judging by strength gains, its claims, and that its farms are what they say."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from afterdip.calibrate.strengths import PAGES, simulate_page, words_of

TABLE = Path(__file__).parent / "reference" / "calibration" / "comparison_strengths.csv"
LABELS = [f"{page.name} {page.arms[0].sessions}" for page in PAGES]


def rows(scenario=""):
    with TABLE.open() as file:
        return [row for row in csv.DictReader(file) if scenario in row["scenario"]]


def figures(scenario, column):
    return [float(row[column]) for row in rows(scenario)]


def test_the_table_has_every_page():
    wanted = [(p.name, "+".join(str(u.sessions) for u in p.arms), str(p.correlation)) for p in PAGES]
    assert [(row["scenario"], row["sessions"], str(float(row["correlation"]))) for row in rows()] == wanted


def test_a_page_of_many_pairs_keeps_its_word():
    """5 % of pages, and of 200 farms a cell two standard errors; all cells together 5 %."""
    found = np.array(figures("", "false_page"))
    assert found.max() <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 200)
    assert found.mean() <= 0.05


def test_taken_together_the_word_hangs_on_how_often_each_strength_was_used():
    """Its strong bath is the other agent's equal all along."""
    together = figures("weak kills less", "together_worse")
    assert together == sorted(together)
    assert together[-1] - together[0] > 0.5
    assert max(figures("weak kills less", "strong_worse")) <= 0.03
    assert min(figures("weak kills less", "weak_worse")) > 0.5


def test_the_better_strength_of_one_agent_is_told():
    assert min(figures("weak kills less", "strong_better_than_weak")[:2]) > 0.5
    assert max(figures("weak kills less", "weak_better_than_strong")) <= 0.03
    assert max(figures("strong loses more", "strong_better_than_weak")) <= 0.03


def test_the_developers_page_quotes_the_table():
    text = " ".join((Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8").split())
    for column in ("together_worse", "weak_worse", "strong_better_than_weak"):
        first, second, third = (f"{100 * share:.0f}" for share in figures("weak kills less", column))
        assert f"on {first}, {second} and {third} %" in text, column
    assert f"on {100 * max(figures('alike', 'false_page')):.0f} % at most" in text


@pytest.mark.parametrize("page", [PAGES[2], PAGES[5], PAGES[7]], ids=[LABELS[i] for i in (2, 5, 7)])
def test_farms_have_the_losses_and_kills_they_say(page):
    """Without correlation and confounding, over 3,000 sessions an arm: the shares of the arms."""
    many = replace(page, arms=tuple(replace(u, sessions=3000) for u in page.arms), correlation=0.0, confounded=False)
    for outcome, name in zip(simulate_page(many, np.random.default_rng(1)), ("kill", "loss"), strict=True):
        for place, used in enumerate(many.arms):
            own = outcome.arm == place
            share = outcome.events[own].sum() / outcome.total[own].sum()
            assert share == pytest.approx(getattr(used, name), abs=0.006), (name, used)


def test_a_short_run_agrees_with_the_table():
    """40 farms of one cell: three and a half standard errors of a share of 40."""
    said = [words_of(PAGES[2], np.random.default_rng([4, i])) for i in range(40)]
    for pair, column in (((-1, -1), "together_worse"), ((0, 2), "weak_worse"), ((1, 2), "strong_worse")):
        wanted = float(rows("weak kills less")[2][column])
        found = np.mean([words[pair] == "second" for words in said])
        assert abs(found - wanted) <= 3.5 * np.sqrt(max(wanted * (1 - wanted), 0.02) / 40), column
