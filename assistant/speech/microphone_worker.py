"""Sound capture in a process of its own: `python -m assistant.speech.microphone_worker [device name]`.

Writes one JSON line on stdout, {"device": name, "rate": Hz} or {"error": sentence}, then frames: the header
FRAME (sample count, blocks lost so far) followed by that many little-endian int16 samples, mono, 16 kHz.

A process of its own because PortAudio on Linux cannot be trusted to let go: when the sound server dies while a
stream is open, its thread spins for ever and closing the stream never returns (seen with PortAudio 19.6 and
PulseAudio 16.1). A new process also sees the devices as they are now; PortAudio's list is fixed when it starts.
"""

from __future__ import annotations

import json
import os
import queue
import struct
import sys
from typing import Any

import numpy as np
import soxr

from assistant.errors import SoundError
from assistant.speech.devices import find_device, list_devices, load_sounddevice

FRAME = struct.Struct("<II")
RATE = 16000
BLOCK_S = 0.1
"""Length of one block, s: vosk decodes in steps of about 0.2 s, so shorter blocks gain nothing."""
QUIET_EXIT_S = 6.0
"""Without a block for this long the worker ends itself, so that an orphan never stays, s."""


def main() -> None:
    """Capture until stdout closes, the microphone stops sending, or the process is killed."""
    out = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)  # anything a library prints must not land among the frames
    name = sys.argv[1] if len(sys.argv) > 1 else None
    blocks: queue.Queue[np.ndarray] = queue.Queue(maxsize=100)
    lost = 0

    def keep(samples: np.ndarray, _frames: int, _time: Any, status: Any) -> None:
        nonlocal lost
        if status.input_overflow:
            lost += 1
        try:
            blocks.put_nowait(samples.copy())
        except queue.Full:
            lost += 1

    try:
        stream, device, rate = _open(name, keep)
    except SoundError as error:
        out.write(json.dumps({"error": str(error)}).encode() + b"\n")
        os._exit(4)
    out.write(json.dumps({"device": device, "rate": rate}).encode() + b"\n")
    resampler = soxr.ResampleStream(rate, RATE, 1, dtype="int16")
    try:
        while stream.active or not blocks.empty():
            samples = blocks.get(timeout=QUIET_EXIT_S)
            mono = samples[:, 0] if samples.shape[1] == 1 else samples.mean(axis=1).astype(np.int16)
            ready = resampler.resample_chunk(np.ascontiguousarray(mono))
            if len(ready):
                # One write per frame: a pipe write larger than its buffer may be partial, so finish it.
                data = memoryview(FRAME.pack(len(ready), lost) + ready.astype("<i2").tobytes())
                while data:
                    data = data[out.write(data):]
    except (queue.Empty, OSError):
        pass
    os._exit(0)  # never close the stream: that is the call that hangs


def _open(name: str | None, keep: Any) -> tuple[Any, str, float]:
    sounddevice = load_sounddevice()
    device = find_device(list_devices(), name)
    problem: Exception | None = None
    for channels in (1, min(2, device.inputs)):  # some sound cards refuse one channel
        try:
            stream = sounddevice.InputStream(
                device=device.index, channels=channels, samplerate=device.rate, dtype="int16",
                blocksize=round(device.rate * BLOCK_S), latency="high", callback=keep,
            )
            stream.start()
            return stream, device.name, device.rate
        except (sounddevice.PortAudioError, ValueError) as error:
            problem = error
    raise SoundError(f'The microphone "{device.name}" cannot be opened: check that it is plugged in and that no '
                     f"other program holds it ({str(problem).splitlines()[0]}).")


if __name__ == "__main__":
    main()
