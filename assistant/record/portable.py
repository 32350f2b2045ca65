"""Jobs handed out and taken in: one folder or zip that can be verified without this program, and that this program takes back exactly."""

import base64
import contextlib
import hashlib
import json
import os
import secrets
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from importlib import resources
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from assistant.engine import events as e
from assistant.errors import ExportError, GlovesideError, ImportRefused
from assistant.language.pack import load_pack
from assistant.record.bundle import Bundle
from assistant.record.faults import sync_directory
from assistant.record.journal import Event, Journal, canonical, write_again
from assistant.record.kept import PROCEDURE_COPY, earlier_minutes, kept_plan
from assistant.record.pdf import as_pdf
from assistant.record.record_schema import event_schema, record_schema
from assistant.record.report import as_html, as_json, write_record
from assistant.record.seal import SEALS, Line, named_clips, read_lines
from assistant.record.service_record import service_record
from assistant.record.store import Store, is_job_name
from assistant.record.verify import Verdict, verify_job

CHAIN, EVENTS, SUMS, HOW_TO, KEY = "chain.txt", "events.jsonl", "SHA256SUMS", "HOW-TO-VERIFY.txt", "seal.pub"
_LONGEST_LINE = 4 << 20
"""Bytes of one event as text."""
_STAGING = ".import-"
REHEARSAL = "rehearsal-"
"""How the name of a job begins that a synthetic technician did (`assistant.rehearse`)."""
_KINDS = {field.name: field.type for field in fields(Event)}


@dataclass(frozen=True)
class Taken:
    """A job that was taken in."""

    job: str
    directory: Path
    events: int
    verdict: Verdict


def export_job(directory: Path, out: Path) -> list[str]:
    """Hand a job out into a zip (where `out` ends in .zip) or a new folder; what is written, by name.

    Raises ExportError where the job is not as it was recorded or is a rehearsal, or `out` exists or cannot be written; JournalError.
    """
    verdict = verify_job(directory)
    if verdict.faults:
        raise ExportError(f"{directory.name} is not handed out, because it is not as it was recorded: {verdict.faults[0]}")
    if out.exists():
        raise ExportError(f"{out} exists already; name another.")
    # Seals before events: one that is made meanwhile would cover events that are not handed out.
    lines = read_lines(directory)
    with Journal.read(directory) as journal:
        journal.verify()
        events = journal.events()
    if not events:
        raise ExportError(f"There is nothing in {directory.name} to hand out: no entry has been made yet.")
    # What nobody could take in is not handed out either.
    _job_of(events, lambda why: ExportError(f"{directory.name} is not handed out: {why}."))
    part = out.with_name(f".{out.name}.{secrets.token_hex(4)}.part")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with _Zip(part, directory.name) if out.suffix.lower() == ".zip" else _Folder(part) as target:
            sums = "".join(f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in _contents(directory, events, lines) if target.add(name, content))
            target.add(SUMS, sums.encode())
            names = target.names
        os.replace(part, out)
        sync_directory(out.parent)
    except OSError as error:
        raise ExportError(f"{out} cannot be written ({error.strerror or error}); choose another place or make room.") from None
    finally:
        if part.is_dir():
            shutil.rmtree(part, ignore_errors=True)
        part.unlink(missing_ok=True)
    return names


class _Folder:
    def __init__(self, path: Path) -> None:
        self.path, self.names = path, []

    def __enter__(self) -> "_Folder":
        self.path.mkdir()
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def add(self, name: str, content: bytes) -> bool:
        target = self.path / name
        target.parent.mkdir(exist_ok=True)
        with target.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        self.names.append(name)
        return True


class _Zip:
    def __init__(self, path: Path, folder: str) -> None:
        self.path, self.folder, self.names = path, folder, []

    def __enter__(self) -> "_Zip":
        self.zip = zipfile.ZipFile(self.path, "x", zipfile.ZIP_DEFLATED, allowZip64=False)
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self.zip.close()
        except zipfile.LargeZipFile as error:
            raise ExportError(f"{self.path.name} would be too large for a zip file; hand the job out as a folder.") from error

    def add(self, name: str, content: bytes) -> bool:
        try:
            self.zip.writestr(f"{self.folder}/{name}", content, zipfile.ZIP_STORED if name.endswith(".flac") else zipfile.ZIP_DEFLATED)
        except zipfile.LargeZipFile as error:
            raise ExportError(f"{self.folder} is too large for a zip file; hand it out as a folder.") from error
        self.names.append(name)
        return True


