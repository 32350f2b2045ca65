"""What happens to an utterance before it is recognised: rumble and steady noise are taken out; and advice on level and clipping.

The noise is estimated from the sound before the speech where the listener has it, else from the quiet moments of the utterance itself
(minimum statistics, after Martin 2001), and followed through the utterance by the probability that a bin holds speech (after Gerkmann
and Hendriks 2012). It is taken out by power subtraction or by a Wiener gain (decision-directed, after Ephraim and Malah 1984).
"""

from __future__ import annotations

import collections

import numpy as np

from assistant.speech.devices import level_dbfs
from assistant.speech.recognise import RATE
from assistant.speech.sound import is_clipped, trim_silence

METHODS = ("none", "high-pass", "spectral", "wiener")
"""Ways to clean: nothing; rumble only; rumble, and noise by power subtraction; rumble, and noise by a Wiener gain."""
DEFAULT = "spectral"
"""Of what was tried, this let PocketSphinx find the right words most often in noise, and cost nothing in quiet. Of 60 phrases each at 10
and 5 dB (compressor, hiss, grinder, babble, impact wrench) the words were right, before doubtful ones are rejected, in 48 and 33 %; with
the Wiener gain in 42 and 28 %, and uncleaned in 35 and 18 %. WebRTC's suppression came to 35 and 27 %, RNNoise with 30 % of the
uncleaned sound to 42 and 25 %. Most of these words are still rejected: of 248 phrases of scripts/bench_hearing (--quick), in quiet and
at 20 to 0 dB, 46 were accepted rightly and 6 wrongly; uncleaned 34 and 11."""

HIGH_PASS_HZ = 80.0
"""Below this there is rumble and hum but no speech that is needed, Hz: PocketSphinx itself looks from 130 Hz on."""
FRAME, HOP = 512, 128
"""Samples per frame (32 ms) and between frames (8 ms)."""
FLOOR_DB = -12.0
"""The gain never falls below this, dB: what is emptier than that, the recogniser's model has never heard."""
OVER = 1.5
"""How many times the noise's power is subtracted (no unit)."""
SMOOTHING = 0.97
"""Weight of the last frame's clean estimate in the decision-directed estimate (no unit)."""
LEAST_NOISE_S = 0.1
"""Shortest `noise` that is of use, s."""
MINIMUM_BIAS = 2.4
"""The minimum of a smoothed power lies this much under its mean (no unit); found by trial on white noise."""

RECENT_S = 17.0
"""How far back sound is kept, s: the longest utterance, and what is wanted before it."""
LATE_S = 0.35
"""An utterance ended at most this long before the endpointer hands it out, s: silence trimmed off (0.21), a block (0.1) and a frame."""

TOO_LOUD_DBFS, TOO_QUIET_DBFS, NEAR_SILENT_DBFS = -9.0, -45.0, -70.0
"""Levels of an utterance, dB of full scale (RMS), beyond which advice is given. Common practice, no source."""
OFFSET_DBFS = -30.0
"""A constant offset above this points to a faulty sound card or cable, dB of full scale. Common practice, no source."""

_WINDOW = np.sqrt(np.hanning(FRAME + 1)[:-1])
_HERTZ = np.fft.rfftfreq(FRAME, 1 / RATE)


class FrontEnd:
    """Cleans one utterance after another; holds nothing between them.

    Raises ValueError for a method that is none of `METHODS`.
    """

    def __init__(self, method: str = DEFAULT) -> None:
        if method not in METHODS:
            raise ValueError(f'There is no noise suppression called "{method}"; use one of {", ".join(METHODS)}.')
        self.method = method

    def clean(self, samples: np.ndarray, noise: np.ndarray | None = None) -> np.ndarray:
        """`samples` (int16, mono, 16 kHz) with less noise: int16, same length and level of speech.

        `noise` is what the microphone gave just before the speech, about 1 s (int16, 16 kHz); without it, or where it is shorter than
        `LEAST_NOISE_S` or silent, the noise is estimated from `samples`. Empty or silent sound comes back as it is.
        """
        if self.method == "none" or len(samples) == 0 or not samples.any():
            return samples
        spectra = _spectra(_without_offset(samples))
        if self.method != "high-pass":
            power = np.abs(spectra) ** 2
            start = _noise_before(noise) if noise is not None and len(noise) >= LEAST_NOISE_S * RATE and noise.any() else _minimum_noise(power)
            gain = _wiener if self.method == "wiener" else _subtraction
            spectra = spectra * gain(power, _followed(power, np.maximum(start, 1e-3)))
        return np.clip(np.round(_wave(spectra * _rumble_gain(), len(samples))), -32768, 32767).astype(np.int16)


def advice(samples: np.ndarray) -> str | None:
    """One spoken sentence or two on what is wrong with the level of an utterance (int16, 16 kHz), without digits; None when it is well."""
    if len(samples) == 0:
        return None
    if is_clipped(samples):
        return "The sound is too loud and breaks up. Move the microphone away, or turn its level down."
    if abs(float(samples.mean())) > 32768.0 * 10 ** (OFFSET_DBFS / 20):
        return "The microphone gives a false signal. Check its plug and cable."
    level = level_dbfs(np.round(trim_silence(samples) - samples.mean()))
    if level > TOO_LOUD_DBFS:
        return "The sound is too loud. Move the microphone away."
    if level < NEAR_SILENT_DBFS:
        return "The microphone is nearly silent. Check that it is not muted."
    if level < TOO_QUIET_DBFS:
        return "The sound is too quiet. Move the microphone closer."
    return None


