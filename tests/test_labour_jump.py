"""A lasting jump of the minutes: by hand, by a dense matrix, by its table, and as the page says it."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from afterdip.answers.labour import answer_labour
from afterdip.answers.words import day_in_words
from afterdip.calibrate.labour import FARMS, WorkFarm, simulate_work
from afterdip.calibrate.labour_jump import JUMPS, jump_cells, jump_row
from afterdip.labour import lasting_jump
from afterdip.labour.jump import BETWEEN, CLEAR, CLEARER_THAN_SLOW, WANDER, _Rows
from afterdip.log import read_log
from afterdip.report.show import demo_log
from afterdip.tables.base import number
from afterdip.tables.labour_change import jump_sentence

TABLE = Path(__file__).parent / "reference" / "calibration" / "labour_jumps.csv"


def farm(seed=1, *, step=0.4, months=12, sessions=20, **more):
    """Minutes, pieces, kind, day and month of a farm that takes e^step as long from day 180 on."""
    made = simulate_work(WorkFarm(step=step, **more), sessions=sessions, months=months, rng=np.random.default_rng(seed))
    day = np.sort(made.month * 30 + np.random.default_rng(seed + 1).integers(0, 30, made.month.size))
    return made.written, made.pieces, np.full(day.size, "IOD"), day, made.month


def test_a_plain_jump_is_found_on_its_day_with_its_size():
    minutes, pieces, kind, day, month = farm(row=0.05, step=0.4)
    found = lasting_jump(minutes, pieces, kind, day, month)
    assert found.day == found.first_day == found.last_day == day[day >= 180][0]
    assert found.ratio.low < np.exp(0.4) < found.ratio.high
    assert found.ratio.estimate == pytest.approx(np.exp(0.4), rel=0.03)
    assert found.ratio.sessions == day.size
    assert found.ratio.pieces == pieces.sum()
    wide = lasting_jump(minutes, pieces, kind, day, month, confidence_level=0.99).ratio
    assert wide.low < found.ratio.low < found.ratio.high < wide.high


def test_order_and_units_of_time_do_not_matter_and_sessions_without_labour_are_left_out():
    columns = farm()
    base = lasting_jump(*columns)
    mixed = np.random.default_rng(3).permutation(columns[0].size)
    again = lasting_jump(*(column[mixed] for column in columns))
    assert again.day == base.day
    assert again.ratio.estimate == pytest.approx(base.ratio.estimate, rel=1e-9)
    minutes, pieces, kind, day, month = columns
    hours = lasting_jump(minutes / 60, pieces, kind, day + 20_000, month + 670)
    assert hours.day == base.day + 20_000
    assert hours.ratio.estimate == pytest.approx(base.ratio.estimate, rel=0.02)  # the year's swing lies otherwise
    more = [np.append(column, last) for column, last in zip(columns, (np.nan, 9, "IOD", 170, 5), strict=True)]
    assert lasting_jump(*more).ratio == base.ratio


def test_another_agent_from_a_day_on_is_no_jump():
    """The new agent takes half as long again: all that is seen of a jump is the agent, or a little of it is left."""
    minutes, pieces, kind, day, month = farm(step=0.0, seed=4)
    new = day >= 180
    minutes = np.where(new, 1.5 * minutes, minutes)
    assert lasting_jump(minutes, pieces, kind, day, month).ratio.known
    assert not lasting_jump(minutes, pieces, np.where(new, "OIL", kind), day, month).ratio.known


def test_a_steady_change_is_no_jump():
    minutes, pieces, kind, day, month = farm(step=0.0, seed=6)
    assert not lasting_jump(minutes * np.exp(day / 360 * 0.5), pieces, kind, day, month).ratio.known


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        (farm(months=5), "5 months with labour written down, needs 6"),
        (([20.0], [9], ["A"], [0], [0]), "1 month with labour written down, needs 6"),
        ([column[::2] for column in farm(months=6, sessions=3, seed=2)], "too few sessions on either side of any day"),
        (farm(step=0.0), "no day stands out"),
        (([], [], [], [], []), "0 months with labour written down, needs 6"),
        (([np.nan] * 90, [9] * 90, ["A"] * 90, range(90), np.arange(90) // 10), "0 months with labour written down"),
        (([20.0] * 90, [9] * 90, ["A"] * 90, range(0, 360, 4), np.arange(90) // 10), "no day stands out"),  # all alike
    ],
)
def test_where_nothing_is_named(columns, reason):
    found = lasting_jump(*columns)
    assert found.ratio.reason.startswith(reason)
    assert found.day is None


def test_scores_are_those_of_the_whole_matrix():
    """The log-likelihood of a few fits by dense algebra: slogdet and solve of the sessions' full covariance."""
    minutes, pieces, kind, day, month = farm(sessions=6, months=6)
    rows = _Rows.of(minutes, pieces, kind, day, month)
    fits = rows.fits()
    n = day.size
    same = (month[:, None] == month[None, :]).astype(float)
    walk = np.minimum(month[:, None], month[None, :]) - month.min() + 1.0
    for place, (between, wander) in enumerate((b, w) for b in BETWEEN for w in WANDER):
        if place % 7:
            continue
        V = np.eye(n) + between * same + wander * walk
        inverse, volume = np.linalg.inv(V), np.linalg.slogdet(V)[1]

        def score(X, inverse=inverse, volume=volume):
            beta = np.linalg.solve(X.T @ inverse @ X, X.T @ inverse @ rows.y)
            rest = rows.y - X @ beta
            return n * np.log(rest @ inverse @ rest / n) + volume, beta

        fit = fits[place]
        one = np.ones((n, 1))
        days = day.astype(float)
        swing = np.column_stack([np.sin(2 * np.pi * days / 365.25), np.cos(2 * np.pi * days / 365.25)])
        for got, X in zip(fit.others, (one, days[:, None], np.log1p(np.arange(n))[:, None], swing), strict=True):
            assert got == pytest.approx(score(np.column_stack([one, X]) if X is not one else one)[0], abs=1e-7)
        for j in (0, rows.places.size - 1):
            wanted, beta = score(np.column_stack([one, rows.jumps[:, j]]))
            assert fit.score[j] == pytest.approx(wanted, abs=1e-7)
            assert fit.size[j] == pytest.approx(beta[1], abs=1e-9)


