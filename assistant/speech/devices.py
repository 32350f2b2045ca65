"""What microphones and loudspeakers this computer has, as PortAudio lists them."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import numpy as np

from assistant.errors import SoundError

FULL_SCALE = 32768.0
"""Largest int16 sample value plus one: 0 dBFS is a square wave of this height."""

SILENCE_DBFS = -120.0
"""Level reported for digital silence, whose logarithm has no value, dBFS."""


@dataclass(frozen=True)
class SoundDevice:
    """One sound device."""

    index: int
    """PortAudio index; it changes when devices are plugged in, so use the name to open a device."""
    name: str
    """Name as PortAudio lists it."""
    inputs: int
    """Most channels it can record."""
    outputs: int
    """Most channels it can play."""
    rate: float
    """Native sample rate, Hz."""
    default_input: bool
    """True for the microphone used when none is named."""
    default_output: bool
    """True for the loudspeaker used when none is named."""


def load_sounddevice() -> Any:
    """The sounddevice module. Raises SoundError when the PortAudio library is not installed."""
    try:
        # Imported late: loading PortAudio takes time and fails on a computer used only with recordings.
        import sounddevice
    except OSError as error:
        raise SoundError("The PortAudio library cannot be loaded; install the package libportaudio2.") from error
    return sounddevice


def list_devices() -> list[SoundDevice]:
    """Every sound device, in PortAudio's order, as found when this process first asked.

    PortAudio fixes its list when it is loaded; a device plugged in later appears in a new process only.
    Raises SoundError when PortAudio is missing or cannot list the devices.
    """
    sounddevice = load_sounddevice()
    try:
        found = sounddevice.query_devices()
        default_input, default_output = sounddevice.default.device
    except sounddevice.PortAudioError as error:
        raise SoundError(f"The sound devices cannot be listed: {error}.") from error
    return [
        SoundDevice(
            index=number, name=device["name"], inputs=device["max_input_channels"],
            outputs=device["max_output_channels"], rate=float(device["default_samplerate"]),
            default_input=number == default_input, default_output=number == default_output,
        )
        for number, device in enumerate(found)
    ]


def find_device(devices: list[SoundDevice], name: str | None, *, output: bool = False) -> SoundDevice:
    """The device called `name` (exactly, or else the only one that contains it), or the default for None.

    Raises SoundError naming what there is when none, or more than one, fits.
    """
    what = "loudspeaker" if output else "microphone"
    able = [device for device in devices if (device.outputs if output else device.inputs) > 0]
    if not able:
        raise SoundError(f"No {what} was found; plug one in, or check the sound settings.")
    if name is None:
        default = [device for device in able if (device.default_output if output else device.default_input)]
        return (default or able)[0]
    exact = [device for device in able if device.name == name]
    part = [device for device in able if name.casefold() in device.name.casefold()]
    if exact or len(part) == 1:
        return (exact or part)[0]
    names = ", ".join(f'"{device.name}"' for device in able)
    if part:
        raise SoundError(f'More than one {what} is called "{name}"; name one of {names}.')
    raise SoundError(f'No {what} is called "{name}"; there is {names}.')


def level_dbfs(samples: np.ndarray) -> float:
    """RMS level of int16 samples, dBFS (0 is full scale, more negative is quieter)."""
    if len(samples) == 0:
        return SILENCE_DBFS
    rms = float(np.sqrt(np.mean(np.square(samples.astype(np.float64)))))
    return max(SILENCE_DBFS, 20.0 * np.log10(max(rms, 1e-9) / FULL_SCALE))


def input_level(seconds: float, device: str | None = None) -> float:
    """RMS level of the microphone over about `seconds`, dBFS. Raises SoundError when there is no sound to measure."""
    from assistant.speech.microphone import Microphone

    blocks: list[np.ndarray] = []
    with Microphone(device) as microphone:
        heard = 0.0
        give_up = time.monotonic() + seconds + 3.0
        while heard < seconds and time.monotonic() < give_up:
            block = microphone.read(0.2)
            if block is not None:
                blocks.append(block)
                heard += len(block) / 16000
    if not blocks:
        raise SoundError("The microphone is open but sends no sound; check that it is not muted or in use.")
    return level_dbfs(np.concatenate(blocks))
