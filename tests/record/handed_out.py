"""One finished, sealed job with a sound, handed out as a zip and as a folder: for tests of what is handed out and in."""

import hashlib
import io
import shutil
import sqlite3
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import strategies as st

from assistant.engine import events as e
from assistant.record.clips import save_clip
from assistant.record.clock import SimulatedClock
from assistant.record.journal import DATABASE, Journal
from assistant.record.kept import PROCEDURE_COPY, kept_plan
from assistant.record.portable import export_job
from assistant.record.report import as_json
from assistant.record.seal import load_or_make_key, seal_job
from assistant.record.service_record import service_record
from tests.engine.test_figures_at_the_bench import JOB
from tests.record.test_service_record import PLAN, START, WHOLE
from tests.support import EN, Dialogue

NAME = "2026-03-02-P1-01"
FINDING = [("record a finding", 0), ("ball", 0), ("worn", 0), ("use again", 0), ("a flat on one side", 0), ("affirm", 0)]


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return load_or_make_key(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def raw_key(key):
    return key.public_key().public_bytes_raw()


def make_job(directory: Path, key) -> Path:
    """A finished job with a sound, sealed twice."""
    clock = SimulatedClock(START)
    dialogue = Dialogue(PLAN)
    for phrase, minutes in [*WHOLE[:14], *FINDING, *WHOLE[14:]]:
        if minutes:
            dialogue.wait(60 * minutes)
        dialogue.say(phrase)
    with Journal.create(directory, clock) as journal:
        clip = save_clip(directory, np.arange(2000, dtype=np.int16))["sha256"]
        for event in dialogue.events:
            body = event.body()
            if isinstance(event, e.JobStarted):
                body["job"] = NAME
                body["procedure_sha256"] = hashlib.sha256(JOB.encode()).hexdigest()
            if isinstance(event, e.FindingRecorded):
                body["clips"] = [clip]
            clock.advance(1)
            journal.append(event.kind, body)
        (directory / PROCEDURE_COPY).write_text(JOB)
        seal_job(directory, key, clock)
        journal.append("transcribed", e.Transcribed(5, "пятно на кромке 옆면", "whisper", "1", 0.5).body())
        seal_job(directory, key, clock)
    return directory


@pytest.fixture(scope="module")
def made(tmp_path_factory, key) -> Path:
    return make_job(tmp_path_factory.mktemp("store") / NAME, key)


@pytest.fixture(scope="module")
def packed(made, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("out") / "job.zip"
    export_job(made, out)
    return out


@pytest.fixture(scope="module")
def folder(made, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("out") / "job"
    export_job(made, out)
    return out


def rows(directory: Path) -> list[tuple]:
    database = sqlite3.connect(directory / DATABASE)
    found = database.execute("SELECT * FROM events ORDER BY seq").fetchall()
    database.close()
    return found


def record_of(directory: Path) -> str:
    return as_json(service_record(directory, kept_plan(directory), EN))


def nothing_left(root: Path) -> bool:
    return not root.exists() or not list(root.iterdir())


def changed(folder: Path, tmp_path: Path, name: str, change, sums: bool = True) -> Path:
    """A copy with one file changed, its sum written anew."""
    copy = shutil.copytree(folder, tmp_path / "changed")
    path = copy / name
    path.write_bytes(change(path.read_bytes() if path.exists() else b""))
    if sums:
        listed = [str(one.relative_to(copy)) for one in copy.rglob("*") if one.is_file() and one.name != "SHA256SUMS"]
        (copy / "SHA256SUMS").write_text("".join(f"{hashlib.sha256((copy / one).read_bytes()).hexdigest()}  {one}\n" for one in listed))
    return copy


MUTATIONS = st.lists(st.tuples(st.sampled_from(["set", "cut", "insert", "swap", "zero"]), st.floats(0, 1), st.integers(0, 255), st.integers(1, 40)), min_size=1, max_size=5)


def mutate(content: bytes, steps) -> bytes:
    for what, where, value, length in steps:
        place = int(where * max(len(content) - 1, 0))
        match what:
            case "set":
                content = content[:place] + bytes([value]) + content[place + 1 :]
            case "cut":
                content = content[:place] + content[place + length :]
            case "insert":
                content = content[:place] + bytes([value]) * length + content[place:]
            case "swap":
                content = content[:place] + content[place : place + length][::-1] + content[place + length :]
            case "zero":
                content = content[:place] + bytes(min(length, len(content) - place)) + content[place + length :]
    return content


def small(packed: Path) -> bytes:
    """The zip without its reports: what counts is a larger part of it."""
    out = io.BytesIO()
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        kept = [info.filename for info in old.infolist() if not info.filename.endswith((".html", ".pdf", "record.json", "schema.json", ".txt")) or info.filename.endswith("chain.txt")]
        for name in kept:
            content = old.read(name)
            if name.endswith("SHA256SUMS"):
                content = b"".join(line + b"\n" for line in content.splitlines() if f"{NAME}/{line.split(b'  ')[1].decode()}" in kept)
            new.writestr(name, content)
    return out.getvalue()
