"""A phrase that is over before the pause that ends any phrase: the endpointer's sound so far, and the listener that glances at it."""

import shutil
import subprocess

import numpy as np
import pytest

from assistant.engine.expect import general_vocabulary
from assistant.language.pack import load_pack
from assistant.language.vocabulary import Vocabulary
from assistant.speech.endpoint import Endpointer
from assistant.speech.listen import GLANCE_EVERY, LEAST_GLANCE, MOST_GLANCE, MicrophoneListener
from assistant.speech.recognise import RATE, Heard
from assistant.speech.sound import read_sound

GRAMMAR = Vocabulary(load_pack("en")).grammar(general_vocabulary())
BLOCK = RATE // 10


# Endpointer --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def speech(tmp_path_factory) -> np.ndarray:
    """A sentence of some 2 s, without silence around it."""
    if shutil.which("flite") is None:
        pytest.skip("flite is not installed")
    path = tmp_path_factory.mktemp("said") / "said.wav"
    subprocess.run(["flite", "-voice", "slt", "-t", "torque forty two newton metres", "-o", str(path)], check=True, timeout=30)
    samples = read_sound(path)
    loud = np.flatnonzero(np.abs(samples.astype(int)) > 300)
    return samples[loud[0] : loud[-1] + 1]


def test_the_sound_so_far_is_the_utterance_under_way(speech):
    endpointer, tape = Endpointer(), np.concatenate([np.zeros(RATE, np.int16), speech, np.zeros(RATE, np.int16)])
    sizes, done = [], []
    for start in range(0, len(tape), BLOCK):
        done += endpointer.feed(tape[start : start + BLOCK])
        sound = endpointer.so_far()
        assert bool(len(sound)) == endpointer.speaking and sound.dtype == np.int16
        if len(sound):
            # All of it but less than a frame that is not yet looked at.
            end = min(start + BLOCK, len(tape))
            assert any(np.array_equal(sound, tape[end - rest - len(sound) : end - rest]) for rest in range(512))
            sizes.append(len(sound))
    assert len(done) == 1 and sizes == sorted(sizes) and len(endpointer.so_far()) == 0
    assert len(speech) - 0.3 * RATE <= len(done[0]) <= sizes[-1] + BLOCK


def test_a_cut_ends_the_utterance_and_what_follows_is_another(speech):
    endpointer, half = Endpointer(), len(speech) // 2
    tape = np.concatenate([np.zeros(RATE, np.int16), speech])
    assert endpointer.feed(tape[: RATE + half]) == [] and endpointer.speaking
    endpointer.cut()
    assert not endpointer.speaking and len(endpointer.so_far()) == 0
    done = endpointer.feed(np.concatenate([tape[RATE + half :], np.zeros(RATE, np.int16)]))
    assert len(done) == 1 and len(done[0]) <= len(speech) - half + 0.4 * RATE


def test_a_cut_between_utterances_changes_nothing(speech):
    endpointer = Endpointer()
    endpointer.cut()
    assert len(endpointer.feed(np.concatenate([np.zeros(RATE, np.int16), speech, np.zeros(RATE, np.int16)]))) == 1


# Listener ----------------------------------------------------------------------------------------------------------


class Blocks:
    """Stands in for a microphone: gives blocks that are numbered by their height."""

    at = 0.0

    def __init__(self, count: int):
        self._blocks = [np.full(BLOCK, 1000 + number, np.int16) for number in range(count)]

    def read(self, timeout_s: float) -> np.ndarray | None:
        return self._blocks.pop(0) if self._blocks else None

    def drain(self, tail_s: float) -> None: ...

    def notices(self) -> list[str]:
        return []


class Runs:
    """Stands in for an endpointer: one utterance from the third block on, of `length` blocks."""

    since_s = 0.0

    def __init__(self, length: int):
        self._length, self._seen, self.cuts, self._blocks = length, 0, 0, []

    def patient(self, yes: bool) -> None: ...

    def reset(self) -> None:
        self._blocks = []

    @property
    def speaking(self) -> bool:
        return bool(self._blocks)

    def so_far(self) -> np.ndarray:
        return np.concatenate(self._blocks) if self._blocks else np.zeros(0, np.int16)

    def cut(self) -> None:
        self.cuts += 1
        self._blocks = []

    def feed(self, block: np.ndarray) -> list[np.ndarray]:
        self._seen += 1
        if self._seen > 2:
            self._blocks.append(block)
        if len(self._blocks) < self._length:
            return []
        done, self._blocks = self.so_far(), []
        return [done]


