"""Noises of a pump shop, made from a seed: for the hearing benchmark and for tests, never used in a job.

Each noise is float64, mono, 16 kHz, within -1 to 1, and has an RMS of `NOISE_RMS` over its whole length. Spectra and rates are from
textbooks and common sense, not from recordings of one shop: they stand for kinds of noise (a hum with knocks, blows, a hiss, a whine,
talk), and are no measurement of any machine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from assistant.speech.recognise import RATE
from assistant.speech.sound import frame_power

NOISE_RMS = 0.05
"""RMS of every noise, fraction of full scale (-26 dB): low enough that blows, 20 dB above their mean, do not clip."""
ACTIVE_DB = 20.0
"""A frame is active speech when its level is within this of the 95th percentile of all frames, dB."""
DRIVE = 1.2
"""Peak of what is handed to a small loudspeaker, in units of the sound at which it begins to distort badly (no unit); chosen, no source."""
BLOCK_S = 30.0
"""Noise is made in blocks of this length, s: an hour's spectrum in one piece would fill the memory."""


def compressor(seconds: float, seed: int) -> np.ndarray:
    """A piston compressor at about 1,450 revolutions per minute: a hum at mains and running speed with a clatter of valves."""
    return _in_blocks(_compressor, seconds, seed)


def impact_wrench(seconds: float, seed: int) -> np.ndarray:
    """Runs of blows, some 20 a second, on ringing steel over the whine of an air motor; pauses between them."""
    return _in_blocks(_impact_wrench, seconds, seed)


def air_hiss(seconds: float, seed: int) -> np.ndarray:
    """Compressed air out of a nozzle: a hiss that rises with frequency up to 5 kHz, and comes and goes a little."""
    return _in_blocks(_air_hiss, seconds, seed)


def grinder(seconds: float, seed: int) -> np.ndarray:
    """An angle grinder: the whine of its gears, slowed by the work, and the broad roar of the disc."""
    return _in_blocks(_grinder, seconds, seed)


def babble(seconds: float, seed: int, voices: Sequence[np.ndarray], talkers: int = 4) -> np.ndarray:
    """`talkers` people at once, each going through `voices` (int16 or float, 16 kHz) from a place and in an order of its own.

    Raises ValueError without voices.
    """
    wave = sum(_running(seconds, np.random.default_rng([seed, talker]), voices, pause_s=0.2) for talker in range(talkers))
    return _levelled(wave)


def prompt(seconds: float, seed: int, voices: Sequence[np.ndarray]) -> np.ndarray:
    """Our own loudspeaker while the technician talks over it: one voice in a run, as a small loudspeaker and the room make it.

    Raises ValueError without voices.
    """
    return loudspeaker(talk(seconds, seed, voices), seed)


def talk(seconds: float, seed: int, voices: Sequence[np.ndarray]) -> np.ndarray:
    """One voice in a run, as it is handed to a loudspeaker. Raises ValueError without voices."""
    return _levelled(_running(seconds, np.random.default_rng([seed, 99]), voices, pause_s=0.3))


def loudspeaker(samples: np.ndarray, seed: int) -> np.ndarray:
    """Sound as it comes from a small loudspeaker, driven hard enough to distort, in a room."""
    wave = _shaped(np.asarray(samples, dtype=np.float64), lambda hertz: (hertz > 200) * (hertz < 5000) * 1.0)
    wave = np.tanh(DRIVE * wave / max(np.abs(wave).max(initial=0.0), 1e-12))
    return _levelled(room(wave, seed, 0.3))


def room(samples: np.ndarray, seed: int, rt60_s: float = 0.6, direct_db: float = 3.0) -> np.ndarray:
    """Sound (int16 or float) as heard in a room: float, same length. `rt60_s` is the time in which the echo falls by 60 dB, s.

    The impulse response is the direct sound, and after 5 ms a decaying noise, duller with time, `direct_db` decibels weaker in sum.
    """
    wave = np.asarray(samples, dtype=np.float64)
    if len(wave) == 0:
        return wave
    rng = np.random.default_rng([seed, 7])
    length = int(rt60_s * RATE)
    echo = rng.normal(size=length) * 10 ** (-3.0 * np.arange(length) / length)
    echo[: int(0.005 * RATE)] = 0.0
    # Air and soft things take the high notes first.
    echo = _shaped(echo, lambda hertz: 1.0 / (1.0 + (hertz / 3000.0) ** 2))
    echo *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(echo**2))
    echo[0] += 1.0
    size = 1 << (len(wave) + length - 1).bit_length()
    return np.fft.irfft(np.fft.rfft(wave, size) * np.fft.rfft(echo, size), size)[: len(wave)]


