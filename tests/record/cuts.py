"""Power cuts: everything that is written to a job, recorded write by write, then replayed up to every point with what was not yet synced lost,
kept, kept in part or torn; each such disk must hold a job that opens and has all that was acknowledged.

The journal runs on the SQLite of the `apsw` package with a file system of its own below it; files written by Python are watched by
wrapping the calls they use. A name in a directory is safe once the directory was synced, a file's content once the file was.
"""

import contextlib
import os
import pathlib
import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import apsw

from assistant.record import journal

SECTOR = 512
"""Bytes that a disk writes whole or not at all."""
IGNORED = ("journal.lock", "journal.pid", "-shm")
"""Not part of a job: locks, and SQLite's index of its log, which it makes anew."""


@dataclass
class Step:
    """One thing done to the disk."""

    what: str
    """make, write, cut, sync, name, gone, folder, sync names, told."""
    path: str = ""
    offset: int = 0
    data: bytes = b""
    to: str = ""
    told: int = 0
    """What the program had promised by now: its own count."""


@dataclass
class Recording:
    """All steps, in order; `root` is the folder that is watched."""

    root: Path
    steps: list[Step] = field(default_factory=list)

    def add(self, what: str, path: Any, **more: Any) -> None:
        name = os.path.abspath(os.fspath(path))
        if name.startswith(str(self.root)) and not name.endswith(IGNORED):
            self.steps.append(Step(what, os.path.relpath(name, self.root), **more))

    def told(self, count: int) -> None:
        self.steps.append(Step("told", told=count))


class _Files(apsw.VFS):
    def __init__(self, recording: Recording):
        self.recording = recording
        super().__init__("watched", "")

    def xOpen(self, name: Any, flags: list[int]) -> "_File":
        return _File(self.recording, name, flags)

    def xDelete(self, name: str, sync: bool) -> None:
        super().xDelete(name, sync)
        self.recording.add("gone", name)
        if sync:
            self.recording.add("sync names", Path(name).parent)


