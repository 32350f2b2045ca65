"""The journal: what it acknowledges is kept, what was changed is found."""

import json
import os
import sqlite3
import subprocess
import sys
from datetime import datetime, timedelta, timezone

import pytest

from assistant.errors import JobInUse, JournalError
from assistant.record.clock import SimulatedClock
from assistant.record.journal import DATABASE, GENESIS, Journal

SHOP = timezone(timedelta(hours=9), "KST")
START = datetime(2026, 11, 25, 8, 30, tzinfo=SHOP)


@pytest.fixture
def job(tmp_path):
    return tmp_path / "2026-11-25-P104-01"


@pytest.fixture
def filled(job):
    """A closed journal of ten events."""
    with Journal.create(job, SimulatedClock(START)) as journal:
        for number in range(1, 11):
            journal.append("heard", {"text": f"phrase {number:02d} of the day", "confidence": 0.5})
    return job


def test_an_event_comes_back_as_it_was_given(job):
    clock = SimulatedClock(START)
    with Journal.create(job, clock) as journal:
        clock.advance(90)
        first = journal.append("job_started", {"asset": "P-104", "작업자": "김", "values": [1, 2.5, None, True]})
        second = journal.append("finding", {"b": 1, "a": {"d": 1, "c": 2}})
        assert journal.events() == [first, second]
        journal.verify()
    assert first.at_utc.startswith("2026-11-24T23:31:3") and first.at_utc.endswith("Z") and len(first.at_utc) == 24
    assert (first.zone_offset, first.zone_name, first.previous_hash) == (540, "KST", GENESIS)
    assert 90 <= first.monotonic_s < 100
    assert (second.seq, second.previous_hash) == (2, first.hash)
    with Journal.read(job) as journal:
        assert journal.events() == [first, second]


def test_the_chain_goes_on_after_opening_again(filled):
    with Journal.open(filled, SimulatedClock(START)) as journal:
        assert journal.append("paused", {}).seq == 11
        journal.verify()


def test_durability_pragmas(filled):
    with Journal.open(filled) as journal:
        assert journal._database.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert journal._database.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET kind = 'x' WHERE seq = 3",
        "DELETE FROM events WHERE seq = 10",
        "INSERT OR REPLACE INTO events SELECT * FROM events WHERE seq = 3",
        "INSERT INTO events SELECT 15, kind, at_utc, zone_offset, zone_name, monotonic_s, body, previous_hash, hash FROM events LIMIT 1",
    ],
)
def test_the_table_refuses_any_change_but_an_append(filled, statement):
    with Journal.open(filled) as journal:
        with pytest.raises(sqlite3.IntegrityError, match="events are"):
            journal._database.execute(statement)
        journal.verify()


@pytest.mark.parametrize("number", [1, 4, 10])
def test_one_changed_byte_is_named(filled, number):
    path = filled / DATABASE
    content = path.read_bytes()
    mark = f"phrase {number:02d}".encode()
    assert content.count(mark) == 1
    path.write_bytes(content.replace(mark, mark.replace(b"phrase", b"phrasf")))
    with Journal.read(filled) as journal, pytest.raises(JournalError, match=rf"Entry {number} of .*not as it was written"):
        journal.verify()


def test_a_byte_that_is_no_text_is_named(filled):
    path = filled / DATABASE
    path.write_bytes(path.read_bytes().replace(b"phrase 07", b"phras\xff 07"))
    with Journal.read(filled) as journal, pytest.raises(JournalError, match="Entry 7 of"):
        journal.verify()


@pytest.mark.parametrize(
    ("change", "number"),
    [
        ("UPDATE events SET monotonic_s = monotonic_s + 1 WHERE seq = 5", 5),
        ("UPDATE events SET at_utc = replace(at_utc, '2026', '2025') WHERE seq = 2", 2),
        ("DELETE FROM events WHERE seq = 6", 6),
        ("UPDATE events SET hash = 'f' || substr(hash, 2) || 'x' WHERE seq = 8", 8),
        ("DELETE FROM events WHERE seq = 1", 1),
    ],
)
def test_a_change_behind_the_triggers_is_named(filled, change, number):
    database = sqlite3.connect(filled / DATABASE)
    for name in ("update", "delete"):
        database.execute(f"DROP TRIGGER events_keep_{name}")
    database.execute(change)
    database.commit()
    database.close()
    with Journal.read(filled) as journal, pytest.raises(JournalError, match=f"Entry {number} of"):
        journal.verify()


# Says "ready" and then one line for every event that is safely on the disk.
WRITER = """
import sys
from assistant.record.journal import Journal
journal = Journal.open(sys.argv[1])
print("ready", flush=True)
while True:
    print(journal.append("heard", {"text": "x" * 300}).seq, flush=True)
"""


@pytest.mark.parametrize("wanted", [1, 60])
def test_kill_9_loses_no_acknowledged_event(filled, wanted):
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(filled)], stdout=subprocess.PIPE, text=True)
    assert writer.stdout.readline() == "ready\n"
    acknowledged = [int(writer.stdout.readline()) for _ in range(wanted)]
    writer.kill()
    rest = writer.stdout.read()
    writer.wait()
    acknowledged += [int(line) for line in rest.split("\n")[:-1]]
    with Journal.open(filled) as journal:
        journal.verify()
        sequence = [event.seq for event in journal.events()]
        assert sequence == list(range(1, len(sequence) + 1))
        assert acknowledged == list(range(11, 11 + len(acknowledged)))
        assert set(acknowledged) <= set(sequence)
        assert journal.append("paused", {}).seq == sequence[-1] + 1


