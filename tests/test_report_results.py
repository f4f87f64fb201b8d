"""results.json: where its numbers come from, in one shape, the same bytes every time."""

import copy
import json
from dataclasses import replace

import pytest
from nbformat.v4 import new_output

from afterdip.errors import DataError
from afterdip.estimate import Estimate, cannot_say
from afterdip.log import FileRecord, Log, Problem, Settings
from afterdip.report.notebook import read_notebook
from afterdip.report.results import ANSWER, check_results, collect, recorded, unchanged
from afterdip.report.strict import dumps
from support_notebooks import write_notebook

LOG = Log(
    *[None] * 6,
    settings=Settings(name="Farm", piece_value={"sps": 20.0}),
    warnings=(Problem("trays.csv", 3, "tray", "never checked", kind="warning", code="never_checked"),),
    files=(FileRecord("trays.csv", "0" * 64, 12, {"duplicate": 1}),),
)
KNOWN = Estimate(estimate=0.5, low=0.1, high=0.9, sessions=3, method="exact").to_json()
UNKNOWN = cannot_say("no sham", sessions=0).to_json()


def notebook_with(tmp_path, *answers, name="survival"):
    notebook = read_notebook(write_notebook(tmp_path / f"{name}.ipynb", "1"))
    cell = notebook.node.cells[-1]
    cell.outputs = [
        new_output("display_data", data={ANSWER: {"name": key, "answer": answer}}) for key, answer in answers
    ]
    return notebook, notebook.node


def document(tmp_path, *answers):
    given = {"log": "/home/someone/log", "month": "2026-10", "as_of": "2026-11-20"}
    pages = [notebook_with(tmp_path, *answers)]
    return collect(LOG, pages, month="2026-10", as_of="2026-11-20", parameters=given)


def test_the_document_says_where_its_numbers_come_from(tmp_path):
    found = document(tmp_path, ("survival", {"alive": KNOWN}), ("actions", [{"what": "x"}]))
    check_results(found)
    assert found["parameters"] == {"survival": {"month": "2026-10", "as_of": "2026-11-20", "window_months": 12}}
    assert found["log"]["files"] == [
        {"name": "trays.csv", "sha256": "0" * 64, "rows_read": 12, "rows_left_out": {"duplicate": 1}}
    ]
    assert found["warnings"][0]["code"] == "never_checked"
    assert found["settings"]["piece_value"] == {"sps": 20.0}
    assert found["survival"] == {"alive": KNOWN}
    assert found["actions"] == [{"what": "x"}]
    assert found["pages"] == [{"name": "survival", "title": "A page", "file": "survival.html"}]
    assert "someone" not in dumps(found)


def test_the_bytes_are_the_same_and_hold_the_numbers_exactly(tmp_path):
    answers = [("survival", {"b": 0.1 + 0.2, "a": 1e-17}), ("other", {"x": 2})]
    texts = {dumps(document(tmp_path, *order)) for order in (answers, answers[::-1], answers)}
    assert len(texts) == 1
    assert json.loads(texts.pop())["survival"] == {"a": 1e-17, "b": 0.30000000000000004}


@pytest.mark.parametrize("taken", ["month", "warnings", "pages", "survival"])
def test_a_name_is_recorded_once(tmp_path, taken):
    with pytest.raises(ValueError, match=f"records '{taken}', a name that is already taken"):
        document(tmp_path, ("survival", {}), (taken, {}))


@pytest.mark.parametrize(
    "answer",
    [
        {"alive": KNOWN, "cells": [{"agent": "IOD", "loss": UNKNOWN, "n": 3}]},
        {"curve": {"day": [0, 1.5], "low": [0.1, None], "high": [0.2, 1]}},
        {"window": {"low": KNOWN, "high": UNKNOWN}},
        {"bound": {"estimate": 0.0, "low": 0.0, "high": 0.1, "confidence_level": 0.95}},
        {"open": {"estimate": 3, "low": 1, "high": None, "confidence_level": 0.9}},
    ],
)
def test_answers_in_the_shape_pass(tmp_path, answer):
    check_results(document(tmp_path, ("survival", answer)))


