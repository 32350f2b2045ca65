"""The recogniser in a process of its own, so that neither a crash nor a hang inside it ends a job.

A phrase during which the process dies, or does not answer in time, is lost: it comes back as not understood and without sound, and a
sentence for the technician says so. The next process is started at once and loads while that is said. A process that has grown too large
is replaced between two phrases.
"""

from __future__ import annotations

import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from assistant.errors import SoundError
from assistant.language.grammar import Grammar
from assistant.language.pack import Pack
from assistant.speech.recognise import RATE, Heard
from assistant.speech.recogniser_worker import FURTHER, Answer, Ask, Failed, Hear, Ready, Result, Start

PATIENCE_S = 8.0
"""A process that takes this long beyond the length of a phrase hangs, s: far more than a loaded computer needs."""
START_S = 30.0
"""How long a process may take to load its models, s."""
FAILURES = 3
"""Failures in a row after which the next process is not started before RETRY_S have passed."""
RETRY_S = 10.0
MOST_MB = 400.0
"""A process that has grown by this much since it was loaded is replaced, MB: PocketSphinx takes 4 to 20 for each grammar it keeps."""
KEPT_GRAMMARS = 128
"""Grammars that the process keeps as Python objects; the recognisers keep fewer as searches."""

STOPPED = "The recogniser stopped and is starting again. Say it again."
KEEPS_STOPPING = "The recogniser keeps stopping. Start Gloveside again; what was recorded is kept."
ENDED = "The recogniser ended unexpectedly; try gloveside doctor, and if that does not help, install Gloveside again."


class ProcessRecogniser:
    """Any recogniser of `make_recogniser`, in a worker process. `confidence` and `engine` are those of the recogniser inside.

    Opens in the constructor, which raises SoundError when there is none for the pack. `patience_s`: see PATIENCE_S; `most_mb`: see MOST_MB.
    """

    def __init__(self, kind: str, pack: Pack, models: Path, *, patience_s: float = PATIENCE_S, most_mb: float = MOST_MB, command: Sequence[str] | None = None) -> None:
        # `command` is what tests replace to stand in for a worker.
        self._command = list(command or [sys.executable, "-m", "assistant.speech.recogniser_worker"])
        self._start = Start(kind, pack, models)
        self._patience_s, self._most_mb = patience_s, most_mb
        self._failures = 0
        self._rest_until = 0.0
        self._notices: list[str] = []
        self._closed = False
        self._worker: _Worker | None = None
        try:
            hello = self._opened().ready(START_S)
        except (SoundError, _Lost) as error:
            self.close()
            raise SoundError(str(error) or ENDED) from None
        self.name, self.model, self._offers = hello.name, hello.model, hello.offers

    @property
    def process_id(self) -> int | None:
        """Of the worker; None while there is none."""
        return self._worker.process_id if self._worker else None

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None = None) -> Heard:
        """As the protocol says. A phrase that was lost comes back rejected, its `audio` None; `notices` says so."""
        begun = time.perf_counter()
        seconds = len(samples) / RATE
        try:
            heard = self._hear(samples, grammar, before, False)
        except (_Lost, OSError):
            self._gone()
            self._notices.append(KEEPS_STOPPING if self._failures >= FAILURES else STOPPED)
            self._running()
            heard = None
        if heard is None:
            return Heard("", 0.0, True, seconds, time.perf_counter() - begun, self.name, None)
        return replace(heard, audio=samples, seconds_compute=time.perf_counter() - begun)

    def _glance(self, samples: np.ndarray, grammar: Grammar) -> Heard | None:
        """As `PhoneRecogniser.glance`. A process that was lost over it is replaced without a word: the phrase still goes on."""
        begun = time.perf_counter()
        try:
            heard = self._hear(samples, grammar, None, True)
        except (_Lost, OSError):
            self._gone()
            self._running()
            return None
        return heard and replace(heard, audio=samples, seconds_compute=time.perf_counter() - begun)

    def _hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None, under_way: bool) -> Heard | None:
        worker = self._loaded()
        result = worker.hear(samples, grammar, before, under_way, self._patience_s + len(samples) / RATE)
        self._failures = 0
        if result.memory_mb - worker.ready(0.0).memory_mb > self._most_mb:
            self._drop()
            self._running()  # loads while the answer to this phrase is said
        return result.heard

    def missing_words(self, words: Iterable[str]) -> list[str]:
        return list(self._ask("missing_words", sorted(words)))

    def ready(self, timeout_s: float) -> bool:
        """Wait until all of it is loaded, a second opinion too; False where it is not in time."""
        return bool(self._ask("ready", timeout_s)) if "ready" in self._offers else True

    def notices(self) -> list[str]:
        """Sentences for the technician since the last call. A process that died meanwhile is replaced."""
        if not self._closed:
            self._running()
        notices, self._notices = self._notices, []
        return notices

    def close(self) -> None:
        """End the process, whatever it is doing. Closing twice is harmless."""
        self._closed = True
        self._drop()

    def __getattr__(self, name: str) -> Callable[..., Any]:
        # Further members of the recogniser inside, such as its pronunciations.
        if name not in FURTHER or name not in self._offers:
            raise AttributeError(name)
        if name == "glance":
            return self._glance
        return lambda *arguments: self._ask(name, *arguments)

    def _ask(self, member: str, *arguments: Any) -> Any:
        """Raises SoundError when there is no answer: outside a phrase there is nobody to say it again."""
        try:
            return self._loaded().ask(Ask(member, arguments), START_S + self._patience_s)
        except (_Lost, OSError):
            self._gone()
            self._running()
            raise SoundError(ENDED) from None

    def _loaded(self) -> _Worker:
        """A worker that is ready to hear. Raises _Lost where there is none in time."""
        worker = self._opened()
        try:
            worker.ready(START_S)
        except SoundError:  # what could be loaded once cannot any more
            raise _Lost from None
        return worker

    def _opened(self) -> _Worker:
        worker = self._running()
        if worker is None:
            raise _Lost
        return worker

    def _running(self) -> _Worker | None:
        """The worker, ready or loading; a new one where it has died, and None while it rests."""
        if self._worker is not None and self._worker.dead():
            self._gone()
        if self._worker is None and not self._closed and time.monotonic() >= self._rest_until:
            try:
                self._worker = _Worker(self._command, self._start)
            except OSError:
                self._rest_until = time.monotonic() + RETRY_S
        return self._worker

    def _gone(self) -> None:
        self._drop()
        self._failures += 1
        if self._failures % FAILURES == 0:
            self._rest_until = time.monotonic() + RETRY_S

    def _drop(self) -> None:
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.kill()


