"""Sound as the recognisers want it: int16, mono, 16 kHz; and files of any common kind read to that."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
import soxr

from assistant.errors import SoundError
from assistant.speech.recognise import RATE

LONGEST_FILE_S = 600.0
"""Seconds. A longer file is no utterance; reading it would only fill the memory."""
TARGET_PEAK = 0.5
"""Fraction of full scale (no unit) that `condition` brings the loudest sample to: -6 dB, room to spare."""
LARGEST_GAIN = 30.0
"""Ratio (no unit). More than this would turn the noise of an idle microphone into something loud."""
CLIPPED_SHARE = 0.001
"""Share of samples (no unit) at full scale from which sound counts as clipped. Common practice, no source."""
STEADY_DB = 3.0
"""Decibels between the loud and the quiet frames (95th and 5th percentile) below which sound is no speech: speech moves by 20 and more."""
FRAME_S = 0.02
"""Seconds per frame when looking for silence."""


def read_sound(path: Path | str) -> np.ndarray:
    """Read a sound file (any rate, channels or bit depth libsndfile knows) as int16, mono, 16 kHz.

    A file cut short gives the samples that are there. Raises SoundError when the file is missing, empty,
    over `LONGEST_FILE_S` long or not a sound file.
    """
    path = Path(path)
    if not path.is_file():
        raise SoundError(f"{path}: there is no such sound file; check the name.")
    if path.stat().st_size == 0:
        raise SoundError(f"{path}: the sound file is empty (0 bytes); record it again.")
    try:
        with soundfile.SoundFile(path) as file:
            rate = file.samplerate
            samples = file.read(frames=int(LONGEST_FILE_S * rate) + 1, dtype="float64", always_2d=True)
    except (soundfile.SoundFileError, OSError, RuntimeError) as error:
        reason = str(error).rsplit(": ", 1)[-1].rstrip(".")
        raise SoundError(f"{path}: not a sound file that can be read ({reason}); give a WAV or FLAC file.") from error
    if len(samples) == 0:
        raise SoundError(f"{path}: the sound file holds no samples; record it again.")
    if len(samples) > LONGEST_FILE_S * rate:
        raise SoundError(f"{path}: longer than {LONGEST_FILE_S:.0f} s; cut it into single phrases.")
    return to_16k(samples, rate)


def to_16k(samples: np.ndarray, rate: int) -> np.ndarray:
    """Any samples at `rate` (Hz), one or more channels (frames x channels), as int16, mono, 16 kHz.

    Floats are taken as -1 to 1; anything beyond is held at full scale, values that are not numbers become 0.
    Raises SoundError for a rate that is not positive.
    """
    if rate <= 0:
        raise SoundError(f"A sample rate of {rate} Hz is not possible; check the sound device.")
    samples = np.asarray(samples)
    if samples.dtype == np.int16 and samples.ndim == 1 and rate == RATE:
        return samples
    scale = 1.0 if samples.dtype.kind == "f" else float(-np.iinfo(samples.dtype).min or 1)
    wave = np.clip(np.nan_to_num(samples.astype(np.float64) / scale, nan=0.0, posinf=1.0, neginf=-1.0), -1e6, 1e6)  # beyond that a sum overflows
    if wave.ndim == 2:
        wave = wave.mean(axis=1)
    if rate != RATE and len(wave):
        wave = soxr.resample(wave, rate, RATE)
    return np.clip(np.round(wave * 32768.0), -32768, 32767).astype(np.int16)


def condition(samples: np.ndarray) -> np.ndarray:
    """int16 sound with no DC offset and its peak at `TARGET_PEAK`, by a gain of at most `LARGEST_GAIN`.

    Sound that is all zeros, or empty, comes back as it is.
    """
    if len(samples) == 0:
        return samples
    wave = samples.astype(np.float64)
    wave -= wave.mean()
    peak = np.abs(wave).max()
    # Below one count there is nothing but rounding to make louder.
    if peak < 1.0:
        return np.zeros(len(samples), dtype=np.int16)
    wave *= min(TARGET_PEAK * 32768.0 / peak, LARGEST_GAIN)
    return np.round(wave).astype(np.int16)


def is_clipped(samples: np.ndarray) -> bool:
    """Whether more than `CLIPPED_SHARE` of int16 `samples` sit at full scale, so the gain of the microphone is too high."""
    return len(samples) > 0 and bool(np.mean(np.abs(samples.astype(np.int32)) >= 32766) > CLIPPED_SHARE)


def speech_in(samples: np.ndarray) -> np.ndarray:
    """The stretch of int16 sound that may be speech: trimmed, and empty where its level never moves, as a motor's hum."""
    loud = trim_silence(samples)
    power = frame_power(loud)
    steady = len(power) >= 5 and np.percentile(power, 95) < np.percentile(power, 5) * 10 ** (STEADY_DB / 10)
    return loud[:0] if steady else loud


def trim_silence(samples: np.ndarray, keep_s: float = 0.2, below_db: float = 35.0) -> np.ndarray:
    """int16 sound without the silence before and after, keeping `keep_s` seconds at each end.

    A frame is silent when its level is `below_db` decibels under the loudest frame. Sound with no louder
    frame at all (all zeros) becomes empty.
    """
    frame = int(FRAME_S * RATE)
    power = frame_power(samples)
    if power.max(initial=0.0) < 1.0:
        return samples[:0]
    loud = np.flatnonzero(power >= power.max() * 10 ** (-below_db / 10))
    keep = int(keep_s * RATE)
    return samples[max(0, loud[0] * frame - keep) : min(len(samples), (loud[-1] + 1) * frame + keep)]


def frame_power(samples: np.ndarray, fill: bool = True, offset: bool = False) -> np.ndarray:
    """Mean square of each frame of `FRAME_S`, in the unit of `samples` squared.

    Samples left over at the end are filled up with zeros to a frame, or left out unless they are all there is, where `fill` is false.
    A constant offset is taken out first, unless `offset` says it is to stay.
    """
    frame = round(FRAME_S * RATE)
    wave = np.asarray(samples, dtype=np.float64)
    if len(wave) and not offset:
        wave = wave - wave.mean()
    if not fill:
        wave = wave[: len(wave) // frame * frame] if len(wave) >= frame else wave
        if 0 < len(wave) < frame:
            return np.array([np.mean(wave**2)])
    wave = np.pad(wave, (0, -len(wave) % frame))
    return np.asarray((wave.reshape(-1, frame) ** 2).mean(axis=1))


def speech_over_noise_db(utterance: np.ndarray, before: np.ndarray) -> float:
    """How far the loud half of an utterance stands above the sound before it (both int16, 16 kHz, not empty), dB."""
    power = frame_power(utterance, fill=False)
    loud = power[power >= np.median(power)].mean()
    return float(10 * np.log10(max(loud, 1.0) / max(frame_power(before, fill=False).mean(), 1.0)))
