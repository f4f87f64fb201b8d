"""Columns: parts of a table as pandas gives them, which is the other computation each is held against."""

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.columns import Columns


def frame(seed, rows=200):
    rng = np.random.default_rng(seed)
    return pd.DataFrame({
        "key": [f"k{i}" for i in rng.integers(0, 30, rows)],
        "word": rng.choice(np.array(["b", "a", None, "É"], dtype=object), rows),
        "yes": rng.random(rows) < 0.5, "n": rng.integers(0, 5, rows), "x": rng.normal(size=rows),
    })  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_parts_are_those_of_pandas(seed):
    table = frame(seed)
    chosen = table[table["yes"]]
    part = Columns.of(table, double=2 * table["x"].to_numpy()).part(table["yes"].to_numpy())
    assert len(part) == len(chosen)
    assert part["x"].tolist() == chosen["x"].tolist()
    assert part["double"].tolist() == (2 * chosen["x"]).tolist()
    assert part.count("key") == chosen["key"].nunique()
    assert part.last_of_each("n")["x"].tolist() == chosen.drop_duplicates("n", keep="last")["x"].tolist()
    for names in (["word"], ["word", "n"], ["yes", "key", "n"]):
        groups = list(part.groups(*names))
        wanted = list(chosen.groupby(names))
        assert [key for key, _ in groups] == [key for key, _ in wanted]
        for (_, found), (_, other) in zip(groups, wanted, strict=True):
            assert found["x"].tolist() == other["x"].tolist()
            assert found.part(found["n"] > 2)["x"].tolist() == other.loc[other["n"] > 2, "x"].tolist()


def test_codes_stand_in_the_order_of_the_labels():
    table = frame(9)
    labels = sorted(table["key"].unique())
    assert Columns.of(table, coded=("key",))["key"].tolist() == [labels.index(key) for key in table["key"]]


def test_no_rows_have_no_groups():
    none = Columns.of(frame(1, rows=0))
    assert (len(none), none.count("key"), list(none.groups("key", "yes"))) == (0, 0, [])
    assert len(none.last_of_each("key")) == 0
