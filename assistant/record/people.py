"""The people of a shop: names, roles and passwords in ROOT/people.sqlite, every try to log in, and what each agreed to about their voice.

Passwords are kept as Argon2id hashes only. A name that nobody has takes as long to refuse as a wrong password.
"""

import os
import sqlite3
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from assistant.errors import NoSuchPerson, PeopleError
from assistant.record.clock import Clock, SystemClock
from assistant.record.faults import explain

DATABASE = "people.sqlite"
ROLES = ("technician", "supervisor", "author")

TRIES = 5
"""Failed tries for one name from one place, within WINDOW_S, after which the next must wait. Common practice, no source."""
TRIES_FROM_ONE_PLACE = 25
"""Failed tries for any names from one place: somebody goes through a list of names."""
WINDOW_S = 300
SHORTEST, LONGEST, DIFFERENT = 10, 200, 5
PASSWORD_RULE = f"A password has {SHORTEST} to {LONGEST} characters, at least {DIFFERENT} different ones, and does not contain the person's name."
_LONGEST_NAME = 60
_LONGEST_KEPT = 100
"""Characters of an unknown name or an address that are written down."""
_APPLICATION_ID = 0x474C5650
_BUSY_S = 5.0

_SCHEMA = f"""
BEGIN IMMEDIATE;
CREATE TABLE IF NOT EXISTS people(folded TEXT PRIMARY KEY, name TEXT NOT NULL, roles TEXT NOT NULL, password TEXT NOT NULL, disabled INTEGER NOT NULL DEFAULT 0, added TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS logins(number INTEGER PRIMARY KEY, at TEXT NOT NULL, folded TEXT NOT NULL, name TEXT NOT NULL, address TEXT NOT NULL, ok INTEGER NOT NULL, why TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS logins_by_place ON logins(address, at);
CREATE TABLE IF NOT EXISTS consents(folded TEXT PRIMARY KEY, name TEXT NOT NULL, text TEXT NOT NULL, given INTEGER NOT NULL, at TEXT NOT NULL, job TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS asked(job TEXT NOT NULL, number INTEGER NOT NULL, folded TEXT NOT NULL, PRIMARY KEY(job, number, folded));
PRAGMA application_id = {_APPLICATION_ID};
PRAGMA user_version = 1;
COMMIT;
"""
_WRONG = ("wrong password", "unknown name", "disabled", "being checked")
"""What counts as a failed try; one that was refused for haste does not, or nobody could ever get in again."""


@dataclass(frozen=True)
class Person:
    """Somebody who may log in."""

    name: str
    roles: frozenset[str]
    """Of ROLES."""
    disabled: bool = False
    """May no longer log in; the name stays taken, because records carry it."""


@dataclass(frozen=True)
class Login:
    """One try to log in."""

    at: str
    """ISO 8601, UTC."""
    name: str
    """As it was typed."""
    address: str
    """From where."""
    ok: bool
    why: str
    """"" for a success; wrong password, unknown name, disabled, too many tries, or being checked (the program ended meanwhile)."""


@dataclass(frozen=True)
class Agreement:
    """What a technician last said about their voice being kept."""

    name: str
    text: str
    """What was read to them."""
    given: bool
    at: str
    """ISO 8601, UTC."""
    job: str


