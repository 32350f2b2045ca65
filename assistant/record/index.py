"""The index of a store: what is asked across jobs, answered without reading every journal.

It lies beside the jobs in index.sqlite, is worked out from their journals and holds nothing else: it may be deleted at any time. Several
programs may use it at once, while jobs run.
"""

import os
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from assistant.errors import JournalError
from assistant.record.faults import explain
from assistant.record.index_query import bounds_of, clean, entry_number, query_of, snippet_of, tags_of
from assistant.record.index_rows import Entry, JobLine, JobRows, Measure, Reader
from assistant.record.journal import DATABASE as JOURNAL
from assistant.record.store import is_job_name

DATABASE = "index.sqlite"
_VERSION = 1
"""Raised with every change of the tables or of what is put into them: an index of another version is made anew."""
_BATCH = 1000
"""Jobs written in one transaction: others wait for it."""
_BUSY_S = 60.0
_MOST = 1000
"""Rows given at once."""
_WAITING = "WHERE finished IS NOT NULL AND signed IS NULL"

# An entry's number is its time, so that "newest first" and "from this day" need no sorting: FTS5 walks its lists by that number.
# The word list keeps no text of its own (content=''): what is needed to take an entry out again stands in `entries` and `jobs`.
_SCHEMA = f"""
CREATE TABLE jobs(
  id INTEGER PRIMARY KEY, job TEXT NOT NULL UNIQUE, stamp TEXT NOT NULL, asset TEXT NOT NULL, procedure TEXT NOT NULL, title TEXT NOT NULL,
  technician TEXT NOT NULL, started TEXT NOT NULL, finished TEXT, open_points INTEGER, signed TEXT, events INTEGER NOT NULL, fault TEXT
);
CREATE INDEX jobs_newest ON jobs(started, id);
CREATE INDEX jobs_of_asset ON jobs(asset COLLATE NOCASE, started);
CREATE INDEX jobs_waiting ON jobs(finished) WHERE finished IS NOT NULL AND signed IS NULL;
CREATE INDEX jobs_damaged ON jobs(job) WHERE fault IS NOT NULL;
CREATE TABLE entries(
  id INTEGER PRIMARY KEY, job INTEGER NOT NULL, seq INTEGER NOT NULL, at TEXT NOT NULL, kind TEXT NOT NULL,
  words TEXT NOT NULL, part TEXT NOT NULL, condition TEXT NOT NULL, condition_key TEXT NOT NULL
);
CREATE INDEX entries_of_job ON entries(job);
CREATE TABLE measured(
  asset TEXT NOT NULL COLLATE NOCASE, procedure TEXT NOT NULL, item TEXT NOT NULL, at TEXT NOT NULL, job INTEGER NOT NULL,
  step TEXT NOT NULL, seq INTEGER NOT NULL, value TEXT NOT NULL, unit TEXT NOT NULL, PRIMARY KEY (asset, procedure, item, at, job, step)
) WITHOUT ROWID;
CREATE INDEX measured_of_job ON measured(job);
CREATE VIRTUAL TABLE found USING fts5(words, part, tags, content='', columnsize=0, tokenize="porter unicode61 remove_diacritics 2");
PRAGMA user_version = {_VERSION};
"""


@dataclass(frozen=True)
class Hit:
    """One entry that was found."""

    job: str
    seq: int
    at: str
    """When: ISO 8601, UTC."""
    asset: str
    kind: str
    snippet: str
    part: str
    condition: str


@dataclass(frozen=True)
class JobRow:
    """One job in a list."""

    job: str
    asset: str
    procedure: str
    title: str
    technician: str
    started: str
    finished: str | None
    open_points: int | None
    """None where they cannot be worked out."""
    signed: str | None
    """The supervisor whose signature stands."""
    events: int = 0
    fault: str | None = None
    """For a damaged journal: what is wrong, one sentence."""


@dataclass(frozen=True)
class Measured:
    """A value of an earlier job."""

    job: str
    at: str
    value: float
    unit: str
    step: str = ""
    seq: int = 0


