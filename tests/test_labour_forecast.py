"""Hours of the coming month: exact cases, an independent prediction, and coverage on simulated farms."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from afterdip.calibrate.labour import EFFORT_PARTS, FARMS, WorkFarm, forecast_coverage, simulate_work
from afterdip.errors import DataError
from afterdip.labour import coming_hours, forecast_hours, learning, monthly_work, monthly_work_unlinked
from afterdip.labour.drift import MonthSeries
from afterdip.labour.months import mean_log_number

REFERENCE = Path(__file__).parent / "reference" / "calibration"


def exact(months=5, *, fixed=20.0, each=0.5, shared=0.0, keep=None):
    """Months of sessions that take exactly fixed + each x pieces."""
    month = np.repeat(np.arange(months), 10)
    pieces = np.tile(np.arange(10, 60, 5.0), months) + month
    minutes = fixed + each * pieces
    written = minutes if keep is None else np.where(keep, minutes, np.nan)
    return monthly_work(
        month,
        pieces,
        written,
        done_minutes=np.bincount(month, np.nan_to_num(written), months),
        shared_minutes=np.full(months, shared),
    )


def test_exact_work_is_forecast_exactly():
    ahead = forecast_hours(exact(), pieces=400, sessions=12)
    for value in (ahead.hours.estimate, ahead.hours.low, ahead.hours.high):
        assert value == pytest.approx((20 * 12 + 0.5 * 400) / 60, rel=1e-4)
    assert ahead.hours_per_thousand.estimate == pytest.approx(ahead.hours.estimate * 1000 / 400)
    assert ahead.recorded_hours.estimate == pytest.approx(ahead.hours.estimate)
    assert ahead.months == 5
    assert ahead.beyond == (
        "more pieces than in any month of the log (365); more sessions than in any month of the log (10)"
    )
    assert forecast_hours(exact(), pieces=300, sessions=10).beyond == ""


def test_shared_minutes_go_by_the_month():
    """Three hundred minutes a month that name no session, whatever is dipped: half a month has half of them."""
    work = exact(shared=300.0)
    whole = forecast_hours(work, pieces=345, sessions=10)
    assert whole.hours.estimate == pytest.approx((300 + 200 + 172.5) / 60, rel=0.01)
    half = forecast_hours(work, pieces=345, sessions=10, months=0.5)
    assert whole.hours.estimate - half.hours.estimate == pytest.approx(2.5, rel=0.05)


def test_sessions_without_labour_cost_what_the_others_did():
    """Every third session unrecorded: the whole is forecast as if none were, the log's own hours lower."""
    keep = np.arange(50) % 3 != 0
    ahead = forecast_hours(exact(keep=keep), pieces=345, sessions=10)
    assert ahead.hours.estimate == pytest.approx((200 + 172.5) / 60, rel=1e-3)
    assert ahead.recorded_hours.estimate < 0.8 * ahead.hours.estimate


def test_work_done_a_month_later():
    """A third of each session's minutes is done a month on: the first month of a log is short, the forecast is not."""
    month = np.repeat(np.arange(6), 10)
    pieces = np.tile(np.arange(10, 60, 5.0), 6)
    minutes = 20 + 0.5 * pieces
    own = np.bincount(month, minutes)
    done = 2 / 3 * own + np.append(0, own[:-1] / 3)
    settled = month < 5
    seen = np.where(settled, minutes, 2 / 3 * minutes)
    work = monthly_work(
        month, pieces, seen, done_minutes=done, shared_minutes=np.zeros(6), carry=(2 / 3, 1 / 3), settled=settled
    )
    assert work.minutes[1:] / work.expected[1:] == pytest.approx(np.ones(5))
    assert forecast_hours(work, pieces=325, sessions=10).hours.estimate == pytest.approx(own[0] / 60, rel=1e-3)