class Hears:
    """Stands in for a recogniser that is sure at a glance of `sure_at` samples and more."""

    name, model = "stand-in", "none"

    def __init__(self, sure_at: float, confidence: float = 0.99):
        self._sure_at, self._confidence, self.glanced, self.heard = sure_at, confidence, [], []

    def _hears(self, samples: np.ndarray) -> Heard:
        return Heard("next step", self._confidence, self._confidence < 0.5, len(samples) / RATE, 0.0, self.name, samples)

    def glance(self, samples: np.ndarray, grammar) -> Heard | None:
        self.glanced.append(len(samples))
        return self._hears(samples) if len(samples) >= self._sure_at else None

    def hear(self, samples: np.ndarray, grammar, before=None) -> Heard:
        self.heard.append(len(samples))
        return self._hears(samples)


class Slow(Hears):
    """A recogniser that offers no glance."""

    glance = None


def listener(recogniser, blocks: int, length: int) -> tuple[MicrophoneListener, Runs]:
    runs = Runs(length)
    return MicrophoneListener(Blocks(blocks), recogniser, lambda: runs), runs


def test_a_sure_glance_ends_the_phrase():
    recogniser = Hears(sure_at=1.2 * RATE)
    ears, runs = listener(recogniser, 60, 50)
    heard = ears.listen(GRAMMAR, 0.05)
    assert (heard.text, runs.cuts, recogniser.heard) == ("next step", 1, [])
    assert 1.2 * RATE <= len(heard.audio) <= 1.5 * RATE and heard.audio[0] == 1002


def test_a_phrase_that_is_over_and_doubtful_is_handed_over_too():
    ears, runs = listener(Hears(sure_at=1.2 * RATE, confidence=0.3), 60, 50)
    heard = ears.listen(GRAMMAR, 0.05)
    assert (heard.text, heard.rejected, runs.cuts) == ("next step", True, 1)


class OwnVoice:
    """Stands in for an echo canceller that takes nothing out of the sound."""

    clear, at = True, 0.0

    def clean(self, block: np.ndarray, at: float) -> np.ndarray:
        return block

    def said(self, begin: float, end: float) -> str:
        return "to go on"


@pytest.mark.parametrize("confidence, cuts", [(0.99, 1), (0.9, 0)])
def test_over_our_own_voice_only_a_sure_glance_counts(confidence, cuts):
    recogniser, runs = Hears(sure_at=1.2 * RATE, confidence=confidence), Runs(30)
    ears = MicrophoneListener(Blocks(60), recogniser, lambda: runs, OwnVoice())
    ears.deaf(True)
    heard = ears.listen(GRAMMAR, 0.05)
    assert (runs.cuts, len(recogniser.heard), heard.over_prompt) == (cuts, 1 - cuts, "to go on")


def test_without_a_sure_glance_the_phrase_is_heard_out():
    recogniser = Hears(sure_at=1e9)
    ears, runs = listener(recogniser, 40, 30)
    assert ears.listen(GRAMMAR, 0.05).text == "next step"
    assert runs.cuts == 0 and recogniser.heard == [30 * BLOCK]


def test_glances_begin_late_enough_and_come_no_faster_than_they_should():
    recogniser = Hears(sure_at=1e9)
    ears, _ = listener(recogniser, 90, 70)
    ears.listen(GRAMMAR, 0.05)
    assert recogniser.glanced[0] >= LEAST_GLANCE and 10 < len(recogniser.glanced) < 70
    steps = np.diff(recogniser.glanced)
    assert min(steps) >= GLANCE_EVERY and steps[-1] > steps[0]


def test_a_glance_is_shown_the_end_of_what_is_very_long():
    recogniser = Hears(sure_at=MOST_GLANCE + 1)
    ears, _ = listener(recogniser, 130, 120)
    heard = ears.listen(GRAMMAR, 0.05)
    assert max(recogniser.glanced) == MOST_GLANCE and recogniser.glanced[-1] == MOST_GLANCE
    assert len(heard.audio) == 120 * BLOCK  # the whole of it is heard out


def test_a_recogniser_that_cannot_glance_is_not_asked():
    recogniser = Slow(sure_at=0)
    ears, runs = listener(recogniser, 30, 20)
    assert ears.listen(GRAMMAR, 0.05).text == "next step" and runs.cuts == 0 and recogniser.heard == [20 * BLOCK]


def test_nothing_is_glanced_at_between_phrases_and_while_deaf():
    recogniser = Hears(sure_at=0)
    ears, _ = listener(recogniser, 2, 20)
    assert ears.listen(GRAMMAR, 0.05) is None and recogniser.glanced == []
    ears, _ = listener(recogniser, 20, 30)
    ears.deaf(True)
    assert ears.listen(GRAMMAR, 0.05) is None and recogniser.glanced == []


def test_after_a_glance_the_next_phrase_is_glanced_at_from_its_own_beginning():
    recogniser = Hears(sure_at=RATE)
    ears, runs = listener(recogniser, 60, 50)
    first, second = ears.listen(GRAMMAR, 0.05), ears.listen(GRAMMAR, 0.05)
    assert runs.cuts == 2 and len(first.audio) == len(second.audio)
    assert second.audio[0] == first.audio[-1] + 1
