"""What every recogniser offers: sound and a grammar in, one heard phrase out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from assistant.language.grammar import Grammar

RATE = 16_000
"""Samples per second (Hz) of all sound inside the assistant: mono, int16."""


@dataclass(frozen=True)
class Heard:
    """What one stretch of sound was taken for."""

    text: str
    """The words, as the grammar spells them; "" when nothing was understood."""
    confidence: float
    """0 to 1, no unit. Each recogniser says how it is computed; it is not a probability and never enough alone."""
    rejected: bool
    """True when the sound is not to be acted on: nothing said, not a phrase of the grammar, or too doubtful."""
    seconds_audio: float
    """Length of the sound as given (s)."""
    seconds_compute: float
    """Wall-clock time the recogniser took (s)."""
    engine: str
    """Name of the recogniser, e.g. "sphinx"."""
    audio: np.ndarray | None = None
    """The sound as given (int16, mono, 16 kHz), for the record; None for typed words."""
    over_prompt: str | None = None
    """The words, in small letters, that our own loudspeaker said meanwhile or a little before or after; None where it was silent."""
    unlike: bool = False
    """True where the sound is like no phrase of the grammar: most likely noise, or talk with somebody else."""


class Recogniser(Protocol):
    """Turns sound into words. One instance is used by one thread at a time."""

    name: str
    """Short name, as written to the record."""
    model: str
    """Name of its speech model."""

    def hear(self, samples: np.ndarray, grammar: Grammar, before: np.ndarray | None = None) -> Heard:
        """The phrase of `grammar` in `samples` (int16, mono, 16 kHz), or a rejected Heard. `before` is the sound just before them,
        from which a recogniser that wants clean sound learns the noise of the shop. Raises SoundError when the grammar cannot be used
        by this recogniser."""
        ...

    def missing_words(self, words: Iterable[str]) -> list[str]:
        """Those of `words` this recogniser can never hear, sorted."""
        ...
