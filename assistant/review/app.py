"""Puts the pages together: routes, errors as pages, and the server."""

import logging
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import uvicorn
from cryptography import x509
from starlette.applications import Starlette
from starlette.convertors import Convertor, register_url_convertor
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from assistant.errors import CannotAmend, GlovesideError, JobInUse, JobNotFound, NotAllowed, OpenPoints, PeopleError
from assistant.record.clock import Clock
from assistant.record.people import People
from assistant.review import bench_pages, jobs_pages, log_in, replay_pages
from assistant.review.access import HEADERS, Forged, Gate, Rules, TooMany, known_hosts
from assistant.review.fresh_index import FreshIndex
from assistant.review.site import Settings, Site, aside

LARGEST_FORM = 256 * 1024
"""Bytes of a request; a signature with a hundred open points has some ten thousand."""
STATUS: dict[type[GlovesideError], int] = {JobNotFound: 404, NotAllowed: 403, Forged: 403, TooMany: 429, JobInUse: 409, OpenPoints: 409, CannotAmend: 422, PeopleError: 422}
CLOSING_S = 2
"""How long open pages are waited for at the end."""


class _EntryNumber(Convertor[int]):
    """A number in a path. Starlette's own takes any number of digits, of which Python refuses to read more than some thousand."""

    regex = "[0-9]{1,12}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


register_url_convertor("entry", _EntryNumber())


def make_app(settings: Settings, clock: Clock | None = None, people: People | None = None) -> Starlette:
    """The pages over one store. `people`: others than those of the store, for tests."""
    site = Site(settings, clock, people)
    job = "/jobs/{job}"
    routes = [
        Route("/", jobs_pages.start_page),
        Route("/login", log_in.log_in_page),
        Route("/login", log_in.log_in, methods=["POST"]),
        Route("/logout", log_in.log_out, methods=["POST"]),
        Route("/log-ins", log_in.log_ins),
        Route("/bench", bench_pages.bench_page),
        Route("/bench-live", bench_pages.bench_live),
        Route("/bench/{job}", bench_pages.bench_page),
        Route("/bench/{job}/live", bench_pages.bench_live),
        Route("/jobs", jobs_pages.jobs_page),
        Route("/search", jobs_pages.search_page),
        Route(job, replay_pages.replay_page),
        Route(job + "/entries/{seq:entry}/sound", replay_pages.entry_sound),
        Route(job + "/entries/{seq:entry}/words", replay_pages.entry_words),
        Route(job + "/entries/{seq:entry}/amend", replay_pages.amend, methods=["POST"]),
        Route(job + "/verification", replay_pages.verification),
        Route(job + "/report.pdf", replay_pages.report),
        Route(job + "/ask", replay_pages.ask, methods=["POST"]),
        Route(job + "/questions/{number:entry}/answer", replay_pages.answer, methods=["POST"]),
        Route(job + "/sign", replay_pages.sign, methods=["POST"]),
        Mount("/static", StaticFiles(packages=[("assistant.review", "static")])),
    ]
    rules = Rules(known_hosts(settings.host, settings.names), settings.network, settings.cookie)
    app = Starlette(
        routes=routes,
        # The limit within the gate: who may not come in learns nothing, and its own answer has the headers too.
        middleware=[Middleware(Gate, rules=rules, door=site.door), Middleware(RequestBodyLimitMiddleware, max_body_size=LARGEST_FORM)],
        exception_handlers={GlovesideError: _refused, HTTPException: _not_found, ClientDisconnect: _gone, Exception: _broken},
    )
    app.state.site, app.state.streams, app.state.closing = site, 0, False
    app.state.index = FreshIndex(settings.store)
    return app


async def _refused(request: Request, error: Exception) -> Response:
    status = next((code for kind, code in STATUS.items() if isinstance(error, kind)), 500)
    return await _error_page(request, status, str(error))