def test_the_error_of_the_split_of_shared_minutes():
    """Against weighted least squares by statsmodels; and no larger than if every split were as likely (1 / 12)."""
    made = simulate_work(FARMS["months of all sizes"], sessions=20, months=12, rng=np.random.default_rng(5))
    work = made.first(12)
    x = work.session_expected
    fit = sm.WLS(made.shared, sm.add_constant(x), weights=1 / x).fit()
    assert work.structure[0] == pytest.approx(fit.params[0], rel=1e-9)
    assert work.structure_covariance[0, 0] == pytest.approx((fit.bse[1] * x.mean()) ** 2, rel=1e-6)
    assert work.session_structure_covariance[0] == pytest.approx(np.zeros(3))
    made.shared[:3] = [10.0, 900.0, 100.0]
    wild = made.first(3)
    assert wild.structure_covariance[0, 0] == pytest.approx(made.shared[:3].mean() ** 2 / 12)


def test_months_of_few_sessions_are_covered():
    """Under 8 of up to 20 sessions: held 95 % of 800 such months; without the error of the split of shared minutes and
    what few sessions scatter more than many 88 % (88 % of these 200, too)."""
    rng, held = np.random.default_rng(8), []
    while len(held) < 200:
        made = simulate_work(FARMS["months of all sizes"], sessions=20, months=7, rng=rng)
        last = made.month == 6
        if last.sum() < 8:
            hours = forecast_hours(
                made.first(6), pieces=int(made.pieces[last].sum()), sessions=int(last.sum())
            ).hours
            held.append(hours.low <= (made.minutes[last].sum() + made.shared[6]) / 60 <= hours.high)
    assert np.mean(held) >= 0.92


def test_one_session_a_month_says_nothing_of_their_scatter():
    month = np.repeat(np.arange(6), [1, 2, 1, 2, 1, 1])
    minutes = 30.0 + np.arange(8)
    work = monthly_work(
        month, np.full(8, 20.0), minutes, done_minutes=np.bincount(month, minutes), shared_minutes=np.zeros(6)
    )
    assert not work.scatter_known
    hours = forecast_hours(work, pieces=20, sessions=1).hours
    assert hours.high / hours.low < 2


def test_the_forecast_follows_a_jump():
    """Sixty sessions a month that take a third longer from the sixth month on: the new level, and not twice as wide."""
    rng = np.random.default_rng(21)
    jumped = simulate_work(WorkFarm(step=0.3), sessions=60, months=11, rng=rng).first(11)
    plain = simulate_work(WorkFarm(), sessions=60, months=11, rng=rng).first(11)
    after, steady = (forecast_hours(w, pieces=1500, sessions=60).hours for w in (jumped, plain))
    level = np.mean(jumped.minutes[5:] / jumped.expected[5:]) * (jumped.structure @ [1, 60, 1500]) / 60
    assert after.estimate == pytest.approx(level, rel=0.05)
    assert np.log(after.high / after.low) < 2 * np.log(steady.high / steady.low)
    assert np.log(after.high / after.low) < 0.3


def test_three_months_of_fast_learning():
    """Of 200 farms of 80 sessions a month 97 % were held by limits of high / low 1.4; read as scatter it was 6."""
    rng, held, widths = np.random.default_rng(22), [], []
    for _ in range(60):
        made = simulate_work(FARMS["fast learning"], sessions=80, months=4, rng=rng)
        last = made.month == 3
        ask = {"pieces": int(made.pieces[last].sum()), "sessions": int(last.sum())}
        hours = forecast_hours(made.first(3), **ask).hours
        held.append(hours.low <= made.minutes[last].sum() / 60 <= hours.high)
        widths.append(np.log(hours.high / hours.low))
    assert np.mean(held) >= 0.9
    assert np.exp(np.median(widths)) < 1.6


def test_learning_is_found_where_it_is():
    rng = np.random.default_rng(2)
    fast = simulate_work(FARMS["fast learning"], sessions=40, months=12, rng=rng).first(12)
    found = learning(fast).rate
    assert found.low < 0.88 < found.high < 0.92
    assert learning(fast).per_month.high < 0
    plain = learning(simulate_work(FARMS["plain"], sessions=40, months=12, rng=rng).first(12))
    assert plain.rate.low < 1 < plain.rate.high
    assert plain.per_month.low < 0 < plain.per_month.high
    assert forecast_hours(fast, pieces=900, sessions=40).learning_weight > 0.9


