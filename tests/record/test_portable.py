"""Jobs handed out, verified with standard tools only, and taken in again; what was changed on the way is refused."""

import base64
import hashlib
import json
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest

from assistant.errors import ExportError, ImportRefused
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.record.kept import PROCEDURE_COPY
from assistant.record.portable import export_job, import_job
from assistant.record.seal import load_or_make_key, seal_job
from assistant.record.verify import verify_job
from tests.record.handed_out import NAME, changed, folder, key, made, nothing_left, packed, raw_key, record_of, rows  # noqa: F401

NEEDED = pytest.mark.skipif(not shutil.which("openssl") or not shutil.which("sha256sum"), reason="needs openssl and sha256sum")


# Verification by somebody who has none of our code: hashlib, sed, openssl.


def verify_alone(folder: Path) -> None:
    """Check a folder that was handed out by its plain files. Raises AssertionError, CalledProcessError."""
    for line in (folder / "SHA256SUMS").read_text().splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest, name
    hashes = ["0" * 64]
    chain = (folder / "chain.txt").read_bytes().split(b"\n")[:-1]
    for text in chain:
        assert json.loads(text)[-1] == hashes[-1]
        hashes.append(hashlib.sha256(text).hexdigest())
    for number, (line, text) in enumerate(zip((folder / "events.jsonl").read_text().splitlines(), chain, strict=True), start=1):
        event, parts = json.loads(line), json.loads(text)
        assert event["hash"] == hashes[number] and [event[name] for name in ("seq", "kind", "at_utc", "zone_offset", "zone_name", "monotonic_s")] == parts[:6] and json.loads(parts[6]) == event["body"]
    previous = "0" * 64
    for line in (folder / "seals.jsonl").read_bytes().splitlines():
        seal = json.loads(line)
        assert seal["previous"] == previous and hashes[seal["events"]] == seal["last_hash"]
        assert hashlib.sha256((folder / "procedure.yaml").read_bytes()).hexdigest() == seal["procedure_sha256"]
        (folder.parent / "message.bin").write_bytes(re.sub(rb',"signature":"[^"]*"}$', b"}", line))
        (folder.parent / "signature.bin").write_bytes(base64.b64decode(seal["signature"]))
        subprocess.run(["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", folder / "seal.pub", "-rawin", "-in", folder.parent / "message.bin", "-sigfile", folder.parent / "signature.bin"], check=True, capture_output=True)
        previous = hashlib.sha256(line).hexdigest()
    for clip in (folder / "clips").iterdir():
        assert hashlib.sha256(clip.read_bytes()).hexdigest() == clip.stem


@NEEDED
def test_a_job_is_verified_without_this_program(folder):
    verify_alone(folder)


@NEEDED
@pytest.mark.parametrize("name", ["events.jsonl", "chain.txt", "seals.jsonl", "procedure.yaml", "clips"])
def test_that_verification_finds_a_change(folder, tmp_path, name):
    copy = shutil.copytree(folder, tmp_path / "job")
    path = next((copy / name).iterdir()) if name == "clips" else copy / name
    old = path.read_bytes()
    path.write_bytes(old.replace(b"P1", b"P2", 1) if b"P1" in old else old[:-9] + b"x" + old[-8:])
    # Whoever changes a file can write its sum anew: the chain and the signature must find it without.
    listed = [line.split("  ")[1] for line in (copy / "SHA256SUMS").read_text().splitlines()]
    (copy / "SHA256SUMS").write_text("".join(f"{hashlib.sha256((copy / one).read_bytes()).hexdigest()}  {one}\n" for one in listed))
    with pytest.raises((AssertionError, subprocess.CalledProcessError, ValueError)):
        verify_alone(copy)


