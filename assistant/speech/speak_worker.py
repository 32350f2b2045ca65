"""Speech in a process that can be killed: `python -m assistant.speech.speak_worker VOICE WORDS_PER_MINUTE`.

JSON lines. First comes {"ready": true} or {"error": sentence}. Then for each {"text": ..., "file": path or null} on
stdin one {"done": true} or {"error": sentence} when the text has been played to its end or written to the file; before
it, as a text begins to play, {"playing": samples, "at": monotonic s}: base64 of int16 (little-endian), mono, 16 kHz.

pyttsx3 makes the sound and PortAudio plays it. pyttsx3's own playback runs `aplay` and ignores whether that worked,
so a bench without alsa-utils or without a loudspeaker would fall silent unnoticed.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import sys
import tempfile
import threading
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soxr

from assistant.errors import SoundError
from assistant.speech.devices import find_device, list_devices, load_sounddevice
from assistant.speech.recognise import RATE

NO_ENGINE = "The speech engine espeak-ng cannot be started; install the packages espeak-ng and libespeak-ng1."
QUIET = 60
"""Samples below this (of 32768) at the end of a prompt are silence and are not played."""
TRIES = 3
"""Times a prompt is asked for: on a busy computer pyttsx3 now and then takes it for spoken before it has begun, and writes nothing."""
GONE = "The loudspeaker cannot be used: check that it is plugged in and switched on."
HUNG_S = 2.0
"""A loudspeaker that takes nothing for this long has gone away, s."""
AFTER_S = 0.05
"""Silence played after a prompt so that the sound card does not clip its last sound, s."""


def main() -> None:
    """Serve prompts until stdin closes."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # pyttsx3 prints "Audio saved to ..." on stdout, among the replies

    def reply(body: dict[str, Any]) -> None:
        out.write(json.dumps(body) + "\n")
        out.flush()

    try:
        engine = start_engine(sys.argv[1], int(sys.argv[2]))
    except SoundError as error:
        reply({"error": str(error)})
        return
    reply({"ready": True})
    loudspeaker = Loudspeaker()
    for line in sys.stdin:
        request = json.loads(line)
        try:
            if request["file"]:
                render(engine, request["text"], Path(request["file"]))
            else:
                with tempfile.TemporaryDirectory() as folder:
                    path = Path(folder, "prompt.wav")
                    render(engine, request["text"], path)
                    loudspeaker.play(path, reply)
        except SoundError as error:
            reply({"error": str(error)})
        else:
            reply({"done": True})


def start_engine(voice: str, words_per_minute: int) -> Any:
    """A pyttsx3 engine with that voice. Raises SoundError when there is no engine or no such voice."""
    try:
        import pyttsx3

        engine = pyttsx3.init("espeak")
        voices = engine.getProperty("voices")
    except Exception as error:  # pyttsx3 raises whatever its driver happens to raise
        raise SoundError(NO_ENGINE) from error
    # pyttsx3 drops the driver's complaint about an unknown voice and goes on in another one.
    known = {name.casefold() for one in voices for name in (one.id, one.name, *one.languages)}
    if voice.casefold() not in known:
        raise SoundError(f'The speech engine has no voice "{voice}"; `espeak-ng --voices` lists those it has.')
    engine.setProperty("voice", voice)
    engine.setProperty("rate", words_per_minute)
    return engine


def render(engine: Any, text: str, path: Path) -> None:
    """Write `text`, spoken, to the WAV file `path` (22.05 kHz mono). Raises SoundError when nothing was written."""
    partial = path.with_name(path.name + ".part")  # a killed worker leaves no half-written prompt behind
    for _ in range(TRIES):
        engine.save_to_file(text, str(partial))
        engine.runAndWait()
        if partial.is_file() and partial.stat().st_size > 44:
            partial.replace(path)
            return
        time.sleep(0.2)
    raise SoundError(f"The speech engine made no sound for {path.name}.")


class Loudspeaker:
    """The default loudspeaker, open from the first prompt on: through one stream all prompts come back to the microphone equally late."""

    def __init__(self) -> None:
        self._stream: Any = None
        self._rate = 0
        self._begun = 0.0
        """When the first frame of the stream is played, monotonic s."""
        self._frames = 0
        self._sound = np.zeros(0, dtype=np.int16)
        """Still to be played."""
        self._first: int | None = None
        """Frame with which the sound begins; None before that."""
        self._changed = threading.Condition()

    def play(self, path: Path, reply: Callable[[dict[str, Any]], None]) -> None:
        """Play a WAV file to its end, and say what and when. Raises SoundError when that cannot be done."""
        with contextlib.closing(wave.open(str(path), "rb")) as sound:
            rate = sound.getframerate()
            samples = np.frombuffer(sound.readframes(sound.getnframes()), dtype="<i2")
        loud = np.flatnonzero(np.abs(samples.astype(np.int32)) > QUIET)
        samples = samples[: loud[-1] + 1] if len(loud) else samples[:0]
        samples = np.concatenate([samples, np.zeros(round(AFTER_S * rate), dtype=np.int16)])
        if self._stream is None or rate != self._rate:
            self._open(rate)
        with self._changed:
            self._sound, self._first = samples, None
            if not self._changed.wait_for(lambda: self._first is not None, HUNG_S):
                raise SoundError(GONE)
            at = self._begun + (self._first or 0) / rate
        reply({"playing": base64.b64encode(soxr.resample(samples, rate, RATE).astype("<i2").tobytes()).decode(), "at": at})
        with self._changed:
            if not self._changed.wait_for(lambda: not len(self._sound), len(samples) / rate + HUNG_S):
                raise SoundError(GONE)
        time.sleep(self._stream.latency)  # what was handed over is not yet played

    def _open(self, rate: int) -> None:
        sounddevice = load_sounddevice()
        device = find_device(list_devices(), None, output=True)
        try:
            if self._stream is not None:
                self._stream.close()
            self._stream = sounddevice.OutputStream(samplerate=rate, device=device.index, channels=1, dtype="int16", callback=self._give)
            self._rate, self._frames = rate, 0
            self._stream.start()
        except sounddevice.PortAudioError as error:
            raise SoundError(f"{GONE[:-1]} ({str(error).splitlines()[0]}).") from error

    def _give(self, out: np.ndarray, frames: int, _time: Any, _status: Any) -> None:
        with self._changed:
            if not self._frames:
                self._begun = time.monotonic() + self._stream.latency
            if len(self._sound) and self._first is None:
                self._first = self._frames
            part, self._sound = self._sound[:frames], self._sound[frames:]
            self._frames += frames
            self._changed.notify_all()
        out[: len(part), 0], out[len(part) :, 0] = part, 0


if __name__ == "__main__":
    main()
