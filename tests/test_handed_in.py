"""What estimators do with columns as people hand them in: lists, whole numbers, any labels, and cells left empty."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from afterdip import comparison, dose_response, follow_up, labour, monitoring, proportion, removal, survival, trial
from afterdip.errors import DataError
from afterdip.proportion.columns import label_places

ROWS = 72
SESSION = np.repeat([f"S{i:02}" for i in range(12)], 6)
ARM = np.repeat(["agent", "sham"], 36)
HALF = np.tile(["left", "right"], 36)
DAYS = np.tile([3.0, 7, 7, 14, 21, 30], 12)
DEAD = np.tile([0.0, 1, 2, 0, 1, 0, 2, 0, 0], 8)
LEFT = np.tile([1.0, 0, 2, 1, 0, 6], 12)
FOUND = DEAD + np.tile([2.0, 3, 1], 24)


def random():
    return np.random.default_rng(1)


def bath_curve(strength, n, hits, session):
    curve = dose_response.fit_curve(strength, n, hits, session=session)
    return curve.fit.coefficients, dose_response.concentration_at(curve)


STRENGTH = np.tile([0.0, 1, 2, 4, 8, 16], 12)
HITS = np.minimum(np.round(20 * STRENGTH / (STRENGTH + 4)) + np.tile([0.0, 1, 2], 24), 20)
BATH = np.array([f"B{i:02}" for i in range(ROWS)])
SECOND = ARM == "sham"

# Each call: its columns, and the function that takes them in that order.
CALLS = {
    "kaplan_meier": ((DAYS, DEAD, LEFT, SESSION), lambda d, x, c, s: survival.kaplan_meier(d, x, c, session=s).low),
    "logrank": ((DAYS, DEAD, LEFT, ARM, HALF), lambda d, x, c, g, h: survival.logrank(
        d, x, c, group=g, stratum=h).chi_square),
    "permuted_logrank": ((DAYS, DEAD, LEFT, ARM, SESSION), lambda d, x, c, g, s: survival.permuted_logrank(
        d, x, c, group=g, session=s, rng=random()).p_value),
    "cox": ((DAYS, DEAD, LEFT, FOUND[:, None], SESSION, HALF), lambda d, x, c, z, s, h: survival.cox(
        d, x, c, covariates=z, session=s, stratum=h).hazard_ratios),
    "cumulative_incidence": ((DAYS, np.column_stack([DEAD, LEFT]), LEFT, SESSION), lambda d, e, c, s:
        survival.cumulative_incidence(d, e, c, session=s).incidence),
    "weibull": ((DAYS - 2, DAYS, FOUND, SESSION), lambda low, high, w, s: survival.weibull(
        low, high, weights=w, session=s).scale),
    "session_proportion": ((DEAD, FOUND, SESSION), lambda x, n, s: proportion.session_proportion(x, n, session=s)),
    "session_ratio": ((FOUND, DEAD, SESSION), lambda x, n, s: proportion.session_ratio(x, n, session=s)),
    "henderson_tilton": ((DEAD, FOUND, FOUND, FOUND + 1, SESSION, BATH), lambda a, b, c, d, s, t:
        removal.henderson_tilton_reduction(a, b, c, d, session=s, sham_session=t).estimate),
    "infestation": ((FOUND * 2, DEAD, FOUND, SESSION), lambda p, i, n, s: removal.infestation(p, i, n, session=s)),
    "follow_up": ((SESSION, DAYS, DEAD, ARM), lambda t, d, x, s: removal.follow_up(t, d, x, session=s, trays=12)),
    "fit_curve": ((STRENGTH, np.full(ROWS, 20.0), HITS, BATH), bath_curve),
    "fit_cells": ((ARM, STRENGTH, np.full(ROWS, 20.0), HITS, BATH), lambda c, x, n, h, s: dose_response.fit_cells(
        c, x, n, h, session=s).fits.parameters),
    "relative_potency": ((STRENGTH, np.full(ROWS, 20.0), HITS, BATH), lambda x, n, h, s: dose_response.relative_potency(
        x, n, h, SECOND, session=s).relative_potency),
    "counts_at_horizon": ((DAYS - 2, DAYS, DEAD, LEFT), lambda a, d, x, c: dose_response.counts_at_horizon(
        np.repeat(np.arange(12), 6), a, d, x, c, horizon=20)),
    "adjusted_difference": ((SESSION, HALF, FOUND, DEAD), lambda s, h, n, x: comparison.adjusted_difference(
        SECOND, s, h, n, x).difference),
    "logistic_difference": ((SESSION, HALF[:, None], FOUND, DEAD), lambda s, h, n, x: comparison.logistic_difference(
        SECOND, s, h, n, x)),
    "session_odds_ratio": ((SESSION, HALF[:, None], FOUND, DEAD), lambda s, h, n, x: comparison.session_odds_ratio(
        SECOND, s, h, n, x)),
    "fates_at": ((DAYS, DEAD, LEFT, HALF), lambda d, x, c, g: comparison.fates_at(
        d, x, c, np.repeat(np.arange(12), 6), g, horizon=20, n_cells=12).events),
    "share_seen": ((DEAD, FOUND, SESSION), lambda x, n, s: follow_up.share_seen(x, n, session=s)),
    "scores": ((SESSION, DEAD, FOUND), lambda s, x, n: monitoring.scores(s, x, n, np.full(ROWS, 0.4)).z),
    "group_alarm": ((DEAD, SESSION), lambda z, g: monitoring.group_alarm(z, g, rng=random(), draws=99).p),
    "trend_alarm": ((DEAD, DAYS, SESSION), lambda z, x, s: monitoring.trend_alarm(z, x, s, rng=random(), draws=99).p),
    "crew_effort": ((FOUND * 9, FOUND * 9, FOUND, DEAD, HALF), lambda y, t, n, k, a: labour.crew_effort(y, t, n, k, a)),
}  # fmt: skip
WHERE = [(name, place) for name, (columns, _) in CALLS.items() for place in range(len(columns))]
LABELS = [(name, place) for name, place in WHERE if CALLS[name][0][place].dtype.kind == "U"]
LABELS.remove(("follow_up", 3))  # only a tray's first row tells its dip
HAS_A_MEANING = {
    "missing": [("infestation", 1), ("crew_effort", 0), ("crew_effort", 1), ("crew_effort", 3)],
    "endless or below 0": [("weibull", 1), ("cox", 3), ("group_alarm", 0), ("trend_alarm", 0), ("trend_alarm", 1)],
}
IMPOSSIBLE = [
    (name, place, value)
    for name, place in WHERE if CALLS[name][0][place].dtype.kind == "f"
    for value in (np.nan, np.inf, -1.0)
    if (name, place) not in HAS_A_MEANING["missing" if np.isnan(value) else "endless or below 0"]
]  # fmt: skip


def numbers(found):
    """Every number in an answer, in order."""
    if dataclasses.is_dataclass(found):
        found = [getattr(found, field.name) for field in dataclasses.fields(found)]
    if isinstance(found, tuple | list):
        return [number for part in found for number in numbers(part)]
    return [] if found is None or isinstance(found, str) else np.ravel(found).astype(float).tolist()


def answer(name, change=lambda column: column):
    columns, call = CALLS[name]
    return numbers(call(*(change(column) for column in columns)))


def as_numbers(column):
    return np.unique(column, return_inverse=True)[1].reshape(column.shape) if column.dtype.kind == "U" else column


def as_dates(column):
    return np.datetime64("2026-10-01") + as_numbers(column) if column.dtype.kind == "U" else column


def as_whole(column):
    return column.astype(np.uint8) if column.dtype.kind == "f" else column


def as_series(column):
    index = np.arange(len(column))[::-1]
    return pd.Series(column, index=index) if column.ndim == 1 else pd.DataFrame(column, index=index)


def as_nullable(column):
    if column.ndim > 1:
        return column
    return pd.Series(column, dtype="string" if column.dtype.kind == "U" else "Float64")


@pytest.mark.parametrize("change", [list, as_numbers, as_dates, as_whole, as_series, as_nullable])
@pytest.mark.parametrize("name", CALLS)
def test_the_kind_of_column_changes_nothing(name, change):
    assert answer(name, change) == pytest.approx(answer(name), rel=1e-9, nan_ok=True)


def broken(name, place, value):
    """The call with one cell of one column replaced."""
    columns, call = CALLS[name]
    column = columns[place].astype(object)
    column.flat[2] = value
    return call(*columns[:place], column, *columns[place + 1 :])


@pytest.mark.parametrize("missing", [None, np.nan, pd.NA], ids=["None", "NaN", "NA"])
@pytest.mark.parametrize("name, place", LABELS)
def test_a_row_without_its_label_is_refused(name, place, missing):
    with pytest.raises(DataError, match="missing"):
        broken(name, place, missing)


@pytest.mark.parametrize("name, place, value", IMPOSSIBLE)
def test_a_number_that_no_count_or_day_can_be_is_refused(name, place, value):
    with pytest.raises(DataError):
        broken(name, place, value)


@pytest.mark.parametrize("name, place", WHERE)
def test_a_column_too_short_is_a_wrong_call(name, place):
    columns, call = CALLS[name]
    with pytest.raises(ValueError, match=r"length|shape|rows|row for each"):
        call(*columns[:place], columns[place][:-1], *columns[place + 1 :])


def test_labels_of_several_kinds():
    names, place = label_places(np.array(["b", 7, "a", 7, 2], dtype=object))
    assert names.tolist() == [2, 7, "a", "b"]  # by kind, and sorted within it
    assert place.tolist() == [3, 1, 2, 1, 0]
    with pytest.raises(DataError, match="missing"):
        label_places(["a", np.nan])  # which becomes the text "nan" in an array


def test_strata_that_are_not_known_are_not_left_out_in_silence():
    """A piece of no known stratum used to be in no stratum's test, and the answer did not say so."""
    unknown = HALF.astype(object)
    unknown[:9] = float("nan")
    with pytest.raises(DataError, match="missing"):
        survival.logrank(DAYS, DEAD, LEFT, group=ARM, stratum=unknown)


