"""Clean clips in a folder, made in parts: a run that was stopped goes on where it stopped."""

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from assistant.errors import GlovesideError
from assistant.speech.recognise import RATE
from scripts.phones.texts import Texts
from scripts.phones.voices import EngineFailed, Family, clips

PART = 250
"""Clips a part."""
SHORTEST, LONGEST = RATE // 8, 7 * RATE
"""Samples. A shorter clip lost its speech; a longer one would slow a whole batch."""
MOST_FAILURES = 5
"""In a row, of one engine, after which it counts as broken."""


@dataclass(frozen=True)
class Clip:
    """Where a clip lies."""

    text: str
    voice: str
    part: int
    at: int
    """First sample in the part."""
    length: int
    """Samples."""


class Clips:
    """The clips of some families in a cache. Read from disk as they are asked for."""

    def __init__(self, cache: Path, families: Sequence[str]):
        """Raises GlovesideError where there is none."""
        self.all: list[Clip] = []
        self._sounds: list[np.ndarray] = []
        for path in sorted(index for family in families for index in (cache / family).glob("*.json")):
            self.all += [Clip(text, voice, len(self._sounds), at, length) for text, voice, at, length in json.loads(path.read_text(encoding="utf-8"))]
            self._sounds.append(np.load(path.with_suffix(".npy"), mmap_mode="r"))
        if not self.all:
            raise GlovesideError(f"{cache}: there are no clips of {', '.join(families)}; run scripts/train_phones clips first, with the same --cache.")

    def sound(self, number: int) -> np.ndarray:
        """int16, mono, 16 kHz."""
        found = self.all[number]
        return np.asarray(self._sounds[found.part][found.at : found.at + found.length])

    def draw(self, count: int, rng: np.random.Generator) -> list[np.ndarray]:
        """The sounds of `count` clips, any of them, some perhaps twice."""
        return [self.sound(int(number)) for number in rng.integers(len(self.all), size=count)]


def parts_of(count: int) -> list[int]:
    """How many clips each part is to hold."""
    return [PART] * (count // PART) + ([count % PART] if count % PART else [])


def make_part(cache: Path, family: Family, number: int, count: int, seed: int, texts: Texts) -> bool:
    """Make a part of a family, unless it is there with as many clips; whether it was made. The same seed draws the same texts and voices.

    Raises EngineFailed where the engine fails again and again.
    """
    folder = cache / family.name
    folder.mkdir(parents=True, exist_ok=True)
    name = f"seed{seed}-{number:04d}-of{count}"
    index, sounds = folder / f"{name}.json", folder / f"{name}.npy"
    if index.is_file():
        return False
    rng = np.random.default_rng([seed, number, *family.name.encode()])
    scratch = folder / f"{os.getpid()}.wav"
    rows: list[tuple[str, str, int, int]] = []
    parts: list[np.ndarray] = []
    at = failures = 0
    while len(rows) < count:
        text = texts.draw(rng)
        try:
            made = clips(family, text, rng, scratch)
        except EngineFailed:
            # One text may be beyond an engine; an engine that fails again and again is broken.
            failures += 1
            if failures == MOST_FAILURES:
                raise
            continue
        failures = 0
        for voice, sound in made:
            if SHORTEST < len(sound) < LONGEST and len(rows) < count:
                rows.append((text, voice, at, len(sound)))
                parts.append(sound)
                at += len(sound)
    scratch.unlink(missing_ok=True)
    np.save(sounds, np.concatenate(parts))
    # The index comes last, and at once: a part with an index is whole.
    partial = index.with_suffix(f".{os.getpid()}.partial")
    partial.write_text(json.dumps(rows), encoding="utf-8")
    partial.rename(index)
    return True
