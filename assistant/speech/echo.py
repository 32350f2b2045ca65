"""Takes our own loudspeaker out of what the microphone hears, so that the technician can talk over a prompt without a headset.

What was played is known (`played.Played`). How late it comes back is found for each stream of the sound server, and checked in each prompt; the
room between loudspeaker and microphone is learned, and kept from prompt to prompt, by the echo canceller of SpeexDSP: of the
C library `libspeexdsp`, which Debian installs with the sound plug-ins that a microphone needs. Against it were tried WebRTC's canceller,
which took out the technician together with the prompt (3 of 16 phrases right beside a prompt as loud as the speech, 14 with SpeexDSP, 3
without any), and a Kalman filter of our own, which was as good (15) and would have been ours to keep.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from typing import Any

import numpy as np

from assistant.errors import SoundError
from assistant.speech.played import Played
from assistant.speech.recognise import RATE

FRAME = 256
"""Samples that the library takes at once: 16 ms."""
ROOM = 4096
"""Samples of echo that are taken out: 256 ms."""
AHEAD = 64
"""Samples by which the prompt is handed over early, for the error of the delay."""
MOVED = 32
"""A delay that is this many samples off is set right."""

EARLIEST_S, LATEST_S = -0.2, 0.7
"""How late a prompt may come back, s; the time at which it is said to be played may be too late."""
LEAST_S, MOST_S = 1.0, 1.5
"""Sound in which the delay is looked for, s."""
CLEAR = 14.0
"""A delay is believed where the correlation is this many times its median (no unit). With LEAST_S of sound it was 11.2 at most in 740 trials of
the shop's noises alone; of prompts 5 dB weaker than those noises nine in ten were above 23."""
HERTZ = (200.0, 5000.0)
"""What a small loudspeaker gives."""

LEARNED_S = 3.0
"""Sound of prompts, in which the room is learned, before the technician is listened to, s."""
AFTER_S = 0.4
"""How long a prompt is heard in the room after its end, s."""
LEAST_OVER_S = 0.2
"""A phrase that overlaps a prompt by less came after it, or just before it, s."""
JUMP_S = 0.3
"""A block this far from where it was awaited shows that sound was lost, s. Sound servers hand over blocks up to 0.1 s early or late."""


class EchoCanceller:
    """Cleans the blocks of one microphone. Raises SoundError where the library is missing."""

    def __init__(self, played: Played) -> None:
        self._played = played
        self._room = _Room()
        self._prompt: int | None = None
        self.at = 0.0
        """Time of the next block by the count of samples, monotonic s: steadier than the times at which blocks arrive."""
        self._history: np.ndarray | None = None
        """Of the prompt, while its delay is looked for, or is to be checked."""
        self._stream: int | None = None
        """That of which the delay is."""
        self._delay: int | None = None
        """Samples from the time of playing to that of the microphone."""
        self._rest = np.zeros(0, dtype=np.int16)
        self._learned_s = 0.0

    @property
    def settled(self) -> bool:
        """Whether a prompt can be heard in the last block, and was taken out."""
        return self._prompt is not None and self.clear

    @property
    def clear(self) -> bool:
        """Whether there is none of our voice in the last block: it was taken out, or we are silent. Not before the room is learned."""
        return self._learned_s >= LEARNED_S and (self._prompt is None or self._delay is not None)

    def said(self, begin: float, end: float) -> str | None:
        """The words of prompts that the microphone may have heard from one time to another, as in `at`; None where it heard none."""
        late = (self._delay or 0) / RATE
        if self._played.lasted_s(begin - late, end - late) < LEAST_OVER_S:
            return None
        return self._played.words(begin - late, end - late)

    def clean(self, block: np.ndarray, at: float) -> np.ndarray:
        """The sound of a block (int16, mono, 16 kHz) without the prompt; it may be some samples shorter or longer.

        `at` is when its first sample arrived, s of the monotonic clock. Unless `clear`, a prompt may still be in it.
        """
        if abs(at - self.at) > JUMP_S:
            self.lost()
            self.at = at
        begun, self.at = self.at, self.at + len(block) / RATE
        number = self._played.prompt(self.at - EARLIEST_S)
        if number is not None and number != self._prompt and self._lasts(number, begun):
            self._enter(number)
        if self._prompt is None:
            rest, self._rest = self._rest, self._rest[:0]
            return np.concatenate([rest, block])
        if self._delay is None:
            cleaned, self._rest = np.concatenate([self._rest, block]), block[:0]
        else:
            cleaned = self._taken_out(block, begun)
        if self._history is not None:
            self._history = np.concatenate([self._history, block])[-round(MOST_S * RATE) :]
            self._look(self._history)
        if not self._lasts(self._prompt, self.at):
            self._prompt = None
        return cleaned

    def _lasts(self, number: int, at: float) -> bool:
        """Whether a prompt can still be heard at a time."""
        late = LATEST_S if self._delay is None else self._delay / RATE
        try:
            return at < self._played.over_at(number) + late + AFTER_S
        except KeyError:
            return False

    def lost(self) -> None:
        """Sound was lost: where the prompt stands is to be found anew."""
        self._prompt = self._delay = None

    def _enter(self, number: int) -> None:
        self._prompt, self._history = number, np.zeros(0, dtype=np.int16)
        stream = self._played.stream(number)
        if stream != self._stream:
            self._stream, self._delay = stream, None

    def _look(self, heard: np.ndarray) -> None:
        """Look for the delay in the end of what was heard; when it is new, the room is learned from that."""
        assert self._prompt is not None
        begun = self.at - len(heard) / RATE
        played = self._played.between(self._prompt, begun - LATEST_S, len(heard) + round((LATEST_S - EARLIEST_S) * RATE))
        if np.count_nonzero(played) < LEAST_S * RATE or len(heard) < LEAST_S * RATE:
            return
        found = delay(heard, played)
        if found is None:
            return
        self._history = None
        late = round(LATEST_S * RATE) - found
        if self._delay is None or abs(late - self._delay) > MOVED:
            self._delay, self._rest = late, heard[:0]
            self._taken_out(heard, begun)
            self._rest = heard[:0]

    def _taken_out(self, block: np.ndarray, at: float) -> np.ndarray:
        assert self._prompt is not None and self._delay is not None
        sound = np.concatenate([self._rest, block])
        at -= (len(self._rest) + self._delay - AHEAD) / RATE
        whole = len(sound) // FRAME * FRAME
        self._rest = sound[whole:]
        played = self._played.between(self._prompt, at, whole)
        self._learned_s += np.count_nonzero(played) / RATE
        return self._room.cancel(sound[:whole], played)


