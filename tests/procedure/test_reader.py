"""Errors of a procedure file: file, line, column, what to write; several at once."""

import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.errors import ProcedureError
from assistant.procedure.model import Procedure
from assistant.procedure.reader import ProcedureFaults, parse_procedure, read_procedure
from assistant.procedure.schema import procedure_schema
from tests.support import ROOT

GOOD = """procedure: small
title: Small job
revision: 1
date: 2026-01-05
asset_class: pump
stages:
  - id: work
    title: Work
    steps:
      - id: look
        instruction: Look at it.
"""


def faults(text: str) -> list[str]:
    with pytest.raises(ProcedureFaults) as caught:
        parse_procedure(text.encode(), Path("p.yaml"))
    return str(caught.value).splitlines()


def test_a_good_file_is_read():
    procedure = parse_procedure(GOOD.encode(), Path("p.yaml")).procedure
    assert (procedure.revision, procedure.date, procedure.stages[0].steps[0].instruction) == ("1", "2026-01-05", "Look at it.")


@pytest.mark.parametrize(
    "old, new, expected",
    [
        ("instruction:", "instrution:", 'p.yaml:11:9: error: unknown key "instrution"; did you mean "instruction"?'),
        ("title: Small job\n", "", 'p.yaml:1:1: error: "title" is missing here; add it'),
        ("id: look", "id: Look Here", 'p.yaml:10:13: error: stages.steps.id: "Look Here" is no identifier; write lower-case letters, digits and hyphens'),
        ("title: Work", "title: Work\n    title: Again", 'p.yaml:9:5: error: the key "title" stands here twice; keep one'),
        ("Look at it.", "Look at it.\n        cautions: [{signal: beware, hazard: h, consequence: c, avoidance: a}]", "p.yaml:12:29: error: stages.steps.cautions.signal: \"beware\" is not allowed; write 'danger', 'warning', 'caution' or 'notice'"),
        ("Look at it.", "Look at it.\n        torque: {value: ten, unit: N.m}", "p.yaml:12:25: error: stages.steps.torque.value: input should be a valid decimal, not 'ten'"),
        ("    steps:", "   steps:", "p.yaml:9:4: error: this is not YAML"),
    ],
)
def test_each_error_says_where_and_what_to_write(old, new, expected):
    assert any(line.startswith(expected) for line in faults(GOOD.replace(old, new))), faults(GOOD.replace(old, new))


def test_several_errors_come_at_once():
    text = GOOD.replace("title: Small job", "titel: Small job").replace("instruction:", "instrution:")
    assert [line.split(":")[1] for line in faults(text)] == ["1", "2", "10", "11"]


@pytest.mark.parametrize("text", ["", "just words", "- a\n- b", "a: [", "\x00", "a: &x [*x]", "{" * 3000, "? : ?"])
def test_what_is_no_procedure_is_refused_in_a_sentence(text):
    for line in faults(text):
        assert line.startswith("p.yaml:")


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_end_in_an_error_of_ours(data):
    with pytest.raises(ProcedureError):
        parse_procedure(data, Path("p.yaml"))


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.text(min_size=1, max_size=4))
def test_a_file_with_a_slip_is_read_or_refused_never_worse(at, text):
    try:
        parse_procedure((GOOD[:at] + text + GOOD[at:]).encode("utf-8", "surrogatepass"), Path("p.yaml"))
    except ProcedureError as error:
        assert str(error)


def test_a_missing_file_and_a_folder(tmp_path):
    with pytest.raises(ProcedureError, match="There is no procedure at"):
        read_procedure(tmp_path / "none.yaml")
    with pytest.raises(ProcedureError, match="cannot be read"):
        read_procedure(tmp_path)


def test_aliases_do_not_grow():
    text = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(f"{chr(98 + n)}: &{chr(98 + n)} [{', '.join(['*' + chr(97 + n)] * 9)}]\n" for n in range(8))
    assert faults(text)


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [("a: 1\na: 2\n", "test.yaml:2:1", "stands here twice"), ("<<: {a: 1}\n", "test.yaml:1:1", "write them out"), ("? [1, 2]\n: x\n", "test.yaml:1:3", "a key must be a word")],
)
def test_keys_that_cannot_be_read_have_their_place(text, place, words):
    with pytest.raises(ProcedureFaults) as caught:
        parse_procedure(text.encode(), Path("test.yaml"))
    assert place in str(caught.value) and words in str(caught.value)


def test_an_alias_that_holds_itself_is_refused():
    assert faults("procedure: &a [*a]\n")


@pytest.mark.parametrize("path", sorted((ROOT / "procedures").glob("*.yaml")), ids=lambda path: path.stem)
def test_the_schema_accepts_every_shipped_procedure(path):
    schema = procedure_schema()
    validator = jsonschema.Draft202012Validator(schema)
    data = json.loads(json.dumps(yaml.safe_load(path.read_text()), default=str))
    assert [(list(error.absolute_path), error.message) for error in validator.iter_errors(data)] == []
    data["stages"][0]["stepz"] = []
    assert not validator.is_valid(data)


def test_every_key_has_a_place_in_the_developers_guide():
    text = (ROOT / "DEVELOPERS.md").read_text()
    for model in Procedure.model_json_schema(by_alias=True)["$defs"].values():
        for key in model.get("properties", ()):
            assert f"`{key}`" in text, f"DEVELOPERS.md does not explain the key {key}"