@pytest.mark.parametrize(
    "answer, words",
    [
        ({"x": {"estimate": 0.5}}, "survival.x: 'low' is a required property"),
        ({"x": {"estimate": None, "low": None, "high": None, "confidence_level": 0.95}}, "'reason' is a required"),
        ({"x": KNOWN | {"estimate": "0.5"}}, "survival.x.estimate: '0.5' is not of type"),
        ({"x": [{"y": KNOWN | {"confidence_level": 95}}]}, "survival.x.0.y.confidence_level: 95"),
        ({"x": KNOWN | {"sessions": 1.5}}, "survival.x.sessions: 1.5 is not of type 'integer'"),
        ({"x": KNOWN | {"p_value": 0.04}}, "Additional properties are not allowed ('p_value' was unexpected)"),
        ({"x": {"low": 0.1, "high": 0.2}}, "survival.x.high: 0.2 is not of type 'object'"),
        ({"x": {"low": {"day": 1}, "high": KNOWN}}, "survival.x.low: 'estimate' is a required property"),
        ({"x": [{"estimate": 1}] * 10}, "survival.x.0: 'low' is a required property (and 9 more like it)"),
        ({"x": [{"estimate": 1}] * 10}, "would not be valid, 30 in all:"),
        ({f"x{i}": {"estimate": 1} for i in "abc"}, "... and 4 of other kinds"),
        ({"x": {"low": [{"a": 1}, {"b": "c" * 999}], "high": KNOWN}}, "an object is not of type 'number',"),
        ({"x": KNOWN | {"estimate": "x" * 999}}, "xxxx..."),
        ({"x": KNOWN | {"low": 0.95}}, "results.survival.x: limits crossed"),
    ],
)
def test_answers_in_another_shape_are_refused_by_place(tmp_path, answer, words):
    with pytest.raises(ValueError, match=r"results\.json would not be valid") as error:
        check_results(document(tmp_path, ("survival", answer)))
    assert words in str(error.value)
    assert max(map(len, str(error.value).splitlines())) < 250


@pytest.mark.parametrize(
    "place, value",
    [("month", "2026-13"), ("as_of", "soon"), ("version", ""), ("warnings", [{}]), ("pages", [{"file": "../x.html"}])],
)
def test_the_frame_is_checked_too(tmp_path, place, value):
    found = document(tmp_path, ("survival", {}))
    check_results(found)
    broken = copy.deepcopy(found) | {place: value}
    with pytest.raises(ValueError, match=place):
        check_results(broken)
    del broken[place]
    with pytest.raises(ValueError, match=f"'{place}' is a required property"):
        check_results(broken)


def test_the_schema_is_one(tmp_path):
    from jsonschema import Draft7Validator

    from afterdip.report.results import SCHEMA

    schema = json.loads(SCHEMA.read_text())
    Draft7Validator.check_schema(schema)
    assert not list(Draft7Validator(schema).iter_errors(document(tmp_path, ("survival", {"alive": [KNOWN, UNKNOWN]}))))


def test_recorded_answers_come_in_order(tmp_path):
    _, node = notebook_with(tmp_path, ("b", {"x": 1}), ("a", {}))
    assert recorded(node) == [("b", {"x": 1}), ("a", {})]


def test_a_log_that_changed_meanwhile_is_said(tmp_path):
    unchanged(LOG, LOG)
    other = replace(LOG, files=(replace(LOG.files[0], sha256="1" * 64), FileRecord("new.csv", "2" * 64, 1)))
    with pytest.raises(DataError) as error:
        unchanged(LOG, other)
    assert [problem.split(":")[0] for problem in error.value.problems] == ["new.csv", "trays.csv"]