def delay(heard: np.ndarray, played: np.ndarray) -> int | None:
    """At which sample of `played`, the longer one, `heard` begins; None where that is not clear. Correlation of the phases alone (GCC-PHAT)."""
    size = 1 << (len(heard) + len(played)).bit_length()
    cross = np.fft.rfft(played, size) * np.fft.rfft(heard, size).conj()
    hertz = np.fft.rfftfreq(size, 1 / RATE)
    # Frequencies in which nothing was said have a phase of noise.
    cross *= ((hertz > HERTZ[0]) & (hertz < HERTZ[1])) / (np.abs(cross) + 1e-3 * np.abs(cross).max() + 1e-9)
    likeness = np.abs(np.fft.irfft(cross, size)[: len(played) - len(heard) + 1])
    best = int(likeness.argmax())
    return best if likeness[best] > CLEAR * np.median(likeness) else None


class _Room:
    """SpeexDSP's echo canceller."""

    def __init__(self) -> None:
        self._library = _library()
        self._state = ctypes.c_void_p(self._library.speex_echo_state_init(FRAME, ROOM))
        rate = ctypes.c_int(RATE)
        set_rate = 24  # SPEEX_ECHO_SET_SAMPLING_RATE of speex_echo.h
        self._library.speex_echo_ctl(self._state, set_rate, ctypes.byref(rate))

    def cancel(self, heard: np.ndarray, played: np.ndarray) -> np.ndarray:
        """Whole frames of int16 sound."""
        cleaned = np.zeros(len(heard), dtype=np.int16)
        heard, played = np.ascontiguousarray(heard), np.ascontiguousarray(played)
        for at in range(0, len(heard), FRAME):
            self._library.speex_echo_cancellation(self._state, *(ctypes.c_void_p(sound.ctypes.data + 2 * at) for sound in (heard, played, cleaned)))
        return cleaned

    def __del__(self) -> None:
        if getattr(self, "_state", None):
            self._library.speex_echo_state_destroy(self._state)


def _library() -> Any:
    # Only where the usual name is not there is it looked for: that starts other programs.
    for find in (lambda: "libspeexdsp.so.1", lambda: ctypes.util.find_library("speexdsp")):
        name = find()
        try:
            library = ctypes.CDLL(name) if name else None
        except OSError:
            continue
        if library is not None:
            library.speex_echo_state_init.restype = ctypes.c_void_p
            return library
    raise SoundError("The SpeexDSP library cannot be loaded; install the package libspeexdsp1 to talk over prompts without a headset.")
