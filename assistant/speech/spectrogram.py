"""The spectrogram that Whisper models are given, and the phone model made from one."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from assistant.speech.recognise import RATE

HOP = 160
"""Samples a frame: 10 ms."""
WINDOW = 400
BANDS = 80


def spectrogram(samples: np.ndarray) -> np.ndarray:
    """Log mel spectrogram as Whisper was trained on (bands x frames, float32) of int16 samples, mono, 16 kHz."""
    wave = np.pad(samples.astype(np.float32) / 32768.0, WINDOW // 2, mode="reflect")
    count = (len(wave) - WINDOW) // HOP
    frames = np.lib.stride_tricks.sliding_window_view(wave, WINDOW)[::HOP][:count]
    hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / WINDOW)
    power = np.abs(np.fft.rfft(frames * hann, axis=1)) ** 2
    log = np.log10(np.maximum(_filters() @ power.T, 1e-10))
    return ((np.maximum(log, log.max() - 8.0) + 4.0) / 4.0).astype(np.float32)


@lru_cache(maxsize=1)
def _filters() -> np.ndarray:
    """Mel filters of equal area, on the scale that is linear below 1 kHz and logarithmic above it (Slaney)."""
    step = math.log(6.4) / 27

    def hertz(mel: np.ndarray) -> np.ndarray:
        return np.where(mel < 15, mel * 200 / 3, 1000 * np.exp(step * (mel - 15)))

    edges = hertz(np.linspace(0, 15 + math.log(8) / step, BANDS + 2))
    bins = np.fft.rfftfreq(WINDOW, 1 / RATE)
    rise = (bins - edges[:-2, None]) / (edges[1:-1] - edges[:-2])[:, None]
    fall = (edges[2:, None] - bins) / (edges[2:] - edges[1:-1])[:, None]
    return np.maximum(0, np.minimum(rise, fall)) * (2 / (edges[2:] - edges[:-2]))[:, None]
