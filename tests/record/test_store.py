"""The store: naming, finding and resuming jobs."""

from datetime import datetime, timedelta, timezone

import pytest

from assistant.errors import JobNotFound, JournalError
from assistant.record.clock import SimulatedClock
from assistant.record.journal import DATABASE, Journal
from assistant.record.store import Store


@pytest.fixture
def clock():
    # Still the 24th in UTC: the job is named by the shop's day.
    return SimulatedClock(datetime(2026, 11, 25, 8, 30, tzinfo=timezone(timedelta(hours=9), "KST")))


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "jobs")


def make(store, clock, asset="P104", procedure="seal", finished=False):
    job, directory = store.new_job(asset, clock)
    with Journal.create(directory, clock) as journal:
        journal.append("job_started", {"asset": asset, "procedure_id": procedure})
        if finished:
            journal.append("job_finished", {})
    return job


def test_jobs_are_numbered_within_a_day_and_asset(store, clock):
    names = [make(store, clock), make(store, clock), make(store, clock, "P105")]
    assert names == ["2026-11-25-P104-01", "2026-11-25-P104-02", "2026-11-25-P105-01"]
    clock.advance(86_400)
    assert make(store, clock) == "2026-11-26-P104-01"


@pytest.mark.parametrize(
    ("asset", "part"),
    [("P-104", "P-104"), ("P 104/B", "P-104-B"), ("../../etc", "etc"), ("", "asset"), ("..", "asset"), ("펌프 3", "펌프-3")],
)
def test_any_asset_makes_one_directory_under_the_root(store, clock, asset, part):
    job, directory = store.new_job(asset, clock)
    assert job == f"2026-11-25-{part}-01"
    assert directory.parent == store.root and directory.is_dir()


def test_assets_that_look_like_another_with_a_number(store, clock):
    store.new_job("P-104-07", clock)
    assert store.new_job("P-104", clock)[0] == "2026-11-25-P-104-01"


def test_the_list_is_in_order_and_leaves_out_what_is_no_job(store, clock):
    assert store.jobs() == []
    second = make(store, clock, "P105")
    first = make(store, clock, "P104")
    store.new_job("P106", clock)  # never begun: no journal
    (store.root / "notes").mkdir()
    assert store.jobs() == [(first, store.root / first), (second, store.root / second)]


def test_finding_a_job(store, clock):
    job = make(store, clock)
    assert store.find(job) == store.root / job
    assert store.find(job.lower()) == store.root / job


@pytest.mark.parametrize("wanted", ["2026-11-25-P104-02", "p104-01", "2026-11-25-P014-01"])
def test_a_job_not_found_suggests_the_nearest(store, clock, wanted):
    make(store, clock, "P104")
    with pytest.raises(JobNotFound, match="did you mean 2026-11-25-P104-01"):
        store.find(wanted)


def test_a_job_not_found_and_nothing_near(store, clock):
    with pytest.raises(JobNotFound, match="no job has been started"):
        store.find("x")
    make(store, clock)
    with pytest.raises(JobNotFound, match="list the jobs"):
        store.find("../../etc")


def test_the_unfinished_job_of_an_asset_and_procedure(store, clock):
    make(store, clock, finished=True)
    older = make(store, clock)
    newer = make(store, clock)
    make(store, clock, procedure="bearing")
    make(store, clock, finished=True)
    make(store, clock, asset="P105")
    assert store.unfinished("P104", "seal") == (newer, store.root / newer) != (older, store.root / older)
    assert store.unfinished("P104", "gland") is None
    assert store.unfinished("P106", "seal") is None


def test_a_damaged_journal_hides_no_other_job(store, clock):
    good = make(store, clock)
    bad = make(store, clock)
    (store.root / bad / DATABASE).write_bytes(b"rubbish " * 200)
    assert store.unfinished("P104", "seal") == (good, store.root / good)
    with pytest.raises(JournalError, match=bad):
        store.unfinished("P104", "gland")


def test_a_root_that_cannot_be_made(tmp_path, clock):
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match="Cannot make a new job"):
        Store(tmp_path / "file" / "jobs").new_job("P104", clock)
