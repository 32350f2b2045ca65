"""What our own loudspeaker plays, and when: known to the sample, so that it can be taken out of what the microphone hears."""

from __future__ import annotations

import collections
import threading
from dataclasses import dataclass

import numpy as np

from assistant.speech.recognise import RATE

KEPT_S = 60.0
"""How long a prompt is kept after its end, s: longer than a microphone keeps sound that nobody has read."""


@dataclass
class _Prompt:
    number: int
    at: float
    samples: np.ndarray

    @property
    def end(self) -> float:
        return self.at + len(self.samples) / RATE


class Played:
    """A record of prompts. Times are of the monotonic clock, s; sound is int16, mono, 16 kHz. May be used by several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._prompts: collections.deque[_Prompt] = collections.deque()
        self._count = 0

    def begin(self, samples: np.ndarray, at: float) -> None:
        """A prompt whose first sample is handed to the loudspeaker at `at`."""
        with self._lock:
            self._count += 1
            self._prompts.append(_Prompt(self._count, at, samples))
            while self._prompts[0].end < at - KEPT_S:
                self._prompts.popleft()

    def end(self, at: float) -> None:
        """What is playing was cut off at `at`."""
        with self._lock:
            if self._prompts and self._prompts[-1].end > at:
                last = self._prompts[-1]
                last.samples = last.samples[: max(0, round((at - last.at) * RATE))]

    def prompt(self, at: float) -> int | None:
        """Number of the last prompt that began before `at`; None before the first. Numbers rise."""
        with self._lock:
            return next((prompt.number for prompt in reversed(self._prompts) if prompt.at <= at), None)

    def over_at(self, number: int) -> float:
        """When a prompt ends, or ended. Raises KeyError for one that is not kept any longer."""
        with self._lock:
            for prompt in self._prompts:
                if prompt.number == number:
                    return prompt.end
        raise KeyError(number)

    def between(self, number: int, at: float, count: int) -> np.ndarray:
        """`count` samples of one prompt from the time `at` on; silence before its beginning and after its end."""
        sound = np.zeros(count, dtype=np.int16)
        with self._lock:
            prompt = next((prompt for prompt in self._prompts if prompt.number == number), None)
            if prompt is None:
                return sound
            first = round((at - prompt.at) * RATE)
            begin, end = max(0, first), min(len(prompt.samples), first + count)
            if begin < end:
                sound[begin - first : end - first] = prompt.samples[begin:end]
        return sound