@NEEDED
def test_the_written_commands_do_what_they_say(folder, tmp_path):
    """Every command of HOW-TO-VERIFY.txt, run by a shell as it stands."""
    copy = shutil.copytree(folder, tmp_path / "job")
    text = (copy / "HOW-TO-VERIFY.txt").read_text()
    commands = "\n".join(line for line in text.splitlines() if line.startswith("    "))
    done = subprocess.run(["sh", "-e", "-c", commands], cwd=copy, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    seals = [json.loads(line) for line in (copy / "seals.jsonl").read_text().splitlines()]
    assert "FAILED" not in done.stdout and "does not follow" not in done.stdout and "Signature Verified Successfully" in done.stdout + done.stderr
    assert done.stdout.count(f"{seals[-1]['events']} {seals[-1]['last_hash']}") == 2, "the chain ends where the seal says"
    assert done.stdout.count(seals[-1]["procedure_sha256"]) >= 2 and seals[1]["previous"] in done.stdout


def test_events_and_record_fit_their_schemas(folder):
    schema = json.loads((folder / "event.schema.json").read_text())
    check = jsonschema.Draft202012Validator(schema)
    lines = [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]
    for line in lines:
        check.validate(line)
    jsonschema.Draft202012Validator.check_schema(schema)
    value = next(line for line in lines if line["kind"] == "value")
    for wrong in (value | {"hash": "x"}, value | {"kind": "weighed"}, value | {"body": value["body"] | {"unit": 3}}, value | {"body": {}}, value | {"more": 1}):
        assert not check.is_valid(wrong)
    record = json.loads((folder / "record.json").read_text())
    jsonschema.validate(record, json.loads((folder / "record.schema.json").read_text()))
    assert not jsonschema.Draft202012Validator(json.loads((folder / "record.schema.json").read_text())).is_valid({**record, "findings": "none"})


@pytest.mark.parametrize("form", ["packed", "folder"])
def test_there_and_back_is_the_same(request, made, raw_key, tmp_path, form):
    taken = import_job(request.getfixturevalue(form), tmp_path / "store", raw_key)
    assert taken.job == NAME and rows(taken.directory) == rows(made) and taken.verdict.ok and taken.verdict.known_key
    assert record_of(taken.directory) == record_of(made)
    for name in (PROCEDURE_COPY, "seals.jsonl"):
        assert (taken.directory / name).read_bytes() == (made / name).read_bytes()
    assert [path.name for path in (taken.directory / "clips").iterdir()] == [path.name for path in (made / "clips").iterdir()]
    assert verify_job(taken.directory, raw_key).notes == ()
    assert not [path for path in (tmp_path / "store").iterdir() if path.name != NAME]
    with Journal.open(taken.directory) as journal:  # it is a journal like any other
        journal.append("job_reopened", {"technician": "Lee"})


def test_what_is_handed_out_again_is_the_same_to_the_byte(packed, folder, tmp_path):
    taken = import_job(packed, tmp_path / "store")
    export_job(taken.directory, tmp_path / "again")
    for name in ("events.jsonl", "chain.txt", "seals.jsonl", "seal.pub", "procedure.yaml", "record.json"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes(), name


def test_a_record_in_it_is_not_taken_over(folder, tmp_path):
    copy = changed(folder, tmp_path, "record.html", lambda old: b"<script>alert(1)</script>")
    taken = import_job(copy, tmp_path / "store")
    assert b"alert(1)" not in (taken.directory / "record.html").read_bytes()


def test_an_unsealed_job(made, tmp_path):
    bare = shutil.copytree(made, tmp_path / NAME)
    (bare / "seals.jsonl").unlink()
    export_job(bare, tmp_path / "bare.zip")
    with pytest.raises(ImportRefused):
        import_job(tmp_path / "bare.zip", tmp_path / "strict", bytes(32))
    assert nothing_left(tmp_path / "strict")
    assert not import_job(tmp_path / "bare.zip", tmp_path / "store").verdict.sealed


def test_a_job_that_was_changed_is_not_handed_out(made, tmp_path):
    bad = shutil.copytree(made, tmp_path / NAME)
    next((bad / "clips").iterdir()).write_bytes(b"other")
    with pytest.raises(ExportError, match="not handed out"):
        export_job(bad, tmp_path / "out.zip")
    assert [path.name for path in tmp_path.iterdir()] == [NAME]
    (tmp_path / "there").mkdir()
    with pytest.raises(ExportError, match="exists already"):
        export_job(made, tmp_path / "there")


def swap(old: bytes, new: bytes):
    def change(content: bytes) -> bytes:
        assert old in content
        return content.replace(old, new, 1)

    return change


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("events.jsonl", swap(b'"worn"', b'"bent"'), "chain.txt"),
        ("events.jsonl", lambda old: old.split(b"\n", 1)[1], "chain.txt"),
        ("events.jsonl", lambda old: old + old.split(b"\n")[0] + b"\n", "chain.txt"),
        ("events.jsonl", lambda old: b"[" * 100_000, "no event"),
        ("events.jsonl", lambda old: b'{"a": 1}\n' + old, "no event"),
        ("events.jsonl", lambda old: b"\xff\xfe" + old, "no event"),
        ("events.jsonl", swap(b'"kind":"heard"', b'"kind":"other"'), "no event"),
        ("events.jsonl", swap(b'"seq":1,', b'"seq":true,'), "no event"),
        ("events.jsonl", swap(b'"monotonic_s":', b'"monotonic_s": '), "no event"),
        ("events.jsonl", lambda old: b"", "chain.txt"),
        ("chain.txt", lambda old: old + b"more\n", "more than"),
        ("procedure.yaml", lambda old: old + b"# x\n", "procedure.yaml was changed"),
        ("procedure.yaml", lambda old: b"", "procedure.yaml was changed"),
        ("seals.jsonl", lambda old: old.split(b"\n", 1)[1], "Seal 1"),
        ("seals.jsonl", lambda old: b"", "No line|sealed with|not sealed"),
        ("seals.jsonl", swap(b'"sealed_at":"2026', b'"sealed_at":"2025'), "Seal|seal"),
        ("clips/" + "0" * 64 + ".flac", lambda old: b"sound", "named by no entry"),
        ("clips/x.flac", lambda old: b"sound", "no file of a job"),
        ("run.sh", lambda old: b"rm -rf /", "no file of a job"),
        ("journal.sqlite", lambda old: b"", "no file of a job"),
        ("seals.jsonl", lambda old: old[:-20], "Line|line|cut"),
    ],
)  # fmt: skip
def test_a_changed_job_is_refused_in_a_sentence(folder, raw_key, tmp_path, name, change, said):
    with pytest.raises(ImportRefused, match=said) as refused:
        import_job(changed(folder, tmp_path, name, change), tmp_path / "store", raw_key)
    assert "\n" not in str(refused.value) and ".import-" not in str(refused.value)
    assert nothing_left(tmp_path / "store")