# --- on the page ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def slower():
    """The demo farm's log as if every session from 1 June 2026 on had taken half as long again; with its answer."""
    log = read_log(demo_log(), as_of="2026-11-20")
    late = log.sessions.loc[log.sessions["date"] >= "2026-06-01", "session"]
    factor = 1 + 0.5 * log.labour["session"].isin(late)
    labour = log.labour.assign(minutes=log.labour["minutes"] * factor, person_min=log.labour["person_min"] * factor)
    return answer_labour(replace(log, labour=labour), month="2026-10", as_of="2026-11-20")


def test_the_page_says_since_when_and_by_how_much(slower):
    jump = slower.jump
    assert jump.earliest <= "2026-06-01" <= jump.latest
    assert jump.ratio.low < 1.5 < jump.ratio.high
    sentence = jump_sentence(slower)
    taken = "a bath of the same agent and pieces has taken"
    assert sentence.startswith(f"Since {day_in_words(jump.day)} {taken} {number(jump.ratio, 2)} times the person-min")
    one_day = replace(slower, jump=replace(jump, earliest=jump.day, latest=jump.day))
    assert sentence.startswith(jump_sentence(one_day))
    assert "any day" not in jump_sentence(one_day)
    found = slower.to_json()["jump"]
    assert (found["day"], found["ratio"]) == (jump.day, jump.ratio.to_json())


