"""The index of a store: what is found across jobs, and that it never stands between anybody and the journals."""

import json
import multiprocessing
import shutil
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.engine import events as e
from assistant.record import index_rows
from assistant.record.clock import SimulatedClock
from assistant.record.index import DATABASE, Index
from assistant.record.journal import DATABASE as JOURNAL
from assistant.record.journal import Journal
from tests.engine.test_figures_at_the_bench import JOB
from tests.record.test_service_record import WHOLE, keep

FINDING = [("record a finding", 1), ("ball", 0), ("worn", 0), ("use again", 0), ("a flat on one side", 0), ("affirm", 0)]
DONE = [*WHOLE[:14], *FINDING, *WHOLE[14:]]
FIRST, SECOND, OPEN = "2026-03-02-P1-01", "2026-03-02-P1-02", "2026-03-02-P1-03"
LATER = datetime(2026, 3, 5, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Two finished jobs and an open one; made once."""
    root = tmp_path_factory.mktemp("made")
    for job, phrases in ((FIRST, DONE), (SECOND, WHOLE), (OPEN, WHOLE[:20])):
        keep(root / job, phrases)
        (root / job / "procedure.yaml").write_text(JOB)
    add(root / SECOND, e.ReviewQuestion(1, "Ana", "Was the gasket of the left cover new?", None))
    return root


@pytest.fixture
def store(made, tmp_path) -> Path:
    return shutil.copytree(made, tmp_path / "store", ignore=shutil.ignore_patterns("index*"))


def add(directory: Path, *events: e.Event) -> None:
    with Journal.open(directory, SimulatedClock(LATER)) as journal:
        for event in events:
            journal.append(event.kind, event.body())


def fresh(store: Path) -> Index:
    index = Index(store)
    index.refresh()
    return index


def finding(store: Path) -> int:
    with Journal.read(store / FIRST) as journal:
        return next(event.seq for event in journal.events() if event.kind == "finding")


def test_only_changed_jobs_are_read_again(store):
    index = Index(store)
    assert [index.refresh(), index.refresh()] == [3, 0]
    add(store / OPEN, e.JobReopened("Lee"))
    assert [index.refresh(), index.refresh()] == [1, 0]
    shutil.rmtree(store / SECOND)
    assert index.refresh() == 1
    assert {row.job for row in index.jobs()} == {FIRST, OPEN} and not index.search("gasket left cover")


def test_a_running_job_is_found_while_it_is_written(store):
    index = fresh(store)
    with Journal.open(store / OPEN, SimulatedClock(LATER)) as journal:
        event = e.FindingRecorded("x/y", "", (), None, "valve seat", "cracked", "replace", "hairline by the port", "typed")
        journal.append(event.kind, event.body())
        assert index.refresh() == 1
        assert [(hit.job, hit.kind, hit.part, hit.condition) for hit in index.search("hairline")] == [(OPEN, "finding", "valve seat", "cracked")]


@pytest.mark.parametrize(
    ("asked", "kinds"),
    [
        ({"text": "flat side"}, ["finding"]),
        ({"text": '"one side"'}, ["finding"]),
        ({"text": '"side one"'}, []),
        ({"text": "FLATS"}, ["finding"]),
        ({"text": "fla*"}, ["finding"]),
        ({"text": "fla"}, []),
        ({"part": "ball"}, ["finding"]),
        ({"part": "Ball", "condition": "Worn"}, ["finding"]),
        ({"part": "rod"}, []),
        ({"condition": "cracked"}, []),
        ({"text": "gasket", "since": "2026-03-05"}, ["question"]),
        ({"text": "gasket", "until": "2026-03-04"}, []),
        ({"text": "gasket", "since": "2026-03-05", "until": "2026-03-05"}, ["question"]),
        ({"text": "side", "asset": "p1"}, ["finding"]),
        ({"text": "side", "asset": "P"}, []),
        ({"text": "side", "since": "the day before"}, []),
        ({"text": "side", "until": "9999-12-31"}, ["finding"]),
        ({"text": "side", "since": "0001-01-01"}, ["finding"]),
    ],
)  # fmt: skip
def test_search(made, tmp_path_factory, asked, kinds):
    index = fresh(made)
    assert [hit.kind for hit in index.search(**asked)] == kinds


def test_instructions_answers_and_values_are_found_newest_first(store):
    index = fresh(store)
    assert {hit.kind for hit in index.search("pressure")} & {"value", "answer", "step"}
    hits = index.search(limit=1000)
    assert [hit.at for hit in hits] == sorted((hit.at for hit in hits), reverse=True)
    assert [hit for page in range(0, len(hits), 7) for hit in index.search(limit=7, offset=page)] == hits


def test_transcribed_and_amended_words_are_found(store):
    seq = finding(store)
    add(store / FIRST, e.Transcribed(seq, "pitted along the seam", "whisper", "1", 0.8), e.Amended("Kim", "technician", "misheard", seq, "remark", "a flat on one side", "a groove on one side"), e.Amended("Kim", "technician", "wrong", seq, "condition", "worn", "cracked"))
    index = fresh(store)
    for words in ("pitted seam", "groove", "flat"):
        assert [hit.seq for hit in index.search(words)] == [seq], words
    assert [hit.condition for hit in index.search(condition="cracked")] == ["cracked"] and not index.search(condition="worn")


def test_what_a_later_entry_corrects_is_not_found(store):
    seq = finding(store)
    with Journal.read(store / FIRST) as journal:
        old = next(event for event in journal.events() if event.seq == seq)
    add(store / FIRST, replace(e.read_event(old.kind, old.body), remark="no fault after all", corrects=seq))
    assert [hit.snippet.rpartition(": ")[2] for hit in fresh(store).search(part="ball")] == ["no fault after all"]


def test_queue_and_signatures(store):
    index = fresh(store)
    assert [row.job for row in index.queue()] == [SECOND, FIRST]  # the second took less time
    add(store / FIRST, e.Signed("Ana", "supervisor", "Read and accepted.", (), 1, "0" * 64))
    add(store / SECOND, e.Signed("Kim", "technician", "Done as written.", (), 1, "0" * 64))
    index.refresh()
    assert [row.job for row in index.queue()] == [SECOND], "a technician's signature is no supervisor's"
    add(store / SECOND, e.Signed("Ana", "supervisor", "Read and accepted.", (), 1, "0" * 64))
    assert next(row for row in index.jobs() if row.job == FIRST).signed == "Ana"
    add(store / FIRST, e.Amended("Kim", "technician", "misheard", finding(store), "remark", "a flat on one side", "a groove"))
    index.refresh()
    assert [row.job for row in index.queue()] == [FIRST], "a signature does not stand after an amendment"


def test_jobs_and_queue_come_in_pages(store):
    index = fresh(store)
    for rows, count in ((index.queue, index.waiting()), (index.jobs, index.count())):
        whole = [row.job for row in rows()]
        assert len(whole) == count == (3 if rows == index.jobs else 2)
        assert [row.job for page in range(count) for row in rows(1, page)] == whole and not rows(50, count)


def test_open_points_are_those_of_the_record(store):
    rows = {row.job: row.open_points for row in fresh(store).jobs()}
    for job, phrases in ((FIRST, DONE), (OPEN, WHOLE[:20])):
        record = keep(store.parent / "again" / job, phrases)
        assert rows[job] == len(record["open_points"])
    (store / SECOND / "record.json").write_text(json.dumps({"open_points": [], "journal": {"last_hash": "of another time"}}))
    (store / DATABASE).unlink()
    assert {row.job: row.open_points for row in fresh(store).jobs()} == rows, "a record of another time counts for nothing"


def test_earlier_values(store):
    index = fresh(store)
    with Journal.read(store / FIRST) as journal:
        value = next(event for event in journal.events() if event.kind == "value")
        procedure = journal.events()[0].body["procedure_id"]
        asset = journal.events()[0].body["asset"]
    step, check = value.body["step"], value.body["item"]
    found = index.earlier_values(asset, procedure, check, "2026-03-09T00:00:00.000Z", step=step)
    assert {row.job for row in found} >= {FIRST, SECOND} and found[0].unit == value.body["unit"] and found[0].value == float(value.body["value"])
    assert not index.earlier_values(asset, procedure, check, "2026-03-01T00:00:00.000Z")
    assert not index.earlier_values("another", procedure, check, "2026-03-09T00:00:00.000Z")
    assert not index.earlier_values(asset, procedure, check, "2026-03-09T00:00:00.000Z", step="another/step")


@pytest.mark.parametrize("damage", [lambda path: path.write_bytes(b"not a database" * 400), lambda path: path.write_bytes(path.read_bytes()[:5000]), lambda path: path.write_bytes(b"")])
def test_a_damaged_journal_is_listed_and_the_others_are_found(store, damage):
    damage(store / SECOND / JOURNAL)
    index = fresh(store)
    rows = {row.job: row for row in index.jobs()}
    assert set(rows) == {FIRST, SECOND, OPEN} and rows[FIRST].fault is None and rows[SECOND].started == ""
    assert len(index.search("flat side")) == 1 and [row.job for row in index.queue()] == [FIRST]


def test_an_entry_of_another_version_is_a_fault_of_its_job_alone(store):
    with Journal.open(store / SECOND, SimulatedClock(LATER)) as journal:
        journal.append("weighed", {"grams": 3})
    fault = {row.job: row.fault for row in fresh(store).jobs()}
    assert fault[FIRST] is None and "gloveside verify" in fault[SECOND]


def test_a_missing_procedure_leaves_the_words(store):
    (store / FIRST / "procedure.yaml").unlink()
    index = fresh(store)
    assert len(index.search("flat side")) == 1 and {row.job: row.open_points for row in index.jobs()}[FIRST] is None


@pytest.mark.parametrize("harm", ["deleted", "deleted while open", "spoilt", "of another version", "empty"])
def test_the_index_may_go_at_any_time(store, harm):
    index = fresh(store)
    before = index.search(limit=1000)
    if harm != "deleted while open":
        index.close()
    path = store / DATABASE
    if harm == "spoilt":
        path.write_bytes(b"SQLite format 3\0" + b"\xff" * 9000)
    elif harm == "empty":
        path.write_bytes(b"")
    elif harm == "of another version":
        database = sqlite3.connect(path)
        database.execute("PRAGMA user_version = 999")
        database.close()
    else:
        for name in (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm"):
            (store / name).unlink(missing_ok=True)
    assert index.refresh() == 3 and index.search(limit=1000) == before


def test_an_empty_or_missing_store(tmp_path):
    index = Index(tmp_path)
    assert index.refresh() == 0 and index.search("x") == [] and index.jobs() == [] and index.queue() == []


@pytest.mark.parametrize("text", ["NEAR(a b, 2)", '"', '"a', 'a"b', "a AND", "OR", "NOT a", "words:a", "{words part}: a", "^a", "-a", "a*b*", "*", "(a", "a)", "a + b", "\0", "a\0b", "\ud800", "'; DROP TABLE jobs; --", "%", "_", "²", "\U0001f527", "ㅤ", "a" * 100_000, '"a" ' * 5000, "(" * 5000])  # fmt: skip
def test_hostile_words_find_what_they_say_or_nothing(made, text):
    index = fresh(made)
    for asked in ({"text": text}, {"part": text}, {"condition": text}, {"asset": text}, {"since": text}, {"until": text}):
        assert all(hit.job in (FIRST, SECOND, OPEN) for hit in index.search(**asked))
    index.jobs(asset=text)
    index.earlier_values(text, text, text, text, text)


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=60), st.text(max_size=20), st.integers(), st.integers())
def test_no_words_raise(made, text, other, limit, offset):
    with Index(made) as index:
        index.search(text, asset=other, limit=limit, offset=offset)
        index.search(other, part=text, condition=other, since=text, until=other)


def _refresh(store: str, times: int, done) -> None:
    index = Index(store)
    for _ in range(times):
        index.refresh()
        assert len(index.search("flat side")) == 1
    done.put(index.search("flat side")[0].job)


def test_several_programs_at_once(store):
    """Three programs bring the index up to date while a fourth writes into a job."""
    context = multiprocessing.get_context("spawn")
    done = context.Queue()
    others = [context.Process(target=_refresh, args=(str(store), 10, done)) for _ in range(3)]
    for other in others:
        other.start()
    for _ in range(20):
        add(store / OPEN, e.JobReopened("Lee"))
    for other in others:
        other.join(120)
    assert [other.exitcode for other in others] == [0, 0, 0] and [done.get(timeout=5) for _ in others] == [FIRST] * 3
    index = fresh(store)
    assert {row.job: row.events for row in index.jobs()}[OPEN] == _events(store / OPEN)
    assert index.refresh() == 0


def _events(directory: Path) -> int:
    with Journal.read(directory) as journal:
        return len(journal.events())


def test_taking_jobs_out_and_in_leaves_no_trace(store):
    """The word list is told what to forget; SQLite's own check finds what does not fit."""
    index = fresh(store)
    for _ in range(3):
        add(store / FIRST, e.JobReopened("Lee"))
        index.refresh()
    again = Index(shutil.copytree(store, store.parent / "copy", ignore=shutil.ignore_patterns("index*")))
    again.refresh()
    assert again.search(limit=1000) == index.search(limit=1000)
    for words in ("flat", "ball", "pressure", "torque"):
        assert [(hit.job, hit.seq) for hit in again.search(words)] == [(hit.job, hit.seq) for hit in index.search(words)], words


def test_a_read_only_store_is_searched_all_the_same(store, monkeypatch):
    monkeypatch.setattr("assistant.record.index.os.access", lambda path, how: False)
    index = Index(store)
    assert len(index.search("flat side")) == 1 and not (store / DATABASE).exists()


def test_plans_are_read_once(store, monkeypatch):
    calls = []
    real = index_rows.parse_procedure
    monkeypatch.setattr(index_rows, "parse_procedure", lambda text, path: calls.append(path) or real(text, path))
    Index(store).refresh()
    assert len(calls) == 1


def test_half_a_letter_in_a_job_is_passed_over(store):
    """A journal that damage or another program has left with a lone surrogate, which no UTF-8 can hold."""
    database = sqlite3.connect(store / OPEN / JOURNAL)
    seq = database.execute("SELECT max(seq) FROM events").fetchone()[0]
    body = e.FindingRecorded("x/y", "", (), None, "valve seat \ud800", "cracked", "replace", "hairline \ud83d crack", "typed").body()
    database.execute("INSERT INTO events VALUES (?, 'finding', '2026-03-02T12:00:00.000Z', 0, 'UTC', 1.0, ?, ?, ?)", (seq + 1, json.dumps(body), "0" * 64, "0" * 64))
    database.commit()
    database.close()
    index = fresh(store)
    assert [hit.job for hit in index.search("hairline crack", part="valve seat")] == [OPEN]
    add(store / SECOND, e.JobReopened("Lee"))
    assert index.refresh() == 1
