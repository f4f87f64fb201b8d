"""Removal estimators asked for many cells at once: what each cell alone would say."""

from itertools import product

import numpy as np
import pytest

from afterdip import removal as rm


def _same(mine, other):
    """Whether two results have the same words and, to nine digits, the same numbers."""
    if isinstance(mine, dict):
        return mine.keys() == other.keys() and all(_same(mine[key], other[key]) for key in mine)
    return mine == (pytest.approx(other, rel=1e-9, abs=1e-12) if isinstance(other, float) else other)


def test_cells_read_at_once_are_what_each_is_alone():
    """Agents of 0 to 20 sessions beside shams that lead the rule to every decision."""
    rng = np.random.default_rng(8)
    arms, sham_kills = [], (0.0, 0.02, 0.1, 0.5)
    for sham_kill, sessions in product(sham_kills, (0, 3, 6, 20)):
        found, sham_found = rng.poisson(4, sessions), rng.poisson(9, 8 if sham_kill else 2)
        agent = rng.binomial(found, 0.8), found, np.arange(sessions) // 2
        arms.append((agent, (rng.binomial(sham_found, sham_kill), sham_found, np.arange(len(sham_found)))))
    pairs = {
        rm.abbott_reductions: rm.abbott_reduction, rm.henderson_tilton_reductions: rm.henderson_tilton_reduction,
        rm.schneider_orelli_reductions: rm.schneider_orelli_reduction, rm.controlled_kills: rm.controlled_kill,
    }  # fmt: skip
    for together, alone in pairs.items():
        each = [alone(*a[:2], *s[:2], session=a[2], sham_session=s[2]) for a, s in arms]
        assert all(_same(m.to_json(), one.to_json()) for m, one in zip(together(arms), each, strict=True))
    assert {kill.decision for kill in rm.controlled_kills(arms)} == {"no sham", "as it is", "corrected", "void"}
    agents = [agent for agent, _ in arms]
    for many, each in (
        (rm.before_after_reductions(agents), [rm.before_after_reduction(*a[:2], session=a[2]) for a in agents]),
        (
            rm.infestations([(2 * k, k, n, s) for k, n, s in agents]),
            [rm.infestation(2 * k, k, n, session=s) for k, n, s in agents],
        ),
        (
            rm.follow_ups([(n, np.arange(len(n)), k, s, 9) for k, n, s in agents]),
            [rm.follow_up(n, np.arange(len(n)), k, session=s, trays=9) for k, n, s in agents],
        ),
    ):
        assert all(_same(m.to_json(), one.to_json()) for m, one in zip(many, each, strict=True))