async def _not_found(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "There is no such page here.", 405: "This page cannot be used that way.", 413: "That is too long to be taken."}
    return await _error_page(request, error.status_code, words.get(error.status_code, error.detail))


async def _error_page(request: Request, status: int, words: str) -> Response:
    if "text/html" not in request.headers.get("accept", "") or not hasattr(request.state, "visitor"):
        return PlainTextResponse(words + "\n", status)
    site: Site = request.app.state.site
    return await aside(lambda: site.page(request, "error.html", status, words=words))


async def _gone(request: Request, error: Exception) -> Response:
    # A form that was cut off on the way: nobody is there to be answered, and it is no fault of the program to be logged.
    return Response(status_code=400)


async def _broken(request: Request, error: Exception) -> Response:
    # The server log has the particulars; the page tells nobody how the program looks inside.
    return PlainTextResponse("Something went wrong here; the program's log says what.\n", 500, HEADERS)


def certificate_names(certificate: Path) -> tuple[str, ...]:
    """Names and addresses a TLS certificate (PEM) is made out to. Raises GlovesideError."""
    try:
        found = x509.load_pem_x509_certificate(certificate.read_bytes()).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except OSError as error:
        raise GlovesideError(f"The certificate {certificate} cannot be read ({error.strerror}); check the file.") from None
    except x509.ExtensionNotFound:
        return ()
    except ValueError:
        raise GlovesideError(f"{certificate} is no PEM certificate; give the file that begins with BEGIN CERTIFICATE.") from None
    return (*found.get_values_for_type(x509.DNSName), *(str(address) for address in found.get_values_for_type(x509.IPAddress)))


class Server(uvicorn.Server):
    """Ends the displays' streams when it is stopped: they would go on for ever, and have to be cut off."""

    def __init__(self, app: Starlette, **options: Any):
        # No trust in headers that claim another address: they would get round the limits on attempts.
        super().__init__(uvicorn.Config(app, access_log=False, server_header=False, proxy_headers=False, timeout_graceful_shutdown=CLOSING_S, ws="none", h11_max_incomplete_event_size=64 * 1024, **options))
        self._app = app

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._app.state.closing = True
        await super().shutdown(sockets)


def serve(settings: Settings, port: int, certificate: Path | None, private_key: Path | None, ready: Callable[[str], None]) -> None:
    """Serve the pages until the program is stopped; `ready` is given the address once it can be used.

    Raises GlovesideError where the address is in use, or where a network is to be served without a certificate or without people.
    """
    if settings.network and (certificate is None or private_key is None):
        raise GlovesideError(f"Pages for other computers ({settings.host}) go over TLS only; give --certificate and --private-key, or leave --host out to serve this computer alone.")
    if settings.network and not People(settings.store).all():
        raise GlovesideError("Nobody could log in: add people with gloveside people add NAME --role supervisor, then start again.")
    try:
        listening = socket.create_server((settings.host, port), family=socket.AF_INET6 if ":" in settings.host else socket.AF_INET)
    except OSError as error:
        raise GlovesideError(f"Port {port} of {settings.host} cannot be used ({error.strerror}); choose another with --port.") from None
    logging.getLogger("python_multipart").setLevel(logging.ERROR)  # a form that is none is answered with 400; it needs no line for each
    scheme = "https" if certificate else "http"
    server = Server(make_app(settings), log_level="warning", ssl_certfile=certificate, ssl_keyfile=private_key)
    try:
        server.config.load()
    except OSError as error:  # ssl.SSLError among them
        listening.close()
        raise GlovesideError(f"Certificate and private key cannot be used together ({error.strerror or error}); check that they belong to each other.") from None
    shown = f"[{settings.host}]" if ":" in settings.host else settings.host
    with listening, suppress(KeyboardInterrupt):  # that is how it is stopped
        ready(f"{scheme}://{shown}:{listening.getsockname()[1]}")
        server.run(sockets=[listening])
