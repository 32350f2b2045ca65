"""Hostile requests to the pages, and what may come of them: an answer with its headers, in bounded time; no fault, nothing recorded
without a form of the session, and on a network nothing of a job to who has not logged in.

`scripts/fuzz` makes many of these, a test some.
"""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote, quote_from_bytes, unquote

import anyio
from anyio.from_thread import BlockingPortal, start_blocking_portal
from hypothesis import strategies as st

from assistant.record.journal import DATABASE, Journal
from assistant.review.access import HEADERS
from assistant.review.log_in import FORM_COOKIE
from tests.review.shop import PASSWORD, app_of, people_of, spoken_job

JOB = "2026-03-09-F7-01"
LONGEST_S = 60.0
"""A request that takes longer counts as hanging; the slowest takes about a second."""
OWN, OTHERS, DOORS = b"@own@", b"@others@", b"@doors@"
"""In a body: the form token of this session, of another session, of the log-in page."""
FINDING, VALUE, LAST = b"@finding@", b"@value@", b"@last@"
"""Anywhere: number of a finding, of a measured value, of the last entry."""
INDEX = ("index.sqlite", "people.sqlite")

_TEXTS = ["", "0", "1", "-1", "9" * 30, "1e9", "\u0663", "..", "../../etc/passwd", "\0", "\u202e", "\ud7ff", "x" * 9000, "' OR 1=1 --", '"', "<script>alert(1)</script>", "{{ 7*7 }}", "%s%n", "a\r\nset-cookie: x=1", "NaN", "2026-02-30", "9999-12-31", "worn AND (", "*", "Robin", "Kim", PASSWORD, "//other.example", "javascript:x"]
_JOBS = [JOB, JOB, JOB, JOB.lower(), "..", "%2e%2e", "%00", JOB + "%00", "%ff%fe", "2026-03-09-..-01", "2026-03-09-%2F..%2F..%2Fjobs-01", "..%2f..%2fetc%2fpasswd", "x" * 5000, "2026-03-09-" + "x" * 300 + "-01", "people.sqlite", "%F0%9F%94%A7", "%ED%A0%80", "CON", "~root", "%E2%80%AE", "", "2026-03-09-F7-" + "9" * 5000]
_NUMBERS = ["1", "0", "-1", "1e9", "9" * 30, str(2**63), str(2**64), "9" * 4500, "%D9%A3", "%00", "x", "%2e%2e", ""]
_TEMPLATES = [
    "/", "/login", "/logout", "/log-ins", "/bench", "/bench-live", "/bench/{job}", "/bench/{job}/live", "/jobs", "/search", "/jobs/{job}", "/jobs/{job}/verification", "/jobs/{job}/entries/{number}/sound", "/jobs/{job}/entries/{number}/words", "/jobs/{job}/entries/{number}/amend",
    "/jobs/{job}/ask", "/jobs/{job}/sign", "/jobs/{job}/questions/{number}/answer", "/static/{job}", "/static/pages.css", "/static/../app.py", "/static/%2e%2e%2fapp.py", "/static//etc/passwd", "/static/..%5capp.py", "//{job}", "/{job}/record.json", "/jobs/{job}/clips/{number}.flac", "/jobs/../{job}", "http://other.example/jobs", "*", "/jobs/{job}/report.pdf/..",
]  # fmt: skip
_FIELDS = ["remark", "was_remark", "part", "condition", "disposition", "value", "was_value", "unit", "why", "text", "about", "role", "acknowledged", "last", "password", "name", "next", "form_token", "", "\0", "x" * 300]
_QUERIES = ["text", "asset", "part", "condition", "since", "until", "page", "waiting", "next", "x"]
_HEADERS = {
    b"host": [b"127.0.0.1", b"localhost:8420", b"other.example", b"", b"[", b"127.0.0.1, other.example", b"127.0.0.1@other.example", b"\xff\xfe", b"x" * 9000],
    b"origin": [b"http://127.0.0.1", b"null", b"http://other.example", b"http://[", b"\xff", b"http://127.0.0.1:x"],
    b"sec-fetch-site": [b"same-origin", b"cross-site", b"none", b"\xff"],
    b"range": [b"bytes=0-1", b"bytes=-1", b"bytes=5-2", b"bytes=-", b"bytes=" + b"9" * 5000 + b"-", b"bytes=-" + b"9" * 5000, b"bytes=0-0,1-1", b"bytes=" + b",".join([b"0-0"] * 400), b"items=0-1", b"bytes=\xb2-", b"bytes=99999999-"],
    b"content-length": [b"0", b"-1", b"x", b"9" * 5000, b"\xb2", b"1"],
    b"content-type": [b"application/x-www-form-urlencoded", b"multipart/form-data", b"multipart/form-data; boundary=", b"multipart/form-data; boundary=x", b"multipart/form-data; boundary=\xff\"", b"application/x-www-form-urlencoded; charset=\xff", b"application/json", b"text/html; charset=none", b""],
    b"accept": [b"text/html", b"*/*", b"audio/*", b"\xff", b"text/html" * 900],
    b"cookie": [b"gloveside=", b"gloveside=x; gloveside=y", b"gloveside=\xff\xfe", b"=;=;;", b"gloveside=" + b"x" * 9000, FORM_COOKIE.encode() + b"=x", b"gloveside=\"\\000\""],
    b"if-none-match": [b"*", b"\xff", b"\"x\""],
    b"if-modified-since": [b"x", b"Thu, 01 Jan 1970 00:00:00 GMT", b"\xff", b"Thu, 99 Jan 99999 99:99:99 GMT"],
    b"if-range": [b"x", b"\"x\"", b"\xff"],
    b"transfer-encoding": [b"chunked", b"x"],
    b"x-forwarded-for": [b"127.0.0.1"],
    b"x-forwarded-host": [b"127.0.0.1"],
    b"retry-after": [b"x"],
}  # fmt: skip