def _contents(directory: Path, events: list[Event], lines: Sequence[Line]) -> Iterator[tuple[str, bytes]]:
    yield EVENTS, "".join(canonical(asdict(event)) + "\n" for event in events).encode()
    yield CHAIN, "".join(_chain_line(event) + "\n" for event in events).encode()
    yield PROCEDURE_COPY, (directory / PROCEDURE_COPY).read_bytes()
    seals = [line.seal for line in lines if line.seal]
    if seals:
        yield SEALS, b"".join(line.raw + b"\n" for line in lines)
        key = Ed25519PublicKey.from_public_bytes(base64.b64decode(seals[-1].public_key))
        yield KEY, key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    for clip in sorted(named_clips(events)):
        path = directory / "clips" / f"{clip}.flac"
        if path.exists():  # one that was taken out has an entry that says so
            yield f"clips/{clip}.flac", path.read_bytes()
    plan = kept_plan(directory)
    record = service_record(directory, plan, load_pack(plan.procedure.language), _earlier(directory))
    yield "record.json", as_json(record).encode()
    yield "record.html", as_html(record, directory).encode()
    # A PDF that cannot be set must not keep the job from being handed out.
    with contextlib.suppress(GlovesideError):
        yield "record.pdf", as_pdf(record, directory)
    for name, schema in (("event.schema.json", event_schema()), ("record.schema.json", record_schema())):
        yield name, (json.dumps(schema, indent=2, ensure_ascii=False) + "\n").encode()
    yield HOW_TO, (resources.files("assistant.record") / "templates" / "how_to_verify.txt").read_bytes()


def _earlier(directory: Path) -> list[dict[str, float]]:
    """For a trainee's comparison; none where another job of the store is damaged, which must not keep this one from being handed out."""
    try:
        return earlier_minutes(directory.parent, directory)
    except GlovesideError:
        return []


def _chain_line(event: Event) -> str:
    """The very text that an event's hash is made over."""
    return canonical((event.seq, event.kind, event.at_utc, event.zone_offset, event.zone_name, event.monotonic_s, canonical(event.body), event.previous_hash))


def import_job(path: Path, root: Path, public_key: bytes | None = None) -> Taken:
    """Take a job that was handed out into the store at `root`; with `public_key` (32 raw bytes), only one sealed with that key.

    Raises ImportRefused, one sentence, and leaves nothing behind, where it is broken, changed, already here, or anything else than what
    `export_job` writes. The service record is written anew: that of a stranger is not kept.
    """
    with Bundle(path) as bundle:
        staging = _new_folder(root)
        try:
            return _take_in(bundle, staging, root, public_key)
        except ImportRefused:
            raise
        except GlovesideError as error:
            raise ImportRefused(f"{path} is refused: {_without(str(error), staging)}") from None
        except OSError as error:
            raise ImportRefused(f"{path} cannot be taken in ({error.strerror or error}); make room in {root} or allow writing there.") from None
        finally:
            shutil.rmtree(staging, ignore_errors=True)


def _new_folder(root: Path) -> Path:
    try:
        root.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix=_STAGING, dir=root))
    except OSError as error:
        raise ImportRefused(f"Nothing can be taken into {root} ({error.strerror}); allow writing there.") from None


def _take_in(bundle: Bundle, staging: Path, root: Path, public_key: bytes | None) -> Taken:
    def refuse(why: str) -> ImportRefused:
        return ImportRefused(f"{bundle.path} is refused: {why}.")

    sums: dict[str, str] = {}
    received = staging / "received"
    (received / "clips").mkdir(parents=True)
    for name in bundle.members:
        sums[name] = _receive(bundle, name, received / name)
    _check_sums((received / SUMS).read_bytes(), sums, refuse)
    events = list(_events(received, refuse))
    job = _job_of(events, refuse)
    if any(name.casefold() == job.casefold() for name, _ in Store(root).jobs()) or (root / job).exists():
        raise refuse(f"job {job} is here already, and two of one name could not be told apart")
    directory = staging / job
    write_again(directory, events)
    for name in (PROCEDURE_COPY, SEALS):
        if name in sums:
            os.replace(received / name, directory / name)
    if any(name.startswith("clips/") for name in sums):
        os.replace(received / "clips", directory / "clips")
    verdict = verify_job(directory, public_key)
    if verdict.faults:
        raise refuse(_without(verdict.faults[0], staging).rstrip("."))
    if public_key is not None and not verdict.known_key:
        raise refuse("it is not sealed with the key that was given")
    extra = sorted({name[6:-5] for name in sums if name.startswith("clips/")} - named_clips(events).keys())
    if extra:
        raise refuse(f"no entry names its sound {extra[0]}")
    _write_record(directory, refuse)
    for left in ("journal.lock", "journal.pid"):
        (directory / left).unlink(missing_ok=True)
    sync_directory(directory)
    os.rename(directory, root / job)
    sync_directory(root)
    return Taken(job, root / job, len(events), verdict)


