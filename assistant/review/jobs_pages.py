"""The queue of jobs that wait for review, all jobs, and the search across them."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from assistant.record.index import Index
from assistant.review.site import site_of

FRESH_S = 3.0
"""The index is held against the journals no more often than this."""
SHARE = 20
"""Nor so often that more than one part in so many of the time goes into it: a large store takes seconds to look through."""
PAGE = 50
"""Rows on one page."""
FILTERS = ("text", "asset", "part", "condition", "since", "until")


class FreshIndex:
    """The index of a store, brought up to date when somebody asks and it has not been for a while."""

    def __init__(self, root: Path, clock: Callable[[], float] = time.monotonic):
        self._index, self._clock = Index(root), clock
        self._lock = threading.Lock()
        self._due_s: float | None = None

    def fresh(self) -> Index:
        """The index as the journals are now, or were some seconds ago. Raises JournalError."""
        with self._lock:
            begun = self._clock()
            if self._due_s is None or begun >= self._due_s:
                self._index.refresh()
                ended = self._clock()
                self._due_s = ended + max(FRESH_S, SHARE * (ended - begun))
        return self._index

    def as_it_is(self) -> Index:
        """The index without a look at every journal, for what may be a little old."""
        return self.fresh() if self._due_s is None else self._index

    def stale(self) -> None:
        """Somebody has just changed a job here: the next to ask is to see it."""
        with self._lock:
            self._due_s = None


def start_page(request: Request) -> Response:
    return RedirectResponse("/jobs", 303)


def jobs_page(request: Request) -> Response:
    """/jobs: the queue, then all jobs."""
    page = _page(request)
    index = request.app.state.index.fresh()
    queue = index.queue() if page == 1 else []
    jobs = index.jobs(PAGE + 1, (page - 1) * PAGE)
    return site_of(request).page(request, "jobs.html", queue=queue, jobs=jobs[:PAGE], number=page, more=len(jobs) > PAGE, asked=dict.fromkeys(FILTERS, ""))


def search_page(request: Request) -> Response:
    """/search: entries by words, part, condition, asset and days."""
    asked = {name: request.query_params.get(name, "").strip()[:200] for name in FILTERS}
    page = _page(request)
    wanted = {name: value for name, value in asked.items() if value}
    hits = request.app.state.index.fresh().search(**wanted, limit=PAGE + 1, offset=(page - 1) * PAGE) if wanted else []
    return site_of(request).page(request, "search.html", asked=asked, wanted=wanted, hits=hits[:PAGE], number=page, more=len(hits) > PAGE)


def _page(request: Request) -> int:
    number = request.query_params.get("page", "1")
    return max(int(number), 1) if number.isascii() and number.isdecimal() and len(number) < 7 else 1
