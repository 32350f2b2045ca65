"""How long voices are kept: sounds taken out after a term or by request. Their hash stays, with who took them out, when and why."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from assistant.engine import events as e
from assistant.engine.remarks import AUDIO_ONLY
from assistant.errors import CannotAmend, NotAllowed
from assistant.record.afterwards import LONGEST, Events, add_event, opened
from assistant.record.clips import delete_clips, kept_clips
from assistant.record.clock import Clock
from assistant.record.kept import read_events
from assistant.record.people import Person
from assistant.record.store import Store


@dataclass(frozen=True)
class OldSound:
    """A closed job whose sound is past its term."""

    directory: Path
    finished: str
    """ISO 8601, UTC."""
    clips: tuple[str, ...]
    """SHA-256 of each sound still there."""
    only_form: int
    """Findings whose remark nobody has written down: their words go with the sound."""


def past_term(root: Path, days: float, clock: Clock) -> list[OldSound]:
    """Jobs closed more than `days` ago that still hold sound, oldest first. A job that is not closed is passed over. Raises JournalError."""
    found = []
    for _, directory in Store(root).jobs():
        clips = kept_clips(directory)
        if not clips:
            continue
        events = read_events(directory)
        finished = next((item.at_utc for item, event in events if isinstance(event, e.JobFinished)), None)
        if finished is not None and clock.utc() - datetime.fromisoformat(finished) > timedelta(days=days):
            found.append(OldSound(directory, finished, tuple(clips), _without_words(events)))
    return found


def _without_words(events: Events) -> int:
    """Findings in force that are kept as sound alone."""
    findings = {item.seq for item, event in events if isinstance(event, e.FindingRecorded) and event.remark_source == AUDIO_ONLY}
    corrected = {event.corrects for _, event in events if isinstance(event, e.Entry)}
    written = {event.entry for _, event in events if isinstance(event, e.Transcribed) or (isinstance(event, e.Amended) and event.field == "remark")}
    return len(findings - corrected - written)


def forget(directory: Path, who: Person, clips: Sequence[str] | None, why: str, clock: Clock, key: Ed25519PrivateKey) -> list[str]:
    """Take sounds out of a job, all of them where `clips` is None; returns the SHA-256 of each that was taken out.

    A supervisor's act. The fact is on the disk before the file is gone; the job is then sealed again and its record written without the
    sound. Raises NotAllowed, CannotAmend for a clip the job does not hold, JobInUse, JournalError.
    """
    if who.disabled or "supervisor" not in who.roles:
        raise NotAllowed(f"{who.name} cannot take sound out of a job; ask a supervisor to.")
    reason = " ".join(why.split())
    if not reason or len(reason) > LONGEST or not reason.isprintable():
        raise CannotAmend(f"Give a reason of 1 to {LONGEST} characters; it stays in the record in place of the sound.")
    with opened(directory, clock) as journal:
        named = {clip for event in journal.events() for clip in event.body.get("clips") or ()}
        # Left by a power cut before its entry was written: no part of the record, and a fault in a sealed job.
        removed = [clip for clip in kept_clips(directory) if clip not in named and (clips is None or clip in clips)]
        if removed:
            delete_clips(directory, removed)
    clips = kept_clips(directory) if clips is None else [clip for clip in clips if clip not in removed]
    if not clips:
        return removed

    def made(events: Events) -> list[e.Event]:
        # What lies in the folder, never what the events of a job from elsewhere call a clip.
        known = set(kept_clips(directory))
        gone = {event.clip for _, event in events if isinstance(event, e.ClipRemoved)}
        wanted = list(dict.fromkeys(clips))
        for clip in wanted:
            if clip not in known | gone:
                raise CannotAmend(f"{directory.name} holds no sound {clip[:16]}…; its record lists them.")
        # One that a power cut left behind after its removal was written down goes now.
        removed.extend(wanted)
        return [e.ClipRemoved(clip, who.name, reason) for clip in wanted if clip not in gone]

    add_event(directory, clock, key, made, lambda: delete_clips(directory, removed))
    return removed