def test_a_second_writer_is_told_who_has_the_job(filled):
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(filled)], stdout=subprocess.PIPE, text=True)
    try:
        assert writer.stdout.readline() == "ready\n"
        with pytest.raises(JobInUse, match=f"2026-11-25-P104-01 is in use by process {writer.pid}"):
            Journal.open(filled)
        seen = int(writer.stdout.readline())
        with Journal.read(filled) as journal:  # a reader is not kept out, and sees what was acknowledged
            journal.verify()
            assert len(journal.events()) >= seen
    finally:
        writer.kill()
        writer.stdout.close()
        writer.wait()
    Journal.open(filled).close()


def test_a_second_writer_in_the_same_process(filled):
    with Journal.open(filled), pytest.raises(JobInUse, match=str(os.getpid())):
        Journal.open(filled)
    Journal.open(filled).close()


def test_a_reader_cannot_append(filled):
    with Journal.read(filled) as journal, pytest.raises(JournalError, match="reading only"):
        journal.append("heard", {})


def test_a_reader_follows_the_writer(filled):
    with Journal.open(filled) as writer, Journal.read(filled) as reader:
        assert len(reader.events()) == 10
        writer.append("heard", {})
        assert len(reader.events()) == 11


def test_a_full_disk_keeps_what_was_recorded(filled):
    with Journal.open(filled) as journal:
        journal._database.execute("PRAGMA max_page_count = 1")  # SQLite takes the present size as the limit
        with pytest.raises(JournalError, match="disk is full: free some space.*what was recorded before is kept"):
            for _ in range(100):
                journal.append("heard", {"text": "y" * 500})
        kept = len(journal.events())
        journal.verify()
        journal._database.execute("PRAGMA max_page_count = 100000")
        assert journal.append("heard", {"text": "y" * 500}).seq == kept + 1
        journal.verify()


LIMITED = """
import json, resource, sys
from assistant.errors import JournalError
from assistant.record.journal import Journal
journal = Journal.open(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, resource.RLIM_INFINITY))
done = 0
try:
    while True:
        done = journal.append("heard", {"text": "z" * 3000}).seq
except JournalError as error:
    print(json.dumps([done, str(error)]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of a file")
def test_a_write_cut_short_leaves_a_whole_journal(filled):
    outcome = subprocess.run([sys.executable, "-c", LIMITED, str(filled)], capture_output=True, text=True, check=True)
    done, sentence = json.loads(outcome.stdout)
    assert "Cannot write" in sentence and "what was recorded before is kept" in sentence
    with Journal.open(filled) as journal:
        journal.verify()
        assert len(journal.events()) == done > 10
        journal.append("heard", {})


def test_a_body_json_cannot_hold_is_refused_before_anything_is_written(filled):
    with Journal.open(filled) as journal:
        for body in ({"value": float("nan")}, {"value": object()}, {"text": "\ud800"}):
            with pytest.raises((TypeError, ValueError)):
                journal.append("heard", body)
        assert journal.append("heard", {}).seq == 11


def test_no_journal_there(tmp_path):
    for method in (Journal.open, Journal.read):
        with pytest.raises(JournalError, match="There is no journal in"):
            method(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_no_second_journal_in_one_directory(filled):
    with pytest.raises(JournalError, match="already holds"):
        Journal.create(filled)


def test_an_empty_file_left_by_a_power_cut_is_an_empty_journal(job):
    job.mkdir()
    (job / DATABASE).touch()
    with Journal.read(job) as journal:
        assert journal.events() == []
        journal.verify()
    with Journal.open(job) as journal:
        assert journal.append("job_started", {}).seq == 1


@pytest.mark.parametrize("method", [Journal.open, Journal.read])
def test_files_that_are_no_journal(job, method):
    job.mkdir()
    (job / DATABASE).write_text("This is a shopping list, and a long one at that.\n" * 30)
    with pytest.raises(JournalError, match="not a journal or its beginning is damaged"):
        method(job)
    (job / DATABASE).unlink()
    other = sqlite3.connect(job / DATABASE)
    other.execute("CREATE TABLE events(seq)")
    other.close()
    with pytest.raises(JournalError, match="not the journal of a job"):
        method(job)


def test_a_file_cut_short_is_reported(filled):
    path = filled / DATABASE
    path.write_bytes(path.read_bytes()[:-2000])
    with pytest.raises(JournalError, match="damaged|cannot be trusted"), Journal.read(filled) as journal:
        journal.verify()


def test_a_journal_of_a_newer_version(filled):
    database = sqlite3.connect(filled / DATABASE)
    database.execute("PRAGMA user_version = 99")
    database.close()
    with pytest.raises(JournalError, match="newer version"):
        Journal.open(filled)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions do not bind the administrator")
def test_a_read_only_directory(filled):
    filled.chmod(0o500)
    try:
        with Journal.read(filled) as journal:
            assert len(journal.events()) == 10
        with pytest.raises(JournalError, match="allow"):
            Journal.open(filled)
    finally:
        filled.chmod(0o700)


def test_the_simulated_clock():
    clock = SimulatedClock(START)
    before = clock.monotonic()
    clock.advance(600)
    assert clock.monotonic() >= before + 600
    assert clock.utc() >= START + timedelta(seconds=600)
    with pytest.raises(ValueError, match="moved back"):
        clock.advance(-1)
    with pytest.raises(ValueError, match="time zone"):
        SimulatedClock(datetime(2026, 11, 25))
