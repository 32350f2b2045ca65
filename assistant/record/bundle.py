"""A job handed out, as a zip file or a folder, read with suspicion: it may come from anybody.

Only files of known names and sensible sizes are taken, each once; the first thing that is otherwise refuses the whole.
"""

import os
import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from assistant.errors import ImportRefused

MOST_FILES = 20_000
MOST_BYTES = 2 << 30
"""Of all files together, unpacked."""
MOST_RATIO = 200
"""Unpacked over packed: text of events packs to about a thirtieth."""
_RATIO_FROM = 1 << 20
"""Bytes below which nobody is harmed by any ratio."""
_CHUNK = 1 << 18
LIMITS = {
    "events.jsonl": 64 << 20, "chain.txt": 64 << 20, "seals.jsonl": 64 << 20, "seal.pub": 1 << 16, "procedure.yaml": 8 << 20, "record.json": 256 << 20, "record.html": 1 << 30, "record.pdf": 1 << 30,
    "event.schema.json": 1 << 20, "record.schema.json": 1 << 20, "HOW-TO-VERIFY.txt": 1 << 20, "SHA256SUMS": 8 << 20,
}  # fmt: skip
"""Files that may be there, and the most bytes of each."""
CLIP_LIMIT = 64 << 20
_CLIP = re.compile(r"clips/[0-9a-f]{64}\.flac")
_END = struct.Struct("<4s4H2LH")
_MOST_DIRECTORY = 8 << 20
"""Bytes of a zip's list of files: it is read at once."""
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, ValueError, LookupError, struct.error, OverflowError)
"""All that Python's zip reader raises for a file that is none or is spoilt."""


@dataclass(frozen=True)
class Member:
    """One file of it."""

    name: str
    """Below the job's folder."""
    size: int
    """Bytes, as it claims."""
    source: zipfile.ZipInfo | Path


