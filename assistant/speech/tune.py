"""Fits the assistant to a shop: how loud it is, how loud one person is in it, what is heard, and whether a headset is needed."""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from pydantic import ConfigDict, TypeAdapter, ValidationError

from assistant.engine.expect import general_vocabulary
from assistant.errors import SoundError
from assistant.language.pack import Pack
from assistant.language.vocabulary import Vocabulary
from assistant.speech.devices import SILENCE_DBFS, level_dbfs
from assistant.speech.endpoint import Endpointer
from assistant.speech.front import advice
from assistant.speech.recognise import RATE, Recogniser
from assistant.speech.sound import frame_power

LEAST_NOISE_S = 1.0
"""Shortest recording of the shop that says anything, s."""
WELL_DB, BARELY_DB = 20.0, 12.0
"""Signal-to-noise ratios, dB: from the first on the bench microphone does, under the second a headset is needed."""
WELL_SHARE, BARELY_SHARE = 0.9, 0.7
"""Shares of the phrases heard rightly (no unit), for the same two verdicts."""
LOUDER_DB = 3.0
"""Frames this much above the loud moments of the noise are speech, dB."""
ACTIVE_DB = 20.0
"""Of these, frames within this of the 95th percentile count, dB: the fading ends of words do not."""
FEWEST_FRAMES = 5
"""With fewer frames of speech than this a phrase is drowned in the noise."""
MARGIN_DB, HEADROOM_DB = 4.0, 12.0
"""The endpointer's floor is so far above the noise, and at most so far under the speech, dB."""
LOWEST_FLOOR_DBFS, HIGHEST_FLOOR_DBFS = -60.0, -25.0
STRICT_BELOW_DB = 15.0
"""Signal-to-noise ratio under which only clear voice counts as voice, dB."""

WELL = "The microphone on the bench is good enough here."
BETTER = "The shop is noisy. A headset would make mistakes rarer."
NEEDED = "The shop is too loud for the microphone on the bench. Wear a headset."


@dataclass(frozen=True)
class ShopProfile:
    """What one person's voice and one bench's noise came to."""

    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid", allow_inf_nan=False)

    person: str
    bench: str
    noise_dbfs: float
    """RMS level of the shop, dB of full scale."""
    speech_dbfs: float
    """RMS level of the speech alone, pauses left out, dB of full scale; that of the noise where no speech stands out."""
    snr_db: float
    """Speech over noise, dB; 0 where no speech stands out."""
    said: int
    """Phrases spoken."""
    right: int
    """Phrases heard rightly."""
    missed: tuple[str, ...]
    """Phrases rejected or taken for others."""
    headset: bool
    """Whether a headset is needed."""
    words: str
    """What to tell the person, one to four spoken sentences."""
    floor_dbfs: float
    """For the endpointer: nothing quieter is speech, dB of full scale."""
    strictness: int
    """For the endpointer: 0 (everything is voice) to 3 (only clear voice)."""

    def endpointer(self) -> Endpointer:
        """An endpointer for this person and bench: what `MicrophoneListener` takes as its `endpointer`."""
        return Endpointer(floor_dbfs=self.floor_dbfs, strictness=self.strictness)