def test_a_whole_chain_written_anew_needs_the_key(folder, raw_key, key, tmp_path):
    """Everything changed so that it agrees with itself, with another key."""
    other = load_or_make_key(tmp_path / "other")
    taken = import_job(folder, tmp_path / "forge")
    (taken.directory / "seals.jsonl").unlink()
    with Journal.open(taken.directory) as journal:
        seal_job(journal.directory, other, SimulatedClock(datetime(2026, 3, 2, tzinfo=UTC)))
    export_job(taken.directory, tmp_path / "forged.zip")
    with pytest.raises(ImportRefused, match="key"):
        import_job(tmp_path / "forged.zip", tmp_path / "store", raw_key)
    assert nothing_left(tmp_path / "store")
    assert not import_job(tmp_path / "forged.zip", tmp_path / "store").verdict.known_key


def test_a_job_that_is_here_already_is_left_as_it_is(packed, tmp_path):
    taken = import_job(packed, tmp_path / "store")
    before = {path: path.read_bytes() for path in taken.directory.rglob("*") if path.is_file()}
    with pytest.raises(ImportRefused, match="already"):
        import_job(packed, tmp_path / "store")
    assert before == {path: path.read_bytes() for path in taken.directory.rglob("*") if path.is_file()}
    assert [path.name for path in (tmp_path / "store").iterdir()] == [NAME]


def test_a_file_that_fails_its_sum(folder, tmp_path):
    with pytest.raises(ImportRefused, match="record.html is not as SHA256SUMS says"):
        import_job(changed(folder, tmp_path, "record.html", lambda old: old + b" ", sums=False), tmp_path / "store")


@pytest.mark.parametrize("job, says", [("rehearsal-demo-job", "it is a rehearsal, which does not go among the jobs of a shop"), ("demo", "do not name one job as jobs are named here"), ("../2026-03-02-P1-01", "do not name one job")])
def test_a_rehearsal_is_neither_handed_out_nor_taken_in(made, tmp_path, monkeypatch, job, says):
    """Its values would otherwise stand beside those of real machines, and it would wait for a supervisor."""
    other = tmp_path / "demo-job"
    with Journal.read(made) as old, Journal.create(other) as new:
        for event in old.events():
            new.append(event.kind, event.body | ({"job": job} if event.kind == "job_started" else {}))
    shutil.copytree(made / "clips", other / "clips")
    shutil.copy(made / PROCEDURE_COPY, other)
    with pytest.raises(ExportError, match=f"demo-job is not handed out: .*{says}"):
        export_job(other, tmp_path / "out.zip")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo-job"]
    monkeypatch.setattr("assistant.record.portable._job_of", lambda events, refuse: NAME)  # as somebody might write it by other means
    export_job(other, tmp_path / "out.zip")
    monkeypatch.undo()
    with pytest.raises(ImportRefused, match=says):
        import_job(tmp_path / "out.zip", tmp_path / "store")
    assert nothing_left(tmp_path / "store")