def test_where_a_month_stands_on_a_learning_curve():
    """The mean log of sessions 4, 5 and 6, and of a first month's hundred: log 100! / 100."""
    assert mean_log_number(3.0, 3.0) == pytest.approx(np.log([4, 5, 6]).mean())
    assert mean_log_number([0.0], [100.0])[0] == pytest.approx(np.log(np.arange(1, 101)).mean())


def test_learning_is_the_line_through_the_months():
    """Weighted least squares of statsmodels on the same months; t limits on months - 2."""
    rng = np.random.default_rng(9)
    work = simulate_work(FARMS["unequal months"], sessions=30, months=10, rng=rng).first(10)
    rows = MonthSeries.of(work, work.session_ratio, np.ones(10))
    for name, x, read in (("rate", work.log_order, np.log2), ("per_month", np.arange(10.0), np.log1p)):
        fit = sm.WLS(rows.log_ratio, sm.add_constant(x), weights=1 / rows.noise).fit()
        found = getattr(learning(work), name)
        ends = np.array([found.low, found.estimate, found.high])
        low, high = fit.conf_int()[1]
        assert read(ends) == pytest.approx([low, fit.params[1], high], rel=1e-6)


def test_units_and_order_change_nothing():
    rng = np.random.default_rng(4)
    made = simulate_work(FARMS["unequal months"], sessions=20, months=8, rng=rng)
    base = forecast_hours(made.first(8), pieces=500, sessions=20).hours
    order = rng.permutation(len(made.month))
    again = monthly_work(
        made.month[order], made.pieces[order], made.written[order] * 60,
        done_minutes=60 * np.bincount(made.month, made.written), shared_minutes=60 * made.shared, order=order,
    )  # fmt: skip
    mixed = forecast_hours(again, pieces=500, sessions=20).hours
    assert (mixed.estimate / 60, mixed.low / 60, mixed.high / 60) == pytest.approx((base.estimate, base.low, base.high))


def test_a_wider_question_has_wider_limits():
    rng = np.random.default_rng(6)
    work = simulate_work(FARMS["unequal months"], sessions=20, months=11, rng=rng).first(11)
    given, free = forecast_hours(work, pieces=500, sessions=20), forecast_hours(work, pieces=500)
    assert free.hours.high / free.hours.low > given.hours.high / given.hours.low
    assert free.sessions.low < free.sessions.estimate < free.sessions.high
    strict = forecast_hours(work, pieces=500, sessions=20, confidence_level=0.8).hours
    assert given.hours.low < strict.low < strict.high < given.hours.high
    odd = forecast_hours(work, pieces=500, sessions=5).hours  # sessions four times the usual size
    assert np.log(odd.high / odd.low) > np.log(given.hours.high / given.hours.low)


def test_labour_that_names_no_session():
    """Totals of 100 + 20 x sessions + 0.5 x pieces a month: exact; simulated farms: the limits hold (200 farms)."""
    sessions = np.array([8, 12, 9, 15, 11, 10.0])
    pieces = np.array([210, 240, 330, 280, 190, 260.0])
    work = monthly_work_unlinked(sessions, pieces, 100 + 20 * sessions + 0.5 * pieces)
    ahead = forecast_hours(work, pieces=250, sessions=10)
    assert ahead.hours.estimate == pytest.approx((100 + 200 + 125) / 60, rel=1e-3)
    assert ahead.session_hours.reason == "no labour row names its session"
    minutes = 100 + 20 * sessions + 0.5 * pieces + np.array([9, -14, 6, 3, -8, 4])
    loose, x = monthly_work_unlinked(sessions, pieces, minutes), np.column_stack([np.ones(6), sessions, pieces])
    fit = sm.WLS(minutes, x, weights=1 / sessions).fit()
    assert loose.structure == pytest.approx(fit.params)
    assert loose.structure_covariance == pytest.approx(fit.cov_params())
    rng, held = np.random.default_rng(12), 0
    for _ in range(200):
        made = simulate_work(FARMS["unequal months"], sessions=20, months=12, rng=rng)
        m, n, y = (np.bincount(made.month, x) for x in (None, made.pieces, made.minutes))
        hours = forecast_hours(
            monthly_work_unlinked(m[:11], n[:11], y[:11]), pieces=int(n[11]), sessions=int(m[11])
        ).hours
        held += hours.low <= y[11] / 60 <= hours.high
    assert held >= 180
    with pytest.raises(DataError, match="both dips and labour"):
        monthly_work_unlinked([3.0], [20.0], [0.0])


