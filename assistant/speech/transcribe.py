"""Free words of remarks, written down while the job goes on.

A recogniser of its own, in a thread and where it can be in a process of its own: the dialogue never waits for it. What it cannot
believe it leaves out, because invented words are worse than none; the sound is kept all the same.
"""

from __future__ import annotations

import math
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Protocol

import numpy as np

from assistant.language.pack import Pack

PATIENCE_S = 60.0
"""Longest one remark may take, s: nobody waits for it but the end of the job."""


@dataclass(frozen=True)
class Transcript:
    """The words of one entry."""

    entry: int
    """Sequence number of the entry in the journal."""
    text: str
    engine: str
    version: str
    """Of the model and of the library that runs it."""
    confidence: float
    """0 to 1: the geometric mean of the probabilities of the words' tokens, or the mean confidence of the words."""


class FreeWords(Protocol):
    """What writes words down. Used by one thread."""

    engine: str
    version: str

    def write(self, samples: np.ndarray) -> tuple[str, float] | None:
        """(words, confidence 0 to 1) of int16 sound, mono, 16 kHz; None where nothing can be believed."""

    def close(self) -> None: ...


class WhisperWords:
    """The second recogniser, in another process than the one that helps the dialogue."""

    engine = "whisper"

    def __init__(self) -> None:
        from assistant.speech.second import SecondOpinion

        self._whisper = SecondOpinion(patience_s=PATIENCE_S)
        self.version = self._whisper.version

    def write(self, samples: np.ndarray) -> tuple[str, float] | None:
        self._whisper.ready(PATIENCE_S)
        found = self._whisper.transcribe(samples)
        return None if found is None else (found[0], math.exp(min(found[1], 0.0)))

    def close(self) -> None:
        self._whisper.close()


class VoskWords:
    """The whole vocabulary of a Vosk model."""

    engine = "vosk"

    def __init__(self, model: Path, pack: Pack) -> None:
        self._model, self._pack = model, pack
        self._free: Callable[[np.ndarray], tuple[str, float] | None] | None = None
        self.version = f"{model.name}, vosk {version('vosk')}"

    def write(self, samples: np.ndarray) -> tuple[str, float] | None:
        if self._free is None:
            # Loaded with the first remark: many jobs have none.
            from assistant.speech.vosk_model import VoskRecogniser

            self._free = VoskRecogniser(self._model, self._pack).free_words
        return self._free(samples)

    def close(self) -> None: ...


class Transcriber:
    """Writes remarks down in the background, one after another."""

    def __init__(self, words: FreeWords):
        self._words = words
        self._todo: queue.Queue[tuple[int, np.ndarray] | None] = queue.Queue()
        self._done: queue.Queue[Transcript] = queue.Queue()
        self._open = 0
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._work, name="transcriber", daemon=True)
        self._thread.start()

    def take(self, entry: int, samples: np.ndarray) -> None:
        """Write down the remark of an entry (int16, mono, 16 kHz); returns at once."""
        with self._changed:
            self._open += 1
        self._todo.put((entry, samples))

    def ready(self) -> list[Transcript]:
        """What has been written down since the last call; returns at once."""
        found = []
        while not self._done.empty():
            found.append(self._done.get_nowait())
        return found

    def finish(self, timeout_s: float) -> list[Transcript]:
        """What has been written down since the last call, after waiting at most `timeout_s` seconds for the rest."""
        with self._changed:
            self._changed.wait_for(lambda: self._open == 0, timeout_s)
        return self.ready()

    def close(self) -> None:
        """End it, whatever it is doing. Closing twice is harmless."""
        self._todo.put(None)
        self._words.close()
        self._thread.join(2.0)

    def _work(self) -> None:
        while (item := self._todo.get()) is not None:
            entry, samples = item
            try:
                found = self._words.write(samples)
            except Exception:  # a library's fault must cost the words of one remark, not the thread
                found = None
            if found is not None:
                self._done.put(Transcript(entry, found[0], self._words.engine, self._words.version, round(found[1], 3)))
            with self._changed:
                self._open -= 1
                self._changed.notify_all()


def make_transcriber(pack: Pack, models: Path) -> Transcriber | None:
    """Whisper for English, where that extra is installed; else the Vosk model of the language in `models`; None where there is neither."""
    from assistant.speech.second import SecondOpinion
    from assistant.speech.vosk_model import find_model

    model = find_model(pack.language, models)
    if pack.language == "en" and SecondOpinion().installed:
        return Transcriber(WhisperWords())
    return Transcriber(VoskWords(model, pack)) if model is not None else None
