"""How many phones of held-out voices a model gets wrong, by noise."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from rapidfuzz.distance import Levenshtein

from assistant.speech.lexicon import Lexicon
from assistant.speech.recognise import RATE
from scripts.phones.batches import targets
from scripts.phones.clips import Clips
from scripts.phones.mixing import mixed

CONDITIONS = (("quiet", 50), ("talk", 10), ("talk", 5), ("compressor", 5), ("impact-wrench", 5), ("air-hiss", 5), ("room", 10), ("grinder", 10), ("grinder", 5), ("prompt", 10))
"""Noise, and signal-to-noise ratio in dB."""
AROUND_S = 0.6
"""Noise before and after the speech together, s."""


@dataclass(frozen=True)
class Row:
    """What came of a condition."""

    noise: str
    ratio_db: float
    phones: int
    """Phones that were said."""
    errors: int
    """Phones put in, left out or taken for another."""


def measure(model: Callable[[np.ndarray], np.ndarray], clips: Clips, lexicon: Lexicon, count: int, seed: int) -> list[Row]:
    """`count` clips in each condition, given to a model as int16 sound, which gives log probabilities as `PhoneModel.phones` does.

    The phones are the likeliest of each frame, without a language model; each word counts as it is mostly said. The same clips, seed and
    count are the same sound for every model.
    """
    rows = []
    for place, (noise, ratio) in enumerate(CONDITIONS):
        phones = errors = 0
        for number in range(count):
            # The same clips in each condition, so that rows differ by the noise alone.
            drawn = int(np.random.default_rng([seed, number]).integers(len(clips.all)))
            rng = np.random.default_rng([seed, place, number])
            sound = clips.sound(drawn)
            said = targets(clips.all[drawn].text, lexicon)
            heard = likeliest(model(mixed(sound, len(sound) + int(AROUND_S * RATE), rng, clips.draw, noise, ratio)))
            errors += Levenshtein.distance(heard, said)
            phones += len(said)
        rows.append(Row(noise, ratio, phones, errors))
    return rows


def likeliest(logs: np.ndarray) -> list[int]:
    """The likeliest phone of each frame (frames x columns): one that goes on counts once, and no phone not at all."""
    best = logs.argmax(axis=1)
    return [int(phone) for phone, before in zip(best, [0, *best], strict=False) if phone and phone != before]
