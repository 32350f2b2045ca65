"""Whether a job is as it was recorded and sealed: names the first event, seal, clip or file that was changed, removed, reordered or added.

Needs nothing but the job's folder and a public key, so it works on a copy anywhere. What no check of the files alone can show: that the
whole folder was put back to an earlier state which was sealed too. The code printed on a report tells that.
"""

import base64
import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from assistant.errors import JournalError
from assistant.record.journal import GENESIS, Event, Journal
from assistant.record.seal import PROCEDURE, SEALS, Line, Seal, first_unlike, hash_of_clips, job_name, named_clips, read_lines, short_id

UNPROVEN = 9
"""Exit code of `gloveside verify` where no change was found but not everything is proven: no seal, entries after it, or an unknown key."""
CUT_SHORT = f"The last line of {SEALS} was cut short"
"""How the one fault begins that is mended by sealing again."""
OWN_FILES = frozenset({"journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm", "journal.lock", "journal.pid", "live.json", "clips", PROCEDURE, SEALS, "record.json", "record.html", "record.pdf"})


@dataclass(frozen=True)
class Verdict:
    """What was found."""

    ok: bool
    """Nothing was changed, and a seal covers the job: with the known key where one was given."""
    sealed: bool
    """There is at least one line in seals.jsonl."""
    faults: tuple[str, ...]
    """One sentence for each kind of thing that is not as it was, the first of its kind; empty where nothing was changed."""
    seals: tuple[Seal, ...]
    unsealed_events: int
    """Events after the last seal."""
    notes: tuple[str, ...] = ()
    """What is no fault but should be known: entries not sealed yet, a key that is not known here, files that are no part of the record."""
    known_key: bool = False
    """The last seal was made with the key that was given."""
    removed_clips: int = 0
    """Clips that the entries say were taken out: of these only the hash is left."""


def verify_job(directory: Path, public_key: bytes | None = None) -> Verdict:
    """Check a job's folder. `public_key`: 32 raw bytes of the key it must be sealed with; without it the seals are only checked for fit.

    Raises JournalError only where there is no journal or it cannot be read for want of permission; damage is a fault in the verdict.
    """
    directory = Path(directory)
    faults: list[str] = []
    notes: list[str] = []
    events = _events(directory, faults)
    lines = read_lines(directory)
    seals = tuple(line.seal for line in lines if line.seal)
    known = bool(seals) and public_key is not None and base64.b64decode(seals[-1].public_key) == public_key
    if events is not None:
        faults += _first(_seal_faults(directory, lines, events, public_key, notes))
        faults += _first(_procedure_faults(directory, seals, events))
        faults += _first(_clip_faults(directory, events, bool(lines), notes))
    elif lines:
        faults += _first(_line_faults(lines, public_key, notes))
    unsealed = max(len(events or ()) - (seals[-1].events if seals else 0), 0)
    if not lines:
        notes.append("The job is not sealed: its entries follow from each other, but nothing proves who wrote them or that none was cut off at the end.")
    elif unsealed and not faults:
        notes.append(f"{unsealed} {'entry was' if unsealed == 1 else 'entries were'} added after seal {seals[-1].number}, from entry {seals[-1].events + 1} on, and {'is' if unsealed == 1 else 'are'} not sealed." if seals else f"None of the {unsealed} entries is sealed.")
    notes += [f"{name} is no part of the record." for name in sorted(entry.name for entry in directory.iterdir() if entry.name not in OWN_FILES)]
    return Verdict(not faults and bool(seals), bool(lines), tuple(faults), seals, unsealed, tuple(notes), known, len({event.body.get("clip") for event in events or () if event.kind == "clip_removed"}))


def _first(faults: Iterator[str]) -> list[str]:
    return [fault for fault, _ in zip(faults, range(1), strict=False)]


def _events(directory: Path, faults: list[str]) -> list[Event] | None:
    """The events; None, and a fault, where they are damaged or do not follow from each other."""
    if not (directory / "journal.sqlite").exists() and (directory / SEALS).exists():
        faults.append(f"The journal of {directory} was removed; its seals are still there.")
        return None
    try:
        with Journal.read(directory) as journal:
            journal.verify()
            return journal.events()
    except JournalError as error:
        if (directory / "journal.sqlite").is_file():
            faults.append(str(error))
            return None
        raise


