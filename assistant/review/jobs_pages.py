"""The queue of jobs that wait for review, all jobs, and the search across them."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from assistant.review.fresh_index import FreshIndex
from assistant.review.site import site_of

PAGE = 50
"""Rows on one page."""
FILTERS = ("text", "asset", "part", "condition", "since", "until")


def start_page(request: Request) -> Response:
    return RedirectResponse("/jobs", 303)


def jobs_page(request: Request) -> Response:
    """/jobs: a page of the queue, then a page of all jobs."""
    page, waiting_page = _page(request), _page(request, "waiting")
    fresh: FreshIndex = request.app.state.index
    index = fresh.fresh()
    waiting = index.waiting()
    queue = index.queue(PAGE, (waiting_page - 1) * PAGE)
    jobs = index.jobs(PAGE + 1, (page - 1) * PAGE)
    return site_of(request).page(
        request, "jobs.html", queue=queue, waiting=waiting, waiting_number=waiting_page, waiting_more=waiting > waiting_page * PAGE,
        jobs=jobs[:PAGE], count=index.count(), number=page, more=len(jobs) > PAGE, behind=fresh.behind, asked=dict.fromkeys(FILTERS, ""),
    )  # fmt: skip


def search_page(request: Request) -> Response:
    """/search: entries by words, part, condition, asset and days."""
    asked = {name: request.query_params.get(name, "").strip()[:200] for name in FILTERS}
    page = _page(request)
    wanted = {name: value for name, value in asked.items() if value}
    fresh: FreshIndex = request.app.state.index
    hits = fresh.fresh().search(**wanted, limit=PAGE + 1, offset=(page - 1) * PAGE) if wanted else []
    return site_of(request).page(request, "search.html", asked=asked, wanted=wanted, hits=hits[:PAGE], number=page, more=len(hits) > PAGE, behind=bool(wanted) and fresh.behind)


def _page(request: Request, name: str = "page") -> int:
    number = request.query_params.get(name, "1")
    return max(int(number), 1) if number.isascii() and number.isdecimal() and len(number) < 7 else 1
