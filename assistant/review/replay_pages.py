"""Pages of one job: replay with its sounds, correcting, asking, answering, signing."""

from collections.abc import Callable, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from assistant.engine import events as e
from assistant.engine.choices import step_part_names
from assistant.errors import CannotAmend, JobNotFound, NotAllowed
from assistant.language.pack import Pack
from assistant.procedure.plan import Plan
from assistant.record import afterwards
from assistant.record.journal import Event
from assistant.record.kept import earlier_minutes, read_events
from assistant.record.pdf import as_pdf
from assistant.record.people import Person, folded
from assistant.record.service_record import service_record
from assistant.record.verify import verify_job
from assistant.review.access import address_of, visitor_of
from assistant.review.replay_view import BAR, choices, replay_of
from assistant.review.site import Site, aside, own_form, site_of, text_of
from assistant.review.sound import joined, sound_response, spoken

AMENDED = ("remark", "part", "condition", "disposition", "value", "unit")
"""Fields of the forms for corrections, in the order they are written down."""


class _Job:
    """One job, read for one request."""

    def __init__(self, site: Site, name: str):
        self.directory = site.job(name)
        self.name = self.directory.name
        self.plan: Plan = site.plan(self.directory)
        self.pack: Pack = site.pack(self.plan.procedure.language)
        self.events: list[tuple[Event, e.Event]] = read_events(self.directory)

    def record(self, site: Site) -> dict[str, Any]:
        # Earlier jobs are compared with a trainee's only; looking for them reads every job.
        trainee = any(isinstance(event, e.JobStarted) and event.detail == "full" for _, event in self.events)
        return service_record(self.directory, self.plan, self.pack, earlier_minutes(site.settings.store, self.directory) if trainee else (), self.events)

    def technicians(self) -> list[str]:
        return afterwards.technicians(self.events)


def replay_page(request: Request) -> Response:
    """/jobs/JOB."""
    site = site_of(request)
    job = _Job(site, request.path_params["job"])
    record = job.record(site)
    index = request.app.state.index.as_it_is()

    def earlier(value: dict[str, Any]) -> Sequence[Any]:
        return index.earlier_values(record["asset"], record["procedure"]["id"], value["check"], record["started"], step=value["step"])

    replay = replay_of(job.plan, job.pack, record, job.events, earlier)
    person = visitor_of(request).person
    own = person is not None and folded(person.name) in {folded(name) for name in job.technicians()}
    roles = _may_sign(person, own)
    return site.page(
        request, "replay.html", record=record | {"job_name": job.name}, replay=replay, bar=BAR, last=job.events[-1][0].seq, technicians=job.technicians(),
        conditions=choices(job.pack, "conditions"), dispositions=choices(job.pack, "dispositions"), parts={finding.seq: _parts(job.plan, record, finding.seq) for finding in replay.findings},
        may_amend=person is not None and record["status"] == "closed" and ("supervisor" in person.roles or (own and "technician" in person.roles)),
        may_ask=person is not None and "supervisor" in person.roles, may_answer=own, sign_roles=roles, statements={role: afterwards.statement(job.pack, role) for role in roles},
    )  # fmt: skip


def verification(request: Request) -> Response:
    """/jobs/JOB/verification: the job held against its seals. A page of its own, which the page of the job takes in: to read and hash all of a long job takes longer than to show it."""
    site = site_of(request)
    directory = site.job(request.path_params["job"])
    return site.page(request, "verification.html", job=directory.name, verdict=verify_job(directory, site.public_key))


def _may_sign(person: Person | None, own: bool) -> list[str]:
    """Roles offered for signing; what is allowed is decided where it is signed."""
    if person is None:
        return []
    return [role for role, fits in (("technician", own), ("supervisor", not own)) if fits and role in person.roles]


def _parts(plan: Plan, record: dict[str, Any], seq: int) -> list[str]:
    finding = next(finding for finding in record["findings"] if finding["seq"] == seq)
    names = list(step_part_names(plan, plan.by_key[finding["step"]]))
    return names if finding["part"] in names else [finding["part"], *names]


def entry_sound(request: Request) -> Response:
    """/jobs/JOB/entries/SEQ/sound: the clips that entry names, and no other file."""
    job = _Job(site_of(request), request.path_params["job"])
    removed = {event.clip for _, event in job.events if isinstance(event, e.ClipRemoved)}
    entry = next((event for item, event in job.events if item.seq == request.path_params["seq"] and not isinstance(event, e.Question)), None)
    clips = [clip for clip in getattr(entry, "clips", ()) if clip not in removed]
    if not clips:
        raise JobNotFound("This entry has no sound, or it was removed.")
    return sound_response(request, joined(job.directory, clips), "audio/flac")


