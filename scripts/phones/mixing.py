"""Clean clips put into the noise, the talk and the rooms of a shop, at a signal-to-noise ratio.

TRAINED and the other kinds that `any_surroundings` draws are trained on. The grinder and our own loudspeaker ("prompt") are held out: only
`mixed` makes them, for the test. All sound is mono, 16 kHz.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from assistant.speech import shop_noise
from assistant.speech.recognise import RATE
from assistant.speech.sound import condition

TRAINED = ("compressor", "impact-wrench", "air-hiss")
"""Shop noises that are trained on."""
HELD_OUT = ("grinder", "prompt")
KINDS = ("quiet", *TRAINED, *HELD_OUT, "coloured", "talk", "one", "room")
""""talk" is two to six people, "one" is one in an echoing room, "room" is speech in an echoing room with the compressor beyond."""
LEAST_DB, MOST_DB = {"talk": 1.0, "one": 4.0}, 22.0
"""Range of the signal-to-noise ratio in training, from -3 dB where nothing else is said: talk that is as loud as the speech is as good an answer."""
ROOM_SHARE, EQUALISED_SHARE = 0.33, 0.35
"""Share of clips said in an echoing room, and with another frequency response (no unit)."""
SHOP_SEEDS, SHOP_S = range(500, 512), 20.0
"""The shop noises are made once for each seed, this long (s), and cut from anywhere."""
POINTS = 6
"""Points of a random frequency response, between 60 Hz and 8 kHz."""

Draw = Callable[[int, np.random.Generator], list[np.ndarray]]
"""Gives so many clean clips for talk in the background."""


def any_surroundings(clip: np.ndarray, samples: int, rng: np.random.Generator, draw: Draw) -> np.ndarray:
    """A clip as it may sound in a shop: `samples` of int16 sound, conditioned as the recogniser's input is. Silence gives noise alone."""
    if rng.random() < EQUALISED_SHARE:
        clip = equalised(clip, rng)
    wave = placed(clip, samples, rng)
    if rng.random() < ROOM_SHARE:
        wave = echoing(wave, rng)
    drawn = rng.random()
    kind = "quiet" if drawn < 0.10 else TRAINED[int(rng.integers(len(TRAINED)))] if drawn < 0.42 else "coloured" if drawn < 0.66 else "talk" if drawn < 0.94 else "one"
    ratio = rng.uniform(30, 55) if kind == "quiet" else rng.uniform(LEAST_DB.get(kind, -3.0), MOST_DB)
    return condition(_in_noise(wave, noise(kind, samples, rng, draw), ratio))


def mixed(clip: np.ndarray, samples: int, rng: np.random.Generator, draw: Draw, kind: str, ratio_db: float) -> np.ndarray:
    """The same for a test: in one of KINDS, at one ratio of speech to noise, in the sense of `shop_noise.snr_db`."""
    wave = placed(clip, samples, rng)
    if kind == "room":
        wave = echoing(wave, rng)
    return condition(_in_noise(wave, noise(kind, samples, rng, draw), ratio_db))


def noise(kind: str, samples: int, rng: np.random.Generator, draw: Draw) -> np.ndarray:
    """`samples` of a noise of KINDS (float, at any level)."""
    seed = int(rng.integers(1 << 30))
    if kind == "quiet":
        return rng.normal(size=samples)
    if kind == "coloured":
        return coloured(samples, rng)
    if kind == "talk":
        talkers = int(rng.integers(2, 7))
        return shop_noise.babble(samples / RATE, seed, draw(2 * talkers, rng), talkers)
    if kind == "one":
        return echoing(shop_noise.babble(samples / RATE, seed, draw(6, rng), 1), rng)
    if kind == "prompt":
        return shop_noise.prompt(samples / RATE, seed, draw(6, rng))
    long = _shop("compressor" if kind == "room" else kind, SHOP_SEEDS[int(rng.integers(len(SHOP_SEEDS)))])
    at = int(rng.integers(max(1, len(long) - samples)))
    return np.resize(long[at : at + samples], samples)


