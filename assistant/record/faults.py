"""What can go wrong with a job's files: said in one sentence, or prevented by a sync."""

import errno
import os
from pathlib import Path

from assistant.errors import JournalError

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
        name = getattr(error, "sqlite_errorname", None) or ""
        # Extended names such as SQLITE_IOERR_FSYNC begin with the plain one.
        why = next(
            (text for known, text in _SQLITE.items() if name == known or name.startswith(known + "_")),
            f"the database says {error}: finish the job and open it again",
        )
    return JournalError(f"Cannot {doing} {path}: {why}; {_KEPT}.")


def sync_directory(directory: Path) -> None:
    """Make new names in a directory survive a power cut (OSError if refused); Windows has no such call and needs none."""
    if os.name == "posix":
        handle = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
