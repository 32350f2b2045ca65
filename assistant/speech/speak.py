"""Speakers: say prompts through the loudspeaker, into files, or not at all. No call here waits for the sound."""

from __future__ import annotations

import base64
import collections
import json
import os
import queue
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from assistant.errors import SoundError
from assistant.speech.played import Played

START_S = 15.0
"""A worker that has not answered this long after its start is given up, s."""
FAILURES = 2
"""Failures in a row after which prompts are on the screen only."""
RETRY_S = 60.0
"""How long the loudspeaker is then left alone before the next prompt tries it again, s."""

SCREEN_ONLY = "Prompts are on the screen only."
BACK = "The loudspeaker works again."


class Speaker(Protocol):
    """What says the prompts."""

    def say(self, text: str, *, urgent: bool = False) -> None:
        """Queue `text` and return at once; an urgent text cuts off and replaces all that is queued."""

    def busy(self) -> bool:
        """True while something is being said or waits to be said."""

    def stop(self) -> None:
        """Fall silent at once and forget what is queued."""

    def wait(self, timeout_s: float) -> bool:
        """Wait at most `timeout_s` seconds until all is said; True when it is."""

    def close(self) -> None:
        """Let go of the loudspeaker. Closing twice is harmless."""

    def notices(self) -> list[str]:
        """Sentences for the technician since the last call, such as that no loudspeaker works."""


class SilentSpeaker:
    """Says nothing; for text on the screen only."""

    def say(self, text: str, *, urgent: bool = False) -> None:
        """Nothing to do."""

    def busy(self) -> bool:
        """Never busy."""
        return False

    def stop(self) -> None:
        """Nothing to do."""

    def wait(self, timeout_s: float) -> bool:
        """All is said."""
        return True

    def close(self) -> None:
        """Nothing to do."""

    def notices(self) -> list[str]:
        """None, ever."""
        return []