def coloured(samples: int, rng: np.random.Generator) -> np.ndarray:
    """Noise of a spectrum nobody named: some that pulses, some with a whine over it, some with knocks."""
    wave = _filtered(rng.normal(size=samples), rng.uniform(-25, 0, POINTS), np.sort(rng.uniform(np.log(60), np.log(8000), POINTS)))
    wave /= wave.std() + 1e-9
    time = np.arange(samples) / RATE
    if rng.random() < 0.4:
        wave *= 1 + rng.uniform(0.2, 1) * np.sin(2 * np.pi * rng.uniform(0.3, 30) * time + rng.uniform(0, 6.3))
    if rng.random() < 0.4:
        whine = _whine(time, rng)
        wave += rng.uniform(0.3, 2) * whine / (whine.std() + 1e-9)
    if rng.random() < 0.25:
        for at in rng.integers(0, samples, int(rng.integers(1, 2 + samples // 4000))):
            decay = int(rng.uniform(0.003, 0.03) * RATE)
            after = np.arange(min(samples - at, 6 * decay))
            wave[at : at + len(after)] += rng.uniform(3, 12) * np.exp(-after / decay) * np.sin(2 * np.pi * rng.uniform(300, 5000) * after / RATE)
    return wave


def placed(clip: np.ndarray, samples: int, rng: np.random.Generator) -> np.ndarray:
    """A clip somewhere in `samples` of silence, 50 ms from both ends where there is room (float)."""
    wave = np.zeros(samples)
    edge = RATE // 20
    at = int(rng.integers(edge, max(edge + 1, samples - len(clip) - edge)))
    wave[at : at + len(clip)] = clip[: max(0, samples - at)]
    return wave


def echoing(wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Sound in a room of any size, near to the microphone or far from it."""
    return shop_noise.room(wave, int(rng.integers(1 << 30)), rt60_s=rng.uniform(0.15, 0.8), direct_db=rng.uniform(-2, 10))


def equalised(clip: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A clip through a microphone of another frequency response; one in seven also loses its lowest and its highest notes."""
    band = (rng.uniform(100, 350), rng.uniform(3300, 7500)) if rng.random() < 0.15 else (0.0, np.inf)
    return _filtered(clip, rng.uniform(-7, 7, POINTS), np.linspace(np.log(60), np.log(8000), POINTS), band)


def _in_noise(wave: np.ndarray, other: np.ndarray, ratio_db: float) -> np.ndarray:
    if shop_noise.active_power(wave) == 0.0:
        return np.round(other * (32000.0 / max(np.abs(other).max(), 1e-9))).astype(np.int16)
    return shop_noise.mix(wave, other, ratio_db)


def _filtered(wave: np.ndarray, gains_db: np.ndarray, places: np.ndarray, band: tuple[float, float] = (0.0, np.inf)) -> np.ndarray:
    """Sound with gains at places (natural logarithms of Hz); 40 dB less outside of a band (Hz)."""
    size = 1 << max(0, len(wave) - 1).bit_length()
    hertz = np.fft.rfftfreq(size, 1 / RATE)
    gain = np.interp(np.log(hertz + 1), places, gains_db) - 40.0 * ((hertz < band[0]) | (hertz > band[1]))
    return np.fft.irfft(np.fft.rfft(wave, size) * 10 ** (gain / 20), size)[: len(wave)]


def _whine(time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    pitch = rng.uniform(60, 900)
    aims = rng.uniform(-1, 1, int(time[-1] * 2) + 3)
    turns = 2 * np.pi * np.cumsum(pitch * (1 + 0.02 * np.interp(time * 2, np.arange(len(aims)), aims))) / RATE
    orders = [order for order in range(1, 1 + int(rng.integers(2, 14))) if order * pitch < 7500]
    return sum(rng.uniform(0.1, 1) / order ** rng.uniform(0.2, 1.2) * np.sin(order * turns + rng.uniform(0, 6.3)) for order in orders)


@lru_cache(maxsize=64)
def _shop(kind: str, seed: int) -> np.ndarray:
    return shop_noise.NOISES[kind](SHOP_S, seed)
