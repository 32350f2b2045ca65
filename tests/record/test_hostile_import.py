"""What a stranger hands in: zips that lie, lead out of their folder or unpack without end; mutated jobs. Refused in one sentence, nothing left."""

import os
import shutil
import struct
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from assistant.errors import ImportRefused
from assistant.record.journal import Journal
from assistant.record.kept import PROCEDURE_COPY
from assistant.record.portable import export_job, import_job
from tests.engine.test_figures_at_the_bench import JOB
from tests.record.handed_out import MUTATIONS, NAME, changed, folder, key, made, mutate, nothing_left, packed, raw_key, rows, small  # noqa: F401


def repacked(packed: Path, tmp_path: Path, change) -> Path:
    """The zip with its files given anew by `change(list of (ZipInfo, bytes))`."""
    with zipfile.ZipFile(packed) as old:
        files = [(zipfile.ZipInfo(info.filename), old.read(info)) for info in old.infolist()]
    out = tmp_path / "hostile.zip"
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for info, content in change(files):
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, content)
    return out


def plus(name: str, content: bytes = b"x", mode: int = 0):
    def change(files):
        info = zipfile.ZipInfo("placeholder")
        info.filename = info.orig_filename = name
        info.external_attr = mode << 16
        return [*files, (info, content)]

    return change


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    ("change", "said"),
    [
        (plus("../evil.txt"), "leads out"),
        (plus(f"{NAME}/../../evil.txt"), "leads out"),
        (plus("/etc/evil"), "leads out"),
        (plus("C:\\evil.txt"), "leads out"),
        (plus(f"{NAME}\\clips\\x"), "leads out"),
        (plus(f"{NAME}/./record.json"), "leads out"),
        (plus(f"{NAME}//record.json"), "leads out"),
        (plus(f"{NAME}/clips/\x1b[2J"), "leads out"),
        (plus(f"{NAME}/clips/a", b"/etc/passwd", 0o120777), "is a link"),
        (plus(f"{NAME}/record.json"), "twice"),
        (plus("other/record.json"), "more than one folder"),
        (plus("loose.txt"), "more than one folder"),
        (plus(f"{NAME}/.bashrc"), "no file of a job"),
        (plus(f"{NAME}/clips/deep/x.flac"), "no file of a job"),
        (plus(f"{NAME}/extra/"), "no folder of a job"),
        (plus(f"{NAME}/clips/{'0' * 64}.flac", bytes(30 << 20)), "times its size"),
        (plus(f"{NAME}/clips/{'0' * 64}.flac", os.urandom(65 << 20)), "larger than 64 MB"),
        (lambda files: [one for one in files if not one[0].filename.endswith("chain.txt")], "chain.txt is missing"),
        (lambda files: [], "no zip file|missing"),
        (lambda files: files + [(zipfile.ZipInfo(f"{NAME}/clips/{number:064x}.flac"), b"") for number in range(20_001)], "list of files"),
    ],
)  # fmt: skip
def test_a_hostile_zip_is_refused_in_a_sentence(packed, tmp_path, change, said):
    hostile = repacked(packed, tmp_path, change)
    with pytest.raises(ImportRefused, match=said) as refused:
        import_job(hostile, tmp_path / "store")
    assert "\n" not in str(refused.value) and nothing_left(tmp_path / "store") and {path.name for path in tmp_path.iterdir()} <= {"hostile.zip", "store"}


def patched(packed: Path, tmp_path: Path, change) -> Path:
    out = tmp_path / "patched.zip"
    out.write_bytes(change(bytearray(packed.read_bytes())))
    return out


