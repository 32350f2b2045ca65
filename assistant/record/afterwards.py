"""What is done with a job after it: entries put right, questions asked and answered, signatures. Each is a new event at the end of the
journal; then the job is sealed again and its record written anew. Nothing that stands there is changed.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from assistant.engine import events as e
from assistant.engine.state import fold
from assistant.errors import CannotAmend, JobInUse, JournalError, NotAllowed, OpenPoints
from assistant.language.pack import Pack, load_pack
from assistant.procedure.plan import Plan
from assistant.record.clips import save_clip
from assistant.record.clock import Clock
from assistant.record.in_force import FIELDS, in_force, proper, said_in
from assistant.record.journal import Event, Journal
from assistant.record.kept import earlier_minutes, kept_plan, typed
from assistant.record.people import People, Person, folded
from assistant.record.questions import LONGEST, Events, answered, did_the_work, note_questions, open_questions, technicians
from assistant.record.report import write_record
from assistant.record.seal import seal_job
from assistant.record.service_record import service_record
from assistant.record.verify import verify_job

__all__ = ["CannotAmend", "NotAllowed", "OpenPoints", "add_event", "amend", "amend_all", "answer", "ask", "note_questions", "open_questions", "sign", "statement", "technicians"]

PATIENCE_S = 2.0
"""How long another's short change to the same job is waited for, s."""


def amend(directory: Path, who: Person, entry: int, field: str, new: str, why: str, clock: Clock, key: Ed25519PrivateKey) -> Event:
    """Put one field of an entry right: by a supervisor, or by the technician of the job until a supervisor has signed.

    `entry` is its sequence number; `field` one of remark, condition, disposition, part, said, value, unit; `new` a word of the closed
    list (or its key), an answer of the check, a number, a unit of the same kind, or words. Signatures given before no longer stand.
    Raises NotAllowed, CannotAmend, JobInUse, JournalError.
    """
    (stored,) = amend_all(directory, who, entry, [(field, new)], why, clock, key)
    return stored


def amend_all(directory: Path, who: Person, entry: int, fields: Sequence[tuple[str, str]], why: str, clock: Clock, key: Ed25519PrivateKey) -> list[Event]:
    """Put several fields of an entry right, each (field, new) as for `amend`: all of them, or none where one of them is refused."""
    plan = kept_plan(directory)
    pack = load_pack(plan.procedure.language)
    reason = _words("reason", why)

    def made(events: Events) -> list[e.Event]:
        return [one(events, field, new) for field, new in fields]

    def one(events: Events, field: str, new: str) -> e.Event:
        role = _may_amend(who, events)
        found = next((event for item, event in events if item.seq == entry), None)
        if not isinstance(found, tuple(FIELDS)):
            raise CannotAmend(f"Entry {entry} of {directory.name} is no answer, value, count or finding; the record names the entries by their number.")
        later = next((item.seq for item, event in events if isinstance(event, e.Entry) and event.corrects == entry), None)
        if later is not None:
            raise CannotAmend(f"Entry {entry} was changed by the technician in entry {later}; amend that one.")
        _must_be_finished(directory, events, "amended")
        kept = proper(plan, pack, found, field, new)
        old = said_in(next(event for item, event in in_force(plan, events) if item.seq == entry), field) or (_transcript(events, entry) if field == "remark" else "")
        if kept == old:
            raise CannotAmend(f'The {field} of entry {entry} is "{old}" already; nothing was changed.')
        return e.Amended(who.name, role, reason, entry, field, old, kept)

    return add_event(directory, clock, key, made)


def _transcript(events: Events, entry: int) -> str:
    return next((event.text for _, event in reversed(events) if isinstance(event, e.Transcribed) and event.entry == entry), "")


def _may_amend(who: Person, events: Events) -> str:
    """The role in which somebody amends. Raises NotAllowed."""
    _may_act(who)
    own, signed = did_the_work(who.name, events), any(isinstance(event, e.Signed) and event.role == "supervisor" for _, event in events)
    if "technician" in who.roles and own and not signed:
        return "technician"
    if "supervisor" in who.roles:
        return "supervisor"
    if own and signed and "technician" in who.roles:
        raise NotAllowed(f"A supervisor has signed this job, so {who.name} can amend it no longer; ask a supervisor to.")
    raise NotAllowed(f"{who.name} can amend only jobs of their own; ask a supervisor to.")


def ask(directory: Path, who: Person, text: str, about: int | None, clock: Clock, key: Ed25519PrivateKey) -> Event:
    """Ask the technician of a job something, about one entry (its sequence number) or the whole job. Raises NotAllowed, CannotAmend, JobInUse, JournalError."""
    _may_act(who)
    if "supervisor" not in who.roles:
        raise NotAllowed(f"{who.name} is no supervisor, and only a supervisor asks about a job.")
    words = _words("question", text)

    def made(events: Events) -> e.Event:
        if about is not None and not any(item.seq == about and isinstance(event, (e.Entry, e.StepSkipped, e.HoldReleased)) for item, event in events):
            raise CannotAmend(f"There is no entry {about} in {directory.name} to ask about; leave it out, or take a number from the record.")
        number = 1 + max((event.number for _, event in events if isinstance(event, e.ReviewQuestion)), default=0)
        # Noted before it is asked: a note without its question does no harm, the other way round nobody would hear it.
        People(directory.parent, clock).note_question(directory.name, number, technicians(events))
        return e.ReviewQuestion(number, who.name, words, about)

    (stored,) = add_event(directory, clock, key, made)
    return stored


