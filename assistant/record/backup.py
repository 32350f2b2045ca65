"""A copy of all jobs, made while they run, and each job of the copy verified."""

import os
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from assistant.errors import ExportError, JournalError
from assistant.record.faults import explain, sync_directory
from assistant.record.journal import DATABASE, Journal
from assistant.record.kept import PROCEDURE_COPY
from assistant.record.seal import SEALS, named_clips
from assistant.record.store import Store
from assistant.record.verify import verify_job

_BESIDE = (PROCEDURE_COPY, SEALS)
_REPORTS = ("record.json", "record.html", "record.pdf")


@dataclass(frozen=True)
class Copied:
    """What became of one job."""

    job: str
    events: int
    fault: str | None
    """What is wrong with the copy: it was so in the store already. One sentence."""


def backup(root: Path, out: Path) -> list[Copied]:
    """Copy every job under `root` to the new folder `out`, which is a store itself: to restore, put its folders back or use it as the store.

    Jobs may run meanwhile. Not copied: the index, which is worked out from the journals, people with their passwords, and the sealing key.
    Raises ExportError, and leaves no `out`, if that fails; JournalError if the store cannot be read.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise ExportError(f"{out} is not empty; name a new folder for each copy.")
    if out.resolve().is_relative_to(root.resolve()):
        raise ExportError(f"{out} lies within the store; a copy belongs on another disk.")
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        part.mkdir(parents=True)
        done = [_copy(job, directory, part / job) for job, directory in Store(root).jobs()]
        if out.exists():
            out.rmdir()
        os.replace(part, out)
        sync_directory(out.parent)
    except OSError as error:
        raise ExportError(f"The copy cannot be written to {out} ({error.strerror or error}); choose another place or make room.") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return done


def _copy(job: str, directory: Path, target: Path) -> Copied:
    fault = None
    for _ in range(3):
        # A sound may be taken out, or the job sealed again, between two files: then the copy is made once more.
        shutil.rmtree(target, ignore_errors=True)
        events, fault = _copy_once(directory, target)
        if fault is None:
            break
    return Copied(job, events, fault)


def _copy_once(directory: Path, target: Path) -> tuple[int, str | None]:
    target.mkdir()
    # Seals before the journal: a seal made meanwhile would cover entries that the copy lacks.
    for name in _BESIDE:
        _copy_file(directory / name, target / name)
    try:
        _copy_journal(directory, target)
        with Journal.read(target) as journal:
            events = journal.events()
    except JournalError as error:
        # A damaged journal is kept as it is: whoever mends it must have all there was.
        for name in (DATABASE, f"{DATABASE}-wal"):
            _copy_file(directory / name, target / name)
        if (directory / "clips").is_dir():
            shutil.copytree(directory / "clips", target / "clips", dirs_exist_ok=True)
        return 0, str(error).replace(str(target), str(directory))
    for clip in named_clips(events):
        _copy_file(directory / "clips" / f"{clip}.flac", target / "clips" / f"{clip}.flac")
    for name in _REPORTS:
        _copy_file(directory / name, target / name)
    faults = verify_job(target).faults
    return len(events), faults[0] if faults else None


def _copy_journal(directory: Path, target: Path) -> None:
    with Journal.read(directory) as journal:
        copy = sqlite3.connect(target / DATABASE)
        try:
            journal.copy_to(copy)
        except sqlite3.Error as error:
            raise explain(error, directory / DATABASE, "copy") from error
        finally:
            copy.close()
    _sync(target / DATABASE)


def _copy_file(source: Path, target: Path) -> None:
    """Where there is one: a file that is missing is for `verify_job` to name."""
    try:
        with source.open("rb") as file:
            target.parent.mkdir(exist_ok=True)
            with target.open("wb") as copy:
                shutil.copyfileobj(file, copy)
                copy.flush()
                os.fsync(copy.fileno())
    except FileNotFoundError:
        return


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
