"""The journal of one job: an append-only, hash-chained list of events in one SQLite file.

An event is on the disk (committed and fsynced) when `append` returns. Each entry holds the hash of the one before, so a changed,
removed or inserted entry is found by `verify`. Entries cut off the end are not: compare the last hash with the one printed on the
service record. The file needs a local disk; SQLite's write-ahead log does not work on a network share.
"""

import hashlib
import json
import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any, Self

from filelock import FileLock

from assistant.errors import JournalError
from assistant.record.clock import Clock, SystemClock, shop_time
from assistant.record.faults import FAULTS, error_name, explain, sync_directory
from assistant.record.journal_file import DATABASE, SCHEMA, check_journal, connect, drop_lock, has_events, must_exist, strange, take_lock

GENESIS = "0" * 64
_COLUMNS = "seq, kind, at_utc, zone_offset, zone_name, monotonic_s, body, previous_hash, hash"
_INSERT = f"INSERT INTO events({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
# One encoder for all: json.dumps would build one for every event.
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


@dataclass(frozen=True)
class Event:
    """One entry of the journal."""

    seq: int
    """1, 2, 3...: its place in the journal."""
    kind: str
    """What happened, such as "job_started"."""
    at_utc: str
    """When: ISO 8601, UTC, milliseconds, ending in Z."""
    zone_offset: int
    """Shop time minus UTC, minutes."""
    zone_name: str
    """Short name of the shop's zone."""
    monotonic_s: float
    """Seconds since the program started; unlike `at_utc` not moved when somebody sets the clock."""
    body: dict[str, Any]
    """The particulars, as JSON."""
    previous_hash: str
    """`hash` of the entry before; 64 zeros for the first."""
    hash: str
    """SHA-256 over all the other columns, hexadecimal."""


def canonical(value: Any) -> str:
    """JSON with one spelling only: sorted keys, no spaces. Raises TypeError or ValueError for what JSON cannot hold, NaN included."""
    return _ENCODER.encode(value)


def chain_hash(columns: tuple[Any, ...]) -> str:
    """SHA-256, hexadecimal, over the columns of an entry before `hash`, in table order; `previous_hash` is the last of them."""
    # surrogateescape: bytes damaged on the disk still hash (to something else) instead of failing to encode.
    return hashlib.sha256(canonical(columns).encode("utf-8", "surrogateescape")).hexdigest()


