"""Seals: what proves, with only the shop's public key, that a job is as it was when it was closed.

A job's seals.jsonl holds one line of canonical JSON for each seal, signed with Ed25519 over everything else in the line. A seal covers
all events so far (by the hash of the last one), the names of all clips they name (a clip is named by the SHA-256 of its bytes), the copy
of the procedure, and the line before it. A line cut short by a power cut stays where it is: the next seal covers it as it stands.
"""

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from assistant.errors import SealError
from assistant.record.clock import Clock
from assistant.record.faults import explain, write_whole
from assistant.record.journal import GENESIS, Event, Journal, canonical
from assistant.record.keys import load_or_make_key, load_public_key, short_id

__all__ = ["SEALS", "Line", "Seal", "named_clips", "load_or_make_key", "load_public_key", "read_lines", "read_seals", "seal_job", "short_id", "verification_code"]

SEALS = "seals.jsonl"
PROCEDURE = "procedure.yaml"
_MARK = 2
"""Hexadecimal digits kept of each event's hash."""


@dataclass(frozen=True)
class Seal:
    """One seal of a job: one line of seals.jsonl."""

    number: int
    """1, 2, 3...: its place among the seals of the job."""
    job: str
    events: int
    """It covers events 1 to this number."""
    last_hash: str
    """Hash of the last of them; through the chain it stands for all."""
    marks: str
    """The first two digits of the hash of every event since the seal before: where a journal was written anew, they show from where on."""
    clips: int
    """How many clips those events name, each counted once."""
    clips_hash: str
    """SHA-256 of their sorted names, as canonical JSON."""
    procedure_sha256: str
    sealed_at: str
    """ISO 8601, UTC, milliseconds, ending in Z."""
    previous: str
    """SHA-256 of the line before; 64 zeros for the first."""
    public_key: str
    """Raw Ed25519 public key, base64."""
    signature: str = ""
    """Over the canonical JSON of all other fields, base64."""

    def line(self) -> bytes:
        """The line of the file, without its end."""
        return canonical(asdict(self)).encode()

    def signed(self) -> bytes:
        """What the signature is made over."""
        return canonical({name: value for name, value in asdict(self).items() if name != "signature"}).encode()

    def fits(self) -> bool:
        """Whether the signature is that of `public_key` over this seal. Says nothing of whose key it is."""
        try:
            Ed25519PublicKey.from_public_bytes(base64.b64decode(self.public_key, validate=True)).verify(base64.b64decode(self.signature, validate=True), self.signed())
        except (InvalidSignature, ValueError):
            return False
        return True


@dataclass(frozen=True)
class Line:
    """One line of seals.jsonl as it stands on the disk."""

    raw: bytes
    seal: Seal | None
    """None where the line is no seal as this program writes it, to the byte."""
    whole: bool
    """False for a last line without its end: a write that was cut short, be it only by that end."""

    @property
    def hash(self) -> str:
        return hashlib.sha256(self.raw).hexdigest()


def seal_job(directory: Path, key: Ed25519PrivateKey, clock: Clock) -> Seal:
    """Seal a job as it stands; the seal is on the disk when this returns. Call it while the job's journal is held for writing.

    Raises JournalError where the journal is damaged, SealError where it is not what the last seal covers, or the seal cannot be written.
    """
    with Journal.read(directory) as journal:
        journal.verify()
        events = journal.events()
    if not events:
        raise SealError(f"There is nothing to seal in {directory}: no entry has been made yet.")
    lines = read_lines(directory)
    seals = [line.seal for line in lines if line.seal]
    covered = seals[-1].events if seals else 0
    if covered and (covered > len(events) or events[covered - 1].hash != seals[-1].last_hash):
        raise SealError(f"{directory.name} is not sealed again: it is no longer what seal {seals[-1].number} covers; gloveside verify says what was changed.")
    try:
        procedure = (directory / PROCEDURE).read_bytes()
    except OSError as error:
        raise explain(error, directory / PROCEDURE, "read") from error
    clips = named_clips(events)
    raw_key = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    unsigned = Seal(
        number=len(seals) + 1,
        job=job_name(directory, events),
        events=len(events),
        last_hash=events[-1].hash,
        marks=marks_of(events[covered:]),
        clips=len(clips),
        clips_hash=hash_of_clips(clips),
        procedure_sha256=hashlib.sha256(procedure).hexdigest(),
        sealed_at=_stamp(clock),
        previous=lines[-1].hash if lines else GENESIS,
        public_key=base64.b64encode(raw_key).decode(),
    )
    seal = Seal(**{**asdict(unsigned), "signature": base64.b64encode(key.sign(unsigned.signed())).decode()})
    # The whole file is written anew beside the old one and takes its place at once: a power cut leaves the old or the new.
    path = directory / SEALS
    try:
        write_whole(path, b"".join(line.raw + b"\n" for line in lines) + seal.line() + b"\n")
    except OSError as error:
        raise explain(error, path, "write") from error
    return seal