CURVE = survival.kaplan_meier([1, 2], [1, 1], [0, 3])


@pytest.mark.parametrize(
    "call",
    [
        lambda: survival.kaplan_meier([1, 2], [1, 1], [0, 3], confidence_level=95),
        lambda: survival.cumulative_incidence([1, 2], [[1, 0], [0, 1]], [0, 3], confidence_level=95),
        lambda: survival.survival_at(CURVE, float("nan")),
        lambda: proportion.wilson(3, 10, confidence_level=95),
        lambda: follow_up.pieces_needed(100, prevalence=0.02, confidence_level=95),
        lambda: follow_up.pieces_needed(None, prevalence=2),
        lambda: follow_up.pieces_needed(None, prevalence=0.02, sensitivity=0),
        lambda: follow_up.miss_chance(100, 2.5, 20),
        lambda: follow_up.miss_chance(100, 2, 20.5),
        lambda: follow_up.miss_chance_large(0.02, 20, sensitivity=90),
        lambda: trial.power_for_difference(0.5, 0.75, float("nan")),
        lambda: dose_response.equivalent_strength(1, 60, exponent=1, other_minutes=[30, 0]),
        lambda: dose_response.chick_watson_minutes(0, 2, rate=0.1, exponent=1),
    ],
)
def test_percent_for_a_share_and_other_slips_are_wrong_calls(call):
    with pytest.raises(ValueError, match=r"must (lie|be)|cannot look|no design value"):
        call()


@pytest.mark.parametrize(
    "call",
    [
        lambda: removal.schneider_orelli(50, 20),
        lambda: removal.abbott(float("nan"), 3),
        lambda: removal.before_after(3, -1),
        lambda: removal.henderson_tilton(10, 1, float("inf"), 5),
    ],
)
def test_formulas_refuse_what_is_no_count_or_share(call):
    with pytest.raises(DataError, match="expected figures from 0"):
        call()


def test_whole_numbers_in_any_form_are_whole():
    assert follow_up.pieces_needed(100.0, prevalence=0.02) == 78
    assert isinstance(follow_up.pieces_needed(100.0, prevalence=0.02), int)
    assert follow_up.miss_chance(np.int32(100), np.float32(2), 20.0) == follow_up.miss_chance(100, 2, 20)
    assert removal.henderson_tilton(10, 1, 0, 5) is None  # a sham without pests before says nothing of growth
