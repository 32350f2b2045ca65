"""What can go wrong with a job's files: said in one sentence, or prevented by a sync."""

import errno
import os
import sqlite3
from pathlib import Path

from assistant.errors import JournalError

FAULTS = (sqlite3.Error, UnicodeDecodeError)
"""What the database raises; the second where its message quotes damaged text, which Python's module cannot decode."""
_KEPT = "what was recorded before is kept"
_SQLITE = {
    "SQLITE_FULL": "the disk is full: free some space and try again",
    "SQLITE_READONLY": "the file or its directory is read-only: allow writing there",
    "SQLITE_PERM": "this user may not open it: allow reading and writing there",
    "SQLITE_AUTH": "this user may not open it: allow reading and writing there",
    "SQLITE_CANTOPEN": "the file cannot be opened: check that its directory exists and may be written to",
    "SQLITE_CORRUPT": "the file is damaged: keep it as it is and continue from a copy",
    "SQLITE_NOTADB": "the file is not a journal or its beginning is damaged: keep it as it is and restore a copy",
    "SQLITE_BUSY": "another program holds the file: close that program and try again",
    "SQLITE_LOCKED": "another program holds the file: close that program and try again",
    "SQLITE_IOERR": "the disk reported an error: check the disk, its cable and its free space, then try again",
    "SQLITE_CONSTRAINT": "it allows only new entries at its end: close other programs that use the job and open it again",
}
_SYSTEM = {
    errno.ENOSPC: _SQLITE["SQLITE_FULL"],
    errno.EDQUOT: "this user's share of the disk is used up: free some space and try again",
    errno.EFBIG: "the file would grow past the limit set for it: raise the limit and try again",
    errno.EROFS: _SQLITE["SQLITE_READONLY"],
    errno.EACCES: _SQLITE["SQLITE_PERM"],
    errno.EPERM: _SQLITE["SQLITE_PERM"],
    errno.ENOTDIR: "part of its path is a file, not a directory: check the path",
}


def explain(error: Exception, path: Path, doing: str) -> JournalError:
    """A JournalError of one sentence for a failure to `doing` ("read", "write"...) the file at `path`."""
    if isinstance(error, OSError):
        why = _SYSTEM.get(error.errno, f"the system says {error.strerror or error}: put that right and try again")
    else:
        name = error_name(error)
        # Extended names such as SQLITE_IOERR_FSYNC begin with the plain one.
        why = next(
            (text for known, text in _SQLITE.items() if name == known or name.startswith(known + "_")),
            f"the database says {error}: finish the job and open it again",
        )
    return JournalError(f"Cannot {doing} {path}: {why}; {_KEPT}.")


def error_name(error: Exception) -> str:
    """SQLite's name of an error, such as SQLITE_CORRUPT; empty where it has none."""
    return "SQLITE_CORRUPT" if isinstance(error, UnicodeDecodeError) else getattr(error, "sqlite_errorname", None) or ""


def sync_directory(directory: Path) -> None:
    """Make new names in a directory survive a power cut (OSError if refused); Windows has no such call and needs none."""
    if os.name == "posix":
        handle = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_whole(target: Path, content: bytes) -> None:
    """Write beside the target, fsync, rename: a power cut leaves the whole file or the one that was there (OSError if refused)."""
    make_folder(target.parent)
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    sync_directory(target.parent)


def make_folder(folder: Path, mode: int = 0o777) -> None:
    """Make a folder, and those it lies in, so that none is lost in a power cut with all that is in it (OSError if refused)."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    for path in reversed(missing):
        path.mkdir(mode, exist_ok=True)
        sync_directory(path.parent)