def answer(directory: Path, who_name: str, number: int, text: str, clips: Sequence[str], clock: Clock, key: Ed25519PrivateKey, sound: np.ndarray | None = None) -> Event:
    """Answer a question: by the technician of the job, in words, as sound, or both.

    `clips` are in the job already; `sound` (int16, mono, 16 kHz) is kept as one more. Raises NotAllowed, CannotAmend, JobInUse, JournalError.
    """
    words = _words("answer", text) if text.strip() or (not clips and sound is None) else ""

    def made(events: Events) -> e.Event:
        found = answered(directory, events, who_name, number, words, tuple(clips))
        # Only now: in a sealed job a sound that no entry names is a fault.
        return found if sound is None else replace(found, clips=(*clips, str(save_clip(directory, sound)["sha256"])))

    (stored,) = add_event(directory, clock, key, made)
    People(directory.parent, clock).drop_question(directory.name, number)
    return stored


def sign(directory: Path, plan: Plan, pack: Pack, who: Person, role: str, acknowledged: Sequence[str], clock: Clock, key: Ed25519PrivateKey) -> Event:
    """Sign a finished job: its technician for the work, or a supervisor who had no hand in it for the review.

    `acknowledged` names the open points, each as `service_record(...)["open_points"]` has it. Raises OpenPoints with those left out,
    NotAllowed, JobInUse, JournalError.
    """

    def made(events: Events) -> e.Event:
        _may_sign(who, role, events)
        _must_be_finished(directory, events, "signed")
        points = service_record(directory, plan, pack)["open_points"]
        unnamed = [point for point in points if point not in set(acknowledged)]
        if unnamed:
            raise OpenPoints(f"{directory.name} has {len(unnamed)} open point{'s' if len(unnamed) > 1 else ''} that must be named before it is signed: {'; '.join(unnamed)}" + ("" if unnamed[-1].endswith((".", "?")) else "."))
        last = events[-1][0]
        return e.Signed(who.name, role, statement(pack, role), tuple(points), last.seq, last.hash)

    (stored,) = add_event(directory, clock, key, made)
    return stored


def statement(pack: Pack, role: str) -> str:
    """What somebody says by signing in a role."""
    return pack.prompts[f"signed_{role}"]


def _may_sign(who: Person, role: str, events: Events) -> None:
    _may_act(who)
    if role not in ("technician", "supervisor") or role not in who.roles:
        raise NotAllowed(f"{who.name} cannot sign as {role or 'nobody'}: that role was not given to them.")
    own = did_the_work(who.name, events)
    if role == "technician" and not own:
        raise NotAllowed(f"{who.name} cannot sign as technician for work of {', '.join(technicians(events)) or 'somebody whom the job does not name'}.")
    mine = [(item.seq, event) for item, event in events if isinstance(event, e.Signed) and folded(event.who) == folded(who.name)]
    if role == "supervisor" and (own or any(event.role == "technician" for _, event in mine)):
        raise NotAllowed(f"{who.name} did this job, and a job is reviewed by somebody else; have another supervisor sign.")
    if any(event.role != role for _, event in mine):
        raise NotAllowed(f"{who.name} has signed this job as {mine[0][1].role}; nobody signs in both roles.")
    amended = max((item.seq for item, event in events if isinstance(event, e.Amended)), default=0)
    if any(seq > amended for seq, _ in mine):
        raise NotAllowed(f"{who.name} has signed this job already, and nothing was amended since.")


def _may_act(who: Person) -> None:
    if who.disabled:
        raise NotAllowed(f"{who.name} may no longer log in here; ask for a new name.")


def _must_be_finished(directory: Path, events: Events, what: str) -> None:
    if not fold(event for _, event in events).finished:
        raise NotAllowed(f"{directory.name} is not finished, so it cannot be {what} yet; go on with it, and finish the job.")


def _words(what: str, text: str) -> str:
    kept = " ".join("".join(letter if letter.isprintable() or letter.isspace() else " " for letter in text).split())
    if not kept or len(kept) > LONGEST:
        raise CannotAmend(f"Give {'an' if what[0] in 'aeiou' else 'a'} {what} of 1 to {LONGEST} characters.")
    return kept


def add_event(directory: Path, clock: Clock, key: Ed25519PrivateKey, made: Callable[[Events], e.Event | Sequence[e.Event]], then: Callable[[], None] = lambda: None) -> list[Event]:
    """Add what `made` makes of the events so far, do `then`, seal the job if it is closed, and write its record anew; returns the events added.

    Raises JournalError, and adds nothing, where the job is not as it was sealed: nobody signs for what somebody has changed.
    """
    with opened(directory, clock) as journal:
        journal.verify()
        verdict = verify_job(directory)
        if verdict.sealed and verdict.faults:
            raise JournalError(f"{directory.name} is not as it was sealed: {verdict.faults[0]} Nothing was added; see gloveside verify.")
        before = typed(journal)
        new = made(before)
        stored = [journal.append(event.kind, event.body()) for event in ([new] if isinstance(new, e.Event) else new)]
        then()
        # Sealed while the job is held, so that two changes never seal past each other; a job that is still to be gone on with, only when it closes.
        if fold(event for _, event in before).finished:
            seal_job(directory, key, clock)
    if (directory / "record.json").exists():
        plan = kept_plan(directory)
        write_record(service_record(directory, plan, load_pack(plan.procedure.language), earlier_minutes(directory.parent, directory)), directory, directory)
    return stored


def opened(directory: Path, clock: Clock) -> Journal:
    """The journal for writing; another's short change is waited for. Raises JobInUse, JournalError."""
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            return Journal.open(directory, clock)
        except JobInUse:
            if time.monotonic() >= until:
                raise
            time.sleep(0.05)
