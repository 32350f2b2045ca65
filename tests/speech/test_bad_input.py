"""Sound that is broken, a microphone that vanishes, a recogniser that is killed: the job goes on, nothing false is stored, the reason is said."""

import os
import shutil
import signal
import struct
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile as sf
from rich.console import Console

from assistant.bench import Bench
from assistant.display import PlainDisplay
from assistant.engine.events import JobStarted
from assistant.errors import SoundError
from assistant.record.clock import SimulatedClock
from assistant.record.journal import Journal
from assistant.speech.front import FrontEnd
from assistant.speech.listen import CUT_OFF, NOISY, MicrophoneListener
from assistant.speech.microphone import BACK, GONE, Microphone
from assistant.speech.recognise import RATE, Heard
from assistant.speech.recogniser_process import STOPPED, ProcessRecogniser
from assistant.speech.sound import frame_power, read_sound, to_16k
from assistant.speech.speak import SilentSpeaker
from tests.speech.test_transcribe import FINDING, bench_of, start
from tests.support import EN, FLANGE

needs_flite = pytest.mark.skipif(shutil.which("flite") is None, reason="flite is not installed")


@pytest.fixture(scope="module")
def spoken(tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    path = tmp_path_factory.mktemp("spoken") / "a.wav"
    subprocess.run(["flite", "-voice", "slt", "-t", "begin the job", "-o", str(path)], check=True, timeout=30)
    return read_sound(path)


@pytest.fixture(scope="module")
def recogniser():
    one = ProcessRecogniser("phones", EN, Path("models"))
    yield one
    one.close()


class Tape:
    """A microphone that plays sound in blocks of 0.1 s; `None` in it is a break."""

    def __init__(self, *parts: np.ndarray | None):
        self.breaks = 0
        self._blocks = [block for part in parts for block in ([None] if part is None else np.array_split(part, max(1, len(part) // 1600)))]

    def read(self, timeout_s: float) -> np.ndarray | None:
        if not self._blocks:
            return None
        block = self._blocks.pop(0)
        self.breaks += block is None
        return block

    def drain(self, tail_s: float = 0.0) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None: ...

    def over(self) -> bool:
        return not self._blocks


def quiet(seconds: float) -> np.ndarray:
    return np.random.default_rng(1).normal(0, 8, round(seconds * RATE)).astype(np.int16)


class Shown(PlainDisplay):
    def __init__(self) -> None:
        super().__init__(Console(quiet=True))
        self.texts: list[str] = []

    def said(self, text: str) -> None:
        self.texts.append(text)


def job(folder: Path, microphone, recogniser, rounds: int = 12) -> tuple[list[str], list[tuple[str, dict]]]:
    """Start a job and let it hear the microphone. Returns what was said, and the journal's entries from then on, read from the disk."""
    clock = SimulatedClock(datetime(2026, 3, 2, 8, tzinfo=UTC))
    shown = Shown()
    with Journal.create(folder / "J1", clock) as journal:
        listener = MicrophoneListener(microphone, recogniser)
        bench = Bench(FLANGE, EN, journal, listener, SilentSpeaker(), shown, clock)
        bench.start(JobStarted("J1", FLANGE.procedure.procedure, "t", "1", "0" * 64, "F1", "Kim", "plain", "", "simulated"))
        before = len(journal.events())
        for _ in range(rounds):
            heard = listener.listen(bench._vocabulary.grammar(_wanted(bench)), 0.2)
            if heard is not None:
                bench.take(heard)
            bench._notices()
    return shown.texts, [(event.kind, event.body) for event in Journal.read(folder / "J1").events()[before:]]


def _wanted(bench: Bench):
    from assistant.engine.expect import expected

    return expected(bench.plan, bench.state)


def nothing_stored(events: list[tuple[str, dict]]) -> bool:
    """Whether at most phrases that were not understood, and what was asked again, stand in the journal."""
    return all(kind == "asked" or (kind == "heard" and body["rejected"]) for kind, body in events)


def test_the_tape_itself_is_understood(tmp_path, spoken, recogniser):
    _, events = job(tmp_path, Tape(quiet(1), spoken, quiet(1.5)), recogniser)
    assert any(kind == "heard" and body["text"] == "begin the job" and not body["rejected"] for kind, body in events)


def clipped(speech: np.ndarray) -> np.ndarray:
    """Speech as noise of its own loudness, so far over full scale that no word is left."""
    return np.clip(speech.astype(np.int64)[::-1] * 60, -32768, 32767).astype(np.int16)


@needs_flite
@pytest.mark.parametrize(
    ("bend", "words"),
    [
        (clipped, "too loud and breaks up"),
        (lambda speech: (speech[::-1] // 2 + 4000).astype(np.int16), "false signal"),
    ],
    ids=["clipped", "offset"],
)
def test_bad_level_is_said_once_and_nothing_stored(tmp_path, spoken, recogniser, bend, words):
    one = bend(spoken)
    said, events = job(tmp_path, Tape(quiet(1), one, quiet(1.5), one, quiet(1.5)), recogniser)
    assert sum(words in text for text in said) <= 1
    if any(kind == "heard" for kind, _ in events):
        assert sum(words in text for text in said) == 1
    assert nothing_stored(events)


def test_silence_is_no_phrase(tmp_path, recogniser):
    said, events = job(tmp_path, Tape(np.zeros(5 * RATE, np.int16)), recogniser)
    assert events == [] and CUT_OFF not in said


@pytest.mark.parametrize(("sounds", "times"), [((np.zeros(50 * RATE, np.int16),), 1), ((np.zeros(15 * RATE, np.int16), quiet(1) * 8, np.zeros(15 * RATE, np.int16)), 0), ((quiet(30),), 0)], ids=["dead", "with breaks", "quiet shop"])
def test_a_microphone_that_gives_nothing_at_all_may_be_muted(sounds, times):
    tape = Tape(*sounds)
    listener = MicrophoneListener(tape, Deaf())
    said = []
    while not tape.over():
        assert listener.listen(_grammar(), 0.1) is None
        said += listener.notices()
    assert said == ["The microphone is nearly silent. Check that it is not muted."] * times


@needs_flite
def test_a_headset_that_is_silent_between_phrases_is_not_muted(spoken):
    tape = Tape(quiet(1), spoken, np.zeros(60 * RATE, np.int16))
    listener = MicrophoneListener(tape, Deaf())
    heard, said = [], []
    while not tape.over():
        heard.append(listener.listen(_grammar(), 0.1))
        said += listener.notices()
    assert any(heard) and said == []


@needs_flite
def test_advice_is_given_again_only_after_a_minute(spoken, monkeypatch):
    now = [1000.0]

    def clock() -> float:
        now[0] += 0.001
        return now[0]

    monkeypatch.setattr("assistant.speech.listen.time", SimpleNamespace(monotonic=clock))
    one = np.clip(spoken.astype(np.int64) * 6, -32768, 32767).astype(np.int16)
    tape = Tape(*[part for _ in range(4) for part in (quiet(2), one, quiet(2))])
    listener = MicrophoneListener(tape, Deaf())
    said = []
    while not tape.over():
        if listener.listen(_grammar(), 0.1) is not None:
            said.append(listener.notices())
            now[0] += 25.0
    assert [len(notices) for notices in said] == [1, 0, 0, 1]


class Deaf:
    """A recogniser that understands nothing."""

    def hear(self, samples, grammar, before=None):
        return Heard("", 0.0, True, len(samples) / RATE, 0.0, "deaf", samples)


def loud(speech: np.ndarray, hiss: float) -> np.ndarray:
    wave = np.concatenate([np.zeros(3 * RATE), speech, np.zeros(2 * RATE)])
    return np.clip(wave + np.random.default_rng(2).normal(0, hiss, len(wave)), -32768, 32767).astype(np.int16)


@needs_flite
def test_noise_near_the_speech_is_said(tmp_path, spoken):
    power = frame_power(spoken)
    hiss = float(np.sqrt(power[power >= np.median(power)].mean())) / 2
    said, events = job(tmp_path, Tape(loud(spoken, hiss)), Deaf(), rounds=30)
    assert said.count(NOISY) == 1
    assert nothing_stored(events)


@needs_flite
def test_a_microphone_that_vanishes_in_mid_word(tmp_path, spoken, recogniser):
    """Half a phrase before the break and half after it: neither is taken, alone or put together."""
    half = len(spoken) // 2
    said, events = job(tmp_path, Tape(quiet(1), spoken[:half], None, quiet(1.5)), recogniser)
    assert said.count(CUT_OFF) == 1
    assert not any(kind == "heard" for kind, _ in events)


CAPTURE = """
import json, struct, sys, time
out = sys.stdout.buffer
out.write(json.dumps({"device": "bench", "rate": 16000}).encode() + b"\\n")
sound = open(sys.argv[1], "rb").read()
for at in range(0, len(sound), 3200):
    block = sound[at:at + 3200]
    out.write(struct.pack("<II", len(block) // 2, 0) + block); out.flush()
    time.sleep(0.02)
time.sleep(60)
"""


@needs_flite
def test_a_capture_process_killed_in_mid_word(tmp_path, spoken, recogniser, monkeypatch):
    """The process is killed while somebody speaks; the next one hears silence. Both sentences are said, and no phrase is taken."""
    monkeypatch.setattr("assistant.speech.microphone.RETRY_S", 0.05)
    first, later = tmp_path / "first", tmp_path / "later"
    first.write_bytes(np.concatenate([quiet(1), spoken[: len(spoken) // 2]]).tobytes())
    later.write_bytes(quiet(20).tobytes())
    command = [sys.executable, "-c", f"import os\nname = {str(first)!r} if not os.path.exists({str(tmp_path / 'once')!r}) else {str(later)!r}\nopen({str(tmp_path / 'once')!r}, 'w').close()\nimport sys\nsys.argv[1:] = [name]\n" + CAPTURE]
    with Microphone(command=command, stall_s=30) as microphone:
        listener = MicrophoneListener(microphone, recogniser)
        said: list[str] = []
        deadline = time.monotonic() + 30
        grammar = _grammar()

        class Killer:
            """Kills the capture process once the endpointer is inside a phrase."""

            def __init__(self) -> None:
                self.done = False

            def __call__(self, timeout_s: float) -> np.ndarray | None:
                if listener._endpointer.speaking and not self.done:
                    self.done = True
                    os.killpg(microphone._process.pid, signal.SIGKILL)
                return read(timeout_s)

        read, microphone.read = microphone.read, Killer()
        heard = []
        while BACK not in said and time.monotonic() < deadline:
            heard.append(listener.listen(grammar, 0.3))
            said += listener.notices()
    assert heard and not any(heard)
    assert said.count(GONE) == 1 and said.count(CUT_OFF) == 1 and BACK in said


@needs_flite
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP, signal.SIGSEGV], ids=["killed", "hung", "crashed"])
def test_a_recogniser_lost_over_a_phrase(tmp_path, spoken, how):
    """The phrase counts for nothing, the reason is said, and the same phrase is understood by the next process."""
    recogniser = ProcessRecogniser("phones", EN, Path("models"), patience_s=3.0 if how == signal.SIGSTOP else 20.0)

    class Struck:
        """Strikes the process once, when the phrase is under way to it."""

        name, model, notices = recogniser.name, recogniser.model, recogniser.notices

        def __init__(self) -> None:
            self.struck = False

        def hear(self, samples, grammar, before=None):
            if not self.struck:
                self.struck = True
                os.kill(recogniser.process_id, signal.SIGSTOP)  # it takes the phrase, and answers no more
                if how != signal.SIGSTOP:
                    threading.Timer(0.3, os.kill, (recogniser.process_id, signal.SIGKILL if how == signal.SIGKILL else signal.SIGSEGV)).start()
                    if how == signal.SIGSEGV:
                        threading.Timer(0.4, os.kill, (recogniser.process_id, signal.SIGCONT)).start()
            return recogniser.hear(samples, grammar, before)

    try:
        recogniser.hear(spoken, _grammar())
        said, events = job(tmp_path, Tape(quiet(1), spoken, quiet(1.5), spoken, quiet(1.5)), Struck())
    finally:
        recogniser.close()
    assert said.count(STOPPED) == 1
    heard = [body for kind, body in events if kind == "heard"]
    assert [body["rejected"] for body in heard] == [False]
    assert heard[0]["text"] == "begin the job"


@needs_flite
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "hung"])
def test_a_recogniser_lost_over_a_glance_costs_nothing(tmp_path, spoken, how):
    """Lost in mid phrase, while it only had a look at it: nothing is said, and the phrase is understood by the next process."""
    recogniser = ProcessRecogniser("phones", EN, Path("models"))

    class Struck:
        """Strikes the process once, before the first glance is under way to it."""

        name, model, notices = recogniser.name, recogniser.model, recogniser.notices
        struck, found = False, []

        def glance(self, samples, grammar):
            if not self.struck:
                self.struck, first = True, recogniser.process_id
                recogniser._patience_s = 2.0
                os.kill(first, signal.SIGSTOP)  # it takes the sound, and answers no more
                if how == signal.SIGKILL:
                    threading.Timer(0.3, os.kill, (first, how)).start()
                self.found.append(recogniser.glance(samples, grammar))
                assert recogniser.process_id not in (None, first)
                recogniser._patience_s = 20.0
                return self.found[0]
            return recogniser.glance(samples, grammar)

        def hear(self, samples, grammar, before=None):
            return recogniser.hear(samples, grammar, before)

    struck = Struck()
    try:
        recogniser.hear(spoken, _grammar())
        said, events = job(tmp_path, Tape(quiet(1), spoken, quiet(1.5)), struck)
    finally:
        recogniser.close()
    assert struck.found == [None]
    assert STOPPED not in said
    assert [(body["text"], body["rejected"]) for kind, body in events if kind == "heard"] == [("begin the job", False)]


class Lost:
    """A recogniser whose process is lost over every phrase."""

    def hear(self, samples, grammar, before=None):
        return Heard("", 0.0, True, len(samples) / RATE, 0.0, "lost", None)

    def notices(self):
        return [STOPPED]


@needs_flite
def test_a_phrase_the_recogniser_was_lost_over_is_no_remark(tmp_path, spoken):
    """Where a remark is wanted, any sound is one: but it may have been "never mind"."""
    with Journal.create(tmp_path / "J1") as journal:
        listener = MicrophoneListener(Tape(quiet(1), spoken, quiet(1.5)), Lost())
        bench = bench_of(journal, listener, None)
        start(bench)
        for text in FINDING[:5]:
            bench.take(Heard(text, 1.0, False, 1.0, 0.0, "typed", None))
        assert bench.state.question.about == "remark"
        before = len(journal.events())
        assert [listener.listen(bench._vocabulary.grammar(_wanted(bench)), 0.2) for _ in range(5)] == [None] * 5
        assert listener.notices() == [STOPPED]
        assert len(journal.events()) == before and bench.state.question.about == "remark"


def _grammar():
    from assistant.engine.expect import general_vocabulary
    from assistant.language.vocabulary import Vocabulary

    return Vocabulary(EN).grammar(general_vocabulary())


def test_a_recogniser_that_does_not_start_is_one_sentence():
    with pytest.raises(SoundError, match="The recogniser .*(ended|does not start)"):
        ProcessRecogniser("phones", EN, Path("models"), command=[sys.executable, "-c", ""])
    with pytest.raises(SoundError, match="There is no Vosk model"):
        ProcessRecogniser("vosk", EN, Path("/nowhere"))


def test_the_other_calls_are_answered_by_the_process(recogniser):
    assert recogniser.missing_words(["torque", "zzqx"]) == ["zzqx"]
    assert recogniser.pronounce("go") == ["G", "OW"]
    assert "torque" in recogniser.known_words()
    assert recogniser.ready(0.1)


def test_a_worker_that_grew_is_replaced_between_phrases(spoken):
    one = ProcessRecogniser("phones", EN, Path("models"), most_mb=1.0)
    try:
        first = one.process_id
        assert one.hear(spoken, _grammar()).engine == "phones"
        assert one.process_id != first
        assert one.hear(spoken, _grammar()).engine == "phones"
        assert one.notices() == []
    finally:
        one.close()


# Files ----------------------------------------------------------------------------------------------------------


def tone(rate: int = RATE) -> np.ndarray:
    return 0.3 * np.sin(2 * np.pi * 440 * np.arange(rate) / rate)


@pytest.mark.parametrize(("suffix", "subtype"), [("wav", "PCM_24"), ("flac", "PCM_24"), ("wav", "PCM_16"), ("flac", "PCM_16")])
@pytest.mark.parametrize("rate", [8000, 44100])
@pytest.mark.parametrize("cut", [1.0, 0.5, 0.02, 0.0])
def test_a_file_cut_short_gives_sound_or_a_sentence(tmp_path, suffix, subtype, rate, cut):
    path = tmp_path / f"a.{suffix}"
    sf.write(path, np.tile(tone(rate)[:, None], 2), rate, subtype=subtype)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * cut)])
    try:
        sound = read_sound(path)
    except SoundError as error:
        assert cut < 1 and str(path) in str(error)
    else:
        assert sound.dtype == np.int16 and 0 < len(sound) <= RATE + 16


@pytest.mark.parametrize("suffix", ["wav", "flac"])
def test_damaged_files_never_give_another_error(tmp_path, suffix):
    rng = np.random.default_rng(4)
    path = tmp_path / f"a.{suffix}"
    sf.write(path, tone(), RATE)
    data = path.read_bytes()
    for _ in range(60):
        broken = bytearray(data)
        for at in rng.integers(0, min(len(data), 200), 4):
            broken[at] = rng.integers(0, 256)
        path.write_bytes(broken)
        try:
            assert read_sound(path).dtype == np.int16
        except SoundError as error:
            assert str(path) in str(error)


@pytest.mark.parametrize("size", [0, 1, 0x7FFFFFFF, 0xFFFFFFFF])
def test_a_header_that_lies_about_its_length(tmp_path, size):
    path = tmp_path / "a.wav"
    sound = (tone() * 32767).astype("<i2").tobytes()
    path.write_bytes(b"RIFF" + struct.pack("<I", size) + b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE, 2 * RATE, 2, 16) + b"data" + struct.pack("<I", size) + sound)
    try:
        assert 0 < len(read_sound(path)) <= RATE
    except SoundError as error:
        assert str(path) in str(error)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e300])
def test_floats_that_are_no_sound(bad):
    wave = tone()
    wave[100:200] = bad
    sound = to_16k(wave, RATE)
    assert sound.dtype == np.int16 and np.array_equal(sound[300:], to_16k(tone(), RATE)[300:])
    assert len(FrontEnd().clean(to_16k(np.full(8000, bad), 8000))) == RATE


@pytest.mark.parametrize("samples", [0, 1, 100, 319, 320, 321])
def test_frames_of_short_sound(samples):
    """All ways give the mean square of a constant, and that of nothing where the offset is taken out."""
    wave = np.full(samples, 100, np.int16)
    assert np.allclose(frame_power(wave), 0.0)
    kept = frame_power(wave, fill=False, offset=True)
    assert len(kept) == min(samples, 1) and np.allclose(kept, 10_000.0)
