"""Hostile files, and what may come of them: something read, or one sentence; in bounded time and memory, and nothing outside the folder.

`scripts/fuzz` makes many of these, the tests some.
"""

import random
import struct
import tracemalloc
from pathlib import Path

from hypothesis import strategies as st

from assistant.errors import GlovesideError
from assistant.procedure.checks import check_procedure
from assistant.procedure.plan import make_plan
from assistant.procedure.reader import ProcedureFaults, parse_procedure
from assistant.speech.sound import read_sound
from tests.support import ROOT

PROCEDURES = [file.read_bytes() for file in sorted((ROOT / "procedures").glob("*.yaml"))]
PLACE = ROOT / "procedures" / "hostile.yaml"
"""Where a hostile procedure would stand: includes are looked for beside it."""
MOST_MEMORY = 300_000_000
"""Bytes that Python objects may take at most while one file is read; the longest procedure takes a tenth."""

_PIECES = [
    b"&a [*a]", b"*a", b"&a", b"<<: *a", b"? [a, b]\n: c", b"!!python/object/apply:os.system [id]", b"!!binary aGk=", b"!!set {a}", b"\x00", b"\x1b[2J", b"\xff\xfe", b"\xe2\x80\xae",
    b"[" * 1200, b"{a: " * 300, b"- " * 300, b"9" * 5000, b"1e999", b".nan", b"-.inf", b"2001-99-99", b"0o777", b"1:2:3", b"${", b"${x}", b"${bolts}", b"%YAML 9.9", b"---\n", b"...\n", b"\t", b"\r",
    b"include: ../../../../etc/passwd", b"include: /dev/zero", b"include: \"a\\0b\"", b"include: fragments", b"include: fragments/make-safe-air.yaml", b"include: hostile.yaml", b"'", b'"', b"|\n", b">\n", b"x" * 100_000,
]  # fmt: skip


def laughs(depth: int, width: int) -> bytes:
    """Aliases of aliases: `width` to the power of `depth` values."""
    lines = ["l0: &l0 [" + ", ".join("x" * width) + "]"]
    lines += [f"l{level}: &l{level} [" + ", ".join([f"*l{level - 1}"] * width) + "]" for level in range(1, depth)]
    return ("\n".join(lines) + f"\nreferences: *l{depth - 1}\n").encode()


def mutated(source: bytes, seed: int) -> bytes:
    """A procedure with some bytes, lines or whole parts changed, doubled, moved or put in."""
    chance = random.Random(seed)
    text = bytearray(source)
    for _ in range(chance.choice((1, 1, 2, 4, 12))):
        at = chance.randrange(len(text) + 1)
        match chance.randrange(6):
            case 0:
                text[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                del text[at : at + chance.choice((1, 3, 40, 400))]
            case 2:
                text[at:at] = chance.choice(_PIECES)
            case 3:
                other = chance.randrange(len(text) + 1)
                text[at:at] = text[other : other + chance.choice((5, 80, 900))]
            case 4:
                # A whole value in place of another: shapes stay likely, meanings do not.
                lines = bytes(text).split(b"\n")
                line = chance.randrange(len(lines))
                key, colon, _ = lines[line].partition(b":")
                lines[line] = key + colon + b" " + chance.choice(_PIECES)
                text = bytearray(b"\n".join(lines))
            case _:
                lines = bytes(text).split(b"\n")
                line, other = chance.randrange(len(lines)), chance.randrange(len(lines))
                lines[line], lines[other] = lines[other], lines[line]
                text = bytearray(b"\n".join(lines))
    return bytes(text)


procedures = st.one_of(
    st.builds(mutated, st.sampled_from(PROCEDURES), st.integers(0, 2**32)),
    st.binary(max_size=400),
    st.builds(laughs, st.integers(2, 12), st.integers(2, 12)),
    st.builds(lambda one, two: PROCEDURES[0] + one + b"\n" + two, st.sampled_from(_PIECES), st.sampled_from(_PIECES)),
)


def read_hostile_procedure(text: bytes) -> bool:
    """Whether it was read. Raises AssertionError where anything but reading or a sentence comes of it."""
    tracemalloc.start()
    try:
        source = parse_procedure(text, PLACE)
        check_procedure(source)
        make_plan(source.procedure)
        return True
    except ProcedureFaults as faults:
        assert faults.remarks and all(remark.line >= 1 and remark.column >= 1 and len(remark.text) < 3000 for remark in faults.remarks), faults
        assert "root:" not in str(faults), "a file outside the folder was read"
    except GlovesideError as error:
        assert str(error)
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < MOST_MEMORY, f"{peak:,} bytes"
    return False


def wave(rate: int = 16_000, channels: int = 1, bits: int = 16, frames: int = 800, form: int = 1, said: int | None = None) -> bytes:
    """A WAV file by the bytes (RIFF, Multimedia Programming Interface 1.0); `said`: the length its header gives, true or not."""
    data = bytes((at * 7) % 256 for at in range(min(frames * channels * max(1, bits // 8), 20_000)))
    header = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + len(data), b"WAVE", b"fmt ", 16, form, channels & 0xFFFF, rate & 0xFFFFFFFF, (rate * channels * bits // 8) & 0xFFFFFFFF, (channels * bits // 8) & 0xFFFF, bits & 0xFFFF, b"data", len(data) if said is None else said & 0xFFFFFFFF)
    return header + data


def changed(sound: bytes, seed: int) -> bytes:
    """A sound file cut short, or with bytes changed, most of them in its header."""
    chance = random.Random(seed)
    text = bytearray(sound)
    for _ in range(chance.choice((1, 2, 5))):
        reach = 60 if chance.random() < 0.7 else len(text)
        at = chance.randrange(max(1, min(reach, len(text))))
        match chance.randrange(4):
            case 0:
                text[at : at + 4] = struct.pack("<I", chance.choice((0, 1, 2**31 - 1, 2**32 - 1, chance.randrange(2**32))))
            case 1:
                text[at : at + 1] = bytes([chance.randrange(256)])
            case 2:
                del text[at:]
            case _:
                text[at:at] = bytes(chance.randrange(256) for _ in range(chance.choice((1, 8, 300))))
    return bytes(text)


waves = st.builds(
    wave, st.sampled_from((0, 1, 7, 8000, 16_000, 44_100, 192_000, 2**31 - 1, 2**32 - 1)), st.sampled_from((0, 1, 2, 6, 255, 1024, 65_535)), st.sampled_from((0, 1, 8, 12, 16, 24, 32, 64, 65_535)),
    st.integers(0, 900), st.sampled_from((0, 1, 2, 3, 6, 7, 17, 85, 65_534)), st.one_of(st.none(), st.sampled_from((0, 1, 2**31, 2**32 - 1))),
)  # fmt: skip
sounds = st.one_of(waves, st.builds(changed, st.builds(wave), st.integers(0, 2**32)), st.binary(max_size=300), st.builds(lambda rest: b"fLaC" + rest, st.binary(max_size=300)), st.builds(lambda rest: b"OggS" + rest, st.binary(max_size=200)))


def read_hostile_sound(content: bytes, folder: Path) -> bool:
    """Whether it was read. Raises AssertionError where anything but sound or a sentence comes of it."""
    path = folder / "hostile.wav"
    path.write_bytes(content)
    try:
        samples = read_sound(path)
    except GlovesideError as error:
        assert str(path) in str(error)
        return False
    assert samples.dtype == "int16" and samples.ndim == 1 and len(samples) <= 600 * 16_000 + 16_000
    return True