def _in_list(offset: int, form: str, value: int):
    """A field of the first file in the zip's list of files, set."""

    def change(content: bytearray) -> bytes:
        struct.pack_into(form, content, content.index(b"PK\1\2") + offset, value)
        return bytes(content)

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_in_list(8, "<H", 1), "encrypted"),
        (_in_list(10, "<H", 12), "unusual"),
        (_in_list(16, "<L", 12345), "damaged|smaller|larger"),
        (_in_list(24, "<L", 10), "larger than it claims|damaged"),
        (_in_list(24, "<L", 900_000), "smaller than it claims|damaged"),
        (_in_list(24, "<L", 0xFFFFFFF0), "times|larger"),
        (lambda content: bytes(content[:-1]), "end is missing|not as in"),
        (lambda content: bytes(content[: len(content) // 2]), "end is missing"),
        (lambda content: bytes(content) + b"tail", "end is missing"),
        (lambda content: b"#!/bin/sh\n" + bytes(content), "not as in"),
        (lambda content: b"", "end is missing"),
        (lambda content: b"PK\5\6" + bytes(18), "missing"),
    ],
)  # fmt: skip
def test_a_zip_that_lies_is_refused_in_a_sentence(packed, tmp_path, change, said):
    with pytest.raises(ImportRefused, match=said):
        import_job(patched(packed, tmp_path, change), tmp_path / "store")
    assert nothing_left(tmp_path / "store")


def test_a_folder_with_links_is_refused(folder, tmp_path):
    for number, (name, target) in enumerate([("record.json", "/etc/passwd"), ("clips", "/etc")]):
        copy = shutil.copytree(folder, tmp_path / str(number))
        shutil.rmtree(copy / name) if (copy / name).is_dir() else (copy / name).unlink()
        (copy / name).symlink_to(target)
        with pytest.raises(ImportRefused, match="link"):
            import_job(copy, tmp_path / "store")
    with pytest.raises(ImportRefused):
        import_job(tmp_path / "nowhere.zip", tmp_path / "store")
    assert nothing_left(tmp_path / "store")


@pytest.mark.parametrize("name", ["../2026-03-02-P1-01", "2026-03-02-P1-01/../x", "2026-03-02-/etc/x-01", "index.sqlite", "", "2026-03-02-\0-01", "2026-03-02-" + "a" * 300 + "-01"])
def test_the_jobs_name_leads_nowhere(made, tmp_path, monkeypatch, name):
    """Its name comes from its events, which anybody can write and chain."""
    forged = tmp_path / NAME
    with Journal.create(forged) as journal, Journal.read(made) as old:
        for event in old.events():
            journal.append(event.kind, event.body | ({"job": name} if event.kind == "job_started" else {}))
    (forged / PROCEDURE_COPY).write_text(JOB)
    shutil.copytree(made / "clips", forged / "clips")
    with monkeypatch.context() as by_other_means:
        by_other_means.setattr("assistant.record.portable._job_of", lambda events, refuse: NAME)
        export_job(forged, tmp_path / "forged")
    with pytest.raises(ImportRefused):
        import_job(tmp_path / "forged", tmp_path / "store")
    assert nothing_left(tmp_path / "store")


@settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))
@given(MUTATIONS)
def test_mutated_zips_are_refused_or_the_same(packed, made, raw_key, tmp_path_factory, steps):
    """Whatever bytes are changed, nothing but the very job is taken in, and nothing else is left."""
    root = tmp_path_factory.mktemp("fuzz")
    path = root / "job.zip"
    path.write_bytes(mutate(small(packed), steps))
    try:
        taken = import_job(path, root / "store", raw_key)
        assert rows(taken.directory) == rows(made) and taken.verdict.ok
        assert {one.name for one in (root / "store").iterdir()} == {NAME}
    except ImportRefused as refused:
        assert "\n" not in str(refused) and nothing_left(root / "store")
    finally:
        shutil.rmtree(root)


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(["events.jsonl", "chain.txt", "seals.jsonl", "procedure.yaml", "SHA256SUMS"]), MUTATIONS)
def test_mutated_files_with_their_sums_are_refused_or_the_same(folder, made, raw_key, tmp_path_factory, name, steps):
    """The same behind the zip and its sums, where the readers of events, seals and procedures stand."""
    root = tmp_path_factory.mktemp("fuzz")
    try:
        copy = changed(folder, root, name, lambda old: mutate(old, steps), sums=name != "SHA256SUMS")
        taken = import_job(copy, root / "store", raw_key)
        assert rows(taken.directory) == rows(made) and taken.verdict.ok
    except ImportRefused as refused:
        assert "\n" not in str(refused) and nothing_left(root / "store")
    finally:
        shutil.rmtree(root)
