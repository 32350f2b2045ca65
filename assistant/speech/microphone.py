"""The microphone: 16 kHz mono blocks from a capture process that is replaced whenever it falls silent."""

from __future__ import annotations

import collections
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from types import TracebackType

import numpy as np

from assistant.errors import SoundError
from assistant.speech.microphone_worker import FRAME, RATE

OPEN_S = 10.0
"""A capture process that has said nothing for this long after its start is given up, s."""
FIRST_S = 4.0
"""How long the first block may take, s: an idle PulseAudio sink hands over its first sound after up to 2 s."""
RETRY_S = 0.5
"""Pause between two attempts to open a microphone that went away, s."""

GONE = "The microphone went away; trying again."
BACK = "The microphone is back."
OVERFLOW = "Some sound from the microphone was lost because the computer is too busy."


class Microphone:
    """An open microphone. Opens in the constructor, which raises SoundError when it cannot.

    `device` is a name (or a part of one) and None means the system's default. When no block arrives for `stall_s`
    seconds the capture process is killed and a new one opens the device by name, until `close`.
    At most `keep_s` seconds of unread sound are kept; older sound is dropped and counted in `overflows`.
    """

    def __init__(self, device: str | None = None, *, stall_s: float = 1.5, keep_s: float = 30.0,
                 command: Sequence[str] | None = None) -> None:
        # `command` is what tests replace to stand in for a capture process.
        self._command = list(command or [sys.executable, "-m", "assistant.speech.microphone_worker"])
        if device is not None:
            self._command.append(device)
        self._stall_s = stall_s
        self._keep = round(keep_s * RATE)
        self._changed = threading.Condition()
        self._blocks: collections.deque[tuple[np.ndarray, float]] = collections.deque()
        """Each with the time at which its first sample arrived, monotonic s."""
        self._kept = 0
        self._ignore_until = 0.0
        self._notices: list[str] = []
        self._worker_lost = 0
        self._closing = False
        self._opened = False
        self._recovered = False
        self._problem: str | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self.overflows = 0
        """Blocks lost so far, by the capture process or for want of reading."""
        self.breaks = 0
        """Times that sound was lost so far: a word around a break may be half a word."""
        self.at = 0.0
        """When the first sample of the block last read arrived, s of the monotonic clock."""
        self.device = device
        """Name of the device in use; None until it is known."""
        self.rate = 0.0
        """Native sample rate of the device, Hz."""
        self._thread = threading.Thread(target=self._supervise, name="microphone", daemon=True)
        self._thread.start()
        with self._changed:
            self._changed.wait_for(lambda: self._opened or self._problem is not None, OPEN_S + FIRST_S + 1.0)
            problem = None if self._opened else self._problem or "The microphone did not answer."
        if problem is not None:
            self.close()
            raise SoundError(problem)

    def read(self, timeout_s: float) -> np.ndarray | None:
        """The next block (int16, mono, 16 kHz, about 0.1 s), or None when none came within `timeout_s` seconds."""
        with self._changed:
            if not self._changed.wait_for(lambda: bool(self._blocks), timeout_s):
                return None
            block, self.at = self._blocks.popleft()
            self._kept -= len(block)
            return block

    def drain(self, tail_s: float = 0.0) -> None:
        """Throw away the sound not yet read, and what arrives in the next `tail_s` seconds.

        For the end of a prompt: the loudspeaker's last words are still on their way through the sound server.
        """
        with self._changed:
            self._blocks.clear()
            self._kept = 0
            self._ignore_until = time.monotonic() + tail_s

    def notices(self) -> list[str]:
        """Sentences for the technician since the last call: gone, back, sound lost."""
        with self._changed:
            notices, self._notices = self._notices, []
            return notices

    def close(self) -> None:
        """Let go of the microphone. Closing twice is harmless."""
        with self._changed:
            self._closing = True
            self._kill()
            self._changed.notify_all()
        if self._thread is not threading.current_thread():
            self._thread.join(3.0)

    def __enter__(self) -> Microphone:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    # The supervisor thread -------------------------------------------------------------------------------------

    def _supervise(self) -> None:
        gone = False
        while True:
            with self._changed:
                if self._closing:
                    return
                self._worker_lost = 0
                try:
                    # A session of its own lets one signal end the worker and whatever it started. Its stderr is
                    # dropped because PortAudio writes there without end once the sound server has died.
                    process = self._process = subprocess.Popen(
                        self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                        start_new_session=True)
                except OSError as error:
                    self._problem = f"The sound capture process cannot be started: {error}."
                    self._changed.notify_all()
                    return
            try:
                problem = self._pump(process, gone)
            finally:
                with self._changed:
                    self._kill()
                if process.stdout is not None:
                    process.stdout.close()
            with self._changed:
                if self._closing:
                    return
                if not self._opened:
                    self._problem = problem
                    self._changed.notify_all()
                    return
                # What is not yet read may be the first half of a phrase whose other half never comes.
                self.breaks += 1
                self._blocks.clear()
                self._kept = 0
                if not gone or self._recovered:
                    gone = True
                    self._notices.append(GONE)
                self._changed.wait_for(lambda: self._closing, RETRY_S)

    def _pump(self, process: subprocess.Popen[bytes], gone: bool) -> str:
        """Move frames from the process to the queue until it stops; returns why it stopped."""
        assert process.stdout is not None
        pipe = process.stdout.fileno()
        buffer = bytearray()
        self._recovered = False
        started = False
        patience = OPEN_S
        while True:
            if not select.select([pipe], [], [], patience)[0]:
                return "The microphone sends no sound; check that it is plugged in and not muted."
            data = os.read(pipe, 65536)
            if not data:
                return "The microphone stopped."
            buffer += data
            if not started:
                line, newline, rest = buffer.partition(b"\n")
                if not newline:
                    continue
                try:
                    header = json.loads(bytes(line))
                except ValueError:
                    return "The sound capture process sent nonsense."
                if "error" in header:
                    return str(header["error"])
                started, buffer, patience = True, rest, FIRST_S
                with self._changed:
                    self.device, self.rate = header["device"], float(header["rate"])
            while len(buffer) >= FRAME.size:
                count, lost = FRAME.unpack_from(buffer)
                end = FRAME.size + 2 * count
                if len(buffer) < end:
                    break
                block = np.frombuffer(bytes(buffer[FRAME.size:end]), dtype="<i2").astype(np.int16)
                del buffer[:end]
                patience = self._stall_s
                self._add(block, lost)
                # Open and back mean that sound arrives: a dead device can often be opened.
                if gone and not self._recovered:
                    with self._changed:
                        self._notices.append(BACK)
                self._recovered = True

    def _add(self, block: np.ndarray, worker_lost: int) -> None:
        with self._changed:
            lost, self._worker_lost = worker_lost - self._worker_lost, worker_lost
            now = time.monotonic()
            if now >= self._ignore_until:
                self._blocks.append((block, now - len(block) / RATE))
                self._kept += len(block)
            while self._kept > self._keep:
                self._kept -= len(self._blocks.popleft()[0])
                lost += 1
            if lost and not self.overflows:
                self._notices.append(OVERFLOW)
            self.overflows += lost
            self.breaks += lost > 0
            self._opened = True
            self._changed.notify_all()

    def _kill(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        process.wait()
        # The pipe is left to the supervisor thread, which may be inside select on it.
