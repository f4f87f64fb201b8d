"""Mutated small logs: each loads to figures that its cells say, or is refused with DataError; nothing else "
"ever happens."""

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from afterdip.errors import DataError
from afterdip.log import read_log
from builders import AS_OF, KEYS, small_log, typed, write_log, write_workbook

CELLS = st.one_of(
    st.sampled_from(
        ["", " ", "0", "-1", "1", "007", "7.0", "1,200", "1,5", "1e3", "1e400", "nan", "inf", "0x1f", "1_0", "٣", "²",
         "2026-09-10", "2026-09-10T10:00", "2026-9-1", "03/04/2026", "9999-12-31", "0001-01-01", "yes", "TRUE", "=A1",
         "#N/A", "T01", "t01", " T01 ", "001", "mL",
         "ml/l", "%", "µg/L", "tablet", "a,b", 'a"b', "a\nb", "\ufeff", "\u00a0"]
    ),
    st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8),
)  # fmt: skip
MUTATION = st.tuples(st.sampled_from(KEYS), st.integers(0, 30), st.integers(0, 30), CELLS)
FEW = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def mutated(mutations):
    tables = small_log()
    for name, row, column, cell in mutations:
        frame = tables[name]
        frame.iloc[row % len(frame), column % frame.shape[1]] = cell
    return tables


def load(path):
    try:
        return read_log(path, as_of=AS_OF)
    except DataError as error:
        problems = error.problems
    assert problems
    assert len(set(problems)) == len(problems)
    return None


BLANK = " \u00a0\ufeff\n\t\r"


def agrees_with_its_cells(log, tables):
    """The frames hold what an independent reading of the cells gives: pandas for numbers and dates, str for text."""
    for name in KEYS:
        frame, cells = getattr(log, name), tables[name]
        cells = cells[~(cells.apply(lambda column: column.str.strip(BLANK)) == "").all(axis=1)]
        assert len(frame) == len(cells)
        for column in ("alive", "dead", "pieces", "examined", "minutes", "bath_volume"):
            if column in cells:
                numbers = cells[column].str.replace(",", "").str.strip(BLANK)
                assert np.array_equal(
                    frame[column].to_numpy(dtype=float, na_value=np.nan), pd.to_numeric(numbers).to_numpy(dtype=float),
                    equal_nan=True,
                )  # fmt: skip
        for column in ("checked", "counted", "done"):
            if column in cells:
                days = pd.to_datetime(cells[column].str.strip(BLANK), format="ISO8601").dt.normalize()
                assert (frame[column].to_numpy() == days.to_numpy()).all()


@FEW
@given(st.lists(MUTATION, min_size=1, max_size=3))
def test_mutated_csv(mutations):
    tables = mutated(mutations)
    with tempfile.TemporaryDirectory() as folder:
        log = load(write_log(tables, Path(folder) / "log"))
    if log is not None:
        agrees_with_its_cells(log, tables)


@FEW
@given(st.sampled_from(KEYS), st.integers(0, 10_000), st.binary(min_size=0, max_size=3), st.integers(0, 3))
def test_mutated_bytes(name, position, insert, cut):
    with tempfile.TemporaryDirectory() as folder:
        log_folder = write_log(small_log(), Path(folder) / "log")
        path = log_folder / f"{name}.csv"
        data = path.read_bytes()
        position %= len(data)
        path.write_bytes(data[:position] + insert + data[position + cut :])
        load(log_folder)


XLSX_CELLS = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**18), 10**18), st.floats(allow_nan=False, allow_infinity=False),
    st.datetimes(min_value=pd.Timestamp("1901-01-01"), max_value=pd.Timestamp("2100-01-01")), st.times(),
    st.sampled_from(["=A1", "#N/A", "007", "7.0", "T01", "yes", "2026-09-10", "1,200"]),
)  # fmt: skip


@settings(FEW, max_examples=25)
@given(st.lists(st.tuples(st.sampled_from(KEYS), st.integers(0, 30), st.integers(0, 30), XLSX_CELLS), max_size=2))
def test_mutated_workbook(mutations):
    frames = {name: typed(small_log()[name]).astype(object) for name in KEYS}
    for name, row, column, cell in mutations:
        frames[name].iat[row % len(frames[name]), column % frames[name].shape[1]] = cell
    with tempfile.TemporaryDirectory() as folder:
        load(write_workbook(frames, Path(folder) / "log.xlsx"))


@FEW
@given(st.text(max_size=30) | st.sampled_from(["[farm]\nname=3", "[pests]\na=1", "[value]\nsps={a=1}", "farm=[[1]]"]))
def test_any_settings_file(text):
    with tempfile.TemporaryDirectory() as folder:
        log_folder = write_log(small_log(), Path(folder) / "log")
        (log_folder / "farm.toml").write_bytes(text.encode("utf-8", "surrogatepass"))
        load(log_folder)


@FEW
@given(st.integers(0, 10**6), st.integers(0, 255))
def test_a_damaged_workbook(position, byte):
    with tempfile.TemporaryDirectory() as folder:
        path = write_log(small_log(), Path(folder), kind="xlsx")
        data = bytearray(path.read_bytes())
        data[position % len(data)] = byte
        path.write_bytes(bytes(data))
        load(path)