class Journal:
    """The journal of one job in one directory. Get one from `create`, `open` or `read`; use it as a context manager or `close` it."""

    def __init__(self, directory: Path, database: sqlite3.Connection, clock: Clock | None, lock: FileLock | None) -> None:
        self.directory = directory
        self.path = directory / DATABASE
        self._database = database
        self._clock = clock or SystemClock()
        self._lock = lock
        self._head: tuple[int, str] | None = None
        self._one_at_a_time = threading.Lock()

    @classmethod
    def create(cls, directory: Path | str, clock: Clock | None = None) -> Self:
        """Start a new journal in `directory`, made if missing, and hold it for writing.

        Raises JournalError if there is one already or it cannot be written, JobInUse if another process holds it.
        """
        return cls._for_writing(Path(directory), clock, new=True)

    @classmethod
    def open(cls, directory: Path | str, clock: Clock | None = None) -> Self:
        """Open the journal of `directory` and hold it for appending.

        Raises JournalError if there is none or it cannot be written, JobInUse if another process holds it.
        """
        return cls._for_writing(Path(directory), clock, new=False)

    @classmethod
    def read(cls, directory: Path | str) -> Self:
        """Open the journal of `directory` for reading only; takes no lock and works while another process writes.

        Raises JournalError if there is none or it is not a journal.
        """
        directory = Path(directory)
        path = directory / DATABASE
        must_exist(path)
        waiting = path.with_name(DATABASE + "-wal")
        # SQLite must make a small index file beside a journal with a log. On a read-only medium it cannot, but a closed journal
        # has no log and can be read as it is.
        settled = not os.access(directory, os.W_OK) and not (waiting.exists() and waiting.stat().st_size)
        try:
            database = connect(path, "mode=ro&immutable=1" if settled else "mode=ro")
            check_journal(database, path)
        except FAULTS as error:
            raise explain(error, path, "read") from error
        return cls(directory, database, None, None)

    @classmethod
    def _for_writing(cls, directory: Path, clock: Clock | None, *, new: bool) -> Self:
        path = directory / DATABASE
        if not new:
            must_exist(path)
        lock = take_lock(directory)
        database = None
        try:
            if new and path.exists():
                raise JournalError(f"{directory} already holds the journal of a job; resume that job or start one in another directory.")
            # DATABASE is created only here: a mistyped directory must not become an empty job.
            database = connect(path, "mode=rwc" if new else "mode=rw")
            check_journal(database, path)
            if database.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
                raise JournalError(f"{path} is on a disk that cannot hold a write-ahead log; keep jobs on a local disk.")
            database.execute("PRAGMA synchronous = FULL")
            if not has_events(database):
                # New, or the power went before the table was made: then nothing had been recorded yet.
                database.executescript(SCHEMA)
                sync_directory(directory)
            database.execute("SELECT 1 FROM events LIMIT 1").fetchone()
        except BaseException as error:
            if database is not None:
                database.close()
            drop_lock(directory, lock)
            if isinstance(error, (*FAULTS, OSError)):
                raise explain(error, path, "open for writing") from error
            raise
        return cls(directory, database, clock, lock)

    def append(self, kind: str, body: Mapping[str, Any]) -> Event:
        """Add one event; it is committed and fsynced when this returns.

        Raises JournalError if it could not be written: nothing of it is then kept, all before it is, and `append` may be tried again.
        Raises TypeError or ValueError if JSON cannot hold `body`.
        """
        text = canonical(dict(body))
        if self._lock is None:
            raise JournalError(f"{self.path} was opened for reading only; open the job to add to it.")
        with self._one_at_a_time:
            try:
                seq, previous = self._head or self._last()
                now = shop_time(self._clock)
                columns = (
                    seq + 1,
                    kind,
                    now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{now.microsecond // 1000:03d}Z",
                    int(now.utcoffset().total_seconds() // 60),
                    now.tzname() or "",
                    round(self._clock.monotonic(), 6),
                    text,
                    previous,
                )
                own = chain_hash(columns)
                # Autocommit: one statement, one transaction, one fsync; a failure rolls the whole statement back.
                self._database.execute(_INSERT, (*columns, own))
            except FAULTS as error:
                # Whether a failed commit reached the disk is for SQLite to say: ask again before the next append.
                self._head = None
                raise explain(error, self.path, "write") from error
            self._head = (seq + 1, own)
        return Event(*columns[:6], json.loads(text), previous, own)

    def events(self, after: int = 0) -> list[Event]:
        """All events so far, oldest first; only those behind number `after`, for who follows a running job. Raises JournalError if the file is damaged; use `verify` to prove that it is not changed."""
        found = []
        for row in self._rows(after):
            try:
                body = json.loads(row[6])
            except (TypeError, ValueError) as error:
                raise self._broken(row[0], "its text is damaged") from error
            found.append(Event(*row[:6], body, *row[7:]))
        return found

    def verify(self) -> None:
        """Check the whole chain. Raises JournalError naming the first entry that is damaged, changed, missing or out of place."""
        previous = GENESIS
        expected = 0
        for expected, row in enumerate(self._rows(), start=1):
            if row[0] != expected:
                raise self._broken(expected, f"number {row[0]} stands in its place")
            if row[7] != previous:
                raise self._broken(expected, "it does not follow from the entry before")
            if not _is_as_written(row):
                raise self._broken(expected, "it is not as it was written")
            previous = row[8]
        try:
            # Bytes outside the entries; reads only.
            state = self._database.execute("PRAGMA quick_check(1)").fetchone()[0]
        except FAULTS as error:
            raise explain(error, self.path, "check") from error
        if state != "ok":
            raise self._broken(expected + 1, "the file is damaged after the entry before")
        try:
            odd = strange(self._database)
        except FAULTS as error:
            raise explain(error, self.path, "check") from error
        if odd is not None:
            raise JournalError(f"{self.path} cannot be trusted: {odd}; its entries follow from each other: keep the file and restore a copy.")

    def copy_to(self, database: sqlite3.Connection) -> None:
        """Copy the whole journal, as it is at one moment, into another database; it may be written to meanwhile. Raises sqlite3.Error."""
        self._database.backup(database)

    def close(self) -> None:
        """Let go of the file and the lock; closing twice is harmless."""
        self._database.close()
        if self._lock is not None:
            drop_lock(self.directory, self._lock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _rows(self, after: int = 0) -> Iterator[tuple[Any, ...]]:
        """Rows in order; empty where the power went before the table was made."""
        last = 0
        try:
            if not has_events(self._database):
                return
            # NOT INDEXED ORDER BY seq walks the table itself, so damage shows at the entry it hits.
            # All of them, where all are asked for: an entry numbered 0 is one too many and must be seen.
            where = f"WHERE seq > {after:d} " if after else ""
            for row in self._fetched(f"SELECT {_COLUMNS} FROM events NOT INDEXED {where}ORDER BY seq"):
                last = row[0]
                yield row
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            if error_name(error).startswith("SQLITE_CORRUPT"):
                last = self._readable_up_to()
                raise self._broken(last + 1, "the file is damaged there") from error
            raise explain(error, self.path, "read") from error

    def _fetched(self, statement: str) -> list[tuple[Any, ...]]:
        careful = self._database.text_factory
        try:
            # SQLite's own reading of text, which stops at damaged letters, is much the faster.
            self._database.text_factory = str
            return self._database.execute(statement).fetchall()
        except sqlite3.OperationalError:
            pass  # Damaged text, or anything else, which then comes again.
        finally:
            self._database.text_factory = careful
        return self._database.execute(statement).fetchall()

    def _readable_up_to(self) -> int:
        """Number of the last entry that can be read before the damage."""
        last = 0
        try:
            for (last,) in self._database.execute("SELECT seq FROM events NOT INDEXED ORDER BY seq"):
                self._database.execute("SELECT * FROM events WHERE seq = ?", (last,)).fetchone()
        except (sqlite3.DatabaseError, UnicodeDecodeError):
            return max(last - 1, 0)
        return last

    def _last(self) -> tuple[int, str]:
        row = self._database.execute("SELECT seq, hash FROM events ORDER BY seq DESC LIMIT 1").fetchone()
        return row or (0, GENESIS)

    def _broken(self, seq: int, what: str) -> JournalError:
        return JournalError(
            f"Entry {seq} of {self.path} cannot be trusted: {what}; entries before it are good: keep the file and restore a copy."
        )


def write_again(directory: Path | str, events: Iterable[Event]) -> None:
    """Make the journal of `directory` from events that were read elsewhere, each with the hash it had.

    Raises JournalError, and leaves the journal without events, where one is not as it was written or does not follow; also if there is
    a journal already.
    """
    with Journal.create(directory) as journal:
        last, previous = 0, GENESIS
        try:
            journal._database.execute("BEGIN IMMEDIATE")
            for last, event in enumerate(events, start=1):
                row = (event.seq, event.kind, event.at_utc, event.zone_offset, event.zone_name, event.monotonic_s, canonical(event.body), event.previous_hash, event.hash)
                if event.seq != last or event.previous_hash != previous or not _is_as_written(row):
                    raise JournalError(f"Entry {last} is not as it was written, or does not follow from the one before; get the job anew.")
                journal._database.execute(_INSERT, row)
                previous = event.hash
            journal._database.execute("COMMIT")
        except (sqlite3.Error, OverflowError, UnicodeEncodeError) as error:
            raise explain(error, journal.path, "write") if isinstance(error, sqlite3.Error) else JournalError(f"Entry {last} holds what a journal cannot; get the job anew.") from error


def _is_as_written(row: tuple[Any, ...]) -> bool:
    try:
        return chain_hash(row[:8]) == row[8]
    except (TypeError, ValueError):  # a value of a kind that was never written, such as bytes for text
        return False