@dataclass(frozen=True)
class Hostile:
    """One request, as it comes over the wire."""

    network: bool
    """To the pages for a network; else to those for this computer."""
    person: str | None
    """Who has logged in."""
    method: str
    target: bytes
    """Path and query, visible ASCII: more the server does not let through."""
    headers: tuple[tuple[bytes, bytes], ...]
    body: tuple[bytes, ...]
    """In the pieces in which it comes."""
    whole: bool
    """False: the connection ends before the body does."""


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes


_text = st.one_of(st.sampled_from(_TEXTS), st.text(max_size=40))
_number = st.sampled_from(_NUMBERS)
_segment = st.one_of(st.sampled_from(_JOBS), st.binary(max_size=20).map(quote_from_bytes), st.text("%./\\~0fF7-", max_size=12))
_path = st.one_of(
    st.builds(lambda template, job, number: template.format(job=job, number=number), st.sampled_from(_TEMPLATES), st.sampled_from(_JOBS), st.one_of(_number, st.integers(1, 130).map(str))),
    st.builds(lambda template, job, number: template.format(job=job, number=number), st.sampled_from(_TEMPLATES), st.just(JOB), st.integers(1, 130).map(str)),
    st.lists(_segment, max_size=6).map(lambda parts: "/" + "/".join(parts)),
    st.text([chr(code) for code in range(33, 127)], max_size=60),
)
_query = st.one_of(
    st.just(""),
    st.lists(st.tuples(st.sampled_from(_QUERIES), _text), max_size=4).map(lambda pairs: "?" + "&".join(f"{name}={quote(value, errors='surrogatepass')}" for name, value in pairs)),
    st.text([chr(code) for code in range(33, 127)], max_size=60).map(lambda rest: "?" + rest),
)
_token = st.sampled_from([None, b"", b"x", b"0" * 43, OWN, OWN, OWN, OTHERS, DOORS])
_pairs = st.lists(st.tuples(st.sampled_from(_FIELDS), _text), max_size=7)
_boundary = b"----edge"


