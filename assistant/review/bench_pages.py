"""The bench display: one page that follows a running job by server-sent events. It shows, and changes nothing."""

import asyncio
import json
import os
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse

from assistant.errors import GlovesideError, JobNotFound
from assistant.record.journal import DATABASE, Journal
from assistant.record.kept import kept_plan
from assistant.record.live import Live, read_live
from assistant.review.access import Door
from assistant.review.bench_view import BenchView, Follower
from assistant.review.site import Site, aside, site_of
from assistant.speech.front import NEAR_SILENT_DBFS, TOO_LOUD_DBFS

POLL_S = 0.25
LOOK_ROUND_S = 2.0
"""How often the page without a job's name looks for a newer running job."""
BEAT_S = 10.0
"""A sign of life for the page, and use of the session."""
MOST_STREAMS = 32
NEWEST = 200
"""Jobs, newest day first, among which a running one is looked for."""
LEVEL_FLOOR, LEVEL_TOP = -70.0, -6.0
"""dB of full scale at the ends of the drawn level."""


class _Follow:
    """One journal held open and folded as far as it goes."""

    def __init__(self, directory: Path):
        self.directory = directory
        self.follower = Follower(kept_plan(directory), directory.name)
        self._journal = Journal.read(directory)

    def read(self) -> bool:
        """Take what is new; False where nothing is."""
        new = self._journal.events(after=self.follower.seen)
        for item in new:
            self.follower.take(item)
        return bool(new)

    def close(self) -> None:
        self._journal.close()


def bench_page(request: Request) -> Response:
    """/bench and /bench/JOB."""
    site = site_of(request)
    job = request.path_params.get("job")
    directory = site.job(job) if job else newest_running(site.settings.store)
    if directory is None:
        body, name = site.templates.get_template("bench_none.html").render(), ""
    else:
        follow = _Follow(directory)
        try:
            follow.read()
            view = follow.follower.view(time.time())
            body, name = _body(site, view, read_live(directory)), directory.name
        finally:
            follow.close()
    stream = f"/bench/{directory.name}/live" if job and directory else "/bench-live"
    return site.page(request, "bench.html", body=body, job=name, stream=stream)


async def bench_live(request: Request) -> Response:
    """/bench-live and /bench/JOB/live: what changes, as server-sent events."""
    site = site_of(request)
    job = request.path_params.get("job")
    if job:
        await aside(site.job, job)
    if request.app.state.streams >= MOST_STREAMS:
        return PlainTextResponse("Too many displays are open; close one.\n", 503, {"retry-after": "30"})
    return StreamingResponse(_events(request, site, job), media_type="text/event-stream", headers={"x-accel-buffering": "no"})


async def _events(request: Request, site: Site, job: str | None) -> AsyncIterator[str]:
    app, token = request.app, request.cookies.get(site.settings.cookie)
    app.state.streams += 1
    follow: _Follow | None = None
    sent, level = "", ""
    looked = beat = 0.0
    try:
        while not app.state.closing and not await request.is_disconnected():
            now = time.monotonic()
            if now - beat >= BEAT_S:
                beat = now
                if site.settings.network and not await aside(_still_in, site.door, token):
                    yield "event: ended\ndata: {}\n\n"
                    return
                yield ": here\n\n"
            if follow is None or (job is None and now - looked >= LOOK_ROUND_S):
                looked = now
                found = await aside(site.job, job) if job else await aside(newest_running, site.settings.store)
                if found is not None and (follow is None or follow.directory != found):
                    if follow is not None:
                        follow.close()
                    follow = await aside(_Follow, found)
            if follow is not None:
                await aside(follow.read)
                live = await aside(read_live, follow.directory)
                view = follow.follower.view(time.time())
                # Left out of the comparison: the page counts the timers down by itself.
                mark = repr((view.job, view.status, view.settled, follow.follower.seen, live is None, live.said if live else ""))
                if mark != sent:
                    sent = mark
                    yield _message("view", {"html": _body(site, view, live), "say": spoken_line(view), "job": view.job})
                now_level = json.dumps(level_of(live))
                if now_level != level:
                    level = now_level
                    yield f"event: level\ndata: {level}\n\n"
            await asyncio.sleep(POLL_S)
    except JobNotFound:
        yield "event: ended\ndata: {}\n\n"
    except GlovesideError as error:
        # A journal that is being moved or mended: the page asks again by itself.
        yield _message("trouble", {"say": str(error) if not site.settings.network else "The job cannot be read just now."})
    finally:
        app.state.streams -= 1
        if follow is not None:
            follow.close()


def _still_in(door: Door, token: str | None) -> bool:
    return door.visitor(token).person is not None


def _message(kind: str, body: dict[str, Any]) -> str:
    return f"event: {kind}\ndata: {json.dumps(body)}\n\n"


def _body(site: Site, view: BenchView, live: Live | None) -> str:
    return site.templates.get_template("bench_body.html").render(view=view, live=live, level=level_of(live))


def spoken_line(view: BenchView) -> str:
    """What a screen reader is told of a change."""
    words = [view.status] if view.status != "running" else []
    if view.instruction:
        words.append(f"Step {view.step} of {view.steps}. {view.instruction}" if view.step else view.instruction)
    if view.torque:
        words.append(f"Torque {view.torque.amount} {view.torque.unit}, {view.torque.label}.")
    return " ".join(words)


def level_of(live: Live | None) -> dict[str, Any]:
    """The microphone's level as the page draws it: share of the bar in percent, and words."""
    if live is None:
        return {"percent": 0, "words": "not known"}
    if live.level_dbfs is None:
        return {"percent": 0, "words": "none in use"}
    share = (live.level_dbfs - LEVEL_FLOOR) / (LEVEL_TOP - LEVEL_FLOOR)
    words = "too loud" if live.level_dbfs > TOO_LOUD_DBFS else "nearly silent" if live.level_dbfs < NEAR_SILENT_DBFS else "good"
    return {"percent": round(100 * min(max(share, 0.0), 1.0) / 4) * 4, "words": words}


def newest_running(store: Path) -> Path | None:
    """The job whose journal a program on this computer holds and wrote to last."""
    try:
        names = sorted((name for name in os.listdir(store) if name[:4].isdecimal()), reverse=True)[:NEWEST]
    except OSError:
        return None
    held = [store / name for name in names if _held(store / name)]
    return max(held, key=_written, default=None)


def _held(directory: Path) -> bool:
    try:
        os.kill(int((directory / "journal.pid").read_text(encoding="ascii")), 0)
    except PermissionError:
        return True  # it lives, under another user
    except (OSError, ValueError):
        return False
    return (directory / DATABASE).is_file()


def _written(directory: Path) -> float:
    return max((path.stat().st_mtime for path in (directory / DATABASE, directory / f"{DATABASE}-wal") if path.exists()), default=0.0)
