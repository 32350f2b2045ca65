"""Where phrases come from: a microphone, a recording or a keyboard, all behind one small protocol."""

import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Protocol, TextIO

import numpy as np

from assistant.language.grammar import Grammar
from assistant.speech.devices import level_dbfs
from assistant.speech.echo import EchoCanceller
from assistant.speech.endpoint import PRE_ROLL_S, Endpointer, split_sound
from assistant.speech.front import Recent, advice
from assistant.speech.microphone import Microphone
from assistant.speech.recognise import RATE, Heard, Recogniser
from assistant.speech.sound import read_sound, speech_over_noise_db


CUT_OFF = "Some of what you said was lost. Say it again."
"""Said when the microphone failed, or sound was lost, in the middle of a phrase."""
NOISY = "It is loud here. Come closer to the microphone, or wait until it is quieter."
NOISY_DB = 10.0
"""Speech less than this above the sound before it is called noisy, dB. From memory: recognisers fail more and more below it."""
MUTED_S, MUTED_DBFS = 20.0, -85.0
"""A microphone that has stayed under this level for this long, before the first phrase, may be muted, s and dB of full scale: a
microphone in a silent room gives more. From memory."""
ADVICE_EVERY_S = 60.0
"""The same advice is not said again within this time, s."""

GLANCE_EVERY, LEAST_GLANCE, MOST_GLANCE = RATE // 10, RATE // 2, 8 * RATE
"""New sound before the recogniser glances at a phrase under way again, the least and the most sound that it is shown, samples."""

OVER_PROMPT = 0.93
"""Least confidence of a phrase that is taken at a glance while our own loudspeaker talks."""

TAIL_S = 0.25
"""Sound still to come from the loudspeaker when the speaker says it is done."""


class EndOfInput(Exception):
    """No more phrases will come: the recording or the typed input is over."""


class Listener(Protocol):
    """A source of phrases."""

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        """The next phrase, or None when none came in time. Raises EndOfInput."""

    def deaf(self, yes: bool) -> None:
        """Do not hear while yes: the assistant's own loudspeaker is talking."""

    def notices(self) -> list[str]:
        """Sentences for the technician since the last call, such as a microphone that went away."""

    def close(self) -> None: ...


class TypedListener:
    """Phrases from the keyboard or from a script, one a line; lines that begin with # are comments."""

    def __init__(self, stream: TextIO):
        # Lines are read aside, so that a timer is called out while nobody types.
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, args=(stream,), daemon=True).start()

    def _read(self, stream: TextIO) -> None:
        for line in stream:
            text = " ".join(line.split())
            if text and not text.startswith("#"):
                self._lines.put(text)
        self._lines.put(None)

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        try:
            text = self._lines.get(timeout=timeout_s)
        except queue.Empty:
            return None
        if text is None:
            raise EndOfInput
        return Heard(text, 1.0, False, 0.0, 0.0, "typed", None)

    def deaf(self, yes: bool) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None: ...


class SoundListener:
    """Phrases from recorded sound, one utterance after another, as fast as they are recognised."""

    def __init__(self, utterances: Iterator[np.ndarray], recogniser: Recogniser):
        self._utterances, self._recogniser = utterances, recogniser

    @classmethod
    def from_file(cls, path: Path, recogniser: Recogniser) -> "SoundListener":
        """Every utterance of a recording. Raises SoundError when it cannot be read."""
        return cls(iter(split_sound(read_sound(path))), recogniser)

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        samples = next(self._utterances, None)
        if samples is None:
            raise EndOfInput
        return self._recogniser.hear(samples, grammar)

    def deaf(self, yes: bool) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None: ...