def _line_faults(lines: Sequence[Line], public_key: bytes | None, notes: list[str]) -> Iterator[str]:
    """What is wrong with the seals by themselves."""
    before, number, covered = GENESIS, 0, 0
    for place, line in enumerate(lines, start=1):
        following = lines[place].seal if place < len(lines) else None
        if not line.whole:
            yield f"{CUT_SHORT}, as when the power goes while sealing: what stands before it is whole; gloveside seal seals the job again."
        if line.seal is None:
            if following is None or following.previous != line.hash or not following.fits():
                yield f"Line {place} of {SEALS} is not a seal as it was written: it was changed or damaged."
            else:
                notes.append(f"Line {place} of {SEALS} was cut short, as when the power goes while sealing; the seal after it covers it as it is.")
            before = line.hash
            continue
        seal = line.seal
        number += 1
        if seal.number != number:
            yield f"Seal {number} was removed, added or moved: seal {seal.number} stands in its place."
        if seal.previous != before:
            yield f"Seal {number} does not follow from the line before it: a seal was changed, removed, added or moved."
        if not seal.fits():
            yield f"Seal {number} was changed: its signature does not fit it."
        if seal.events < covered:
            yield f"Seal {number} covers fewer entries than the seal before it."
        before, covered = line.hash, seal.events
    if lines and not number:
        yield f"No line of {SEALS} is a seal."
    yield from _key_faults([line.seal for line in lines if line.seal], public_key, notes)


def _key_faults(seals: Sequence[Seal], public_key: bytes | None, notes: list[str]) -> Iterator[str]:
    if not seals:
        return
    names = [short_id(base64.b64decode(seal.public_key)) for seal in seals]
    if public_key is None:
        notes.append(f"The seal fits, but with a key that is not known here ({names[-1]}): the job agrees with itself, and the shop's public key is needed to show whose it is.")
        return
    own = short_id(public_key)
    if names[-1] != own:
        strange = next(seal.number for seal, name in zip(seals, names, strict=True) if name != own)
        yield f"Seal {strange} fits, but with a key that is not known here ({names[strange - 1]}): the known key is {own}."
    for name in dict.fromkeys(names):
        if name != own:
            notes.append(f"An earlier seal was made with another key, {name}; the last one, with the known key, covers it.")


def _seal_faults(directory: Path, lines: Sequence[Line], events: Sequence[Event], public_key: bytes | None, notes: list[str]) -> Iterator[str]:
    """What is wrong with the seals, and what they say is wrong with the events."""
    seals = [line.seal for line in lines if line.seal]
    yield from _line_faults(lines, public_key, notes)
    covered = 0
    for seal in seals:
        part = events[covered : seal.events]
        changed = first_unlike(seal.marks, part)
        if changed is not None:
            yield f"Entry {changed} is not the one that was sealed: the journal was written anew from there on."
        if len(events) < seal.events:
            yield f"Entry {len(events) + 1} was removed, with all after it: seal {seal.number} covers {seal.events} entries, the journal holds {len(events)}."
        if part and part[-1].hash != seal.last_hash:
            yield f"Entry {part[-1].seq} or one before it, after entry {covered}, is not the one that was sealed: the journal was written anew."
        if len(seal.marks) != 2 * (seal.events - covered):
            yield f"Seal {seal.number} does not cover the entries it names."
        clips = named_clips(events[: seal.events])
        if (len(clips), hash_of_clips(clips)) != (seal.clips, seal.clips_hash):
            yield f"Seal {seal.number} covers other clips than its entries name."
        if seal.job != job_name(directory, events) and any(event.kind == "job_started" for event in events):
            yield f"Seal {seal.number} is that of another job, {seal.job}."
        covered = seal.events


def _procedure_faults(directory: Path, seals: Sequence[Seal], events: Sequence[Event]) -> Iterator[str]:
    noted = next((event.body.get("procedure_sha256") for event in events if event.kind == "job_started"), None)
    wanted = seals[0].procedure_sha256 if seals else noted
    try:
        found = hashlib.sha256((directory / PROCEDURE).read_bytes()).hexdigest()
    except OSError:
        if wanted is not None:
            yield f"{PROCEDURE} was removed or cannot be read."
        return
    if wanted is not None and found != wanted:
        yield f"{PROCEDURE} was changed: it is not the procedure the job was done by."
    if any(seal.procedure_sha256 != wanted for seal in seals):
        yield f"{PROCEDURE} was exchanged between two seals."


def _clip_faults(directory: Path, events: Sequence[Event], sealed: bool, notes: list[str]) -> Iterator[str]:
    folder = directory / "clips"
    removed = {event.body.get("clip"): event for event in events if event.kind == "clip_removed"}
    named = named_clips(events)
    for clip, entry in named.items():
        path = folder / f"{clip}.flac"
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            if clip not in removed:
                yield f"Clip {clip} of entry {entry} was removed, and no entry says by whom."
            continue
        except OSError as error:
            yield f"Clip {clip} of entry {entry} cannot be read ({error.strerror})."
            continue
        if hashlib.sha256(content).hexdigest() != clip:
            yield f"Clip {clip} of entry {entry} was changed: it is not the sound that was recorded."
        elif clip in removed:
            notes.append(f"Clip {clip} was to be taken out by entry {removed[clip].seq}, but is still there.")
    expected = {f"{clip}.flac" for clip in [*named, *removed]}
    for extra in sorted(entry.name for entry in folder.iterdir() if entry.name not in expected) if folder.is_dir() else ():
        said = f"clips/{extra} is named by no entry: it was added, or left behind when the program was stopped; it is no part of the record."
        if sealed:
            yield said
        notes.append(said)
