"""The microphone, through a virtual bench (PulseAudio) and with stand-in capture processes."""

import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import SoundError
from assistant.speech import microphone as module
from assistant.speech.devices import SILENCE_DBFS, SoundDevice, find_device, input_level, level_dbfs
from assistant.speech.endpoint import RATE, Endpointer
from assistant.speech.microphone import Microphone
from assistant.speech.sound import read_sound
from assistant.speech.speak import WorkerSpeaker

from assistant import virtual_bench as bench_sound

needs_bench = [
    pytest.mark.microphone,
    pytest.mark.skipif(bool(bench_sound.missing_tools()), reason=f"not installed: {bench_sound.missing_tools()}"),
]

HEAD = ("import json, struct, sys, time, os\nout = sys.stdout.buffer\n"
        "out.write(json.dumps({'device': 'bench', 'rate': 48000}).encode() + b'\\n')\n"
        "def frame(lost=0):\n    out.write(struct.pack('<II', 1600, lost) + bytes(3200)); out.flush()\n")
FAST = HEAD + "while True:\n    frame()\n    time.sleep(0.01)\n"
LOSES = HEAD + "for lost in (0, 0, 2, 2, 5):\n    frame(lost)\ntime.sleep(60)\n"
SHORT = HEAD + "for _ in range(3):\n    frame()\n"
STALLS = HEAD + "for _ in range(3):\n    frame()\ntime.sleep(60)\n"
ABSENT = "import json\nprint(json.dumps({'error': 'No microphone was found; plug one in, or check.'}))\n"


def stand_in(program: str, **settings) -> Microphone:
    return Microphone(command=[sys.executable, "-c", program], **settings)


@pytest.mark.parametrize(("program", "sentence"), [
    (ABSENT, "No microphone was found"), ("", "stopped"), (HEAD + "out.flush()\ntime.sleep(60)", "sends no sound"),
    ("print('hello')", "nonsense"),
])
def test_no_microphone_is_one_sentence(program, sentence, monkeypatch):
    monkeypatch.setattr(module, "FIRST_S", 0.3)
    with pytest.raises(SoundError, match=sentence):
        stand_in(program, stall_s=0.3)


@pytest.mark.parametrize("program", [SHORT, STALLS], ids=["ends", "stalls"])
def test_gone_and_back_are_said_each_time_once(program, monkeypatch):
    monkeypatch.setattr(module, "RETRY_S", 0.05)
    with stand_in(program, stall_s=0.3) as microphone:
        notices: list[str] = []
        deadline = time.monotonic() + 20
        while len(notices) < 4 and time.monotonic() < deadline:
            microphone.read(0.1)
            notices += microphone.notices()
    assert notices[:4] == [module.GONE, module.BACK] * 2


def test_unread_sound_is_bounded_and_its_loss_said_once():
    with stand_in(FAST, keep_s=0.5) as microphone:
        time.sleep(1.0)
        assert microphone.notices() == [module.OVERFLOW]
        assert microphone.overflows > 0
        assert microphone._kept <= 0.5 * RATE
        microphone.drain(tail_s=60)
        assert microphone.read(0.2) is None


def test_losses_of_the_capture_process_are_counted():
    with stand_in(LOSES, stall_s=30) as microphone:
        while microphone.read(0.5) is not None:
            pass
        assert microphone.overflows == 5
        assert microphone.notices() == [module.OVERFLOW]


DEVICES = [
    SoundDevice(0, "Loudspeaker", 0, 2, 48000, False, True), SoundDevice(1, "Headset mic", 1, 0, 44100, False, False),
    SoundDevice(2, "Desk mic", 2, 0, 48000, True, False),
]


@pytest.mark.parametrize(("name", "index"), [(None, 2), ("Headset mic", 1), ("headset", 1), ("desk", 2)])
def test_devices_are_found_by_name(name, index):
    assert find_device(DEVICES, name).index == index


@pytest.mark.parametrize(("devices", "name", "sentence"), [
    ([], None, "No microphone was found"), (DEVICES[:1], None, "No microphone was found"),
    (DEVICES, "mic", "More than one"), (DEVICES, "Loudspeaker", 'No microphone is called "Loudspeaker"; there is'),
])
def test_devices_that_are_not_there(devices, name, sentence):
    with pytest.raises(SoundError, match=sentence):
        find_device(devices, name)


