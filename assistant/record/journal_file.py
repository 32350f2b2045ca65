"""The file of a journal: its table with the guards against changes, how it is opened, and the lock that only one writer holds."""

import functools
import os
import sqlite3
from pathlib import Path

from filelock import FileLock, Timeout

from assistant.errors import JobInUse, JournalError
from assistant.record.faults import explain, make_folder

DATABASE = "journal.sqlite"
_APPLICATION_ID = 0x474C5653
_VERSION = 1
_BUSY_S = 5.0

# The insert trigger closes the one way round the other two: INSERT OR REPLACE deletes without firing a delete trigger.
SCHEMA = f"""
BEGIN IMMEDIATE;
CREATE TABLE events(
  seq INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  at_utc TEXT NOT NULL,
  zone_offset INTEGER NOT NULL,
  zone_name TEXT NOT NULL,
  monotonic_s REAL NOT NULL,
  body TEXT NOT NULL,
  previous_hash TEXT NOT NULL,
  hash TEXT NOT NULL
);
CREATE TRIGGER events_keep_update BEFORE UPDATE ON events
  BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_keep_delete BEFORE DELETE ON events
  BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TRIGGER events_in_order BEFORE INSERT ON events
  WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM events)
  BEGIN SELECT RAISE(ABORT, 'events are only added at the end'); END;
PRAGMA application_id = {_APPLICATION_ID};
PRAGMA user_version = {_VERSION};
COMMIT;
"""


def strange(database: sqlite3.Connection) -> str | None:
    """What in the file beside the entries is not as this program makes it: a guard against changes that is gone, a table added. Raises sqlite3.Error."""
    mark = database.execute("PRAGMA application_id").fetchone()[0]
    version = database.execute("PRAGMA user_version").fetchone()[0]
    found = set(database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master"))
    if not found:
        return None
    wanted = _made()
    if gone := sorted(name for _, name, _, _ in wanted - found):
        return f"its rule {gone[0]} was changed or removed"
    if added := sorted(str(name) for _, name, _, _ in found - wanted):
        return f"{added[0]} was added to it"
    return None if (mark, version) == (_APPLICATION_ID, _VERSION) else "its mark was changed"


@functools.cache
def _made() -> frozenset[tuple[str, str, str, str]]:
    """What a journal's file holds beside its entries."""
    database = sqlite3.connect(":memory:")
    try:
        database.executescript(SCHEMA)
        return frozenset(database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master"))
    finally:
        database.close()


def connect(path: Path, how: str) -> sqlite3.Connection:
    """Open the file; `how`: the query of SQLite's file name, such as "mode=ro". Raises sqlite3.Error."""
    database = sqlite3.connect(f"{path.resolve().as_uri()}?{how}", uri=True, isolation_level=None, timeout=_BUSY_S, check_same_thread=False)
    # Damaged text must reach `verify`, which names the entry, rather than stop SQLite's reader with no number.
    database.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    return database


def must_exist(path: Path) -> None:
    """Raises JournalError."""
    if not path.is_file():
        raise JournalError(f"There is no journal in {path.parent}; check the directory or start a new job.")


def has_events(database: sqlite3.Connection) -> bool:
    """Whether its table was made."""
    return database.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'events'").fetchone() is not None


def check_journal(database: sqlite3.Connection, path: Path) -> None:
    """Raises JournalError if the database belongs to something else or to a newer version."""
    (mark,) = database.execute("PRAGMA application_id").fetchone()
    (version,) = database.execute("PRAGMA user_version").fetchone()
    (objects,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if objects and mark != _APPLICATION_ID:
        raise JournalError(f"{path} is a database, but not the journal of a job; check the directory.")
    if version > _VERSION:
        raise JournalError(f"{path} was written by a newer version of this program; update the program to open it.")


def take_lock(directory: Path) -> FileLock:
    """Hold a job for writing; the folder is made if missing. Raises JobInUse, JournalError."""
    lock = FileLock(directory / "journal.lock", timeout=0, thread_local=False)
    try:
        make_folder(directory)
        lock.acquire()
    except Timeout:
        holder = _holder(directory)
        who = f"process {holder}" if holder else "another process"
        raise JobInUse(f"Job {directory.name} is in use by {who}; finish or close it there first.") from None
    except OSError as error:
        raise explain(error, directory, "open for writing") from error
    try:
        # Not in the lock file itself: whoever tries the lock empties that one.
        (directory / "journal.pid").write_text(f"{os.getpid()}\n", encoding="ascii")
    except OSError:
        pass  # Only a courtesy to the next in line; a full disk is reported where it matters.
    return lock


def _holder(directory: Path) -> int | None:
    try:
        return int((directory / "journal.pid").read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


def drop_lock(directory: Path, lock: FileLock) -> None:
    """Let go of it; dropping twice is harmless."""
    if lock.is_locked:
        try:
            (directory / "journal.pid").unlink(missing_ok=True)
        except OSError:
            pass  # A read-only disk keeps a stale number, which nobody reads while the lock is free.
        lock.release()