def _receive(bundle: Bundle, name: str, target: Path) -> str:
    """Write one file, and return the SHA-256 of its bytes."""
    digest = hashlib.sha256()
    with target.open("xb") as file:
        for piece in bundle.read(name):
            digest.update(piece)
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    return digest.hexdigest()


def _check_sums(text: bytes, found: dict[str, str], refuse: Callable[[str], ImportRefused]) -> None:
    wanted: dict[str, str] = {}
    for line in text.decode("utf-8", "replace").splitlines():
        digest, _, name = line.partition("  ")
        wanted[name] = digest
    for name, digest in found.items():
        if name != SUMS and wanted.get(name) != digest:
            raise refuse(f"{name} is not as {SUMS} says: it was damaged on the way or changed" if name in wanted else f"{name} is not named in {SUMS}")
    missing = sorted(wanted.keys() - found.keys())
    if missing:
        raise refuse(f"{missing[0][:80]!r}, which {SUMS} names, is missing")


def _events(received: Path, refuse: Callable[[str], ImportRefused]) -> Iterator[Event]:
    """The events of events.jsonl, each spelled as it must be, of a kind known here, and the same as in chain.txt."""
    with (received / EVENTS).open("rb") as lines, (received / CHAIN).open("rb") as chain:
        number = 0
        while line := lines.readline(_LONGEST_LINE):
            number += 1
            try:
                values: Any = json.loads(line)
                if not isinstance(values, dict) or values.keys() != _KINDS.keys() or not all(_fits(name, value) for name, value in values.items()) or (canonical(values) + "\n").encode() != line:
                    raise ValueError
                event = Event(**values)
                e.read_event(event.kind, event.body)
            except (ValueError, TypeError, LookupError, ArithmeticError, RecursionError, AttributeError):
                raise refuse(f"line {number} of {EVENTS} is no event that this program knows") from None
            if chain.readline(2 * _LONGEST_LINE) != (_chain_line(event) + "\n").encode():
                raise refuse(f"line {number} of {CHAIN} does not say what {EVENTS} says")
            yield event
        if chain.read(1):
            raise refuse(f"{CHAIN} holds more than {EVENTS}")


def _fits(name: str, value: Any) -> bool:
    wanted = {"body": dict, "monotonic_s": float, "seq": int, "zone_offset": int}.get(name, str)
    return type(value) is wanted


def _job_of(events: Sequence[Event], refuse: Callable[[str], GlovesideError]) -> str:
    """The job's name. A rehearsal has none that a store could hold, and must not come to lie among the jobs and values of real machines."""
    names = {event.body.get("job") for event in events if event.kind == "job_started"}
    job = next(iter(names)) if len(names) == 1 else None
    if isinstance(job, str) and job.startswith(REHEARSAL):
        raise refuse("it is a rehearsal, which does not go among the jobs of a shop: show its record.html or record.pdf")
    if not isinstance(job, str) or not is_job_name(job) or Path(job).name != job or len(job.encode()) > 200 or not job.isprintable():
        raise refuse("its events do not name one job as jobs are named here")
    return job


def _write_record(directory: Path, refuse: Callable[[str], ImportRefused]) -> None:
    try:
        plan = kept_plan(directory)
        write_record(service_record(directory, plan, load_pack(plan.procedure.language)), directory, directory)
    except GlovesideError:
        raise
    # Events that anybody may have written meet code that trusts the engine to have written them.
    except Exception as error:
        raise refuse(f"its events do not fit its procedure ({type(error).__name__})") from None


def _without(text: str, staging: Path) -> str:
    """A message without the passing name of the folder it was found in."""
    return text.replace(f"{staging}{os.sep}", "").replace(staging.name, "it")
