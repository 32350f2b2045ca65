"""Pages to log in and out, and the list of log-ins for supervisors."""

import secrets

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from assistant.errors import NotAllowed
from assistant.review.access import TooMany, address_of, local_path, must_be_own_form, visitor_of
from assistant.review.site import FIELDS, Site, aside, own_form, site_of, text_of

FORM_COOKIE = "gloveside-form"


def log_in_page(request: Request) -> Response:
    return _form(request, local_path(request.query_params.get("next")))


def _form(request: Request, wanted: str, status: int = 200, message: str = "", name: str = "", headers: dict[str, str] | None = None) -> Response:
    site = site_of(request)
    value = secrets.token_urlsafe(24)
    page = site.page(request, "log_in.html", status, next=wanted, message=message, name=name, form_token=site.door.seal_of(value), nobody=not site.people.all())
    page.headers.update(headers or {})
    page.set_cookie(FORM_COOKIE, value, path="/login", secure=site.settings.tls, httponly=True, samesite="strict")
    return page


async def log_in(request: Request) -> Response:
    site = site_of(request)
    form = await request.form(max_files=0, max_fields=FIELDS)
    # Nobody is to be logged in under another's name by a form of another site.
    must_be_own_form(form.get("form_token"), site.door.seal_of(request.cookies.get(FORM_COOKIE, "")))
    name, wanted = text_of(form, "name"), local_path(form.get("next"))
    password = form.get("password")
    try:
        person = await aside(site.door.check, name, password if isinstance(password, str) else "", address_of(request))
    except TooMany as error:
        return await aside(_form, request, wanted, 429, str(error), name, {"retry-after": str(round(error.wait_s) + 1)})
    if person is None:
        return await aside(_form, request, wanted, 401, "Name and password do not belong together, or the name is no longer in use.", name)
    answer = RedirectResponse(wanted, 303)
    # A session of its own each time: one that somebody slipped in before is worth nothing.
    site.door.sessions.close(request.cookies.get(site.settings.cookie, ""))
    answer.set_cookie(site.settings.cookie, site.door.sessions.open(person.name), path="/", secure=site.settings.tls, httponly=True, samesite="strict")
    return answer


async def log_out(request: Request) -> Response:
    site = site_of(request)
    await own_form(request)
    site.door.sessions.close(request.cookies.get(site.settings.cookie, ""))
    answer = RedirectResponse("/login" if site.settings.network else "/jobs", 303)
    answer.delete_cookie(site.settings.cookie, path="/", secure=site.settings.tls, httponly=True, samesite="strict")
    return answer


def log_ins(request: Request) -> Response:
    site: Site = site_of(request)
    person = visitor_of(request).person
    if person is None or "supervisor" not in person.roles:
        raise NotAllowed("The list of log-ins is for supervisors; log in as one.")
    return site.page(request, "log_ins.html", log_ins=site.people.logins(500), people=site.people.all())
