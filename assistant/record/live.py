"""What a running job shows beside its journal: the level of the microphone and what was said last. Not kept: gone when the job stops."""

import json
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

LIVE = "live.json"
EVERY_S = 0.25
STALE_S = 3.0
"""A file that was not written for so long is left over from a program that was ended."""
SIZE = 4096
"""Bytes. The file is written over in place, always as long: new files four times a second would wear out a memory card."""


@dataclass(frozen=True)
class Live:
    """One look at a running bench."""

    at: float
    """Unix time, s."""
    level_dbfs: float | None
    """Of the last sound from the microphone, dB of full scale; None where there is no microphone."""
    said: str
    """What the assistant said last."""


def read_live(directory: Path, now: float | None = None) -> Live | None:
    """The newest look; None where no program runs the job, or it does not publish."""
    try:
        found = json.loads((directory / LIVE).read_bytes())
        live = Live(float(found["at"]), None if found["level_dbfs"] is None else float(found["level_dbfs"]), str(found["said"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None  # also a look caught half written: the next one comes in a quarter of a second
    return live if abs((time.time() if now is None else now) - live.at) < STALE_S else None


class LiveFile:
    """Stands between the bench and its display, and publishes what both see. `level`: dB of full scale, or None."""

    def __init__(self, display: Any, directory: Path, level: Callable[[], float | None]):
        self._display, self._path, self._level = display, directory / LIVE, level
        self._said = ""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live file", daemon=True)

    def __enter__(self) -> "LiveFile":
        self._display.__enter__()
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stop.set()
        self._thread.join(2)
        with suppress(OSError):
            self._path.unlink(missing_ok=True)
        self._display.__exit__(*error)

    def said(self, text: str) -> None:
        self._said = text
        self._display.said(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._display, name)

    def _run(self) -> None:
        while not self._stop.is_set():
            with suppress(OSError):  # a full disk must stop neither the job nor its prompts; the journal tells of it
                self._write(Live(time.time(), self._level(), self._said[:800]))
            self._stop.wait(EVERY_S)

    def _write(self, live: Live) -> None:
        content = json.dumps(asdict(live), ensure_ascii=False).encode()
        with self._path.open("r+b" if self._path.exists() else "wb", buffering=0) as file:
            file.write(content.ljust(SIZE))