class _Lost(Exception):
    """The process died, or does not answer."""


class _Worker:
    """One worker process, the grammars it has, and the thread that reads its replies."""

    def __init__(self, command: Sequence[str], start: Start) -> None:
        # A session of its own keeps a Ctrl-C at the keyboard from it, and lets one signal end whatever it started.
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True)
        self.process_id = self._process.pid
        self._replies: queue.Queue[object] = queue.Queue()
        self._hello: Ready | None = None
        self._grammars: OrderedDict[int, tuple[int, Grammar]] = OrderedDict()
        self._forget: tuple[int, ...] = ()
        self._count = 0
        threading.Thread(target=self._read, name="recogniser replies", daemon=True).start()
        try:
            self._send(start, START_S)
        except OSError:
            self.kill()
            raise

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as replies:
            try:
                while True:
                    self._replies.put(pickle.load(replies))
            except Exception:  # a pickle cut short raises all kinds
                self._replies.put(None)

    def dead(self) -> bool:
        return self._process.poll() is not None

    def ready(self, timeout_s: float) -> Ready:
        """Wait until the recogniser is made. Raises SoundError when it cannot be, _Lost when there is no word of it in time."""
        if self._hello is None:
            self._hello = self._receive(Ready, timeout_s)
        return self._hello

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None, under_way: bool, timeout_s: float) -> Result:
        """Raises SoundError where the grammar cannot be used, _Lost or OSError when there is no answer in time."""
        key = id(grammar)
        new = key not in self._grammars
        if new:
            self._count += 1
            # The grammar is kept, so that its id is not given to another one.
            self._grammars[key] = (self._count, grammar)
        self._grammars.move_to_end(key)
        while len(self._grammars) > KEPT_GRAMMARS:
            self._forget += (self._grammars.popitem(last=False)[1][0],)
        forget, self._forget = self._forget, ()
        request = Hear(self._grammars[key][0], _sent(grammar) if new else None, forget, samples, before, under_way)
        return self._exchange(request, Result, timeout_s)

    def ask(self, request: Ask, timeout_s: float) -> Any:
        return self._exchange(request, Answer, timeout_s).value

    def _exchange(self, request: object, kind: type[Any], timeout_s: float) -> Any:
        self._send(request, timeout_s)
        return self._receive(kind, timeout_s)

    def _send(self, request: object, timeout_s: float) -> None:
        assert self._process.stdin is not None
        # A hung process does not read either: only its end gets a blocked writer out.
        watch = threading.Timer(timeout_s, self.kill)
        watch.daemon = True
        watch.start()
        try:
            pickle.dump(request, self._process.stdin, pickle.HIGHEST_PROTOCOL)
            self._process.stdin.flush()
        finally:
            watch.cancel()

    def _receive(self, kind: type[Any], timeout_s: float) -> Any:
        try:
            reply = self._replies.get(timeout=timeout_s)
        except queue.Empty:
            raise _Lost from None
        if isinstance(reply, Failed):
            raise SoundError(reply.sentence)
        if not isinstance(reply, kind):
            raise _Lost
        return reply

    def kill(self) -> None:
        """End the process, whatever it is doing. What it started ends with its pipes."""
        try:
            os.killpg(self._process.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            pass
        self._process.wait()


def _sent(grammar: Grammar) -> Grammar:
    """The grammar without its pack and without what was worked out from it."""
    return replace(grammar, pack=None)  # type: ignore[arg-type]
