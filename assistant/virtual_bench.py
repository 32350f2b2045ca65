"""A bench with no hardware: PulseAudio with a null sink whose monitor is the microphone.

Used by the demonstration and by the tests marked `microphone`. Needs the Debian packages pulseaudio,
pulseaudio-utils, libasound2-plugins and libportaudio2.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

TOOLS = ("pulseaudio", "pactl", "paplay")


def missing_tools() -> list[str]:
    """Names of the programs a virtual bench needs that are not installed."""
    return [tool for tool in TOOLS if shutil.which(tool) is None]


class VirtualBench:
    """One PulseAudio server, private to the test run, with a sink called `bench`."""

    def __init__(self, home: Path) -> None:
        self._home = home
        self._server: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the server and plug in the bench; the microphone is then the default source."""
        # Started by hand and not with --start, so that the process is ours to end and nobody else's.
        self._server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disable-shm=yes", "--use-pid-file=no",
             "-L", "module-native-protocol-unix"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )
        for _ in range(100):
            if subprocess.run(["pactl", "info"], capture_output=True, check=False).returncode == 0:
                break
            time.sleep(0.1)
        else:
            self.kill()
            raise RuntimeError("PulseAudio did not start within 10 s.")
        self.plug_in()

    def kill(self) -> None:
        """End the sound server at once, as a crash would."""
        if self._server is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._server.pid, signal.SIGKILL)
            self._server.wait()
            self._server = None

    def plug_in(self) -> None:
        """Add the sink and make its monitor the default microphone."""
        self._pactl("load-module", "module-null-sink", "sink_name=bench", "rate=48000", "channels=1")
        self._pactl("set-default-sink", "bench")
        self._pactl("set-default-source", "bench.monitor")

    def unplug(self) -> None:
        """Take the sink and its monitor away, as pulling a USB plug would."""
        self._pactl("unload-module", "module-null-sink")

    def play(self, path: Path | str) -> None:
        """Play a sound file into the bench in real time; returns when it has been played."""
        subprocess.run(["paplay", "--device=bench", str(path)], check=True, capture_output=True, timeout=120)

    def play_aside(self, path: Path | str) -> None:
        """The same, but returns at once."""
        subprocess.Popen(["paplay", "--device=bench", str(path)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def record(self, path: Path | str, seconds: float) -> None:
        """Record what the bench hears to a WAV file (16 kHz mono) for `seconds`."""
        recorder = subprocess.Popen(
            ["parecord", "--device=bench.monitor", "--rate=16000", "--channels=1", "--format=s16le",
             "--file-format=wav", str(path)])
        time.sleep(seconds)
        recorder.send_signal(signal.SIGINT)
        recorder.wait(5)

    @staticmethod
    def _pactl(*words: str) -> None:
        subprocess.run(["pactl", *words], check=True, capture_output=True, timeout=10)


@contextlib.contextmanager
def virtual_bench() -> Iterator[VirtualBench]:
    """A running virtual bench; the server is ended and the environment restored afterwards."""
    home = Path(tempfile.mkdtemp(prefix="bench"))
    # PULSE_SERVER too: libpulse inside this process reads it when PortAudio opens the default device.
    changed = {
        "XDG_RUNTIME_DIR": str(home), "PULSE_RUNTIME_PATH": str(home / "pulse"), "HOME": str(home),
        "PULSE_SERVER": f"unix:{home}/pulse/native",
    }
    (home / "pulse").mkdir(mode=0o700)
    before = {name: os.environ.get(name) for name in changed}
    os.environ.update(changed)
    bench = VirtualBench(home)
    try:
        bench.start()
        yield bench
    finally:
        bench.kill()
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        shutil.rmtree(home, ignore_errors=True)