def test_the_page_says_that_no_day_stands_out():
    """As the demo farm was: nothing lasting changed in it."""
    log = read_log(demo_log(), as_of="2026-11-20")
    answer = answer_labour(log, month="2026-10", as_of="2026-11-20")
    assert answer.jump.day == answer.jump.earliest == answer.jump.latest == ""
    said = "A day since which baths take more or fewer minutes: cannot say, no day stands out."
    assert jump_sentence(answer) == said


# --- the committed table -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def table():
    with TABLE.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_quiet_farms_are_told_of_a_jump_in_five_of_a_hundred_at_most(table):
    wanted = [(name, kind, str(s), str(m)) for (name, _, kind), (s, m) in jump_cells()]
    assert [(r["farm"], r["kind"], r["sessions_a_month"], r["months"]) for r in table] == wanted
    quiet = [float(r["named"]) for r in table if r["kind"] == "quiet"]
    assert min(int(r["replicates"]) for r in table if r["kind"] == "quiet") >= 400
    assert max(quiet) <= 0.05


def test_limits_hold_where_farms_are_told_often(table):
    told = [r for r in table if r["kind"] == "jump" and float(r["named"]) >= 0.3]
    assert len(told) >= 10
    assert min(float(r["size_coverage"]) for r in told) >= 0.93
    assert min(float(r["day_coverage"]) for r in told) >= 0.93


def test_the_methods_page_quotes_the_table(table):
    def named(kind, farms=None):
        return [float(r["named"]) for r in table if r["kind"] == kind and farms in (None, r["farm"])]

    text = " ".join((TABLE.parents[3] / "docs" / "methods.md").read_text(encoding="utf-8").split())
    quiet, slow = named("quiet"), sorted(named("slow"))
    assert f"named on {100 * max(quiet):.1f} % of farms at most, {100 * np.mean(quiet):.1f} % on average" in text
    assert f"slowly on {100 * slow[-2]:.1f} % at most, but on {100 * slow[-1]:.0f} % where it wanders" in text
    assert max(named("slow", "wandering")) == slow[-1]
    year = [named("jump", "a third more")[i] for i in (0, 2, 3)]
    assert "named on {:.0f}, {:.0f} and {:.0f} % of farms".format(*(100 * share for share in year)) in text
    told = [r for r in table if r["kind"] == "jump" and float(r["named"]) >= 0.3]
    rest = [r for r in table if r["kind"] == "jump" and float(r["named"]) < 0.3]
    ratio, days = ([float(r[name]) for r in told] for name in ("size_coverage", "day_coverage"))
    assert f"ratio hold {100 * min(ratio):.1f}-{100 * max(ratio):.0f} %" in text
    assert f"of the day {100 * min(days):.1f}-{100 * max(days):.1f} %" in text
    assert f"as little as {100 * min(float(r['size_coverage']) for r in rest):.0f} %" in text


def test_a_short_run_agrees_with_the_table(table):
    number = next(i for i, ((name, *_), design) in enumerate(jump_cells())
                  if name == "half as much again" and design == (20, 12))  # fmt: skip
    named = jump_row(number, 20)[5]
    wanted = float(table[number]["named"])
    assert abs(named - wanted) <= 3.5 * np.sqrt(max(wanted * (1 - wanted), 0.02) / 20)


def test_jumps_are_planted_as_they_say():
    for plain in (replace(kind, session=0.0, row=0.0, month=0.0) for kind in JUMPS.values()):
        made = simulate_work(plain, sessions=20, months=12, rng=np.random.default_rng(1))
        taken = made.minutes / (plain.fixed + plain.per_piece * made.pieces)
        assert taken[made.month < 6] == pytest.approx(np.ones((made.month < 6).sum()))
        assert np.log(taken[made.month >= 6]) == pytest.approx(np.full((made.month >= 6).sum(), plain.step))
    assert FARMS["new hire"].step == 0.15
    assert 0 < CLEARER_THAN_SLOW < CLEAR