def _urlencoded(token: bytes | None, pairs: list[tuple[str, str]]) -> bytes:
    fields = [f"{quote(name)}={quote(value, errors='surrogatepass')}".encode() for name, value in pairs]
    return b"&".join([*([b"form_token=" + token] if token is not None else []), *fields])


def _multipart(token: bytes | None, pairs: list[tuple[str, str]], filename: bytes, end: bytes) -> bytes:
    fields = [(b"form_token", token)] if token is not None else []
    fields += [(name.encode(), value.encode("utf-8", "surrogatepass")) for name, value in pairs]
    return b"".join(b"--" + _boundary + b'\r\ncontent-disposition: form-data; name="' + name + b'"' + filename + b"\r\n\r\n" + value + b"\r\n" for name, value in fields) + end


_forms = st.one_of(
    st.builds(_urlencoded, _token, _pairs).map(lambda body: (b"application/x-www-form-urlencoded", body)),
    st.builds(_multipart, _token, _pairs, st.sampled_from([b"", b"", b'; filename="x.txt"', b'; filename="../../x"', b"\r\ncontent-type: \xff"]), st.sampled_from([b"--" + _boundary + b"--\r\n", b"", b"--", b"\r\n\r\n"])).map(lambda body: (b"multipart/form-data; boundary=" + _boundary, body)),
    st.builds(lambda token, count: (b"application/x-www-form-urlencoded", b"&".join([b"form_token=" + token, *[b"acknowledged=x"] * count])), st.sampled_from([OWN, b"x"]), st.sampled_from([1, 299, 301, 5000])),
    st.builds(lambda kind, body: (kind, body), st.sampled_from(_HEADERS[b"content-type"]), st.one_of(st.binary(max_size=300), st.just(b"form_token=" + OWN + b"&text=why"), st.just(b"x" * 300_000), st.just(b"=&" * 20_000), st.just(b"%" * 5000))),
)  # fmt: skip


def _right_form(template: str, fields: str) -> st.SearchStrategy[tuple[str, bytes]]:
    """A form as the page has it, so that some get through to where things are written."""
    return st.builds(lambda number, text: (template.format(job=JOB, number=number), fields.format(text=quote(text, errors="surrogatepass")).encode()), st.sampled_from(["@finding@", "@value@", "1", "@last@"]), _text)


_right = st.one_of(
    _right_form("/jobs/{job}/ask", "form_token=@own@&text={text}&about={text}"),
    _right_form("/jobs/{job}/entries/{number}/amend", "form_token=@own@&remark={text}&was_remark=&why={text}"),
    _right_form("/jobs/{job}/entries/{number}/amend", "form_token=@own@&remark={text}&was_remark=&part=gasket&was_part=x&condition=worn&was_condition=x&why=misheard"),
    _right_form("/jobs/{job}/ask", "form_token=@own@&text=which+groove&about={text}"),
    _right_form("/jobs/{job}/ask", "form_token=@others@&text=which+groove&about="),
    _right_form("/jobs/{job}/entries/{number}/amend", "form_token={text}&value=0.9&was_value=x&why=misheard"),
    _right_form("/jobs/{job}/entries/{number}/amend", "form_token=@own@&value={text}&was_value=x&unit={text}&was_unit=&why=read+wrongly"),
    _right_form("/jobs/{job}/questions/1/answer", "form_token=@own@&text={text}"),
    _right_form("/jobs/{job}/sign", "form_token=@own@&role=supervisor&last=@last@&acknowledged={text}&password=" + quote(PASSWORD)),
    _right_form("/login", "form_token=@doors@&name={text}&password={text}&next={text}"),
    _right_form("/logout", "form_token=@own@"),
)


_seen = st.sampled_from([template for template in _TEMPLATES if template.startswith(("/jobs", "/search", "/log", "/bench")) and ".." not in template and "/clips" not in template] + ["/jobs/{job}/report.pdf"])
"""Pages as they are asked for; the printed report seldom, because it takes long."""