def test_too_little_to_forecast():
    few = forecast_hours(exact(2), pieces=100, sessions=3)
    assert few.hours.reason == "2 months with labour written down, a forecast needs 3"
    assert learning(exact(5)).rate.reason == "5 months with labour written down, needs 6"
    assert learning(exact(1)).rate.reason == "1 month with labour written down, needs 6"
    with pytest.raises(DataError, match="no session has labour"):
        monthly_work([0], [5], [np.nan], done_minutes=[0.0], shared_minutes=[0.0])


@pytest.mark.parametrize("asked", [{"pieces": 0}, {"pieces": 5, "sessions": 6}, {"pieces": 5, "sessions": 0}])
def test_misuse(asked):
    with pytest.raises(ValueError, match="a forecast needs"):
        forecast_hours(exact(), **asked)


@pytest.mark.parametrize("farm", ["plain", "rising", "drift, unequal months", "shared and missing rows", "all at once"])
def test_the_twelfth_month_is_covered(farm):
    """A short run of the calibration: 200 farms, binomial error 1.5 %, so 0.90 is 3.2 errors under 0.95."""
    score = forecast_coverage(FARMS[farm], sessions=20, before=11, replicates=200, rng=np.random.default_rng(1))
    assert score["given_sessions_coverage"] >= 0.90
    assert score["pieces_only_coverage"] >= 0.90


def test_the_committed_calibration_holds():
    """The table of `python -m afterdip.calibrate labour`, level 95 %: 400 farms a row, 1,600 near a bound."""
    table = pd.read_csv(REFERENCE / "labour_forecast_coverage.csv")
    assert set(table["farm"]) == set(FARMS)
    for mode in ("given_sessions_coverage", "pieces_only_coverage"):
        assert 0.945 <= table[mode].mean() <= 0.965
        assert table[mode].min() >= 0.93
        assert table[mode].max() <= 0.98


def test_the_committed_limits_of_minutes_hold():
    """1,200 farms a row: binomial error 0.6 %."""
    effort = pd.read_csv(REFERENCE / "labour_effort_coverage.csv")
    held = effort[[f"{part}_coverage" for part in EFFORT_PARTS]]
    assert held.min().min() >= 0.925
    assert held[effort["sessions"] >= 30].max().max() <= 0.98


def test_the_committed_limits_of_learning_hold():
    """800 farms a row: binomial error 0.8 %. Above 98 % where no line fits: seasons, jumps, wandering, curves."""
    table = pd.read_csv(REFERENCE / "labour_learning_coverage.csv")
    held = table[["rate_coverage", "per_month_coverage"]]
    assert held.min().min() >= 0.92
    assert table["planted_coverage"].min() >= 0.92
    plain = ~table["farm"].isin(["season", "new hire", "wandering", "steady drift", "rising", "drift, unequal months"])
    assert table.loc[plain, "rate_coverage"].max() <= 0.98
    assert 0.945 <= table.loc[plain, "rate_coverage"].mean() <= 0.96


@pytest.mark.parametrize("asked", [{"sessions": 10}, {}, {"sessions": 3, "months": 0.23, "confidence_level": 0.8}])
def test_hours_alone_are_those_of_the_whole_forecast_to_the_last_digit(asked):
    """With rows that name no session and sessions without rows, where the whole forecast has three series."""
    farm = WorkFarm(session=0.2, month=0.05, shared=20, missing=0.2)
    made = simulate_work(farm, sessions=12, months=9, rng=np.random.default_rng(5))
    for months in (9, 3, 2):  # two are too few to forecast from
        work = made.first(months)
        assert coming_hours(work, pieces=250, **asked) == forecast_hours(work, pieces=250, **asked).hours
    with pytest.raises(ValueError, match="1 piece or more"):
        coming_hours(made.first(9), pieces=0)