class Bundle:
    """A zip file or a folder that was handed out. Use it as a context manager. Raises ImportRefused, one sentence."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._zip: zipfile.ZipFile | None = None
        try:
            if path.is_dir():
                found = list(self._folder_members())
            else:
                _check_end(path)
                self._zip = zipfile.ZipFile(path)
                found = list(self._zip_members())
            self._check(found)
        except OSError as error:
            self.close()
            raise ImportRefused(f"{path} cannot be read ({error.strerror or error}); check its name.") from None
        except _BROKEN as error:
            self.close()
            raise ImportRefused(f"{path} is no sound zip file ({error}); get it anew.") from None
        except BaseException:
            self.close()
            raise
        self.members = {member.name: member for member in found}

    def read(self, name: str) -> Iterator[bytes]:
        """The bytes of a file, piece by piece, never more than it claims."""
        member = self.members[name]
        left = member.size
        try:
            with self._zip.open(member.source) if isinstance(member.source, zipfile.ZipInfo) else _plain(member.source) as file:
                while piece := file.read(_CHUNK):
                    left -= len(piece)
                    if left < 0:
                        raise ImportRefused(f"{self.path} is refused: {name} is larger than it claims.")
                    yield piece
        except OSError as error:
            raise ImportRefused(f"{name} of {self.path} cannot be read ({error.strerror or error}); get it anew.") from None
        except _BROKEN as error:
            raise ImportRefused(f"{name} of {self.path} is damaged ({error}); get it anew.") from None
        if left:
            raise ImportRefused(f"{self.path} is refused: {name} is smaller than it claims.")

    def close(self) -> None:
        if self._zip is not None:
            self._zip.close()

    def __enter__(self) -> "Bundle":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _refuse(self, why: str) -> ImportRefused:
        return ImportRefused(f"{self.path} is refused: {why}.")

    def _zip_members(self) -> Iterator[Member]:
        infos = self._zip.infolist()
        if len(infos) > MOST_FILES:
            raise self._refuse(f"it holds {len(infos)} files, more than {MOST_FILES}")
        tops: set[str] = set()
        for info in infos:
            shown = info.orig_filename[:80]
            if info.orig_filename != info.filename or "\\" in shown or "\0" in shown or ":" in shown or not _is_plain(info.filename.rstrip("/")):
                raise self._refuse(f"{shown!r} leads out of its folder")
            mode = info.external_attr >> 16
            if mode and stat.S_IFMT(mode) not in (0, stat.S_IFREG, stat.S_IFDIR):
                raise self._refuse(f"{shown!r} is a link or a device")
            if info.flag_bits & 1:
                raise self._refuse(f"{shown!r} is encrypted")
            if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise self._refuse(f"{shown!r} is packed in an unusual way")
            if info.file_size > _RATIO_FROM and info.file_size > MOST_RATIO * max(info.compress_size, 1):
                raise self._refuse(f"{shown!r} would unpack to more than {MOST_RATIO} times its size")
            top, _, name = info.filename.partition("/")
            tops.add(top)
            if len(tops) > 1:
                raise self._refuse("it holds more than one folder")
            if info.is_dir():
                if name not in ("", "clips/") or info.file_size:
                    raise self._refuse(f"{shown!r} is no folder of a job")
                continue
            yield Member(name, info.file_size, info)

    def _folder_members(self) -> Iterator[Member]:
        for folder in ("", "clips"):
            with os.scandir(self.path / folder) if (self.path / folder).is_dir() else _nothing() as entries:
                for count, entry in enumerate(entries):
                    if count > MOST_FILES:
                        raise self._refuse(f"it holds more than {MOST_FILES} files")
                    name = f"{folder}/{entry.name}".lstrip("/")
                    if name == "clips" and entry.is_dir(follow_symlinks=False):
                        continue
                    if not entry.is_file(follow_symlinks=False):
                        raise self._refuse(f"{name!r} is a link or a folder")
                    yield Member(name, entry.stat(follow_symlinks=False).st_size, Path(entry.path))

    def _check(self, members: list[Member]) -> None:
        seen: set[str] = set()
        for member in members:
            limit = CLIP_LIMIT if _CLIP.fullmatch(member.name) else LIMITS.get(member.name)
            if limit is None:
                raise self._refuse(f"{member.name[:80]!r} is no file of a job")
            if member.name in seen:
                raise self._refuse(f"{member.name!r} is in it twice")
            if member.size > limit:
                raise self._refuse(f"{member.name!r} is larger than {limit >> 20} MB")
            seen.add(member.name)
        if sum(member.size for member in members) > MOST_BYTES:
            raise self._refuse(f"it would unpack to more than {MOST_BYTES >> 30} GB")
        missing = sorted({"events.jsonl", "chain.txt", "procedure.yaml", "SHA256SUMS"} - seen)
        if missing:
            raise self._refuse(f"{', '.join(missing)} is missing: it is no job that was handed out, or not all of it")


def _check_end(path: Path) -> None:
    """Look at the end of a zip before its list of files is read, which takes memory. Raises ImportRefused, OSError."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - _END.size - 20))
        tail = file.read()
    end = tail[-_END.size :]
    if len(end) < _END.size or end[:4] != b"PK\5\6":
        raise ImportRefused(f"{path} is no zip file of a job, or its end is missing; get it anew.")
    _, disk, first, here, count, length, start, comment = _END.unpack(end)
    if (disk, first, comment) != (0, 0, 0) or here != count or count > MOST_FILES or length > _MOST_DIRECTORY or start + length + _END.size != size or tail[:4] == b"PK\6\7":
        raise ImportRefused(f"{path} is refused: its list of files is not as in a job that was handed out.")


def _is_plain(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return bool(parts) and "/".join(parts) == name and not any(part in ("..", ".", "/") for part in parts) and name.isprintable()


def _plain(path: Path):
    """Opened without following a link that took the file's place meanwhile."""
    return os.fdopen(os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)), "rb")


class _nothing:
    def __enter__(self):
        return iter(())

    def __exit__(self, *_: object) -> None:
        pass
