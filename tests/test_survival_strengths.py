"""The committed table of what is stopped by strength and together, and that its farms are what they say."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.calibrate.survival_strengths import LIMIT, LOSSES, SHAM_LOSS, SPREADS, USED, stopped

TABLE = Path(__file__).parent / "reference" / "calibration" / "survival_strengths.csv"
STOPPED = ["weak_stopped", "strong_stopped", "agent_stopped"]


@pytest.fixture(scope="module")
def table():
    return pd.read_csv(TABLE)


def cells(table, weak, strong):
    return table[(table["weak_loss"] == weak) & (table["strong_loss"] == strong)]


def test_the_table_has_every_cell(table):
    assert len(table) == len(LOSSES) * len(USED) * len(SPREADS)
    assert table["replicates"].min() >= 1000


def test_an_agent_that_costs_no_more_than_its_sham_is_stopped_in_no_farm(table):
    assert cells(table, SHAM_LOSS, SHAM_LOSS)[STOPPED].max().max() == 0.0


def test_right_on_the_limit_no_more_are_stopped_than_the_limits_of_both_strengths_allow(table):
    """Two tails of 2.5 %; what is measured is half of that."""
    on_it = cells(table, SHAM_LOSS + LIMIT, SHAM_LOSS + LIMIT)
    assert len(on_it) == len(USED) * len(SPREADS)
    assert on_it[STOPPED].sum(axis=1).max() <= 0.05


def test_the_harmless_strength_is_spared_and_the_deadly_one_not_hidden(table):
    for strong in (0.17, 0.37):
        found = cells(table, SHAM_LOSS, strong)
        assert found["weak_stopped"].max() == 0.0
        assert found["agent_stopped"].max() <= 0.001
        assert (found["strong_stopped"] >= found["together_over"]).all()
    few = cells(table, SHAM_LOSS, 0.37)
    few = few[few["strong_sessions"] < 24]
    assert few["together_over"].max() <= 0.005  # hidden by the weak baths
    assert few["strong_stopped"].min() >= 0.8


def test_the_developers_page_quotes_the_table(table):
    text = " ".join((TABLE.parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8").split())
    deadly = cells(table, SHAM_LOSS, 0.37)
    rare = deadly[deadly["strong_sessions"] == 8]
    low, high = (f"{100 * x:.0f}" for x in (rare["strong_stopped"].min(), rare["strong_stopped"].max()))
    assert f"in {low}-{high} % of farms" in text
    on_it = cells(table, SHAM_LOSS + LIMIT, SHAM_LOSS + LIMIT)[STOPPED].sum(axis=1).max()
    assert f"in {100 * on_it:.1f} % at most" in text


def test_a_short_run_agrees_with_the_table(table):
    number = 6 * 4 + 1  # any cell will do; this one has something of everything
    cell = table.iloc[number]
    used, losses = (cell[["weak_sessions", "strong_sessions"]], cell[["weak_loss", "strong_loss"]])
    found = stopped(tuple(losses), tuple(used), cell["correlation"], cell["spread"], 300, np.random.default_rng(5))
    for name, farms in found.items():
        wanted = cell[name]
        assert abs(farms.mean() - wanted) <= 3.5 * np.sqrt(max(wanted * (1 - wanted), 0.02) / 300), name