class _Worker:
    """One worker process and the thread that reads its replies."""

    def __init__(self, command: Sequence[str]) -> None:
        # A session of its own lets one signal end the worker and whatever it started.
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            encoding="utf-8", start_new_session=True)
        self._replies: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, name="speak worker replies", daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._replies.put(line)
        self._replies.put(None)

    @property
    def number(self) -> int:
        """Of the process."""
        return self._process.pid

    def send(self, body: dict[str, str | None]) -> None:
        """Write one request. Raises SoundError when the worker has ended."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(body) + "\n")
            self._process.stdin.flush()
        except OSError as error:
            raise SoundError("The speech process ended unexpectedly.") from error

    def receive(self, timeout_s: float) -> dict[str, Any]:
        """Wait for a good reply. Raises SoundError for a reported error, the end of the worker, or none in time."""
        try:
            line = self._replies.get(timeout=timeout_s)
        except queue.Empty:
            raise SoundError("The speech process hung and was ended.") from None
        if line is None:
            raise SoundError("The speech process ended unexpectedly.")
        try:
            reply: dict[str, Any] = json.loads(line)
        except ValueError:
            raise SoundError("The speech process sent nonsense.") from None
        if "error" in reply:
            raise SoundError(reply["error"])
        return reply

    def kill(self) -> None:
        """End the process and all it started, whatever it is doing."""
        try:
            os.killpg(self._process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        self._process.wait()


class WorkerSpeaker:
    """Speaks through pyttsx3 in a worker process, which is killed to stop it and replaced when it hangs.

    `voice` is an espeak-ng voice or language ("en-gb", "ko"), `words_per_minute` its rate. `patience_s` is the time a
    prompt may take beyond three times its expected length before the worker counts as hung, s. `played` is told what is played.
    """

    def __init__(self, voice: str = "en-gb", words_per_minute: int = 150, *, patience_s: float = 5.0,
                 command: Sequence[str] | None = None, played: Played | None = None) -> None:
        self._played = played or Played()
        # `command` is what tests replace to stand in for a worker.
        self._command = list(command or [sys.executable, "-m", "assistant.speech.speak_worker", voice,
                                         str(words_per_minute)])
        self._words_per_minute = words_per_minute
        self._patience_s = patience_s
        self._changed = threading.Condition()
        self._texts: collections.deque[str] = collections.deque()
        self._speaking = False
        self._stops = 0
        self._closing = False
        self._worker: _Worker | None = None
        self._failures = 0
        self._silent_until: float | None = None
        self._notices: list[str] = []
        self._thread = threading.Thread(target=self._run, name="speaker", daemon=True)
        self._thread.start()

    def say(self, text: str, *, urgent: bool = False) -> None:
        """Queue `text` and return at once; an urgent text cuts off and replaces all that is queued."""
        if urgent:
            self.stop()
        if not re.search(r"\w", text):
            return  # espeak makes no sound of it, and pyttsx3 never finishes an empty prompt
        with self._changed:
            if not self._closing:
                self._texts.append(" ".join(text.split()))
                self._changed.notify_all()

    def busy(self) -> bool:
        """True while something is being said or waits to be said."""
        with self._changed:
            return self._speaking or bool(self._texts)

    def stop(self) -> None:
        """Fall silent at once and forget what is queued; the next prompt starts a new worker."""
        with self._changed:
            self._texts.clear()
            if self._speaking:
                self._stops += 1
                self._drop_worker()
                self._speaking = False
                self._changed.notify_all()

    def wait(self, timeout_s: float) -> bool:
        """Wait at most `timeout_s` seconds until all is said; True when it is."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._speaking and not self._texts, timeout_s)

    def close(self) -> None:
        """Fall silent and end the worker. Closing twice is harmless."""
        with self._changed:
            self._closing = True
            self._texts.clear()
            self._stops += 1
            self._drop_worker()
            self._changed.notify_all()
        self._thread.join(3.0)

    def notices(self) -> list[str]:
        """Sentences for the technician since the last call, such as that no loudspeaker works."""
        with self._changed:
            notices, self._notices = self._notices, []
            return notices

    def _target(self) -> str | None:
        """File the next prompt goes to; None for the loudspeaker."""
        return None

    def _limit_s(self, text: str) -> float:
        """Generous longest time for a prompt: two characters or one figure are taken for a word, then three times."""
        words = len(text) / 2 + sum(character.isdigit() for character in text)
        return self._patience_s + 3 * 60 * words / self._words_per_minute

    # The speaker thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closing or bool(self._texts))
                if self._closing:
                    return
                text = self._texts.popleft()
                stops = self._stops
                self._speaking = True
            self._say_now(text, stops)
            with self._changed:
                # After a stop the flag is already down, and may be up again only through this thread.
                self._speaking = False
                self._changed.notify_all()

    def _say_now(self, text: str, stops: int) -> None:
        with self._changed:
            if self._silent_until is not None and time.monotonic() < self._silent_until:
                return
        while True:
            try:
                self._try(text, stops)
            except (SoundError, OSError) as error:
                with self._changed:
                    if self._stops != stops:
                        return  # killed on purpose: not a failure
                    self._drop_worker()
                    self._failures += 1
                    if self._failures < FAILURES:
                        continue
                    if self._silent_until is None:
                        self._notices.append(f"{error} {SCREEN_ONLY}")
                    self._silent_until = time.monotonic() + RETRY_S
                    return
            with self._changed:
                self._failures = 0
                if self._silent_until is not None:
                    self._silent_until = None
                    self._notices.append(BACK)
            return

    def _try(self, text: str, stops: int) -> None:
        with self._changed:
            if self._stops != stops:
                raise SoundError("Stopped.")
            worker = self._worker
            new = worker is None
            if worker is None:
                worker = self._worker = _Worker(self._command)
        if new:
            worker.receive(START_S)
        worker.send({"text": text, "file": self._target()})
        reply = worker.receive(self._limit_s(text))
        if "playing" in reply:
            sound = np.frombuffer(base64.b64decode(reply["playing"]), dtype="<i2").astype(np.int16)
            with self._changed:
                if self._stops == stops:
                    self._played.begin(sound, reply["at"], text, worker.number)
            worker.receive(self._limit_s(text))

    def _drop_worker(self) -> None:
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.kill()
            self._played.end(time.monotonic())


class FileSpeaker(WorkerSpeaker):
    """Writes each prompt to `folder` as 001.wav, 002.wav, ... and never over a file that is there."""

    def __init__(self, folder: Path, voice: str = "en-gb", words_per_minute: int = 150, *, patience_s: float = 5.0,
                 command: Sequence[str] | None = None) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SoundError(f"The folder {folder} for spoken prompts cannot be made: {error.strerror}.") from error
        self._folder = folder
        super().__init__(voice, words_per_minute, patience_s=patience_s, command=command)

    def _target(self) -> str:
        numbers = [int(path.stem) for path in self._folder.glob("*.wav") if path.stem.isdigit()]
        return str(self._folder.resolve() / f"{max(numbers, default=0) + 1:03d}.wav")

    def close(self) -> None:
        """Finish the files that wait, for at most 30 s, then end the worker."""
        self.wait(30.0)
        super().close()