class Recent:
    """Keeps what the microphone gave lately, to hand out the sound before an utterance."""

    def __init__(self) -> None:
        self._blocks: collections.deque[np.ndarray] = collections.deque()
        self._kept = 0

    def add(self, block: np.ndarray) -> None:
        """Take in a block (int16, 16 kHz), always and only when the endpointer is given it too.

        What was kept from before a prompt may stay: noise that is some seconds old is better than none.
        """
        self._blocks.append(block)
        self._kept += len(block)
        while self._kept - len(self._blocks[0]) >= RECENT_S * RATE:
            self._kept -= len(self._blocks.popleft())

    def before(self, utterance: np.ndarray) -> np.ndarray:
        """Up to 1 s of sound before `utterance`, which the endpointer has just handed out; shorter, or empty, where there was none."""
        sound = np.concatenate([*self._blocks]) if self._blocks else np.zeros(0, dtype=np.int16)
        end = max(0, len(sound) - len(utterance) - round(LATE_S * RATE))
        return sound[max(0, end - RATE) : end]

    def clear(self) -> None:
        """Forget it, for use when the microphone is another one."""
        self._blocks.clear()
        self._kept = 0


# Noise ---------------------------------------------------------------------------------------------------------------


def _noise_before(noise: np.ndarray) -> np.ndarray:
    """Power of each bin in the sound before the speech. The median, set up to the mean of noise, passes over knocks and the end of a word."""
    power = np.abs(_spectra(_without_offset(noise))) ** 2
    return np.median(power[2:-2] if len(power) > 8 else power, axis=0) / np.log(2.0)


def _minimum_noise(power: np.ndarray) -> np.ndarray:
    """Power of each bin in the quietest moments of the utterance."""
    width = 10
    kernel = np.ones(width) / width
    smooth = np.apply_along_axis(lambda one: np.convolve(one, kernel, mode="valid"), 0, power) if len(power) > width else power
    return MINIMUM_BIAS * np.percentile(smooth, 5, axis=0)


def _followed(power: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Power of the noise in each frame and bin: it moves where a bin most likely holds no speech."""
    speech_snr = 10 ** (15.0 / 10)
    found = np.empty_like(power)
    likely = np.zeros(power.shape[1])
    for frame, now in enumerate(power):
        ratio = np.minimum(now / noise * speech_snr / (1 + speech_snr), 50.0)
        speech = 1.0 / (1.0 + (1 + speech_snr) * np.exp(-ratio))
        likely = 0.9 * likely + 0.1 * speech
        # A bin that was speech for long is held down, or the estimate could never rise again.
        speech = np.where(likely > 0.99, np.minimum(speech, 0.99), speech)
        noise = 0.8 * noise + 0.2 * (speech * noise + (1 - speech) * now)
        found[frame] = noise
    return found


# Gains ---------------------------------------------------------------------------------------------------------------


def _subtraction(power: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Amplitude gain of power subtraction, smoothed over time so that single bins do not twitter."""
    smooth = power.copy()
    for frame in range(1, len(smooth)):
        smooth[frame] = 0.6 * smooth[frame - 1] + 0.4 * smooth[frame]
    smooth = np.maximum(smooth, 0.5 * power)
    return np.sqrt(np.maximum(1.0 - OVER * noise / np.maximum(smooth, 1e-9), 10 ** (FLOOR_DB / 10)))


def _wiener(power: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Amplitude gain of a Wiener filter."""
    floor = 10 ** (FLOOR_DB / 20)
    gains = np.empty_like(power)
    clean = np.zeros(power.shape[1])
    for frame, now in enumerate(power):
        after = np.maximum(now / noise[frame] - 1.0, 0.0)
        before = SMOOTHING * clean / noise[frame] + (1 - SMOOTHING) * after
        gains[frame] = np.maximum(before / (1.0 + before), floor)
        clean = gains[frame] ** 2 * now
    return gains


def _rumble_gain() -> np.ndarray:
    """Amplitude gain of the high-pass, as a Butterworth filter of fourth order has it."""
    ratio = (_HERTZ / HIGH_PASS_HZ) ** 4
    return ratio / np.sqrt(1.0 + ratio**2)


# Frames --------------------------------------------------------------------------------------------------------------


def _without_offset(samples: np.ndarray) -> np.ndarray:
    wave = samples.astype(np.float64)
    return wave - wave.mean()


def _spectra(wave: np.ndarray) -> np.ndarray:
    """Spectrum of each frame (frames x bins). The wave is mirrored at both ends, so that a frame there is as full as any other."""
    lead = FRAME - HOP
    padded = np.pad(wave, (lead, lead + (-len(wave)) % HOP), mode="reflect" if len(wave) > 2 * FRAME else "constant")
    frames = np.lib.stride_tricks.sliding_window_view(padded, FRAME)[::HOP]
    return np.fft.rfft(frames * _WINDOW, axis=1)


def _wave(spectra: np.ndarray, samples: int) -> np.ndarray:
    frames = np.fft.irfft(spectra, FRAME, axis=1) * _WINDOW
    wave = np.zeros((len(frames) - 1) * HOP + FRAME)
    for number, frame in enumerate(frames):
        wave[number * HOP : number * HOP + FRAME] += frame
    # The squared windows add up to half the overlap everywhere.
    return wave[FRAME - HOP : FRAME - HOP + samples] / (FRAME / HOP / 2)