@st.composite
def requests(draw: Any) -> Hostile:
    """Requests, from nearly right to noise."""
    headers = [(name, draw(st.sampled_from(_HEADERS[name]))) for name in draw(st.lists(st.sampled_from(sorted(_HEADERS)), max_size=draw(st.sampled_from([0, 0, 1, 3]))))]
    named = {name for name, _ in headers}
    shape = draw(st.integers(0, 5))
    if shape == 0:
        path, body = draw(_right)
        method, kind, target = "POST", b"application/x-www-form-urlencoded", path
    elif shape == 1:
        method, kind, body = draw(st.sampled_from(["GET", "HEAD"])), b"", b""
        target = draw(_seen).format(job=JOB, number=draw(st.sampled_from(["@finding@", "@value@", "1", "@last@"]))) + draw(_query)
    else:
        method, target = draw(st.sampled_from(["GET", "GET", "GET", "HEAD", "POST", "POST", "PUT", "DELETE", "OPTIONS", "TRACE", "X"])), draw(_path) + draw(_query)
        kind, body = draw(_forms) if method not in ("GET", "HEAD") or draw(st.integers(0, 9)) == 0 else (b"", b"")
    if b"host" not in named:
        headers.append((b"host", b"127.0.0.1"))
    if b"accept" not in named:
        headers.append((b"accept", b"text/html"))
    if kind and b"content-type" not in named:
        headers.append((b"content-type", kind))
    if body and b"content-length" not in named and draw(st.booleans()):
        headers.append((b"content-length", str(len(body)).encode()))
    cut = draw(st.integers(0, len(body)))
    pieces = (body,) if draw(st.booleans()) else (body[:cut], body[cut:])
    return Hostile(draw(st.booleans()), draw(st.sampled_from([None, None, "Kim", "Robin", "Sam"])), method, target.encode("ascii", "ignore") or b"/", tuple(headers), pieces, draw(st.sampled_from([True] * 15 + [False])))


