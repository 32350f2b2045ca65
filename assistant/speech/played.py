"""What our own loudspeaker plays, and when: known to the sample, so that it can be taken out of what the microphone hears."""

from __future__ import annotations

import collections
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from assistant.speech.recognise import RATE

KEPT_S = 60.0
"""How long a prompt is kept after its end, s: longer than a microphone keeps sound that nobody has read."""


SLACK_S, LEAST_SLACK_S, SLACK_SHARE = 1.0, 0.1, 0.3
"""How far a word may be said from where its place in the text puts it, s: at most, at the ends of a prompt, and more by this share (no unit)
of what it is away from the nearer end. A test holds it against espeak-ng."""


@dataclass
class _Prompt:
    number: int
    at: float
    samples: np.ndarray
    text: str
    stream: int
    lasts_s: float = field(init=False)
    """All of it, also where it was cut off, s."""

    def __post_init__(self) -> None:
        self.lasts_s = len(self.samples) / RATE

    @property
    def end(self) -> float:
        return self.at + len(self.samples) / RATE

    def words(self) -> Iterator[tuple[str, float, float]]:
        """Each word that was said, the earliest time at which it may begin, and the latest at which it may be over."""
        a_letter = self.lasts_s / max(1, len(self.text))
        for found in re.finditer(r"[^\W_]+", self.text):
            begun, over = found.start() * a_letter, found.end() * a_letter
            if self.at + begun <= self.end:
                yield found[0].casefold(), self.at + begun - self._slack_s(begun), self.at + over + self._slack_s(over)

    def _slack_s(self, after_s: float) -> float:
        return min(SLACK_S, LEAST_SLACK_S + SLACK_SHARE * max(0.0, min(after_s, self.lasts_s - after_s)))


class Played:
    """A record of prompts. Times are of the monotonic clock, s; sound is int16, mono, 16 kHz. May be used by several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._prompts: collections.deque[_Prompt] = collections.deque()
        self._count = 0

    def begin(self, samples: np.ndarray, at: float, text: str = "", stream: int = 0) -> None:
        """A prompt whose first sample is handed to the loudspeaker at `at`; `text` is what it says. Prompts of one `stream` come back
        equally late."""
        with self._lock:
            self._count += 1
            self._prompts.append(_Prompt(self._count, at, samples, text, stream))
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
        return self._kept(number).end

    def stream(self, number: int) -> int:
        """The stream of a prompt. Raises KeyError for one that is not kept any longer."""
        return self._kept(number).stream

    def _kept(self, number: int) -> _Prompt:
        with self._lock:
            for prompt in self._prompts:
                if prompt.number == number:
                    return prompt
        raise KeyError(number)

    def words(self, begin: float, end: float) -> str:
        """The words that may have been said from one time to another: a word is taken to last as long as it is written."""
        with self._lock:
            return " ".join(word for prompt in self._prompts for word, begun, over in prompt.words() if over >= begin and begun <= end)

    def lasted_s(self, begin: float, end: float) -> float:
        """How much of a time prompts were played, s."""
        with self._lock:
            return sum(max(0.0, min(end, prompt.end) - max(begin, prompt.at)) for prompt in self._prompts)

    def between(self, number: int, at: float, count: int) -> np.ndarray:
        """`count` samples of one prompt from the time `at` on; silence before its beginning and after its end."""
        sound = np.zeros(count, dtype=np.int16)
        try:
            prompt = self._kept(number)
        except KeyError:
            return sound
        samples, first = prompt.samples, round((at - prompt.at) * RATE)
        begin, end = max(0, first), min(len(samples), first + count)
        if begin < end:
            sound[begin - first : end - first] = samples[begin:end]
        return sound