class _File(apsw.VFSFile):
    def __init__(self, recording: Recording, name: Any, flags: list[int]):
        self._recording = recording
        self._name = name.filename() if isinstance(name, apsw.URIFilename) else name
        # SQLite's own layer syncs the directory with the first sync of a log that it made.
        self._names_due = bool(flags[0] & apsw.SQLITE_OPEN_CREATE and flags[0] & (apsw.SQLITE_OPEN_WAL | apsw.SQLITE_OPEN_MAIN_JOURNAL))
        if not os.path.exists(self._name):
            recording.add("make", self._name)
        super().__init__("", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:
        super().xWrite(data, offset)
        self._recording.add("write", self._name, offset=offset, data=bytes(data))

    def xTruncate(self, size: int) -> None:
        super().xTruncate(size)
        self._recording.add("cut", self._name, offset=size)

    def xSync(self, flags: int) -> None:
        super().xSync(flags)
        self._recording.add("sync", self._name)
        if self._names_due:
            self._recording.add("sync names", Path(self._name).parent)
            self._names_due = False


class _Connection:
    """The part of Python's sqlite3 that the journal uses, on apsw."""

    text_factory: type = str
    """Set by the journal; apsw reads text as it likes."""

    def __init__(self, path: Path, how: str):
        flags = apsw.SQLITE_OPEN_URI | apsw.SQLITE_OPEN_READWRITE | (apsw.SQLITE_OPEN_CREATE if "rwc" in how else 0)
        self._inner = apsw.Connection(f"{path.resolve().as_uri()}?{how}", flags=flags, vfs="watched")
        self.execute = self._inner.execute
        self.executescript = self._inner.execute
        self.close = self._inner.close


class _Writing:
    """A file opened for writing, watched."""

    def __init__(self, recording: Recording, path: str, file: Any):
        self._recording, self._path, self._file, self._at = recording, path, file, 0

    def write(self, data: bytes) -> int:
        self._recording.add("write", self._path, offset=self._at, data=bytes(data))
        self._at += len(data)
        return self._file.write(data)

    def __enter__(self) -> "_Writing":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@contextlib.contextmanager
def watched(root: Path) -> Iterator[Recording]:
    """Record what is done below `root`, an empty folder."""
    recording = Recording(root)
    files = _Files(recording)
    real_open, real_os_open, real_fdopen, real_fsync = pathlib.Path.open, os.open, os.fdopen, os.fsync
    handles: dict[int, str] = {}

    def path_open(self: Path, mode: str = "r", *more: Any, **named: Any) -> Any:
        if mode != "wb":
            return real_open(self, mode, *more, **named)
        recording.add("make" if not self.exists() else "cut", self)
        return _Writing(recording, str(self), real_open(self, mode, *more, **named))

    def os_open(path: Any, flags: int, *more: Any, **named: Any) -> int:
        handle = real_os_open(path, flags, *more, **named)
        handles[handle] = os.fspath(path) if not isinstance(path, int) else ""
        if flags & os.O_CREAT and flags & os.O_EXCL:
            recording.add("make", path)
        return handle

    def fdopen(handle: int, mode: str = "r", *more: Any, **named: Any) -> Any:
        return _Writing(recording, handles.get(handle, ""), real_fdopen(handle, mode, *more, **named))

    def fsync(handle: int) -> None:
        real_fsync(handle)
        path = os.readlink(f"/proc/self/fd/{handle}")
        recording.add("sync names" if os.path.isdir(path) else "sync", path)

    def after(real: Callable[..., Any], what: str) -> Callable[..., Any]:
        def call(path: Any, *more: Any, **named: Any) -> Any:
            outcome = real(path, *more, **named)
            recording.add(what, path, **({"to": os.path.relpath(os.path.abspath(os.fspath(more[0])), root)} if what in ("name", "link") else {}))
            return outcome

        return call

    with contextlib.ExitStack() as stack:
        for target, name, new in (
            (pathlib.Path, "open", path_open), (os, "open", os_open), (os, "fdopen", fdopen), (os, "fsync", fsync), (os, "replace", after(os.replace, "name")), (os, "link", after(os.link, "link")),
            (os, "unlink", after(os.unlink, "gone")), (os, "mkdir", after(os.mkdir, "folder")), (journal, "connect", _Connection),
        ):  # fmt: skip
            stack.enter_context(mock.patch.object(target, name, new))
        stack.callback(files.unregister)
        yield recording


@dataclass
class _Inode:
    safe: bytearray = field(default_factory=bytearray)
    later: list[Step] = field(default_factory=list)
    """Done since the last sync of the file."""


class Disk:
    """What may be on the disk at one point of a recording."""

    def __init__(self) -> None:
        self.safe_names: dict[str, Any] = {}
        """Path -> file, or None for a folder."""
        self.names: dict[str, Any] = {}
        self.changes: list[tuple[str, str, Any]] = []
        """Names not yet synced: (folder, path, file or "gone")."""

    def take(self, step: Step) -> None:
        match step.what:
            case "make" | "folder":
                self._name(step.path, _Inode() if step.what == "make" else None)
            case "write":
                self.names[step.path].later.append(step)
            case "cut":
                self.names[step.path].later.append(step)
            case "sync":
                inode = self.names[step.path]
                for one in inode.later:
                    _apply(inode.safe, one)
                inode.later = []
            case "name":
                self._name(step.to, self.names[step.path])
                self._name(step.path, "gone")
            case "link":
                self._name(step.to, self.names[step.path])
            case "gone":
                self._name(step.path, "gone")
            case "sync names":
                folder = "" if step.path == "." else step.path
                for where, path, inode in self.changes:
                    if where == folder:
                        _put(self.safe_names, path, inode)
                self.changes = [change for change in self.changes if change[0] != folder]

    def _name(self, path: str, inode: Any) -> None:
        _put(self.names, path, inode)
        self.changes.append((os.path.dirname(path), path, inode))

    def after_a_cut(self, keeps: Callable[[], bool], tears: Callable[[int], int]) -> dict[str, bytes | None]:
        """Files and folders (None) of one disk that can be found: `keeps` decides each thing that was not synced, `tears` how much of a write is there."""
        names = dict(self.safe_names)
        for _, path, inode in self.changes:
            # Names within one directory are kept in order by a file system that keeps any record of them.
            if not keeps():
                break
            _put(names, path, inode)
        made: dict[str, bytes | None] = {}
        for path, inode in sorted(names.items()):
            if inode is None:
                made[path] = None
                continue
            content = bytearray(inode.safe)
            for step in inode.later:
                if keeps():
                    _apply(content, step, tears(len(step.data)))
            made[path] = bytes(content)
        # What lies in a folder whose own name is lost is lost with it.
        return {path: content for path, content in made.items() if all(parent in made for parent in _parents(path))}


def _parents(path: str) -> list[str]:
    return [str(parent) for parent in Path(path).parents if str(parent) != "."]


def _put(names: dict[str, Any], path: str, inode: Any) -> None:
    if isinstance(inode, str):
        names.pop(path, None)
    else:
        names[path] = inode


def _apply(content: bytearray, step: Step, length: int | None = None) -> None:
    if step.what == "cut":
        del content[step.offset :]
        return
    data = step.data if length is None else step.data[:length]
    if len(content) < step.offset:
        content.extend(bytes(step.offset - len(content)))
    content[step.offset : step.offset + len(data)] = data


def every_cut(recording: Recording, scratch: Path, check: Callable[[Path, int], None], chances: int, seed: int = 1, every: int = 1) -> tuple[int, int]:
    """Cut the power after every step (every `every`th) and hand each disk that may be found to `check(folder, told)`.

    For each: all that was not synced is lost; all is kept; and `chances` times a part of it, writes torn at a sector. Returns (points, disks).
    """
    chance = random.Random(seed)
    disk, told, points, disks = Disk(), 0, 0, 0
    for number, step in enumerate(recording.steps):
        if step.what == "told":
            told = step.told
        else:
            disk.take(step)
        if number % every:
            continue
        points += 1
        kinds: list[tuple[Callable[[], bool], Callable[[int], int]]] = [(lambda: False, lambda size: size), (lambda: True, lambda size: size)]
        kinds += [(lambda: chance.random() < 0.6, lambda size: size if chance.random() < 0.6 else min(size, SECTOR * chance.randrange(size // SECTOR + 1)))] * chances
        seen = set()
        for keeps, tears in kinds:
            found = disk.after_a_cut(keeps, tears)
            mark = hash(tuple(sorted(found.items(), key=lambda item: item[0])))
            if mark in seen:
                continue
            seen.add(mark)
            disks += 1
            shutil.rmtree(scratch, ignore_errors=True)
            scratch.mkdir()
            for path, content in found.items():
                if content is None:
                    (scratch / path).mkdir(parents=True)
                else:
                    (scratch / path).write_bytes(content)
                    (scratch / path).chmod(0o600)  # as the key's; nothing else asks
            try:
                check(scratch, told)
            except Exception as error:
                raise AssertionError(f"after step {number} ({step.what} {step.path}), {told} told: {error!r}; disk: { {path: len(content or b'') for path, content in found.items()} }") from error
    return points, disks
