"""A small sealed job, every way to change it, and whether the change is found or changes nothing that the job says."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from assistant.errors import JournalError
from assistant.record.clips import save_clip
from assistant.record.clock import SimulatedClock
from assistant.record.journal import DATABASE, GENESIS, Journal, chain_hash
from assistant.record.journal_file import SCHEMA
from assistant.record.seal import SEALS, seal_job
from assistant.record.verify import Verdict, verify_job

PROCEDURE_TEXT = b"procedure: test\ntitle: A test\n"
COLUMNS = ("seq", "kind", "at_utc", "zone_offset", "zone_name", "monotonic_s", "body", "previous_hash", "hash")
LINES = "SELECT seq, kind, at_utc, zone_offset, zone_name, monotonic_s, body, previous_hash, hash FROM events ORDER BY seq"
FIRST, ALL = 9, 13
"""Events under the first seal, and under both."""


def raw(key: Ed25519PrivateKey) -> bytes:
    return key.public_key().public_bytes_raw()


def small_job(directory: Path, key: Ed25519PrivateKey) -> Path:
    """Thirteen events, three clips of which one was taken out again, two seals; the journal is closed."""
    import hashlib

    clock = SimulatedClock(datetime(2026, 3, 2, 8, 0, tzinfo=UTC))
    noise = np.random.default_rng(1)
    with Journal.create(directory, clock) as journal:
        (directory / "procedure.yaml").write_bytes(PROCEDURE_TEXT)
        journal.append("job_started", {"job": directory.name, "procedure_sha256": hashlib.sha256(PROCEDURE_TEXT).hexdigest(), "asset": "P104"})
        for number in range(3):
            clip = str(save_clip(directory, noise.integers(-999, 999, 300 + 40 * number).astype(np.int16))["sha256"])
            clock.advance(1.25)
            journal.append("asked", {"about": "value", "clips": [clip]})
            journal.append("value", {"value": f"{number}.50", "unit": "mm", "clips": [clip], "corrects": None})
        journal.append("heard", {"text": "finish the job — 작업 끝", "confidence": 0.75})
        journal.append("job_finished", {"undone": []})
        seal_job(directory, key, clock)
        journal.append("amended", {"who": "Ana", "entry": 3, "old": "0.50", "new": "0.60"})
        journal.append("clip_removed", {"clip": clip, "who": "Ana", "why": "asked for"})
        (directory / "clips" / f"{clip}.flac").unlink()
        journal.append("signed", {"who": "Kim", "role": "technician"})
        journal.append("signed", {"who": "Ana", "role": "supervisor"})
        seal_job(directory, key, clock)
    for name in ("journal.lock", "journal.sqlite-wal", "journal.sqlite-shm"):
        (directory / name).unlink(missing_ok=True)
    return directory


def content(directory: Path) -> tuple[object, ...]:
    """What the journal says: every column of every event, and its rules."""
    with Journal.read(directory) as journal:
        found = [tuple(vars(event).items()) for event in journal.events()]
        rules = sorted(journal._database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master"))
    return repr(found), rules


@dataclass
class Flips:
    """Counts of bytes changed in one file."""

    tried: int = 0
    found: int = 0
    neutral: int = 0
    """Not reported, and the journal says the same as before, word for word."""


def flip_each(job: Path, scratch: Path, file: str, key: bytes, positions: Iterator[int] | range, patterns: tuple[int, ...]) -> Flips:
    """Change one byte after the other of one file. Raises AssertionError where a change of content is not reported."""
    if scratch.exists():
        shutil.rmtree(scratch)
    shutil.copytree(job, scratch)
    said = content(job)
    good = (job / file).read_bytes()
    count = Flips()
    for position in positions:
        for pattern in patterns:
            changed = bytearray(good)
            changed[position] ^= pattern
            (scratch / file).write_bytes(changed)
            count.tried += 1
            verdict = verify_job(scratch, key)
            assert verdict.ok == (not verdict.faults)
            if verdict.faults:
                count.found += 1
                continue
            assert file == DATABASE, f"byte {position} of {file} changed by {pattern:#x} is not reported"
            assert content(scratch) == said, f"byte {position} of {file} changed by {pattern:#x} changes what the journal says and is not reported"
            count.neutral += 1
            for name in ("journal.sqlite-wal", "journal.sqlite-shm"):
                (scratch / name).unlink(missing_ok=True)
    return count


def by_sql(directory: Path, *statements: str, rules: bool = True) -> None:
    """Change a journal as somebody does who knows SQL: take the guards off, change, and put the guards back."""
    database = sqlite3.connect(directory / DATABASE)
    for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        database.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        database.execute(statement)
    if rules:
        for part in SCHEMA.split("CREATE TRIGGER")[1:]:
            database.execute("CREATE TRIGGER" + part.split("PRAGMA")[0].rstrip().rstrip(";"))
    database.commit()
    database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()


def chained_anew(directory: Path, change: Callable[[list[tuple]], list[tuple]]) -> None:
    """Change the events and work out all numbers and hashes anew, so that the chain itself is faultless."""
    database = sqlite3.connect(directory / DATABASE)
    rows = change(database.execute(LINES).fetchall())
    database.close()
    previous, made = GENESIS, []
    for seq, row in enumerate(rows, start=1):
        columns = (seq, *row[1:7], previous)
        previous = chain_hash(columns)
        made.append((*columns, previous))
    quoted = [", ".join(str(value) if isinstance(value, (int, float)) else "'" + value.replace("'", "''") + "'" for value in row) for row in made]
    by_sql(directory, "DELETE FROM events", *(f"INSERT INTO events({', '.join(COLUMNS)}) VALUES ({row})" for row in quoted))


def verdict_after(job: Path, scratch: Path, key: bytes, change: Callable[[Path], None]) -> Verdict:
    """What is found after a change to a copy."""
    if scratch.exists():
        shutil.rmtree(scratch)
    shutil.copytree(job, scratch)
    change(scratch)
    return verify_job(scratch, key)


def seal_lines(directory: Path, change: Callable[[list[bytes]], list[bytes]]) -> None:
    path = directory / SEALS
    path.write_bytes(b"".join(line + b"\n" for line in change(path.read_bytes().split(b"\n")[:-1])))


def readable(directory: Path) -> bool:
    try:
        content(directory)
    except JournalError:
        return False
    return True