class MicrophoneListener:
    """Phrases from the microphone, cut at pauses."""

    def __init__(self, microphone: Microphone, recogniser: Recogniser, endpointer: Callable[[], Endpointer] = Endpointer, echo: EchoCanceller | None = None):
        """With `echo` the technician is heard over our own loudspeaker, once that is taken out of the sound."""
        self._microphone, self._recogniser, self._echo = microphone, recogniser, echo
        self._recent = Recent()
        self._glance = getattr(recogniser, "glance", None)
        self._next_glance = 0
        self._endpointer = endpointer()
        self._deaf = False
        self._shut = False
        """Whether the last block was our own voice, and so was not listened to."""
        self.level_dbfs: float | None = None
        """Of the last block from the microphone, for a display."""
        self._waiting: list[tuple[np.ndarray, np.ndarray]] = []
        """Utterances, each with the sound of the shop before it."""
        self._breaks = getattr(microphone, "breaks", 0)
        self._silent_s: float | None = 0.0
        """How long nothing at all has come in, s; None once a phrase has."""
        self._notices: list[str] = []
        self._advised: dict[str, float] = {}
        """When each piece of advice was last given, monotonic s."""

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        until = time.monotonic() + timeout_s
        self._endpointer.patient(grammar.values or grammar.spelling)
        # Once somebody has begun to speak, the phrase is heard out, however long the time-out.
        while not self._waiting and (time.monotonic() < until or self._endpointer.speaking):
            block = self._microphone.read(0.2)
            if self._broken() or block is None:
                if time.monotonic() >= until:
                    break
                continue
            self.level_dbfs = level_dbfs(block)
            block = self._uncovered(block, grammar)
            if len(block):
                self._watch_for_muting(block)
                self._recent.add(block)
                self._waiting += [(utterance, self._recent.before(utterance)) for utterance in self._endpointer.feed(block)]
                heard = None if self._waiting else self._glanced(grammar)
                if heard is not None:
                    self._silent_s = None
                    return self._for_the_bench(heard, np.zeros(0, np.int16))
        if not self._waiting:
            return None
        utterance, before = self._waiting.pop(0)
        self._silent_s, self._next_glance = None, 0
        heard = self._marked(self._recogniser.hear(utterance, grammar, before), self._endpointer.since_s)
        return self._for_the_bench(heard, before)

    def _for_the_bench(self, heard: Heard, before: np.ndarray) -> Heard | None:
        """What is to be answered of what was heard, with advice where it was not understood."""
        if heard.audio is None:
            return None  # the recogniser was lost over it and asks for it again: neither a miss nor, where one is wanted, a remark
        if heard.rejected and heard.over_prompt is not None:
            return None  # most likely what is left of our own voice
        if heard.rejected:
            self._advise(self._why(heard.audio, before))
        return heard

    def _uncovered(self, block: np.ndarray, grammar: Grammar) -> np.ndarray:
        """What is to be listened to of a block: all of it, or what is left without our own voice, or nothing."""
        if self._echo is not None:
            block = self._echo.clean(block, self._microphone.at)
        shut = self._deaf and not self._hears_over_prompts(grammar)
        if shut != self._shut:
            # Half a phrase is none, and must not keep `listen` waiting for its end.
            self._shut = shut
            self._endpointer.reset()
            self._waiting.clear()
        return block[:0] if shut else block

    def _hears_over_prompts(self, grammar: Grammar | None = None) -> bool:
        # A remark in free words takes in whatever is said: what is left of our own voice too.
        return self._echo is not None and self._echo.clear and not (grammar and grammar.free)

    def _marked(self, heard: Heard, since_s: float = 0.0) -> Heard:
        """With what our own loudspeaker said meanwhile; the phrase ended so many seconds ago."""
        if self._echo is None or heard.audio is None:
            return heard
        end = self._echo.at - since_s
        return replace(heard, over_prompt=self._echo.said(end - len(heard.audio) / RATE + PRE_ROLL_S, end))

    def _glanced(self, grammar: Grammar) -> Heard | None:
        """A phrase that is over though the sound goes on, or before the pause that ends any phrase: somebody else talks, or the
        recogniser is sure."""
        if self._glance is None or not self._endpointer.speaking:
            self._next_glance = 0
            return None
        sound = self._endpointer.so_far()
        if len(sound) < max(self._next_glance, LEAST_GLANCE):
            return None
        # Longer sound takes longer: the glances keep to the same share of the processor.
        self._next_glance = len(sound) + GLANCE_EVERY + len(sound) // 20
        heard: Heard | None = self._glance(sound[-MOST_GLANCE:], grammar)
        if heard is not None and self._deaf and heard.confidence < OVER_PROMPT:
            return None  # what is left of our own voice is cut into phrases, too
        if heard is not None:
            self._endpointer.cut()
            self._next_glance = 0
        return None if heard is None else self._marked(heard)

    def _broken(self) -> bool:
        """Whether sound was lost just now. Half a phrase is no phrase: what was being said is forgotten."""
        breaks = getattr(self._microphone, "breaks", 0)
        if breaks == self._breaks:
            return False
        self._breaks = breaks
        if self._echo is not None:
            self._echo.lost()
        if self._endpointer.speaking and not self._deaf:
            self._notices.append(CUT_OFF)
        self._endpointer.reset()
        return True

    def _watch_for_muting(self, block: np.ndarray) -> None:
        # Only until the first phrase: later on, a headset that passes nothing on while nobody speaks is well.
        if self._silent_s is None:
            return
        self._silent_s = self._silent_s + len(block) / RATE if level_dbfs(block) < MUTED_DBFS else 0.0
        if self._silent_s >= MUTED_S:
            self._silent_s = 0.0
            self._advise(advice(block))

    def _why(self, utterance: np.ndarray, before: np.ndarray) -> str | None:
        """Why a phrase may not have been understood, if that can be measured."""
        why = advice(utterance)
        if why is None and len(before) >= RATE // 4 and speech_over_noise_db(utterance, before) < NOISY_DB:
            why = NOISY
        return why

    def _advise(self, why: str | None) -> None:
        """Say it, each reason once in ADVICE_EVERY_S."""
        now = time.monotonic()
        if why is not None and now - self._advised.get(why, -ADVICE_EVERY_S) >= ADVICE_EVERY_S:
            self._advised[why] = now
            self._notices.append(why)

    def deaf(self, yes: bool) -> None:
        if self._deaf and not yes and not self._hears_over_prompts():
            # What came in meanwhile was our own voice, and its last words are still on their way.
            self._microphone.drain(TAIL_S)
            # The level of the noise outlasts the prompt.
            self._endpointer.reset()
            self._waiting.clear()
        self._deaf = yes

    def notices(self) -> list[str]:
        mine, self._notices = self._notices, []
        stopped = getattr(self._recogniser, "notices", None)
        return [*self._microphone.notices(), *(stopped() if stopped is not None else ()), *mine]

    def close(self) -> None:
        self._microphone.close()
