"""What is true of a small log stays true of a large one: the same numbers by every route."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyarrow import parquet

from afterdip.answers.removal import answer_removal
from afterdip.errors import DataError
from afterdip.log import read_log
from afterdip.log.large import open_large
from afterdip.removal.bootstrap import times_drawn
from afterdip.survival.kaplan_meier import kaplan_meier
from afterdip.survival.rows import label_codes, session_counts
from afterdip.tally.labour import tally_labour
from afterdip.tally.removal import tally_pests
from afterdip.tally.survival import tally_survival, tally_survival_large

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from farm import write_farm

AS_OF = "2026-11-20"


@pytest.fixture(scope="module")
def farms(tmp_path_factory) -> dict[str, Path]:
    """The same invented farm as CSV and as Parquet."""
    folders = {kind: tmp_path_factory.mktemp(kind) for kind in ("csv", "parquet")}
    for kind, folder in folders.items():
        write_farm(folder, sessions=1500, days=900, kind=kind)
    return folders


def arrays(tally) -> dict[str, np.ndarray]:
    return {name: getattr(tally, name) for name in ("day", "since", "dead", "detached", "removed", "alive", "tray")}


def test_the_generated_farm_is_a_valid_log(farms):
    log = read_log(farms["csv"], as_of=AS_OF)
    assert len(log.sessions) == 1500
    assert log.trays["earlier_tray"].notna().any()
    assert not {w.code for w in log.warnings} & {"late_check", "never_checked", "coral_spelling", "pest_spelling"}


def test_parquet_and_csv_give_the_same_tables(farms):
    one, two = (read_log(farms[kind], as_of=AS_OF) for kind in ("csv", "parquet"))
    for name in ("agents", "sessions", "trays", "checks", "pests", "labour"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


@pytest.mark.parametrize("rows_at_once", [10_000_000, 5000, 700])
def test_checks_left_on_disk_give_the_same_tally_to_the_last_count(farms, rows_at_once):
    whole = tally_survival(read_log(farms["parquet"], as_of=AS_OF))
    large = tally_survival_large(open_large(farms["parquet"], as_of=AS_OF), rows_at_once=rows_at_once)
    for name, values in arrays(whole).items():
        np.testing.assert_array_equal(getattr(large, name), values)
    pd.testing.assert_frame_equal(large.trays, whole.trays)
    curves = [
        kaplan_meier(t.day, t.dead, t.left, session=t.of_trays("session")) for t in (whole, large)
    ]
    for name in ("survival", "standard_error", "low", "high"):
        np.testing.assert_array_equal(*(getattr(curve, name) for curve in curves))


def test_order_of_rows_on_disk_changes_nothing(farms, tmp_path):
    for file in farms["parquet"].iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    table = parquet.read_table(tmp_path / "checks.parquet")
    order = np.random.default_rng(1).permutation(len(table))
    parquet.write_table(table.take(order), tmp_path / "checks.parquet", row_group_size=1000)
    one, two = (
        tally_survival_large(open_large(folder, as_of=AS_OF), rows_at_once=3000)
        for folder in (farms["parquet"], tmp_path)
    )
    for name, values in arrays(one).items():
        np.testing.assert_array_equal(getattr(two, name), values)


@pytest.mark.parametrize(("column", "value", "says"), [
    ("alive", 99, "alive before = alive"), ("dead", -1, "0 or more"), ("checked", "2031-01-01", "report's day"),
    ("checked", "2001-01-01", "from the dip"), ("checked", "soon", "days and whole"), ("alive", None, "every cell"),
    ("tray", "t-unknown", "listed in trays"),
])  # fmt: skip
def test_checks_left_on_disk_are_refused_as_others_are(farms, tmp_path, column, value, says):
    for file in farms["parquet"].iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    table = parquet.read_table(tmp_path / "checks.parquet").to_pandas()
    table[column] = table[column].astype(object)
    table.loc[777, column] = value
    if column not in ("tray", "checked"):
        table[column] = table[column].astype("Int64")
    table.to_parquet(tmp_path / "checks.parquet")
    with pytest.raises(DataError, match=says):
        list(open_large(tmp_path, as_of=AS_OF).parts(rows_at_once=2000))


STRETCH = {"since": "2025-11-01", "until": "2026-12-01"}


def test_pests_left_on_disk_give_the_same_figures_to_the_last_digit(farms):
    whole, large = read_log(farms["parquet"], as_of=AS_OF), open_large(farms["parquet"], as_of=AS_OF)
    part = large.with_pests(**STRETCH)
    assert 0 < len(part.pests) < len(whole.pests)
    stretch = {name: pd.Timestamp(day) for name, day in STRETCH.items()}
    one, two = (tally_pests(log, **stretch) for log in (whole, part))
    pd.testing.assert_frame_equal(one.dips, two.dips)
    pd.testing.assert_frame_equal(one.looks, two.looks)
    pages = [answer_removal(log, month="2026-10", as_of=AS_OF).to_json() for log in (whole, part)]
    assert json.dumps(pages[0]) == json.dumps(pages[1])
    months = tuple(map(str, pd.period_range("2025-11", "2026-10", freq="M")))
    hours = [tally_labour(log, months=months) for log in (whole, large.log)]
    pd.testing.assert_frame_equal(hours[0].sessions, hours[1].sessions)
    assert hours[0].carry == hours[1].carry


@pytest.mark.parametrize(("column", "value", "says"), [
    ("alive", -1, r"pests\.parquet, row {row}, column 'alive'"), ("tray", "t-unknown", "row {row}, column 'tray'"),
    ("tray", None, "row {row}, column 'tray'"), ("stage", "grub", "row {row}, column 'stage'"),
])  # fmt: skip
def test_pests_left_on_disk_are_refused_by_file_row_and_column(farms, tmp_path, column, value, says):
    for file in farms["parquet"].iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    table = parquet.read_table(tmp_path / "pests.parquet").to_pandas()
    row = int(table["counted"].argmax())  # of the last dips
    table[column] = table[column].astype(object)
    table.loc[row, column] = value
    table.to_parquet(tmp_path / "pests.parquet", row_group_size=999)
    with pytest.raises(DataError, match=says.format(row=row + 2)):
        open_large(tmp_path, as_of=AS_OF).with_pests(**STRETCH)


def test_a_large_log_may_lack_pests_and_labour(farms, tmp_path):
    for name in ("agents", "sessions", "trays", "checks"):
        (tmp_path / f"{name}.parquet").write_bytes((farms["parquet"] / f"{name}.parquet").read_bytes())
    large = open_large(tmp_path, as_of=AS_OF)
    assert len(large.log.labour) == len(large.with_pests(**STRETCH).pests) == 0
    with pytest.raises(ValueError, match="as_of must be a date"):
        large.with_pests(since="soon", until="2026-11-01")


def test_a_large_log_needs_its_files(tmp_path):
    with pytest.raises(DataError, match=r"checks\.parquet"):
        open_large(tmp_path, as_of=AS_OF)


def test_pests_of_a_stretch_are_those_of_the_whole_log_in_it(farms):
    log = read_log(farms["csv"], as_of=AS_OF)
    since, until = pd.Timestamp("2025-11-01"), pd.Timestamp("2026-11-01")
    part, whole = tally_pests(log, since=since, until=until), tally_pests(log)
    for name in ("dips", "looks"):
        inside = getattr(whole, name)
        inside = inside[(inside["date"] >= since) & (inside["date"] < until)].reset_index(drop=True)
        assert len(inside)
        pd.testing.assert_frame_equal(getattr(part, name).reset_index(drop=True), inside)


def test_numbers_and_words_label_sessions_alike():
    rng = np.random.default_rng(2)
    for dtype in (np.int8, np.uint8, np.int64, np.uint64):
        low = -100 if np.issubdtype(dtype, np.signedinteger) else 3
        numbers = rng.integers(low, 120, size=500).astype(dtype)
        names, code = label_codes(numbers)
        words, same = label_codes(numbers.astype(str))
        assert [str(name) for name in names] == list(words)
        np.testing.assert_array_equal(code, same)


def test_whole_days_and_days_apart_tally_alike():
    rng = np.random.default_rng(3)
    day, dead, session = rng.integers(0, 60, 400).astype(float), rng.integers(0, 2, 400), rng.integers(0, 9, 400)
    one = session_counts(day, [dead], 1 - dead, session=session)
    two = session_counts(day / 7, [dead], 1 - dead, session=session)
    np.testing.assert_array_equal(one.at_risk, two.at_risk)
    np.testing.assert_allclose(one.days / 7, two.days)


def test_sessions_are_drawn_as_often_as_multinomial_weights_say():
    drawn = times_drawn(50, 20_000, np.random.default_rng(4))
    assert (drawn.sum(axis=1) == 50).all()
    assert drawn.mean(axis=0) == pytest.approx(np.ones(50), abs=0.05)  # five standard errors of 0.01
    assert drawn.var(axis=0) == pytest.approx(np.full(50, 49 / 50), abs=0.08)
    assert np.cov(drawn[:, :2].T)[0, 1] == pytest.approx(-1 / 50, abs=0.04)


def report(log: Path, out: Path, seed: str, jobs: str) -> bytes:
    command = [sys.executable, "-m", "afterdip", "report", str(log), "--month", "2026-10", "--as-of", AS_OF]
    command += ["--out", str(out), "--jobs", jobs]
    subprocess.run(command, check=True, capture_output=True, env=os.environ | {"PYTHONHASHSEED": seed})
    return (out / "results.json").read_bytes()


def test_a_second_run_gives_the_same_bytes_and_every_page_says_of_what(tmp_path):
    write_farm(tmp_path / "log", sessions=150, days=120)
    one, two = (
        report(tmp_path / "log", tmp_path / f"report-{seed}", seed, jobs) for seed, jobs in (("1", "1"), ("2", "2"))
    )
    assert one == two
    results = json.loads(one)
    pages = sorted((tmp_path / "report-1").glob("*.html"))
    assert len(pages) == len(results["pages"]) + 1
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert text == (tmp_path / "report-2" / page.name).read_text(encoding="utf-8")
        assert results["version"] in text
        assert all(file["sha256"][:12] in text for file in results["log"]["files"]), page.name