def read_seals(directory: Path) -> list[Seal]:
    """The seals of a job, oldest first; none where it was never sealed. Lines that are no seal are left out: `verify_job` names them.

    Raises JournalError where the file cannot be read.
    """
    return [line.seal for line in read_lines(directory) if line.seal]


def read_lines(directory: Path) -> list[Line]:
    """The lines of seals.jsonl, whatever they hold. Raises JournalError where the file cannot be read."""
    path = directory / SEALS
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise explain(error, path, "read") from error
    raw = content.split(b"\n")
    whole, rest = raw[:-1], raw[-1]
    return [Line(line, _read(line), True) for line in whole] + ([Line(rest, _read(rest), False)] if rest else [])


def _read(line: bytes) -> Seal | None:
    """The seal of a line; None where it is not, byte by byte, the one spelling of a seal."""
    try:
        values: Any = json.loads(line)
        if not isinstance(values, dict) or values.keys() != {field.name for field in fields(Seal)}:
            return None
        if any(type(values[field.name]) is not field.type for field in fields(Seal)):
            return None
        seal = Seal(**values)
        if seal.line() != line or any(base64.b64encode(base64.b64decode(text)).decode() != text for text in (seal.public_key, seal.signature)):
            return None
    except (ValueError, RecursionError):
        return None
    return seal


def verification_code(seal: Seal) -> str:
    """A short text for print and QR: job, number of the seal, events, and the first 32 digits of the SHA-256 of its line.

    Who holds a print of it can tell whether the seal beside the job is still there, which the files alone cannot show.
    """
    digest = hashlib.sha256(seal.line()).hexdigest()[:32]
    return f"{seal.job} seal {seal.number} events {seal.events} code {digest}"


def named_clips(events: Iterable[Event]) -> dict[str, int]:
    """Clip (SHA-256) -> number of the first event that names it, in the order of the journal."""
    found: dict[str, int] = {}
    for event in events:
        for clip in event.body.get("clips") or ():
            found.setdefault(clip, event.seq)
    return found


def hash_of_clips(clips: Iterable[str]) -> str:
    """What a seal keeps of the names of the clips."""
    return hashlib.sha256(canonical(sorted(clips)).encode()).hexdigest()


def marks_of(events: Sequence[Event]) -> str:
    """What a seal keeps of each event's hash."""
    return "".join(event.hash[:_MARK] for event in events)


def first_unlike(marks: str, events: Sequence[Event]) -> int | None:
    """Number of the first event that is not the one that was marked; None where all agree as far as the shorter goes."""
    return next((event.seq for place, event in enumerate(events[: len(marks) // _MARK]) if event.hash[:_MARK] != marks[place * _MARK : (place + 1) * _MARK]), None)


def job_name(directory: Path, events: Sequence[Event]) -> str:
    """The job's own name, also where its folder was copied under another."""
    return next((str(event.body["job"]) for event in events if event.kind == "job_started" and event.body.get("job")), directory.name)


def _stamp(clock: Clock) -> str:
    now = clock.utc().astimezone(UTC)
    return now.strftime("%Y-%m-%dT%H:%M:%S.") + f"{now.microsecond // 1000:03d}Z"
