"""How likely each phone of English is at each moment of a sound: the acoustic model of the recogniser for loud shops.

The model is the encoder of the smallest Whisper model (MIT licence), fitted on to phones by scripts/train_phones, which says on what. It
comes with this package and is worked out by onnxruntime; nothing is downloaded.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnxruntime

from assistant.errors import SoundError
from assistant.speech.sound import condition
from assistant.speech.spectrogram import HOP, spectrogram

MODEL = Path(__file__).parent / "phones.onnx"
FRAMES_A_SECOND = 50
LEAST_SAMPLES, MOST_SAMPLES = 8 * HOP, 30 * FRAMES_A_SECOND * 2 * HOP
"""Shorter sound holds no word; longer sound than 30 s the model has no places for."""


class PhoneModel:
    """Loaded once, for one thread at a time. Raises SoundError where the model is missing or damaged."""

    def __init__(self, path: Path = MODEL, threads: int = 2):
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.log_severity_level = 4
        try:
            self._session = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        except Exception as error:  # the library raises several kinds of its own
            raise SoundError(f"{path}: the phone model cannot be loaded ({error}); install gloveside again.") from None

    def phones(self, samples: np.ndarray) -> np.ndarray:
        """Natural logarithms of the probability of each phone (frames x phones, float32, FRAMES_A_SECOND; columns as in
        `lexicon.NUMBER`) in int16 sound, mono, 16 kHz. No frames for sound that is too short; of sound over 30 s the beginning."""
        whole = min(len(samples), MOST_SAMPLES) // (2 * HOP) * 2 * HOP
        if whole < LEAST_SAMPLES:
            return np.zeros((0, 40), np.float32)
        return np.asarray(self._session.run(None, {"spectrogram": spectrogram(condition(samples[:whole]))[None]})[0][0])
