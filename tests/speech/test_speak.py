"""Speakers. The stand-in workers are small Python programs; the real one needs espeak-ng."""

import shutil
import subprocess
import sys
import time
import wave

import pytest

from assistant.speech import speak
from assistant.speech.played import Played
from assistant.speech.speak import FileSpeaker, SilentSpeaker, WorkerSpeaker

needs_espeak = pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")

READY = "import sys, time, json\nprint(json.dumps({'ready': True}), flush=True)\n"
PROMPT = READY + "for line in sys.stdin:\n    print(json.dumps({'done': True}), flush=True)\n"
SLOW = READY + "for line in sys.stdin:\n    time.sleep(60)\n"
DIES = READY + "sys.stdin.readline()\n"
MUTE = "import json\nprint(json.dumps({'error': 'No loudspeaker was found; plug one in.'}), flush=True)\n"
CHATTY = "print('hello', flush=True)\n"


@pytest.fixture
def speaker(request):
    """A WorkerSpeaker whose worker runs the program given as the parameter."""
    one = WorkerSpeaker(patience_s=0.5, command=[sys.executable, "-c", request.param])
    yield one
    one.close()


@pytest.mark.parametrize("speaker", [PROMPT], indirect=True)
def test_prompts_are_said_in_turn(speaker):
    for text in ("One.", "Two.", "", "...", "Three."):
        speaker.say(text)
    assert speaker.wait(20)
    assert not speaker.busy()
    assert speaker.notices() == []


@pytest.mark.parametrize(("speaker", "reason"), [
    pytest.param(SLOW, "hung", id="hangs"),
    pytest.param(DIES, "ended unexpectedly", id="dies"),
    pytest.param(MUTE, "No loudspeaker was found", id="cannot"),
    pytest.param(CHATTY, "nonsense", id="nonsense"),
], indirect=["speaker"])
def test_a_bad_worker_leads_to_the_screen_and_one_notice(speaker, reason):
    speaker.say("Go.")
    assert speaker.wait(30)
    speaker.say("On.")
    assert speaker.wait(1)
    notices = speaker.notices()
    assert len(notices) == 1 and reason in notices[0] and notices[0].endswith(speak.SCREEN_ONLY)
    assert speaker.notices() == []


def test_no_program_at_all():
    speaker = WorkerSpeaker(command=["/no/such/program"])
    speaker.say("Go.")
    assert speaker.wait(10)
    assert len(speaker.notices()) == 1
    speaker.close()


def test_the_loudspeaker_is_tried_again_later(tmp_path, monkeypatch):
    monkeypatch.setattr(speak, "RETRY_S", 0.0)
    program = tmp_path / "worker.py"
    program.write_text(MUTE)
    speaker = WorkerSpeaker(command=[sys.executable, str(program)])
    speaker.say("Go.")
    assert speaker.wait(20)
    program.write_text(PROMPT)
    speaker.say("Go.")
    assert speaker.wait(20)
    assert [notice == speak.BACK for notice in speaker.notices()] == [False, True]
    speaker.close()


@pytest.mark.parametrize("speaker", [SLOW], indirect=True)
def test_stop_returns_at_once_and_is_no_failure(speaker):
    for _ in range(3):
        speaker.say("A long sentence. " * 30)
        time.sleep(0.2)
        started = time.monotonic()
        speaker.stop()
        assert not speaker.busy()
        assert time.monotonic() - started < 5.0  # order of magnitude only: the sentence would take a minute
    assert speaker.notices() == []


@pytest.mark.parametrize("speaker", [SLOW], indirect=True)
def test_urgent_replaces_what_is_queued(speaker):
    speaker.say("A long sentence. " * 30)
    speaker.say("Another. " * 30)
    time.sleep(0.2)
    speaker.say("Stop.", urgent=True)
    assert len(speaker._texts) <= 1


def test_stop_ends_what_the_worker_started(tmp_path):
    mark = tmp_path / "child.pid"
    program = READY + (
        "import subprocess, pathlib\nfor line in sys.stdin:\n    child = subprocess.Popen(['sleep', '60'])\n"
        f"    pathlib.Path({str(mark)!r}).write_text(str(child.pid))\n    child.wait()\n")
    speaker = WorkerSpeaker(command=[sys.executable, "-c", program])
    speaker.say("A long sentence. " * 30)
    deadline = time.monotonic() + 10
    while not (mark.exists() and mark.read_text()) and time.monotonic() < deadline:
        time.sleep(0.05)
    speaker.stop()
    speaker.close()
    state = subprocess.run(["ps", "-o", "stat=", "-p", mark.read_text()], capture_output=True, text=True, check=False)
    assert state.stdout.strip() in ("",) or state.stdout.strip().startswith("Z")


def test_silent_speaker():
    speaker = SilentSpeaker()
    speaker.say("Anything.")
    assert not speaker.busy() and speaker.wait(0) and speaker.notices() == []


@needs_espeak
@pytest.mark.parametrize(("voice", "text"), [("en-gb", "Read the torque."), ("ko", "토크를 읽으세요.")])
def test_files_are_numbered_and_never_overwritten(tmp_path, voice, text):
    (tmp_path / "004.wav").write_bytes(b"kept")
    speaker = FileSpeaker(tmp_path, voice)
    speaker.say(text)
    speaker.say(text + " " + text)
    speaker.close()
    assert speaker.notices() == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["004.wav", "005.wav", "006.wav"]
    seconds = []
    for name in ("005.wav", "006.wav"):
        with wave.open(str(tmp_path / name)) as sound:
            seconds.append(sound.getnframes() / sound.getframerate())
    assert 0.5 < seconds[0] < seconds[1] < 10


@needs_espeak
def test_slower_is_longer(tmp_path):
    for folder, rate in (("slow", 100), ("fast", 250)):
        speaker = FileSpeaker(tmp_path / folder, words_per_minute=rate)
        speaker.say("Tighten the cover bolts crosswise.")
        speaker.close()
    assert (tmp_path / "slow/001.wav").stat().st_size > 1.5 * (tmp_path / "fast/001.wav").stat().st_size


@needs_espeak
def test_an_unknown_voice_is_named(tmp_path):
    speaker = FileSpeaker(tmp_path, "xx-none")
    speaker.say("Go.")
    assert speaker.wait(30)
    assert 'no voice "xx-none"' in speaker.notices()[0]
    speaker.close()


PLAYS = READY + ("import base64\nfor line in sys.stdin:\n"
                 "    print(json.dumps({'playing': base64.b64encode(bytes([1, 0] * 48000)).decode(), 'at': time.monotonic()}), flush=True)\n"
                 "    time.sleep(60)\n")


def test_what_is_played_is_known_until_it_is_stopped():
    played = Played()
    speaker = WorkerSpeaker(command=[sys.executable, "-c", PLAYS], played=played)
    speaker.say("A long sentence. " * 30)
    deadline = time.monotonic() + 20
    while played.prompt(time.monotonic()) is None and time.monotonic() < deadline:
        time.sleep(0.02)
    assert played.between(1, played.over_at(1) - 1.0, 16000).all()
    speaker.stop()
    assert played.over_at(1) <= time.monotonic() and speaker.notices() == []
    speaker.close()
