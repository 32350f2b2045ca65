"""Who may see and do what: sessions, tokens against forged forms, limits on attempts, and the headers of every answer."""

import hashlib
import hmac
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from assistant.errors import GlovesideError
from assistant.record.people import People, Person

IDLE_S = 30 * 60.0
"""A session nobody uses for so long has ended."""
LONGEST_S = 12 * 3600.0
"""A session ends after so long in any case: one shift."""
MOST_SESSIONS = 1000
REQUESTS, REQUESTS_WITHIN_S = 600, 60.0
"""Requests from one address on a network: a replay page with 100 sounds asks for some 200."""

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": browsers then send "Origin: null" with a form, and its origin could not be checked.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
"""On every answer, errors among them."""


class Forged(GlovesideError):
    """A form did not come from a page of this person's session."""


class TooMany(GlovesideError):
    """Too many attempts; `wait_s` seconds are left to wait."""

    def __init__(self, message: str, wait_s: float):
        super().__init__(message)
        self.wait_s = wait_s


@dataclass(frozen=True)
class Session:
    """A person who has logged in."""

    name: str
    form_token: str
    """In every form of this session."""
    began_s: float
    """Monotonic time."""
    used_s: float


@dataclass(frozen=True)
class Visitor:
    """Who sent a request; nobody where person is None."""

    person: Person | None = None
    form_token: str = ""


class Sessions:
    """Sessions, kept in memory: when the program stops, everybody is logged out."""

    def __init__(self, clock: Callable[[], float] = time.monotonic):
        self._clock = clock
        # By the hash of the token: who reads the memory of the program by accident, as in an error report, finds no token.
        self._sessions: OrderedDict[str, Session] = OrderedDict()

    def open(self, name: str) -> str:
        """A new session; returns its token for the cookie."""
        token, now = secrets.token_urlsafe(32), self._clock()
        self._sessions[_key(token)] = Session(name, secrets.token_urlsafe(32), now, now)
        while len(self._sessions) > MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return token

    def find(self, token: str) -> Session | None:
        """The session of a token while it lasts; asking counts as use."""
        session = self._sessions.get(_key(token))
        if session is None:
            return None
        now = self._clock()
        if now - session.used_s > IDLE_S or now - session.began_s > LONGEST_S:
            self.close(token)
            return None
        self._sessions[_key(token)] = replace(session, used_s=now)
        return session

    def close(self, token: str) -> None:
        self._sessions.pop(_key(token), None)


def _key(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


class Limit:
    """At most `most` in `within_s` seconds for one key."""

    def __init__(self, most: int, within_s: float, clock: Callable[[], float] = time.monotonic, keys: int = 10_000):
        self._most, self._within, self._clock, self._keys = most, within_s, clock, keys
        self._seen: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, key: str) -> float:
        """Seconds until one more is allowed; 0 when it is now."""
        times = self._seen.get(key)
        now = self._clock()
        while times and now - times[0] >= self._within:
            times.popleft()
        return max(0.0, times[0] + self._within - now) if times and len(times) >= self._most else 0.0

    def count(self, key: str) -> None:
        times = self._seen.setdefault(key, deque(maxlen=self._most))
        times.append(self._clock())
        self._seen.move_to_end(key)
        while len(self._seen) > self._keys:
            self._seen.popitem(last=False)


class Door:
    """Checks passwords and gives out sessions."""

    def __init__(self, people: People, clock: Callable[[], float] = time.monotonic):
        self.people, self.sessions = people, Sessions(clock)
        self._secret = secrets.token_bytes(32)

    def check(self, name: str, password: str, address: str) -> Person | None:
        """The person, if the password is theirs. Raises TooMany after too many wrong ones."""
        wait = self.people.wait_s(name, address)
        if wait:
            raise TooMany(f"There were too many wrong passwords; wait {max(1, round(wait / 60))} min, then try again.", wait)
        return self.people.check(name, password, address)

    def visitor(self, token: str | None) -> Visitor:
        """Who holds a session token; a disabled person is nobody."""
        session = self.sessions.find(token) if token else None
        if session is None:
            return Visitor()
        person = self.people.find(session.name)
        if person is None or person.disabled:
            self.sessions.close(token or "")
            return Visitor()
        return Visitor(person, session.form_token)

    def seal_of(self, value: str) -> str:
        """Form token for a visitor without a session, bound to the random value in their cookie."""
        return hmac.new(self._secret, value.encode(), hashlib.sha256).hexdigest()