NOISES: dict[str, Callable[[float, int], np.ndarray]] = {"compressor": compressor, "impact-wrench": impact_wrench, "air-hiss": air_hiss, "grinder": grinder}
"""The noises that need no voices, by name."""


def active_power(speech: np.ndarray) -> float:
    """Mean square of the active frames of `speech`, in its own unit squared; pauses do not count. 0 for empty or silent sound."""
    power = frame_power(speech, fill=False, offset=True)
    # Digital silence around the speech is none of it: a longer pause must not move the percentile.
    power = power[power > 0]
    if len(power) == 0:
        return 0.0
    return float(power[power >= np.percentile(power, 95) * 10 ** (-ACTIVE_DB / 10)].mean())


def snr_db(speech: np.ndarray, noise: np.ndarray) -> float:
    """Signal-to-noise ratio, dB: mean square of the active frames of `speech` over the mean square of all of `noise`, in the same unit.

    Raises ValueError where one of them is silent.
    """
    above, below = active_power(speech), _mean_square(noise)
    if above <= 0.0 or below <= 0.0:
        raise ValueError("A signal-to-noise ratio needs speech and noise that are not silent.")
    return 10.0 * float(np.log10(above / below))


def mix(speech: np.ndarray, noise: np.ndarray, ratio_db: float) -> np.ndarray:
    """int16 sound of `speech` (int16, 16 kHz) in `noise` at a signal-to-noise ratio of `ratio_db`, in the sense of `snr_db`.

    The noise is cut to the speech's length. Where the sum would clip, both are made quieter together: the ratio holds.
    Raises ValueError where the noise is shorter than the speech, or one of them is silent.
    """
    if len(noise) < len(speech):
        raise ValueError(f"The noise ({len(noise)} samples) is shorter than the speech ({len(speech)} samples).")
    voice, other = np.asarray(speech, dtype=np.float64), np.asarray(noise[: len(speech)], dtype=np.float64)
    wave = voice + other * 10 ** ((snr_db(voice, other) - ratio_db) / 20)
    return np.round(wave * min(1.0, 32000.0 / np.abs(wave).max())).astype(np.int16)


# The noises, block by block -----------------------------------------------------------------------------------------


def _compressor(samples: int, rng: np.random.Generator) -> np.ndarray:
    time = np.arange(samples) / RATE
    # The speed drifts slowly by half a percent with the load.
    turns = np.cumsum(24.2 * (1.0 + 0.005 * _slow(samples, rng))) / RATE
    wave = sum(rng.uniform(0.5, 1.0) / order**0.7 * np.sin(2 * np.pi * order * turns + rng.uniform(0, 6.3)) for order in range(1, 41))
    wave = wave + sum(0.8 / order * np.sin(2 * np.pi * 100 * order * time + rng.uniform(0, 6.3)) for order in range(1, 5))
    wave = wave + 1.2 * _coloured(samples, rng, lambda hertz: 1.0 / (1.0 + (hertz / 600.0) ** 2))
    beats = np.flatnonzero(np.diff(np.floor(turns * 2)) > 0)
    clatter = _rings(samples, beats, rng, hertz=(900, 1400, 2300, 3100), decay_s=0.008)
    return wave / wave.std() + 1.2 * clatter / max(clatter.std(), 1e-9)


def _impact_wrench(samples: int, rng: np.random.Generator) -> np.ndarray:
    blows: list[float] = []
    running = np.zeros(samples)
    at = rng.uniform(0.0, 0.3) * RATE
    while at < samples:
        end = at + rng.uniform(0.6, 2.0) * RATE
        running[int(at) : int(end)] = 1.0
        step = RATE / rng.uniform(17.0, 24.0)
        while at < end:
            blows.append(at)
            at += step * rng.normal(1.0, 0.04)
        at = end + rng.uniform(0.2, 0.8) * RATE
    hits = np.array([int(blow) for blow in blows if blow < samples], dtype=int)
    steel = _rings(samples, hits, rng, hertz=(620, 1150, 1980, 2870, 4100, 5600), decay_s=0.018)
    motor = running * (_coloured(samples, rng, lambda hertz: (hertz > 500) / (1.0 + (hertz / 4000.0) ** 4)) + np.sin(2 * np.pi * np.cumsum(820 + 60 * _slow(samples, rng)) / RATE))
    return steel / max(steel.std(), 1e-9) + 0.4 * motor


