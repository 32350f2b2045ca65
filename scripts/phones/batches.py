"""Batches to train on, made in a process of their own while the network learns from the last one."""

import multiprocessing
import queue
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from assistant.errors import GlovesideError
from assistant.language.pack import load_pack
from assistant.speech.lexicon import Lexicon
from assistant.speech.recognise import RATE
from assistant.speech.spectrogram import BANDS, HOP, spectrogram
from scripts.phones.clips import Clips
from scripts.phones.mixing import any_surroundings

SIZE = 32
"""Clips a batch."""
TOGETHER = 16
"""Batches drawn together, so that each can be of clips of about the same length."""
WAITING = 8
"""Batches made ahead."""
SILENT, RATE_CHANGED, HIDDEN = 0.06, 0.6, 0.6
"""Shares (no unit) of clips in which nobody speaks, of clips played slower or faster, of batches with stripes hidden."""
AROUND_S, FAR_AROUND_S, FAR = (0.25, 1.0), (1.0, 4.5), 0.4
"""Noise around the longest clip of a batch, s, and around that of a share FAR (no unit) of batches: beside people who talk an utterance begins
long before the phrase and ends long after it, and the network has to learn that what they say is none of it."""
WIDEST = 12
"""Frames or bands of a hidden stripe."""


@dataclass(frozen=True)
class Batch:
    """What the network learns from in one step."""

    spectrograms: np.ndarray
    """Clips x bands x frames, float32."""
    phones: list[list[int]]
    """Of each clip, as columns of the phone model."""


def targets(text: str, lexicon: Lexicon) -> list[int]:
    """The phones of a text, each word as it is mostly said."""
    return [phone for word in text.split() for phone in lexicon.phones(word)[0]]


def batches(clips: Clips, lexicon: Lexicon, rng: np.random.Generator, size: int = SIZE) -> Iterator[Batch]:
    """Batches without end."""
    while True:
        drawn = []
        for number in rng.integers(len(clips.all), size=size * TOGETHER):
            wave = clips.sound(int(number)).astype(np.float64)
            if rng.random() < RATE_CHANGED:
                wave = np.interp(np.arange(0, len(wave) - 1, rng.uniform(0.88, 1.14)), np.arange(len(wave)), wave)
            drawn.append((wave, clips.all[int(number)].text))
        drawn.sort(key=lambda pair: len(pair[0]))
        for group in rng.permutation(TOGETHER):
            yield _batch(drawn[group * size : (group + 1) * size], clips, lexicon, rng)


def _batch(pairs: Sequence[tuple[np.ndarray, str]], clips: Clips, lexicon: Lexicon, rng: np.random.Generator) -> Batch:
    around = FAR_AROUND_S if rng.random() < FAR else AROUND_S
    samples = max(len(wave) for wave, _ in pairs) + int(rng.uniform(*around) * RATE)
    # Whole frames of the model, each two of the spectrogram.
    samples = samples // (2 * HOP) * 2 * HOP
    pictures, phones = [], []
    for wave, text in pairs:
        silent = rng.random() < SILENT
        pictures.append(spectrogram(any_surroundings(wave * 0 if silent else wave, samples, rng, clips.draw)))
        phones.append([] if silent else targets(text, lexicon))
    if rng.random() < HIDDEN:
        for picture in pictures:
            _hide_stripes(picture, rng)
    return Batch(np.stack(pictures), phones)


def _hide_stripes(picture: np.ndarray, rng: np.random.Generator) -> None:
    """Two stripes each way set to the mean, so that no single band or moment is relied on."""
    for _ in range(2):
        width = int(rng.integers(WIDEST))
        band = int(rng.integers(BANDS - width))
        picture[band : band + width] = picture.mean()
        width = int(rng.integers(WIDEST))
        frame = int(rng.integers(picture.shape[1] - width))
        picture[:, frame : frame + width] = picture.mean()


@contextmanager
def made_ahead(cache: Path, families: Sequence[str], seed: int) -> Iterator["Ahead"]:
    """Batches that another process makes, ended with the block."""
    # A fresh process: one forked from a process that has used torch may hang.
    context = multiprocessing.get_context("spawn")
    ready: Any = context.Queue(WAITING)
    maker = context.Process(target=_fill, args=(ready, cache, tuple(families), seed), daemon=True)
    maker.start()
    try:
        yield Ahead(ready, maker)
    finally:
        maker.terminate()
        maker.join()


class Ahead:
    """Batches made ahead."""

    def __init__(self, ready: Any, maker: Any):
        self._ready, self._maker = ready, maker

    def get(self) -> Batch:
        """The next one, waited for. Raises GlovesideError when the process that makes them has ended."""
        while True:
            try:
                return self._ready.get(timeout=5)
            except queue.Empty:
                if not self._maker.is_alive():
                    raise GlovesideError("The process that makes the batches has ended (its reason stands above); start again with less else running.") from None


def _fill(ready: Any, cache: Path, families: Sequence[str], seed: int) -> None:
    for batch in batches(Clips(cache, families), Lexicon(load_pack("en")), np.random.default_rng(seed)):
        ready.put(batch)
