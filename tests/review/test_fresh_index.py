"""The index behind the pages: brought up to date beside them, not too often, and at once after a change made here."""

import threading

import pytest
from starlette.testclient import TestClient

from assistant.errors import JournalError
from assistant.record.index import Index, JobRow
from assistant.review.fresh_index import FRESH_S, SHARE, FreshIndex
from tests.review.shop import app_of, spoken_job

NOBODY_WAITS_S = 30.0
"""Far more than anything here takes: a test that fails must end."""


class Slow:
    """Stands in for `Index.refresh`: counts, can be held up, takes as long by the clock as it is told, can fail."""

    def __init__(self, monkeypatch):
        self.now, self.takes, self.count, self.fault = 0.0, 0.0, 0, None
        self.free, self.begun, self.ended = threading.Event(), threading.Semaphore(0), threading.Semaphore(0)
        self.free.set()
        monkeypatch.setattr(Index, "refresh", lambda _: self())

    def __call__(self):
        self.count += 1
        self.begun.release()
        assert self.free.wait(NOBODY_WAITS_S)
        self.now += self.takes
        self.ended.release()
        if self.fault:
            raise self.fault
        return 0


@pytest.fixture
def slow(monkeypatch):
    return Slow(monkeypatch)


@pytest.fixture
def index(slow, tmp_path):
    return FreshIndex(tmp_path, lambda: slow.now)


@pytest.mark.parametrize("takes, pause", [(0.0, FRESH_S), (0.1, FRESH_S), (1.2, SHARE * 1.2), (30.0, SHARE * 30.0)])
def test_no_more_than_its_share_of_the_time_goes_into_it(slow, index, takes, pause):
    slow.takes = takes
    index.fresh()
    ended = slow.now
    for wait, count in ((0.0, 1), (0.99 * pause, 1), (pause, 2)):
        slow.now = ended + wait
        index.fresh()
        assert slow.count == count, wait


def test_no_page_waits_for_a_large_store(slow, index, monkeypatch):
    index.fresh()
    slow.now += 100
    slow.free.clear()
    monkeypatch.setattr("assistant.review.fresh_index.PATIENCE_S", 0.01)
    assert index.fresh() and index.behind, "it is answered while the index is being brought up to date"
    assert index.fresh() and slow.count == 2, "and only once at a time"
    slow.free.set()
    monkeypatch.setattr("assistant.review.fresh_index.PATIENCE_S", NOBODY_WAITS_S)
    assert index.fresh() and not index.behind and slow.count == 2


def test_who_changed_something_here_sees_it(slow, index):
    index.fresh()
    index.stale()
    index.fresh()
    assert slow.count == 2
    slow.now += 100
    slow.free.clear()
    found = []
    first = threading.Thread(target=lambda: found.append(index.fresh()))
    first.start()
    for _ in range(3):
        assert slow.begun.acquire(timeout=NOBODY_WAITS_S)
    index.stale()  # while it runs: that run may have passed the job already
    second = threading.Thread(target=lambda: found.append(index.fresh()))
    second.start()
    slow.free.set()
    for thread in (first, second):
        thread.join(NOBODY_WAITS_S)
    assert len(found) == 2 and slow.count == 4


def test_a_store_that_cannot_be_read_is_said_each_time_and_tried_again(slow, index):
    slow.fault = JournalError("The disk is gone.")
    for count in (1, 2):
        with pytest.raises(JournalError, match="disk is gone"):
            index.fresh()
        assert slow.count == count
    slow.fault = None
    assert index.fresh() and slow.count == 3


def test_an_index_in_memory_is_one_only(tmp_path, monkeypatch):
    spoken_job(tmp_path / "jobs", phrases=["begin the job"])
    monkeypatch.setattr(Index, "shared", property(lambda _: False))
    assert [row.asset for row in FreshIndex(tmp_path / "jobs").fresh().jobs()] == ["F7"]


# --- the page of jobs ---


def rows(first: int, count: int) -> list[JobRow]:
    return [JobRow(f"2026-03-02-P{number}-01", f"P{number}", "p", "A job", "Kim", "2026-03-02T08:00:00.000Z", "2026-03-02T09:00:00.000Z", None if number % 2 else 3, None) for number in range(first, first + count)]


class Many:
    """120 jobs that wait, of 130."""

    def waiting(self):
        return 120

    def count(self):
        return 130

    def queue(self, limit, offset):
        return rows(offset, min(limit, 120 - offset))

    def jobs(self, limit, offset):
        return rows(1000 + offset, min(limit, 130 - offset))


@pytest.mark.parametrize(
    "query, waiting, newest, links",
    [
        ("", 50, 50, ["waiting=2&amp;page=1", "page=2&amp;waiting=1"]),
        ("?waiting=3", 20, 50, ["waiting=2&amp;page=1", "page=2&amp;waiting=3"]),
        ("?waiting=2&page=3", 50, 30, ["waiting=1&amp;page=3", "waiting=3&amp;page=3", "page=2&amp;waiting=2"]),
        ("?waiting=x&page=-1", 50, 50, ["waiting=2&amp;page=1"]),
    ],
)
def test_jobs_come_in_pages_with_how_many_there_are(tmp_path, monkeypatch, query, waiting, newest, links):
    (tmp_path / "jobs").mkdir()
    app = app_of(tmp_path / "jobs")
    monkeypatch.setattr(app.state.index, "fresh", Many)
    text = TestClient(app, base_url="http://127.0.0.1").get(f"/jobs{query}").text
    first, second = text.split('<h2 id="all">')
    assert "Waiting for review: 120" in first and first.count("<tr><th scope=\"row\">") == waiting
    assert second.startswith("All jobs: 130") and second.count("<tr><th scope=\"row\">") == newest
    assert all(f'href="/jobs?{link}"' in text for link in links)
    assert "not known" in text and "None" not in text


def test_a_list_that_may_lack_something_says_so(tmp_path, monkeypatch):
    (tmp_path / "jobs").mkdir()
    app = app_of(tmp_path / "jobs")
    hand = TestClient(app, base_url="http://127.0.0.1")
    assert "looked through just now" not in hand.get("/jobs").text
    monkeypatch.setattr(app.state.index, "fresh", Many)
    monkeypatch.setattr(type(app.state.index), "behind", property(lambda _: True))
    assert "looked through just now" in hand.get("/jobs").text
