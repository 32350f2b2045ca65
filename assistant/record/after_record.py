"""What came after the work, for the service record: amendments, signatures, questions, sounds taken out, consent, the seal. JSON-ready."""

import base64
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from assistant.engine import events as e
from assistant.language.pack import Pack
from assistant.record.in_force import LISTS
from assistant.record.journal import Event

SEALS = "seals.jsonl"

Events = Sequence[tuple[Event, e.Event]]


def by_entry(events: Events) -> dict[int, list[int]]:
    """Entry -> the amendments to it, by their sequence numbers."""
    found: dict[int, list[int]] = {}
    for item, event in events:
        if isinstance(event, e.Amended):
            found.setdefault(event.entry, []).append(item.seq)
    return found


def amendments(events: Events, pack: Pack) -> list[dict[str, Any]]:
    """Old and new side by side, oldest first."""

    def shown(field: str, text: str) -> str:
        phrases = pack.group(LISTS[field]).get(text) if field in LISTS else None
        return phrases[0] if phrases else text

    return [
        {"seq": item.seq, "at": item.at_utc, "who": event.who, "role": event.role, "why": event.why, "entry": event.entry, "field": event.field, "old": shown(event.field, event.old), "new": shown(event.field, event.new)}
        for item, event in events
        if isinstance(event, e.Amended)
    ]


def signatures(events: Events) -> list[dict[str, Any]]:
    """Every signature; one before an amendment no longer stands."""
    amended = max((item.seq for item, event in events if isinstance(event, e.Amended)), default=0)
    return [
        {"seq": item.seq, "at": item.at_utc, "who": event.who, "role": event.role, "statement": event.statement, "open_points": list(event.open_points), "stands": item.seq > amended}
        for item, event in events
        if isinstance(event, e.Signed)
    ]


def questions(events: Events) -> list[dict[str, Any]]:
    """Every question after the job, with its answer."""
    answers = {event.number: {"who": event.who, "at": item.at_utc, "text": event.text, "clips": list(event.clips)} for item, event in events if isinstance(event, e.ReviewAnswer)}
    return [
        {"number": event.number, "at": item.at_utc, "who": event.who, "text": event.text, "about": event.about, "answer": answers.get(event.number)}
        for item, event in events
        if isinstance(event, e.ReviewQuestion)
    ]


def removed_clips(events: Events, named: Sequence[str]) -> list[dict[str, Any]]:
    """Sounds taken out, of those that entries name; their hashes stay with the entries. What came to no entry is in the journal only."""
    return [{"sha256": event.clip, "at": item.at_utc, "who": event.who, "why": event.why} for item, event in events if isinstance(event, e.ClipRemoved) and event.clip in named]


def consent(events: Events) -> list[dict[str, Any]]:
    """What technicians said about their voice being kept."""
    return [{"at": item.at_utc, "technician": event.technician, "text": event.text, "given": event.given} for item, event in events if isinstance(event, e.Consent)]


def seal(directory: Path) -> dict[str, Any] | None:
    """The newest seal; None for a job that was never sealed."""
    if not (directory / SEALS).exists():
        return None
    from assistant.record.seal import read_seals, verification_code  # brings in cryptography, which an unsealed job does without

    seals = read_seals(directory)
    if not seals:
        return None
    newest = seals[-1]
    return {
        "sealed_at": newest.sealed_at, "events": newest.events, "last_hash": newest.last_hash, "key": hashlib.sha256(base64.b64decode(newest.public_key)).hexdigest()[:16],
        "public_key": newest.public_key, "signature": newest.signature, "code": verification_code(newest),
    }  # fmt: skip
