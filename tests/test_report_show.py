"""What a notebook shows travels as ordinary outputs, and only strict JSON travels as numbers."""

import base64
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterdip.charts.style import figure
from afterdip.report import show
from afterdip.report.strict import dumps, plain
from afterdip.tables.base import Table


@pytest.fixture
def displayed(monkeypatch):
    seen = []
    monkeypatch.setattr(show, "display", lambda data, metadata=None, raw=False: seen.append((data, metadata or {})))
    return seen


def test_a_figure_carries_alt_text_and_a_caption_of_its_own(displayed):
    fig, ax = figure(width=5, height=3)
    ax.plot([1, 2])
    show.show_figure(fig, alt="rises <2>", caption="A & <b>")
    (image, about), (caption, role) = displayed
    assert base64.b64decode(image["image/png"]).startswith(b"\x89PNG")
    assert about == {"image/png": {"alt": "rises <2>", "width": 600}}
    assert caption["text/html"] == "<figcaption>A &amp; &lt;b&gt;</figcaption>"
    assert role == {"afterdip": "caption"}


def test_the_same_figure_is_the_same_bytes(displayed):
    for _ in range(2):
        fig, ax = figure()
        ax.plot([1, 2], label="x")
        ax.legend()
        show.show_figure(fig, alt="a")
    assert displayed[0] == displayed[1]


def test_pyplot_s_figures_are_closed(displayed):
    import matplotlib.pyplot as plt

    plt.switch_backend("agg")
    before = plt.get_fignums()
    fig = plt.figure()
    show.show_figure(fig, alt="a")
    assert plt.get_fignums() == before


@pytest.mark.parametrize("alt", ["", "  \n"])
def test_a_figure_nobody_can_be_told_of_is_refused(displayed, alt):
    with pytest.raises(ValueError, match="alt text"):
        show.show_figure(figure()[0], alt=alt)


def test_text_and_tables_are_escaped(displayed):
    show.show_text("a <script> & b")
    show.show_table(Table("<c>", ("<h>",), (("<d>",),)))
    assert displayed[0][0]["text/html"] == "<p>a &lt;script&gt; &amp; b</p>"
    assert "<d>" not in displayed[1][0]["text/html"]
    assert "&lt;d&gt;" in displayed[1][0]["text/html"]


def test_recorded_numbers_are_plain_and_unseen(displayed):
    show.record("survival", {"n": np.int64(3), "x": np.float64(0.1), "ok": np.True_, "t": (1, None, "é")})
    data = displayed[0][0]
    assert list(data) == [show.ANSWER]
    answer = data[show.ANSWER]["answer"]
    assert answer == {"n": 3, "x": 0.1, "ok": True, "t": [1, None, "é"]}
    assert [type(v) for v in answer.values()] == [int, float, bool, list]


@pytest.mark.parametrize(
    "payload, place",
    [
        ({"a": [1, {"b": math.nan}]}, r"^page\.a\[1\]\.b: a number must be finite, got nan"),
        ({"a": np.float32("inf")}, r"^page\.a: a number must be finite"),
        ({"a": {1: 2}}, r"^page\.a: keys must be text, got 1"),
        ({"a": {1, 2}}, r"^page\.a: JSON has no set"),
        ({"a": np.array([1.0])}, r"^page\.a: JSON has no ndarray"),
    ],
)
def test_what_json_cannot_hold_is_refused_by_place(displayed, payload, place):
    with pytest.raises(ValueError, match=place):
        show.record("page", payload)
    assert not displayed


@pytest.mark.parametrize("name, payload", [("two words", {}), ("", {}), ("a", "text"), ("a", 3)])
def test_a_record_has_a_name_and_a_body(displayed, name, payload):
    with pytest.raises(ValueError, match="record: "):
        show.record(name, payload)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=10,
)


@given(JSON)
def test_json_keeps_every_value_exactly(value):
    import json

    assert json.loads(dumps(plain(value))) == value
    assert dumps(value) == dumps(json.loads(dumps(value)))


def test_the_demo_is_the_checkout_s_own_and_otherwise_written(monkeypatch, tmp_path):
    shipped = show.demo_log()
    assert shipped.parts[-3:] == ("data", "demo", "log")
    monkeypatch.setattr(show, "__file__", str(tmp_path / "a" / "b" / "c" / "d.py"))
    written = show.demo_log()
    assert {p.name: p.read_bytes() for p in written.iterdir()} == {p.name: p.read_bytes() for p in shipped.iterdir()}
    assert show.demo_log() == written
    show._written_demo.cache_clear()


def test_open_log_reads_a_path(tmp_path):
    from afterdip.errors import DataError
    from builders import AS_OF, small_log, write_log

    log = show.open_log(str(write_log(small_log(), tmp_path)), as_of=AS_OF.isoformat())
    assert len(log.trays) == 7
    with pytest.raises(DataError):
        show.open_log(str(tmp_path / "nowhere"), as_of=AS_OF.isoformat())