def folded(name: str) -> str:
    """A name as it is compared: capitals, spacing and ways of writing an accent do not count."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


class People:
    """The people of the store under `root`. Every method raises JournalError when the file cannot be used."""

    def __init__(self, root: Path | str, clock: Clock | None = None, hasher: PasswordHasher | None = None):
        self.root = Path(root)
        self.path = self.root / DATABASE
        self._clock = clock or SystemClock()
        self._hasher = hasher or PasswordHasher()

    def add(self, name: str, roles: Iterable[str], password: str) -> Person:
        """Raises PeopleError for a name that is taken or cannot be written, an unknown role or a weak password."""
        name = " ".join(unicodedata.normalize("NFC", name).split())
        if not name or len(name) > _LONGEST_NAME or not all(letter.isprintable() for letter in name):
            raise PeopleError(f"A name has 1 to {_LONGEST_NAME} characters, all of them printable; give another one.")
        given = frozenset(roles)
        if not given or not given <= set(ROLES):
            raise PeopleError(f"{', '.join(sorted(given - set(ROLES))) or 'No role'} cannot be given to {name}; the roles are {', '.join(ROLES)}.")
        secret = self._hasher.hash(_good_password(name, password))
        with self._writing() as database:
            if database.execute("SELECT 1 FROM people WHERE folded = ?", (folded(name),)).fetchone():
                raise PeopleError(f"{name} is here already; give another name, or a new password with: gloveside people password {name!r}")
            database.execute("INSERT INTO people VALUES (?, ?, ?, ?, 0, ?)", (folded(name), name, " ".join(sorted(given)), secret, self._now()))
        return Person(name, given)

    def check(self, name: str, password: str, address: str = "this computer") -> Person | None:
        """The person, where name and password belong together and the person may log in; every try is written down.

        None also while too many tries wait (`wait_s` says how long), whatever the password.
        """
        key, spare = folded(name)[:_LONGEST_KEPT], _stand_in(self._hasher)
        with self._writing() as database:
            hasty = self._wait_s(database, key, address) > 0
            row = database.execute("SELECT name, roles, disabled, password FROM people WHERE folded = ?", (folded(name),)).fetchone()
            # Counted as failed until it is known to be right: a hundred tries at once must not pass the limit together.
            number = database.execute(
                "INSERT INTO logins(at, folded, name, address, ok, why) VALUES (?, ?, ?, ?, 0, ?)",
                (self._now(), key, _printable(name), _printable(address), "too many tries" if hasty else "being checked"),
            ).lastrowid
        if hasty:
            return None
        secret = row[3] if row else spare
        right = _matches(self._hasher, secret, password)
        why = "unknown name" if row is None else "wrong password" if not right else "disabled" if row[2] else ""
        renewed = self._hasher.hash(_normal(password)) if not why and self._hasher.check_needs_rehash(secret) else None
        with self._writing() as database:
            database.execute("UPDATE logins SET ok = ?, why = ? WHERE number = ?", (not why, why, number))
            if renewed is not None:
                database.execute("UPDATE people SET password = ? WHERE folded = ? AND password = ?", (renewed, folded(name), secret))
        return _person(row) if not why else None

    def wait_s(self, name: str, address: str = "this computer") -> float:
        """Seconds until `check` looks at a password again; 0 where it does now."""
        with self._reading() as database:
            return self._wait_s(database, folded(name)[:_LONGEST_KEPT], address) if database else 0.0

    def find(self, name: str) -> Person | None:
        with self._reading() as database:
            row = database.execute("SELECT name, roles, disabled FROM people WHERE folded = ?", (folded(name),)).fetchone() if database else None
        return _person(row) if row else None

    def all(self) -> list[Person]:
        """Everybody, by name, the disabled too."""
        with self._reading() as database:
            return [_person(row) for row in database.execute("SELECT name, roles, disabled FROM people ORDER BY folded")] if database else []

    def set_password(self, name: str, password: str) -> None:
        """Raises NoSuchPerson, or PeopleError for a weak password."""
        secret = self._hasher.hash(_good_password(name, password))
        self._change(name, "UPDATE people SET password = ? WHERE folded = ?", secret)

    def disable(self, name: str) -> None:
        """Let somebody log in no longer. Raises NoSuchPerson."""
        self._change(name, "UPDATE people SET disabled = ? WHERE folded = ?", 1)

    def logins(self, limit: int = 1000) -> list[Login]:
        """The newest tries to log in, newest first."""
        with self._reading() as database:
            rows = database.execute("SELECT at, name, address, ok, why FROM logins ORDER BY number DESC LIMIT ?", (limit,)).fetchall() if database else []
        return [Login(at, name, address, bool(ok), why) for at, name, address, ok, why in rows]

    def agreement(self, technician: str) -> Agreement | None:
        """What somebody last said about their voice being kept; None where nobody has asked."""
        with self._reading() as database:
            row = database.execute("SELECT name, text, given, at, job FROM consents WHERE folded = ?", (folded(technician),)).fetchone() if database else None
        return Agreement(row[0], row[1], bool(row[2]), row[3], row[4]) if row else None

    def agree(self, technician: str, text: str, given: bool, job: str) -> None:
        """Remember what somebody said about their voice being kept."""
        with self._writing() as database:
            database.execute("INSERT OR REPLACE INTO consents VALUES (?, ?, ?, ?, ?, ?)", (folded(technician), technician, text, given, self._now(), job))

    def ask_again(self, technician: str) -> None:
        """Have somebody asked once more at the next job."""
        with self._writing() as database:
            database.execute("DELETE FROM consents WHERE folded = ?", (folded(technician),))

    def to_be_asked(self, technician: str) -> list[tuple[str, int]]:
        """(job, number) of questions noted for somebody, oldest job first; the journals say which are still open."""
        with self._reading() as database:
            return database.execute("SELECT job, number FROM asked WHERE folded = ? ORDER BY job, number", (folded(technician),)).fetchall() if database else []

    def note_question(self, job: str, number: int, technicians: Iterable[str]) -> None:
        """Note that somebody is to be asked, so that nobody has to look through every job for it."""
        with self._writing() as database:
            database.executemany("INSERT OR IGNORE INTO asked VALUES (?, ?, ?)", [(job, number, folded(name)) for name in technicians])

    def drop_question(self, job: str, number: int) -> None:
        with self._writing() as database:
            database.execute("DELETE FROM asked WHERE job = ? AND number = ?", (job, number))

    def _change(self, name: str, statement: str, value: object) -> None:
        with self._writing() as database:
            if not database.execute(statement, (value, folded(name))).rowcount:
                near = [person.name for person in self.all()]
                raise NoSuchPerson(f"There is nobody called {name} here; " + (f"there are {', '.join(near[:8])}." if near else "add people with gloveside people add."))

    def _wait_s(self, database: sqlite3.Connection, key: str, address: str) -> float:
        now = self._clock.utc()
        # A try that lies in the future was written before somebody set the clock back.
        since, until, place = _stamp(now - timedelta(seconds=WINDOW_S)), _stamp(now), _printable(address)
        marks = ", ".join("?" * len(_WRONG))
        rows = database.execute(f"SELECT at, folded, ok, why FROM logins WHERE address = ? AND at > ? AND at <= ? AND (ok OR why IN ({marks})) ORDER BY number DESC", (place, since, until, *_WRONG)).fetchall()
        own: list[str] = []
        for at, whose, ok, _ in rows:
            if whose == key and ok:
                break  # who got in begins anew
            if whose == key:
                own.append(at)
        anybody = [at for at, _, ok, _ in rows if not ok]
        ends = [times[limit - 1] for times, limit in ((own, TRIES), (anybody, TRIES_FROM_ONE_PLACE)) if len(times) >= limit]
        return max((WINDOW_S - (now - datetime.fromisoformat(at)).total_seconds() for at in ends), default=0.0)

    def _now(self) -> str:
        return _stamp(self._clock.utc())

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction, made whole or not at all."""
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            if not self.path.exists():
                # Hashes are for this user only, from the first byte.
                os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
            database = sqlite3.connect(self.path, isolation_level=None, timeout=_BUSY_S)
        except (sqlite3.Error, OSError) as error:
            raise explain(error, self.path, "open") from error
        try:
            _must_be_ours(database, self.path)
            if database.execute("PRAGMA user_version").fetchone()[0] == 0:
                database.executescript(_SCHEMA)
            database.execute("BEGIN IMMEDIATE")
            yield database
            database.execute("COMMIT")
        except sqlite3.Error as error:
            raise explain(error, self.path, "write") from error
        finally:
            database.close()  # rolls back what was not committed

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection | None]:
        """None where nobody has been added yet: reading makes no file."""
        if not self.path.exists() or not self.path.stat().st_size:
            yield None
            return
        try:
            database = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=_BUSY_S)
            try:
                _must_be_ours(database, self.path)
                yield database
            finally:
                database.close()
        except sqlite3.Error as error:
            raise explain(error, self.path, "read") from error