def entry_words(request: Request) -> Response:
    """/jobs/JOB/entries/SEQ/words: stage, step and part of a finding, spoken by the machine."""
    job = _Job(site_of(request), request.path_params["job"])
    finding = next((event for item, event in job.events if item.seq == request.path_params["seq"] and isinstance(event, e.FindingRecorded)), None)
    if finding is None:
        raise JobNotFound("There is no such finding in this job.")
    planned = job.plan.by_key[finding.step]
    sound = spoken(f"{planned.text(planned.step.instruction)} {finding.part}.", job.pack.voice.espeak)
    return Response(status_code=204) if sound is None else sound_response(request, sound, "audio/wav")


def report(request: Request) -> Response:
    """/jobs/JOB/report.pdf: the record as it is printed."""
    site = site_of(request)
    job = _Job(site, request.path_params["job"])
    content = as_pdf(job.record(site), job.directory)
    # The name is sent as ASCII: an asset may be named in any script.
    name = job.name.encode("ascii", "replace").decode().replace("?", "-").replace('"', "-")
    return Response(content, media_type="application/pdf", headers={"content-disposition": f'attachment; filename="{name}.pdf"'})


async def amend(request: Request) -> Response:
    """A form with some fields of one entry; each that was changed is one amendment, and all of them are made or none."""
    form = await own_form(request)
    person = _somebody(request)
    why, seq = text_of(form, "why"), request.path_params["seq"]
    # Held against what the page showed, not against the journal: nobody takes back what somebody else put right meanwhile.
    changed = [(field, text_of(form, field)) for field in AMENDED if field in form and text_of(form, field) != text_of(form, f"was_{field}")]
    if not changed:
        raise CannotAmend("Nothing was changed; go back, change a field, and save it then.")

    def write(site: Site, name: str) -> str:
        directory = site.job(name)
        afterwards.amend_all(directory, person, seq, changed, why, site.clock, site.key)
        return directory.name

    name = await _written(request, write)
    return RedirectResponse(f"/jobs/{name}#entry-{seq}", 303)


async def ask(request: Request) -> Response:
    form = await own_form(request)
    person = _somebody(request)
    about = text_of(form, "about")

    def write(site: Site, name: str) -> str:
        directory = site.job(name)
        afterwards.ask(directory, person, text_of(form, "text"), int(about) if about.isascii() and about.isdecimal() and len(about) <= 12 else None, site.clock, site.key)
        return directory.name

    name = await _written(request, write)
    return RedirectResponse(f"/jobs/{name}#questions", 303)


async def answer(request: Request) -> Response:
    form = await own_form(request)
    person = _somebody(request)

    def write(site: Site, name: str) -> str:
        directory = site.job(name)
        afterwards.answer(directory, person.name, request.path_params["number"], text_of(form, "text"), (), site.clock, site.key)
        return directory.name

    name = await _written(request, write)
    return RedirectResponse(f"/jobs/{name}#questions", 303)


async def sign(request: Request) -> Response:
    """Signing asks for the password once more: a screen left open signs for nobody."""
    form = await own_form(request)
    person = _somebody(request)
    role, acknowledged, shown = text_of(form, "role"), [str(point) for point in form.getlist("acknowledged")], text_of(form, "last")
    password = form.get("password")
    address = address_of(request)

    def write(site: Site, name: str) -> str:
        directory = site.job(name)
        known = site.door.check(person.name, password if isinstance(password, str) else "", address)
        if known is None or folded(known.name) != folded(person.name):
            raise NotAllowed("The password is not right; nothing was signed.")
        job = _Job(site, name)
        if str(job.events[-1][0].seq) != shown:
            raise CannotAmend("The record has changed since this page was loaded; look at it again, then sign.")
        afterwards.sign(directory, job.plan, job.pack, known, role, acknowledged, site.clock, site.key)
        return directory.name

    name = await _written(request, write)
    return RedirectResponse(f"/jobs/{name}#signatures", 303)


async def _written(request: Request, write: Callable[[Site, str], str]) -> str:
    """The name of the job, after `write` has added to it."""
    try:
        return await aside(write, site_of(request), request.path_params["job"])
    finally:
        request.app.state.index.stale()


def _somebody(request: Request) -> Person:
    person = visitor_of(request).person
    if person is None:
        raise NotAllowed("Log in first; then send this again.")
    return person