def must_be_own_form(given: Any, wanted: str) -> None:
    """Raises Forged."""
    if not wanted or not isinstance(given, str) or not hmac.compare_digest(given.encode(), wanted.encode()):
        raise Forged("This form is out of date or did not come from this page; load the page again, and send it once more.")


def local_path(wanted: Any) -> str:
    """Where to go after logging in: a page of this site, never another site."""
    text = wanted if isinstance(wanted, str) else ""
    if not text.startswith("/") or text.startswith("//") or "\\" in text or any(ord(letter) < 33 for letter in text):
        return "/jobs"
    return text


@dataclass(frozen=True)
class Rules:
    """What the guard at the gate goes by."""

    hosts: frozenset[str]
    """Names and addresses, lower case, under which this site may be asked for."""
    network: bool
    """Everything but the log-in page needs a log-in."""
    cookie: str
    """Name of the session's cookie."""


OPEN_PATHS = ("/login", "/static/")


class Gate:
    """Before every page: host, origin, number of requests, session; and the headers behind it. Pure ASGI, so that streams pass."""

    def __init__(self, app: ASGIApp, rules: Rules, door: Door):
        self._app, self._rules, self._door = app, rules, door
        self._requests = Limit(REQUESTS, REQUESTS_WITHIN_S)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # there are no web sockets here

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *((name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in own)]
            await send(message)

        connection = HTTPConnection(scope)
        refusal = self._refusal(connection, scope)
        if refusal is not None:
            await refusal(scope, receive, send_with_headers)
            return
        token = connection.cookies.get(self._rules.cookie)
        visitor = await run_in_threadpool(self._door.visitor, token) if token else Visitor()
        scope.setdefault("state", {})["visitor"] = visitor
        path = scope["path"]
        if self._rules.network and visitor.person is None and path not in OPEN_PATHS and not path.startswith("/static/"):
            await self._to_the_door(scope, connection)(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)

    def _refusal(self, connection: HTTPConnection, scope: Scope) -> Response | None:
        host = connection.headers.get("host", "")
        # A name that an attacker points at this machine would make their page count as ours.
        if _host_name(host) not in self._rules.hosts:
            return PlainTextResponse("This site is not known under that name; use the address that gloveside review prints.\n", 421)
        if scope["method"] not in ("GET", "HEAD") and not _same_origin(connection, host):
            return PlainTextResponse("This form came from another site.\n", 403)
        if self._rules.network:
            address = address_of(connection)
            wait = self._requests.wait_s(address)
            if wait:
                return PlainTextResponse("Too many requests; wait a little.\n", 429, {"retry-after": str(round(wait) + 1)})
            self._requests.count(address)
        return None

    @staticmethod
    def _to_the_door(scope: Scope, connection: HTTPConnection) -> Response:
        if scope["method"] == "GET" and "text/html" in connection.headers.get("accept", ""):
            return RedirectResponse(f"/login?next={quote(local_path(scope['path']), safe='')}", 303)
        return PlainTextResponse("Log in first, in another tab; then go back and send this again.\n", 401)


def _host_name(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _same_origin(connection: HTTPConnection, host: str) -> bool:
    """Browsers name the origin of a form; programs without an origin have no cookies of a person to abuse."""
    origin = connection.headers.get("origin")
    if origin is not None:
        try:
            return urlsplit(origin).netloc.lower() == host.lower()
        except ValueError:
            return False
    return connection.headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")


def address_of(connection: HTTPConnection) -> str:
    return connection.client.host if connection.client else "local"


def visitor_of(request: Request) -> Visitor:
    return request.state.visitor


def known_hosts(host: str, names: Iterable[str]) -> frozenset[str]:
    """Under which names a site bound to `host` may be asked for, with those that its certificate or its owner gives it."""
    loopback = ("localhost", "127.0.0.1", "::1")
    bound = () if host in ("0.0.0.0", "::") else (host,)
    return frozenset(name.lower() for name in (*loopback, *bound, *names))
