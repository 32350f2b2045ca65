"""What all pages share: settings, the people at the door, the signing key, templates, and looking up a job."""

import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import jinja2
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse

from assistant.errors import JobNotFound
from assistant.figures.units import digits, unit_symbol
from assistant.language.pack import Pack, load_pack
from assistant.procedure.plan import Plan, make_plan
from assistant.procedure.reader import parse_procedure
from assistant.record.clock import Clock, SystemClock
from assistant.record.kept import PROCEDURE_COPY, kept_plan
from assistant.record.keys import PUBLIC, load_or_make_key, load_public_key
from assistant.record.people import People
from assistant.record.store import Store
from assistant.review.access import Door, must_be_own_form, visitor_of
from assistant.review.replay_view import shop_clock

LOOPBACK = ("127.0.0.1", "localhost", "::1")
FIELDS = 300
"""Most fields of a form: open points are one each."""
MOST_PLANS = 32
"""Procedures kept ready; those of a shop, with their revisions of some months."""


@dataclass(frozen=True)
class Settings:
    """How the pages are served."""

    store: Path
    keys: Path
    """Folder of the signing key."""
    host: str = "127.0.0.1"
    """Address to listen at; any but this computer's own makes everything need a log-in."""
    names: tuple[str, ...] = ()
    """Further names under which the site may be asked for, such as those of its certificate."""
    tls: bool = False

    @property
    def network(self) -> bool:
        return self.host not in LOOPBACK

    @property
    def cookie(self) -> str:
        # With this prefix a browser takes the cookie from this very site over TLS only.
        return "__Host-gloveside" if self.tls else "gloveside"


class Site:
    """Settings and what is made of them once."""

    def __init__(self, settings: Settings, clock: Clock | None = None, people: People | None = None):
        self.settings, self.clock = settings, clock or SystemClock()
        self.people = people or People(settings.store, self.clock)
        self.door = Door(self.people)
        self.writing = threading.Lock()
        """Held while the signing key is made."""
        self._plans: OrderedDict[bytes, Plan] = OrderedDict()
        self._packs: dict[str, Pack] = {}

    def job(self, name: str) -> Path:
        """The directory of a job. Raises JobNotFound, without the path of the store."""
        try:
            return Store(self.settings.store).find(name)
        except JobNotFound:
            raise JobNotFound("There is no job of that name here; look for it under Jobs.") from None

    def plan(self, directory: Path) -> Plan:
        """The plan of a job. Jobs share a few procedures, and to read one takes as long as to show a job. Raises JournalError, ProcedureFaults."""
        path = directory / PROCEDURE_COPY
        try:
            text = path.read_bytes()
        except OSError:
            return kept_plan(directory)  # says what is wrong
        plan = self._plans.get(text) or make_plan(parse_procedure(text, path).procedure)
        self._plans[text] = plan
        while len(self._plans) > MOST_PLANS:
            self._plans.popitem(last=False)
        return plan

    def pack(self, language: str) -> Pack:
        """The phrases of a language, read once."""
        if language not in self._packs:
            self._packs[language] = load_pack(language)
        return self._packs[language]

    @property
    def key(self) -> Ed25519PrivateKey:
        """The key that seals what is added. Raises GlovesideError where it cannot be read or made."""
        with self.writing:
            return load_or_make_key(self.settings.keys)

    @property
    def public_key(self) -> bytes | None:
        """The public half, for checking; None where nothing was sealed here yet."""
        path = self.settings.keys / PUBLIC
        return load_public_key(path) if path.exists() else None

    @cached_property
    def templates(self) -> jinja2.Environment:
        environment = jinja2.Environment(loader=jinja2.PackageLoader("assistant.review"), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
        environment.filters |= {"number": lambda value: "" if value is None else digits(value), "unit": unit_symbol, "moment": moment, "duration": duration, "minutes": minutes}
        return environment

    def page(self, request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """A page, with who is looking at it. `form_token` may be given for a visitor without a session."""
        visitor = visitor_of(request)
        context = {"person": visitor.person, "form_token": visitor.form_token, "network": self.settings.network, "here": request.url.path, **context}
        return HTMLResponse(self.templates.get_template(template).render(context), status)


def site_of(request: Request) -> Site:
    return request.app.state.site


async def own_form(request: Request) -> FormData:
    """The fields of a form of this session. Raises Forged."""
    form = await request.form(max_files=0, max_fields=FIELDS)
    must_be_own_form(form.get("form_token"), visitor_of(request).form_token)
    return form


def text_of(form: FormData, name: str) -> str:
    value = form.get(name, "")
    return value.strip() if isinstance(value, str) else ""


aside = run_in_threadpool
"""Disk and passwords are dealt with beside the loop that serves the pages."""


def moment(at_utc: str | None) -> str:
    """A stored time for people: UTC, as records have it."""
    return f"{shop_clock(at_utc, 0, '%Y-%m-%d %H:%M')} UTC" if at_utc else ""


def duration(seconds: float) -> str:
    whole, rest = divmod(round(seconds), 60)
    hours, whole_minutes = divmod(whole, 60)
    return f"{hours} h {whole_minutes:02d} min" if hours else f"{whole_minutes} min {rest:02d} s" if whole_minutes else f"{rest} s"


def minutes(seconds: float) -> str:
    """A countdown as it stands on the bench display."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def day(at_utc: str) -> datetime:
    return datetime.fromisoformat(at_utc)