def measure(noise: np.ndarray, phrases: Sequence[tuple[str, np.ndarray]], recogniser: Recogniser, pack: Pack, *,
            person: str = "", bench: str = "") -> ShopProfile:
    """A profile from the shop alone (`noise`) and phrases of the general vocabulary spoken in it, all int16, mono, 16 kHz.

    Raises SoundError where the noise is shorter than `LEAST_NOISE_S`, there is no phrase, or one is not in the general vocabulary.
    """
    if len(noise) < LEAST_NOISE_S * RATE:
        raise SoundError("There is too little sound of the shop to measure; let the microphone run for some seconds while nobody speaks.")
    if not phrases:
        raise SoundError("No phrase was spoken; say some commands to fit the assistant to your voice.")
    grammar = Vocabulary(pack).grammar(general_vocabulary())
    missed, powers, faults = [], [], []
    for text, samples in phrases:
        wanted = grammar.match(text)
        if wanted is None:
            raise SoundError(f'"{text}" is not a phrase of the general vocabulary; take one that is.')
        heard = recogniser.hear(samples, grammar, noise[-RATE:])
        if heard.rejected or grammar.match(heard.text) != wanted:
            missed.append(text)
        powers.append(_speech_power(samples, noise))
        faults.append(advice(samples))
    noise_dbfs = level_dbfs(np.round(noise - noise.mean()))
    speech = float(np.mean(powers))
    # A phrase that is drowned counts as no power: half of them lost is a ratio 3 dB lower.
    speech_dbfs = max(_dbfs(speech), noise_dbfs) if speech > 0 else noise_dbfs
    ratio = speech_dbfs - noise_dbfs
    share = 1 - len(missed) / len(phrases)
    fault = next((one for one in faults if one is not None and faults.count(one) * 2 > len(faults)), None)
    # Without noise to speak of, phrases that are missed are a matter of level or voice, which no headset mends.
    headset = ratio < BARELY_DB or (share < BARELY_SHARE and ratio < WELL_DB)
    verdict = NEEDED if headset else WELL if ratio >= WELL_DB and share >= WELL_SHARE else BETTER if ratio < WELL_DB else _poor(missed)
    floor = min(max(noise_dbfs + MARGIN_DB, LOWEST_FLOOR_DBFS), max(speech_dbfs - HEADROOM_DB, LOWEST_FLOOR_DBFS), HIGHEST_FLOOR_DBFS)
    return ShopProfile(person, bench, round(noise_dbfs, 1), round(speech_dbfs, 1), round(ratio, 1), len(phrases), len(phrases) - len(missed),
                       tuple(missed), headset, f"{fault} {verdict}" if fault else verdict, round(floor, 1), 3 if ratio < STRICT_BELOW_DB else 2)


def _poor(missed: Sequence[str]) -> str:
    return f"The shop is quiet, but not all was understood. Practise: {', '.join(missed[:3])}."


def _speech_power(samples: np.ndarray, noise: np.ndarray) -> float:
    """Mean square of the speech in a phrase, without that of the noise, in int16 counts squared; 0 where none stands out."""
    power, below = frame_power(samples, fill=False), frame_power(noise, fill=False)
    loud = power[power > np.percentile(below, 95) * 10 ** (LOUDER_DB / 10)]
    if len(loud):
        loud = loud[loud >= np.percentile(loud, 95) * 10 ** (-ACTIVE_DB / 10)]
    return max(0.0, float(loud.mean() - below.mean())) if len(loud) >= FEWEST_FRAMES else 0.0


def _dbfs(power: float) -> float:
    return max(SILENCE_DBFS, 10.0 * math.log10(max(power, 1e-12) / 32768.0**2))


# Files ---------------------------------------------------------------------------------------------------------------


def profile_path(person: str, bench: str, folder: Path) -> Path:
    """Where the profile of a person at a bench is kept. Names that differ in anything have files of their own."""
    plain = "-".join("".join(letter if letter.isalnum() else " " for letter in f"{person} {bench}".lower()).split())[:60]
    mark = hashlib.sha256(f"{person}\n{bench}".encode()).hexdigest()[:8]
    return folder / f"shop-{plain or 'profile'}-{mark}.json"


def save(profile: ShopProfile, folder: Path) -> Path:
    """Write a profile, in place of an earlier one of the same person and bench. Returns its file. Raises SoundError when it cannot."""
    path = profile_path(profile.person, profile.bench, folder)
    # A file half written must never stand where a whole one was.
    partial = path.with_suffix(f".{os.getpid()}.part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        partial.write_bytes(_adapter().dump_json(profile, indent=2) + b"\n")
        os.replace(partial, path)
    except OSError as error:
        raise SoundError(f"The fitting to the shop cannot be kept in {folder} ({error.strerror}); choose another folder, or make room.") from None
    return path


def load(person: str, bench: str, folder: Path) -> ShopProfile | None:
    """The profile of a person at a bench, or None where none was kept. Raises SoundError for a file that is damaged or another's."""
    path = profile_path(person, bench, folder)
    try:
        profile: ShopProfile = _adapter().validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except OSError as error:
        raise SoundError(f"{path}: the fitting to the shop cannot be read ({error.strerror}); fit again.") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise SoundError(f"{path}: the fitting to the shop is damaged ({where}: {first['msg']}); delete the file and fit again.") from None
    if (profile.person, profile.bench) != (person, bench):
        raise SoundError(f"{path}: this fitting is of {profile.person} at {profile.bench}; delete the file and fit again.")
    return profile


def _adapter() -> TypeAdapter[Any]:
    return TypeAdapter(ShopProfile)