@pytest.mark.parametrize(("samples", "level"), [
    (np.zeros(100, np.int16), SILENCE_DBFS), (np.zeros(0, np.int16), SILENCE_DBFS),
    (np.full(100, 16384, np.int16), -6.02), (np.full(100, 3277, np.int16), -20.0),
])
def test_level(samples, level):
    assert level_dbfs(samples) == pytest.approx(level, abs=0.01)


# With a virtual bench ------------------------------------------------------------------------------------------


@pytest.fixture
def bench():
    with bench_sound.virtual_bench() as one:
        yield one


@pytest.fixture(scope="module")
def phrase(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("flite") is None:
        pytest.skip("flite is not installed")
    path = tmp_path_factory.mktemp("phrase") / "phrase.wav"
    subprocess.run(["flite", "-voice", "slt", "-t", "torque forty two newton metres", "-o", str(path)], check=True)
    return path


def hear_one(microphone: Microphone, bench: bench_sound.VirtualBench, phrase: Path) -> list[np.ndarray]:
    """The utterances heard while the phrase is played and for 1 s afterwards."""
    microphone.drain()
    endpointer = Endpointer()
    bench.play(phrase)
    found, deadline = [], time.monotonic() + 1.0
    while time.monotonic() < deadline:
        block = microphone.read(0.1)
        if block is not None:
            found += endpointer.feed(block)
    return found + endpointer.flush()


class TestBench:
    pytestmark = needs_bench

    def test_a_phrase_is_heard_as_it_was_played(self, bench, phrase):
        with Microphone() as microphone:
            found = hear_one(microphone, bench, phrase)
            assert microphone.notices() == []
        assert len(found) == 1
        played, heard = (sound.astype(float) for sound in (read_sound(phrase), found[0]))
        assert abs(len(heard) - len(played)) < 0.7 * RATE
        size = 1 << (len(played) + len(heard)).bit_length()
        match = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(played, size)), size)
        # 1 is the same sound at some shift; two different sentences stay below 0.5.
        assert match.max() / np.sqrt((played**2).sum() * (heard**2).sum()) > 0.8

    @pytest.mark.parametrize("away", ["unplugged", "server died"])
    def test_it_comes_back(self, bench, phrase, away):
        with Microphone() as microphone:
            assert microphone.read(2) is not None
            if away == "unplugged":
                bench.unplug()
            else:
                bench.kill()
            assert self.wait_for_notice(microphone) == module.GONE
            if away == "unplugged":
                bench.plug_in()
            else:
                bench.start()
            assert self.wait_for_notice(microphone) == module.BACK
            assert len(hear_one(microphone, bench, phrase)) == 1

    @staticmethod
    def wait_for_notice(microphone: Microphone) -> str | None:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            microphone.read(0.1)
            for notice in microphone.notices():
                return notice
        return None

    def test_level_of_an_idle_bench(self, bench):
        assert input_level(0.5) <= -60

    def test_no_microphone(self, bench):
        bench.unplug()
        with pytest.raises(SoundError, match="microphone"):
            Microphone()

    @pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")
    def test_prompts_reach_the_loudspeaker_and_stop_cuts_them(self, bench):
        speaker = WorkerSpeaker()
        with Microphone() as microphone:
            speaker.say("Ready.")
            assert speaker.wait(20)
            assert self.loudest(microphone) > -30
            speaker.say("This is a long sentence that goes on and on about bolts and seals. " * 4)
            deadline = time.monotonic() + 10
            while self.loudest(microphone) < -30 and time.monotonic() < deadline:
                time.sleep(0.05)
            speaker.stop()
            microphone.drain(tail_s=0.7)  # order of magnitude only: the prompt would go on for 15 s
            time.sleep(1.5)
            assert self.loudest(microphone) < -60
        assert speaker.notices() == []
        speaker.close()

    @staticmethod
    def loudest(microphone: Microphone) -> float:
        """Level of the loudest block not yet read, dBFS."""
        level = SILENCE_DBFS
        while (block := microphone.read(0.02)) is not None:
            level = max(level, level_dbfs(block))
        return level

    def test_a_prompt_with_no_loudspeaker(self, bench):
        bench.kill()
        speaker = WorkerSpeaker()
        speaker.say("Ready.")
        assert speaker.wait(60)
        assert speaker.notices()[0].endswith("Prompts are on the screen only.")
        speaker.close()