def _must_be_ours(database: sqlite3.Connection, path: Path) -> None:
    (mark,) = database.execute("PRAGMA application_id").fetchone()
    (objects,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if objects and mark != _APPLICATION_ID:
        raise PeopleError(f"{path} is a database, but does not hold the people of a shop; check the folder.")


def _person(row: tuple) -> Person:
    return Person(row[0], frozenset(row[1].split()), bool(row[2]))


def _good_password(name: str, password: str) -> str:
    """The password as it is hashed. Raises PeopleError."""
    normal = _normal(password)
    # A name of one or two letters is in every other password.
    named = len(folded(name)) > 2 and folded(name) in normal.casefold()
    if not SHORTEST <= len(normal) <= LONGEST or len(set(normal)) < DIFFERENT or named:
        raise PeopleError(PASSWORD_RULE)
    return normal


def _normal(password: str) -> str:
    # The same password typed on another keyboard may come as other code points; NIST SP 800-63B 5.1.1.2 (from memory).
    return unicodedata.normalize("NFKC", password)


def _matches(hasher: PasswordHasher, secret: str, password: str) -> bool:
    try:
        # Cut, so that nobody makes the computer hash megabytes; no longer password can be right.
        return hasher.verify(secret, _normal(password[: 4 * LONGEST])[: LONGEST + 1])
    except (VerificationError, InvalidHashError):
        return False


@lru_cache(maxsize=4)
def _stand_in(hasher: PasswordHasher) -> str:
    """A hash that nobody's password has, to be compared with where a name is unknown."""
    return hasher.hash(os.urandom(24).hex())


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else "�" for letter in text)[:_LONGEST_KEPT]


def _stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"
