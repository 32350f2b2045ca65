"""Hostile procedures and sound files: one sentence, or something read; never a crash, a flood of memory, or a file from elsewhere."""

import pytest
from hypothesis import HealthCheck, given, settings

from assistant.procedure.reader import ProcedureFaults, parse_procedure
from tests.fuzz.hostile import PLACE, PROCEDURES, laughs, procedures, read_hostile_procedure, read_hostile_sound, sounds, wave

FLANGE = next(text for text in PROCEDURES if text.startswith(b"procedure: bolted-flange") or b"\nprocedure: bolted-flange" in text)
AIR_KIT = next(text for text in PROCEDURES if b"\nprocedure: diaphragm-pump-one-inch-air-kit" in text)
SOME = settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@SOME
@given(procedures)
def test_a_hostile_procedure_is_read_or_refused_in_a_sentence(text):
    read_hostile_procedure(text)


@SOME
@given(sounds)
def test_a_hostile_sound_is_read_or_refused_in_a_sentence(tmp_path_factory, content):
    read_hostile_sound(content, tmp_path_factory.getbasetemp())


@pytest.mark.parametrize(
    "text, says",
    [
        (laughs(9, 10) + FLANGE, "more than 500,000 values"),
        (b"extra: &a " + b"[" * 900 + b"]" * 900 + b"\n" + FLANGE, "nested too deeply"),
        (b"extra: " + b"[" * 5000 + b"\n" + FLANGE, "maximum nesting depth"),
        (b"spec:\n  ? [x]\n  : y\n" + FLANGE, "a key must be a word"),
        (b"spec: {p: " + b"x" * 100_000 + b"}\n" + FLANGE.replace(b"title: ", b"title: " + b"${p}" * 1000, 1), "more than 4,000,000 characters"),
        (FLANGE.replace(b"title: ", b'title: "\\e[2J" #', 1), "control character"),
        (FLANGE.replace(b"title: ", "title: a\u202eb #".encode(), 1), "control character"),
        (FLANGE.replace(b"count: 8", b"count: " + b"9" * 5000, 1), "cannot be read as a value"),
        (FLANGE.replace(b"stages:", b"stages:\n  - include: ../../etc/passwd", 1), "in or below"),
        (AIR_KIT.replace(b"protective_equipment: [", b"protective_equipment: !!set {a} #", 1), "protective_equipment: input should be a valid"),
        (FLANGE.replace(b"stages:", b'stages:\n  - include: "a\\0b"', 1), "in or below"),
        (FLANGE.replace(b"count: 8", b"count: !!python/object/apply:os.getpid []", 1), "should be a valid integer"),
    ],
    ids=["billion laughs", "deep", "deeper", "key", "long parameter", "escape", "right to left", "huge number", "path", "set where a list is added to", "null in a path", "python tag"],
)
def test_each_trick_is_named(text, says):
    with pytest.raises(ProcedureFaults, match=says):
        parse_procedure(text, PLACE)


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_the_same_sound_is_read_at_every_depth(bits, tmp_path):
    assert read_hostile_sound(wave(bits=bits), tmp_path)