class Pages:
    """The pages over one store with a finished job, for a network and for this computer, and requests to them without a server between."""

    def __init__(self, folder: Path, portal: BlockingPortal):
        self._portal = portal
        self.store, self._as_it_was = folder / "jobs", folder / "as_it_was"
        job = spoken_job(self.store)
        shutil.copytree(job, self._as_it_was)
        people = people_of(self.store)
        self._apps = {False: app_of(self.store, people), True: app_of(self.store, people, host="0.0.0.0")}
        with Journal.read(job) as journal:
            events = journal.events()
        self.secrets = [b"torn on the inner edge", b"look at the groove too", b"Close both valves", b"Joint of a bolted flange", events[-1].hash.encode(), *(clip.encode() for event in events for clip in event.body.get("clips", ())), b"Robin", b"root:", b"SQLite format"]
        self._events = len(events)
        self._places = {mark: str(max((event.seq for event in events if event.kind == kind), default=1)).encode() for mark, kind in ((FINDING, "finding"), (VALUE, "value"))} | {LAST: str(len(events)).encode()}
        self._number = 0

    def try_one(self, request: Hostile) -> bool:
        """Whether it was taken (answered with less than 400). Raises AssertionError where anything but what may come of it does."""
        request = replace(request, target=self._placed(request.target), body=tuple(self._placed(piece) for piece in request.body))
        body = request.body
        own = False
        cookie: list[tuple[bytes, bytes]] = []
        door = self._apps[request.network].state.site.door
        if request.person:
            token = door.sessions.open(request.person)
            form = door.sessions.find(token).form_token.encode()
            own = request.method == "POST" and request.whole and OWN in b"".join(body)
            body = tuple(piece.replace(OWN, form) for piece in body)
            cookie = [(b"cookie", f"gloveside={token}; {FORM_COOKIE}=value".encode())]
        else:
            cookie = [(b"cookie", FORM_COOKIE.encode() + b"=value")]
        others = door.sessions.find(door.sessions.open("Robin")).form_token.encode()
        body = tuple(piece.replace(OTHERS, others).replace(DOORS, door.seal_of("value").encode()) for piece in body)
        answer = self._portal.call(self._ask, request, (*request.headers, *(cookie if not any(name == b"cookie" for name, _ in request.headers) else ())), body)
        self._check(request, answer, own, b"".join(body))
        return answer is not None and answer.status < 400

    def _placed(self, text: bytes) -> bytes:
        for mark, number in self._places.items():
            text = text.replace(mark, number)
        return text

    async def _ask(self, request: Hostile, headers: tuple[tuple[bytes, bytes], ...], body: tuple[bytes, ...]) -> Answer | None:
        """None where nothing was answered to a connection that had ended."""
        path, _, query = request.target.partition(b"?")
        self._number += 1
        scope = {
            "type": "http", "asgi": {"version": "3.0", "spec_version": "2.3"}, "http_version": "1.1", "method": request.method, "scheme": "http", "path": unquote(path.decode("ascii")), "raw_path": path, "query_string": query, "root_path": "",
            # Many addresses: there is a limit of requests for each.
            "headers": list(headers), "client": (f"192.0.2.{self._number // 100 % 250}", 4000), "server": ("127.0.0.1", 80), "state": {},
        }  # fmt: skip
        waiting = [{"type": "http.request", "body": piece, "more_body": number + 1 < len(body) or not request.whole} for number, piece in enumerate(body)]
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return waiting.pop(0) if waiting else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        with anyio.fail_after(LONGEST_S):
            await self._apps[request.network](scope, receive, send)
        if not sent:
            return None
        return Answer(sent[0]["status"], {name.decode("latin-1"): value.decode("latin-1") for name, value in sent[0]["headers"]}, b"".join(message.get("body", b"") for message in sent[1:]))

    def _check(self, request: Hostile, answer: Answer | None, own: bool, body: bytes) -> None:
        recorded = self._recorded()
        if recorded:  # before anything is said of it, so that the next request finds the job as it was
            shutil.rmtree(self.store / JOB)
            shutil.copytree(self._as_it_was, self.store / JOB)
        assert recorded == 0 or (own and recorded > 0), f"{recorded} entries were recorded without a form of the session"
        if answer is None:
            assert not request.whole
            return
        assert answer.status < 500 or answer.status == 503, answer.body[:300]
        for name, value in HEADERS.items():
            assert answer.headers.get(name) == value, f"lacks {name}"
        assert not any("\n" in value or "\r" in value for value in answer.headers.values())
        location = answer.headers.get("location", "/")
        host = next((value for name, value in request.headers if name == b"host"), b"").decode("latin-1")
        assert location.startswith(f"http://{host}/") or (location.startswith("/") and not location.startswith(("//", "/\\"))), f"sent on to {location}"
        given = unquote(request.target.decode("ascii")).encode("utf-8", "replace") + body
        told = answer.body + repr(answer.headers).encode()
        assert b"Traceback" not in answer.body and str(self.store).encode() not in told and b"SQLITE" not in told
        assert b"<script>alert" not in answer.body
        if request.network and request.person is None:
            assert not [secret for secret in self.secrets if secret in told and secret not in given and secret not in unquote(given.decode("utf-8", "replace")).encode()], "told without a log-in"
            path = unquote(request.target.partition(b"?")[0].decode("ascii"))
            assert answer.status >= 400 or answer.status == 303 or path == "/login" or path.startswith("/static/"), f"{answer.status} without a log-in"
        assert not recorded or answer.status == 303, "recorded, and said to be refused"

    def _recorded(self) -> int:
        """How many entries there are more than at first; nothing else may lie in the store."""
        strange = [path.name for path in self.store.iterdir() if path.name != JOB and not path.name.startswith(INDEX)]
        assert not strange, f"{strange} in the store"
        database = sqlite3.connect(f"{(self.store / JOB / DATABASE).as_uri()}?mode=ro", uri=True)
        try:
            return database.execute("SELECT count(*) FROM events").fetchone()[0] - self._events
        finally:
            database.close()


@contextmanager
def pages(folder: Path) -> Iterator[Pages]:
    """The pages, with a thread in which they answer."""
    with start_blocking_portal() as portal:
        yield Pages(folder, portal)