def _air_hiss(samples: int, rng: np.random.Generator) -> np.ndarray:
    return _coloured(samples, rng, lambda hertz: (hertz / 5000.0) / (1.0 + (hertz / 5000.0) ** 4)) * (1.0 + 0.3 * _slow(samples, rng))


def _grinder(samples: int, rng: np.random.Generator) -> np.ndarray:
    turns = np.cumsum(180.0 * (1.0 + 0.06 * _slow(samples, rng))) / RATE
    whine = sum(level * np.sin(2 * np.pi * order * turns + rng.uniform(0, 6.3)) for order, level in ((1, 0.5), (2, 0.3), (9, 1.0), (10, 0.5), (18, 0.7), (27, 0.4)))
    roar = _coloured(samples, rng, lambda hertz: (hertz / 2500.0) / (1.0 + (hertz / 2500.0) ** 2)) * (1.0 + 0.3 * _slow(samples, rng))
    return 0.7 * whine + 1.2 * roar


# What they are made of ----------------------------------------------------------------------------------------------


def _in_blocks(make: Callable[[int, np.random.Generator], np.ndarray], seconds: float, seed: int) -> np.ndarray:
    samples, block = round(seconds * RATE), round(BLOCK_S * RATE)
    parts = [make(min(block, samples - start), np.random.default_rng([seed, start])) for start in range(0, samples, block)]
    return _levelled(np.concatenate(parts)) if parts else np.zeros(0)


def _levelled(wave: np.ndarray) -> np.ndarray:
    rms = np.sqrt(_mean_square(wave))
    return np.clip(wave * (NOISE_RMS / rms), -1.0, 1.0) if rms > 0 else wave


def _running(seconds: float, rng: np.random.Generator, voices: Sequence[np.ndarray], pause_s: float) -> np.ndarray:
    """One talker for `seconds`, begun in the middle of a sentence, each sentence at the same level."""
    spoken = [voice for voice in voices if active_power(voice) > 0]
    if not spoken:
        raise ValueError("Talk needs at least one voice that is not silent.")
    samples = round(seconds * RATE)
    parts: list[np.ndarray] = []
    have = 0
    while have < samples:
        voice = np.asarray(spoken[int(rng.integers(len(spoken)))], dtype=np.float64)
        skip = 0 if parts else int(rng.integers(len(voice) // 2 + 1))
        part = np.concatenate([voice[skip:] / np.sqrt(active_power(voice)), np.zeros(round(rng.uniform(0.0, 2 * pause_s) * RATE))])
        parts.append(part)
        have += len(part)
    return np.concatenate(parts)[:samples] if parts else np.zeros(0)


def _shaped(wave: np.ndarray, gain: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    if len(wave) == 0:
        return wave
    return np.fft.irfft(np.fft.rfft(wave) * gain(np.fft.rfftfreq(len(wave), 1 / RATE)), len(wave))


def _coloured(samples: int, rng: np.random.Generator, gain: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Noise of a spectrum, with a standard deviation of 1."""
    wave = _shaped(rng.normal(size=samples), gain)
    return wave / max(wave.std(), 1e-12)


def _slow(samples: int, rng: np.random.Generator) -> np.ndarray:
    """A value between -1 and 1 that wanders, three new aims a second."""
    aims = rng.uniform(-1.0, 1.0, int(samples / RATE * 3) + 2)
    return np.interp(np.arange(samples) / RATE * 3, np.arange(len(aims)), aims)


def _rings(samples: int, places: np.ndarray, rng: np.random.Generator, hertz: Sequence[float], decay_s: float) -> np.ndarray:
    """Struck metal: at each place the same tones die away, each blow of another strength."""
    time = np.arange(int(8 * decay_s * RATE)) / RATE
    ring = sum(rng.uniform(0.4, 1.0) * np.sin(2 * np.pi * tone * time + rng.uniform(0, 6.3)) * np.exp(-time / (decay_s * rng.uniform(0.6, 1.4))) for tone in hertz)
    wave = np.zeros(samples + len(ring))
    for place in places:
        wave[place : place + len(ring)] += ring * rng.uniform(0.5, 1.0)
    return wave[:samples]


def _mean_square(wave: np.ndarray) -> float:
    return float(np.mean(np.square(wave, dtype=np.float64))) if len(wave) else 0.0