class Index:
    """The index under `root`. Call `refresh` to bring it up to date; the other methods answer from what it holds then."""

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root)
        self.path = self.root / DATABASE
        self._database: sqlite3.Connection | None = None
        self._identity: tuple[int, int] | None = None
        self._reader = Reader()
        self._one_at_a_time = threading.RLock()

    @property
    def shared(self) -> bool:
        """Whether it can lie beside the jobs, where all who open the store see the same one; otherwise it is kept in memory, for itself."""
        return os.access(self.root, os.W_OK) and (not self.path.exists() or os.access(self.path, os.W_OK))

    def refresh(self) -> int:
        """Read again every job whose journal has changed; how many those were. Raises JournalError if the store cannot be read."""
        with self._open() as database:
            known = {job: (number, stamp) for number, job, stamp in database.execute("SELECT id, job, stamp FROM jobs")}
            present = dict(self._stamps())
            gone = [known[job][0] for job in known.keys() - present.keys()]
            changed = sorted(job for job, stamp in present.items() if job not in known or known[job][1] != stamp)
            if gone:
                with _writing(database):
                    for number in gone:
                        _forget(database, number)
            for start in range(0, len(changed), _BATCH):
                jobs = changed[start : start + _BATCH]
                # Journals are read before the index is held: others wait only for the writing.
                rows = [(job, present[job], self._reader.rows(job, self.root / job)) for job in jobs]
                with _writing(database):
                    write(database, rows)
            return len(changed) + len(gone)

    def search(self, text: str = "", *, asset: str = "", part: str = "", condition: str = "", since: str = "", until: str = "", limit: int = 50, offset: int = 0) -> list[Hit]:
        """Entries that hold all the words and fit all the rest, newest first.

        Words in quotation marks stand together; a word with * behind it is the beginning of one. `since` and `until` are days
        ("2026-03-02", UTC), both included; a day that is none finds nothing. Whatever else is written is taken as words.
        """
        statement = self.statement(text, asset=asset, part=part, condition=condition, since=since, until=until, limit=limit, offset=offset)
        if statement is None:
            return []
        with self._open() as database:
            found = database.execute(*statement).fetchall()
        return [Hit(job, seq, at, tag, kind, snippet_of(words, text), named, state) for job, seq, at, tag, kind, words, named, state in found]

    @staticmethod
    def statement(text: str = "", *, asset: str = "", part: str = "", condition: str = "", since: str = "", until: str = "", limit: int = 50, offset: int = 0) -> tuple[str, tuple[Any, ...]] | None:
        """The SQL of a search and its values; None where nothing can be found."""
        try:
            bounds = bounds_of(since, until)
        except (ValueError, OverflowError):
            return None
        wanted = query_of(text, part, condition, asset)
        if wanted is None:
            return None
        rows = (max(1, min(int(limit), _MOST)), max(0, min(int(offset), 1 << 40)))
        columns = "jobs.job, entries.seq, entries.at, jobs.asset, entries.kind, entries.words, entries.part, entries.condition"
        if wanted:
            # CROSS JOIN keeps the order of the loops: the word list first, newest first, and it stops at the limit.
            return f"SELECT {columns} FROM found CROSS JOIN entries ON entries.id = found.rowid CROSS JOIN jobs ON jobs.id = entries.job WHERE found MATCH ? AND found.rowid BETWEEN ? AND ? ORDER BY found.rowid DESC LIMIT ? OFFSET ?", (wanted, *bounds, *rows)
        return f"SELECT {columns} FROM entries CROSS JOIN jobs ON jobs.id = entries.job WHERE entries.id BETWEEN ? AND ? ORDER BY entries.id DESC LIMIT ? OFFSET ?", (*bounds, *rows)

    def jobs(self, limit: int = 50, offset: int = 0, asset: str = "") -> list[JobRow]:
        """Jobs, newest first; damaged ones last, each with its fault."""
        where, values = ("WHERE asset = ? COLLATE NOCASE", (clean(asset),)) if asset else ("", ())
        return self._rows(f"{where} ORDER BY started DESC, id DESC LIMIT ? OFFSET ?", (*values, max(1, int(limit)), max(0, int(offset))))

    def damaged(self) -> list[JobRow]:
        """Jobs whose journal cannot be read."""
        return self._rows("WHERE fault IS NOT NULL ORDER BY job", ())

    def queue(self, limit: int = 50, offset: int = 0) -> list[JobRow]:
        """Jobs that are finished and that no supervisor's signature stands for, the oldest first."""
        return self._rows(f"{_WAITING} ORDER BY finished, id LIMIT ? OFFSET ?", (max(1, int(limit)), max(0, int(offset))))

    def waiting(self) -> int:
        """How many jobs the queue holds."""
        return self._count(_WAITING)

    def count(self) -> int:
        """How many jobs there are, damaged ones among them."""
        return self._count("")

    def earlier_values(self, asset: str, procedure_id: str, check: str, before: str, step: str | None = None) -> list[Measured]:
        """What a check or a computed figure gave in jobs on the same machine by the same procedure before a moment (ISO 8601, UTC), oldest first; `step` keeps to one place."""
        sql = "SELECT jobs.job, measured.at, value, unit, step, seq FROM measured JOIN jobs ON jobs.id = measured.job WHERE measured.asset = ? AND measured.procedure = ? AND item = ? AND measured.at < ?"
        values = [asset, procedure_id, check, before]
        if step is not None:
            sql, values = sql + " AND step = ?", [*values, step]
        with self._open() as database:
            return [Measured(job, at, float(value), unit, place, seq) for job, at, value, unit, place, seq in database.execute(sql + " ORDER BY measured.at, step", [clean(value) for value in values])]

    def close(self) -> None:
        """Let go of the file; closing twice is harmless, and any other method opens it again."""
        with self._one_at_a_time:
            if self._database is not None:
                self._database.close()
            self._database = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _rows(self, rest: str, values: Sequence[Any]) -> list[JobRow]:
        with self._open() as database:
            return [JobRow(*row) for row in database.execute(f"SELECT job, asset, procedure, title, technician, started, finished, open_points, signed, events, fault FROM jobs {rest}", values)]

    def _count(self, where: str) -> int:
        with self._open() as database:
            return database.execute(f"SELECT count(*) FROM jobs {where}").fetchone()[0]

    def _stamps(self) -> Iterator[tuple[str, str]]:
        """(job, what its journal's size and time are now) of every job."""
        try:
            names = [entry.name for entry in os.scandir(self.root) if is_job_name(entry.name)] if self.root.exists() else []
        except OSError as error:
            raise explain(error, self.root, "list the jobs in") from error
        base = str(self.root)
        for name in names:
            path = f"{base}/{name}/{JOURNAL}"
            try:
                now = os.stat(path)
            except OSError:
                continue  # no journal, no job
            try:
                log = os.stat(path + "-wal")
                # A log that is opened for reading and left empty says nothing new.
                tail = f":{log.st_size}:{log.st_mtime_ns}" if log.st_size else ""
            except OSError:
                tail = ""
            yield name, f"{now.st_size}:{now.st_mtime_ns}{tail}"

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """The database, made where it is missing; made anew, once, where it is damaged. Raises JournalError."""
        with self._one_at_a_time:
            try:
                database = self._connected()
            except sqlite3.DatabaseError as error:
                self._discard(error)
                try:
                    database = self._connected()
                except sqlite3.Error as again:
                    raise explain(again, self.path, "open") from again
            try:
                yield database
            except sqlite3.DatabaseError as error:
                if _spoilt(error):
                    self._discard(error)
                    raise JournalError(f"The index {self.path} was damaged and has been deleted; do that again, and it is made anew from the journals.") from error
                raise explain(error, self.path, "use") from error

    def _connected(self) -> sqlite3.Connection:
        identity = _identity(self.path)
        if self._database is not None and identity == self._identity:
            return self._database
        self.close()
        writable = self.shared
        # A store on a read-only medium has its index in memory, worked out when it is opened.
        self._database = sqlite3.connect(self.path if writable else ":memory:", isolation_level=None, timeout=_BUSY_S, check_same_thread=False)
        make_ready(self._database)
        self._identity = _identity(self.path)
        if not writable:
            write(self._database, ((job, stamp, self._reader.rows(job, self.root / job)) for job, stamp in self._stamps()))
        return self._database

    def _discard(self, error: sqlite3.DatabaseError) -> None:
        self.close()
        if not _spoilt(error):
            raise explain(error, self.path, "open") from error
        for name in (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm"):
            with suppress(OSError):
                (self.root / name).unlink(missing_ok=True)


def make_ready(database: sqlite3.Connection) -> None:
    """Give an empty database its tables; empty one of another version first."""
    database.execute("PRAGMA journal_mode = WAL")
    # A power cut may cost the newest part of the index, never its soundness; it is worked out again.
    database.execute("PRAGMA synchronous = NORMAL")
    database.execute("PRAGMA cache_size = -65536")
    database.execute("PRAGMA mmap_size = 1073741824")
    if database.execute("PRAGMA user_version").fetchone()[0] == _VERSION:
        return
    with _writing(database):
        if database.execute("PRAGMA user_version").fetchone()[0] == _VERSION:
            return  # another program was quicker
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name IN ('jobs', 'entries', 'measured', 'found')").fetchall():
            database.execute(f"DROP TABLE {name}")
        for statement in _SCHEMA.split(";\n"):
            if statement.strip():
                database.execute(statement)


def write(database: sqlite3.Connection, rows: Iterable[tuple[str, str, JobRows]]) -> None:
    """Put jobs in, each (job, stamp, rows) in place of what was there of it. To be called within a transaction."""
    entries: list[tuple[int, int, str, Entry]] = []
    for job, stamp, job_rows in rows:
        number = _put_job(database, job, stamp, job_rows.line)
        for measure in job_rows.values:
            _put_measure(database, number, job_rows.line, measure)
        entries += [(entry_number(entry.at, entry.seq, number), number, job_rows.line.asset, entry) for entry in job_rows.entries]
    # In order of time, so that the word list grows at its end; its parts are otherwise written out again and again.
    for wanted, number, asset, entry in sorted(entries, key=lambda row: row[0]):
        own = _put_entry(database, wanted, number, entry)
        database.execute("INSERT INTO found(rowid, words, part, tags) VALUES (?, ?, ?, ?)", (own, clean(entry.words), clean(entry.part), tags_of(asset, entry.condition, entry.condition_key)))


def _put_job(database: sqlite3.Connection, job: str, stamp: str, line: JobLine) -> int:
    columns = (stamp, line.asset, line.procedure, line.title, line.technician, line.started, line.finished, line.open_points, line.signed, line.events, line.fault)
    known = database.execute("SELECT id FROM jobs WHERE job = ?", (job,)).fetchone()
    if known is None:
        return database.execute("INSERT INTO jobs VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", (job, *(clean(value) for value in columns))).lastrowid
    _forget(database, known[0], job=False)
    database.execute("UPDATE jobs SET (stamp, asset, procedure, title, technician, started, finished, open_points, signed, events, fault) = (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) WHERE id = ?", (*(clean(value) for value in columns), known[0]))
    return known[0]


def _put_measure(database: sqlite3.Connection, number: int, line: JobLine, measure: Measure) -> None:
    row = (line.asset, line.procedure, measure.check, measure.at, number, measure.step, measure.seq, measure.value, measure.unit)
    database.execute("INSERT OR REPLACE INTO measured VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", tuple(clean(value) for value in row))


def _put_entry(database: sqlite3.Connection, wanted: int, number: int, entry: Entry) -> int:
    row = (number, entry.seq, entry.at, entry.kind, entry.words, entry.part, entry.condition, entry.condition_key)
    values = tuple(clean(value) for value in row)
    while database.execute("INSERT OR IGNORE INTO entries VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (wanted, *values)).rowcount == 0:
        wanted += 1
    return wanted


def _forget(database: sqlite3.Connection, number: int, job: bool = True) -> None:
    (asset,) = database.execute("SELECT asset FROM jobs WHERE id = ?", (number,)).fetchone() or ("",)
    for own, words, part, condition, key in database.execute("SELECT id, words, part, condition, condition_key FROM entries WHERE job = ?", (number,)).fetchall():
        database.execute("INSERT INTO found(found, rowid, words, part, tags) VALUES ('delete', ?, ?, ?, ?)", (own, words, part, tags_of(asset, condition, key)))
    database.execute("DELETE FROM entries WHERE job = ?", (number,))
    database.execute("DELETE FROM measured WHERE job = ?", (number,))
    if job:
        database.execute("DELETE FROM jobs WHERE id = ?", (number,))


@contextmanager
def _writing(database: sqlite3.Connection) -> Iterator[None]:
    database.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        database.execute("ROLLBACK")
        raise
    database.execute("COMMIT")


def _identity(path: Path) -> tuple[int, int] | None:
    """Which file it is; None where there is none. Another one in its place has another."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _spoilt(error: sqlite3.DatabaseError) -> bool:
    name = getattr(error, "sqlite_errorname", None) or ""
    return name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or "no such" in str(error)
