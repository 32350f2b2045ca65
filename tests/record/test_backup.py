"""Copies of a store while its jobs run, and the store restored from one."""

import shutil
from pathlib import Path

import pytest

from assistant.errors import ExportError, GlovesideError
from assistant.record.backup import backup
from assistant.record.index import Index
from assistant.record.journal import DATABASE, Journal
from assistant.record.verify import verify_job
from tests.record.handed_out import NAME, key, made, raw_key, record_of, rows  # noqa: F401


@pytest.fixture
def store(made, tmp_path) -> Path:
    shutil.copytree(made, tmp_path / "store" / NAME)
    return tmp_path / "store"


def test_a_copy_while_a_job_is_written(store, raw_key, tmp_path, made):
    Index(store).refresh()
    (store / "people.sqlite").write_bytes(b"")
    with Journal.open(store / NAME) as journal:
        journal.append("job_reopened", {"technician": "Lee"})  # still in the log, not in the journal's own file
        done = backup(store, tmp_path / "copy")
        journal.append("job_reopened", {"technician": "Ana"})
    assert [(copied.job, copied.events, copied.fault) for copied in done] == [(NAME, len(rows(made)) + 1, None)]
    assert [path.name for path in (tmp_path / "copy").iterdir()] == [NAME], "neither index nor people"
    verdict = verify_job(tmp_path / "copy" / NAME, raw_key)
    assert not verdict.faults and verdict.unsealed_events == 1


def test_a_store_is_restored_from_a_copy(store, raw_key, tmp_path, made):
    backup(store, tmp_path / "copy")
    shutil.rmtree(store)
    shutil.copytree(tmp_path / "copy", store)
    assert rows(store / NAME) == rows(made) and verify_job(store / NAME, raw_key).ok and record_of(store / NAME) == record_of(made)
    index = Index(store)
    assert index.refresh() == 1 and index.search("flat side")
    with Journal.open(store / NAME) as journal:
        journal.append("job_reopened", {"technician": "Lee"})


def test_a_damaged_job_is_copied_as_it_is_and_named(store, tmp_path):
    shutil.copytree(store / NAME, store / "2026-03-02-P1-02")
    (store / "2026-03-02-P1-02" / DATABASE).write_bytes(b"damage" * 999)
    done = {copied.job: copied.fault for copied in backup(store, tmp_path / "copy")}
    assert done[NAME] is None and done["2026-03-02-P1-02"] and (tmp_path / "copy" / "2026-03-02-P1-02" / DATABASE).read_bytes() == b"damage" * 999


def test_a_copy_goes_to_a_new_place(store, tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("")
    for out in (tmp_path / "full", store / "copy"):
        with pytest.raises(ExportError):
            backup(store, out)
    (tmp_path / "file").write_text("")
    with pytest.raises(GlovesideError):
        backup(store, tmp_path / "file" / "copy")
    assert {path.name for path in store.iterdir()} == {NAME} and {path.name for path in tmp_path.iterdir()} == {"full", "store", "file"}
