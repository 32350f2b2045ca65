"""Our own loudspeaker taken out of the microphone's sound.

The measures are those of echo cancellers in general: echo return loss enhancement, the power of the echo before and after, as ITU-T G.168
has it (from memory); the delay is held against one that was put in.
"""

import time

import numpy as np
import pytest

from assistant.errors import SoundError
from assistant.speech import echo as module
from assistant.speech import shop_noise
from assistant.speech.echo import EARLIEST_S, LEARNED_S, EchoCanceller, delay
from assistant.speech.listen import MicrophoneListener
from assistant.speech.played import Played
from assistant.speech.recognise import RATE, Heard
from tests.speech.hearing import say

BLOCK = RATE // 10
PROMPT = "Torque: eleven newton metres. In passes of fifty, eighty and one hundred percent. Crossing order, numbered clockwise."


@pytest.fixture(scope="module")
def talk() -> np.ndarray:
    """Twelve seconds of prompts (int16)."""
    return np.round(shop_noise.talk(12.0, 3, [say("espeak:en-gb", PROMPT)]) * 32767).astype(np.int16)


@pytest.fixture(scope="module")
def returned(talk) -> np.ndarray:
    """The same out of a small loudspeaker in a room, at -26 dB of full scale (float)."""
    return shop_noise.loudspeaker(talk, 3) * 32768


def through(canceller: EchoCanceller, sound: np.ndarray, at: float = 0.0, blocks: int = BLOCK) -> tuple[np.ndarray, list[bool]]:
    """All of a sound, block by block: what is left, and after each block whether prompts are taken out."""
    left, settled = [], []
    for begin in range(0, len(sound), blocks):
        left.append(canceller.clean(sound[begin : begin + blocks], at + begin / RATE))
        settled.append(canceller.settled)
    return np.concatenate(left), settled


def heard_late(returned: np.ndarray, late_s: float) -> np.ndarray:
    return np.round(np.pad(returned, (round(late_s * RATE), 0))[: len(returned)]).astype(np.int16)


def power_db(sound: np.ndarray) -> float:
    return 10 * float(np.log10(np.mean(np.square(sound, dtype=np.float64)) + 1e-9))


# The delay ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [0, 1, 3200, 8000, 14399])
def test_a_delay_is_found_to_the_sample(talk, at):
    played = talk[: RATE + 14400]
    assert delay(played[at : at + RATE], played) == at


@pytest.mark.parametrize("ratio_db", [10, 0, -5])
def test_a_delay_is_found_in_the_noise_of_a_compressor(talk, returned, ratio_db):
    sound = shop_noise.mix(returned[2 * RATE : 3 * RATE], shop_noise.compressor(1.0, 5), ratio_db)
    assert delay(sound, talk[2 * RATE - 8000 : 3 * RATE + 6400]) == pytest.approx(8000, abs=2)


def test_no_delay_is_found_where_nothing_comes_back(talk):
    rng = np.random.default_rng(1)
    noises = [shop_noise.compressor(1.0, 7), shop_noise.impact_wrench(1.0, 7), *(rng.normal(size=RATE) for _ in range(20)), np.zeros(RATE)]
    assert [delay(noise * 3000, talk[: RATE + 14400]) for noise in noises] == [None] * len(noises)


# What is left -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("late_s", [0.01, 0.12, 0.45])
def test_a_prompt_is_taken_out_once_the_room_is_learned(talk, returned, late_s):
    played = Played()
    played.begin(talk, 100.0)
    sound = heard_late(returned, late_s)
    left, settled = through(EchoCanceller(played), sound, 100.0)
    assert not any(settled[: round(10 * LEARNED_S)]) and all(settled[60:110])
    late = slice(8 * RATE, 11 * RATE)
    assert power_db(sound[late]) - power_db(left[late]) > 12


def test_a_prompt_said_to_be_played_too_late_is_found(talk, returned):
    played = Played()
    played.begin(talk, 100.0 - EARLIEST_S / 2)
    assert through(EchoCanceller(played), heard_late(returned, 0.0), 100.0)[1][80]


def test_speech_over_a_prompt_is_left(talk, returned):
    speech = say("flite:slt", "torque forty two newton metres").astype(np.float64)
    speech *= 32768 * 10 ** (-26 / 20) / np.sqrt(shop_noise.active_power(speech))
    begin = 8 * RATE
    sound = heard_late(returned, 0.2).astype(np.float64)
    sound[begin : begin + len(speech)] += speech
    played = Played()
    played.begin(talk, 0.0)
    left = through(EchoCanceller(played), np.round(sound).astype(np.int16))[0].astype(np.float64)
    part = slice(begin, begin + len(speech))
    # What is left, in units of the speech itself: the error before is the prompt.
    before, after = sound[part] - speech, left[part] - speech
    assert power_db(speech) - power_db(before) < 3
    assert power_db(after) < power_db(before) - 5
    assert np.corrcoef(sound[part], speech)[0, 1] < 0.75 and np.corrcoef(left[part], speech)[0, 1] > 0.85


@pytest.mark.parametrize(("stream", "late"), [(1, 3200), (2, 6400), (2, 800)])
def test_the_room_is_kept_from_prompt_to_prompt(talk, returned, stream, late):
    played, canceller = Played(), None
    played.begin(talk[: 6 * RATE], 0.0, "", 1)
    played.begin(talk[6 * RATE : 9 * RATE], 10.0, "", stream)
    canceller = EchoCanceller(played)
    sound = np.zeros(14 * RATE)
    sound[3200 : 3200 + 6 * RATE] = returned[: 6 * RATE]
    sound[10 * RATE + late : 13 * RATE + late] = returned[6 * RATE : 9 * RATE]
    left, settled = through(canceller, np.round(sound).astype(np.int16))
    assert not any(settled[70:97]), "between prompts there is nothing to take out"
    # In a stream of its own the second comes back as late as it likes: that takes a second of it to be found.
    assert settled.index(True, 97) <= (100 if stream == 1 else 115)
    for begin, end in ((11.6, 13), *(((10.3, 11),) if stream == 1 else ())):
        part = slice(round(begin * RATE), round(end * RATE))
        assert power_db(sound[part]) - power_db(left[part]) > 10


def test_a_stream_that_slips_is_caught_up_with(talk, returned):
    played = Played()
    played.begin(talk[: 6 * RATE], 0.0, "", 1)
    played.begin(talk[6 * RATE : 12 * RATE], 10.0, "", 1)
    sound = np.zeros(17 * RATE)
    sound[3200 : 3200 + 6 * RATE] = returned[: 6 * RATE]
    sound[10 * RATE + 4000 : 16 * RATE + 4000] = returned[6 * RATE : 12 * RATE]
    left, _ = through(EchoCanceller(played), np.round(sound).astype(np.int16))
    part = slice(round(12.5 * RATE), 16 * RATE)
    assert power_db(sound[part]) - power_db(left[part]) > 10


# Nothing is taken out that is not ours -----------------------------------------------------------------------------


def test_without_a_prompt_no_sample_is_changed(talk):
    sound = np.random.default_rng(2).integers(-9000, 9000, 5 * RATE).astype(np.int16)
    left, settled = through(EchoCanceller(Played()), sound)
    assert np.array_equal(left, sound) and not any(settled)


@pytest.mark.parametrize("blocks", [1600, 1601, 777])
def test_no_sound_is_lost_or_said_twice_around_a_prompt(talk, returned, blocks):
    played = Played()
    played.begin(talk[: 5 * RATE], 2.0)
    sound = np.zeros(10 * RATE)
    sound[2 * RATE + 1600 : 7 * RATE + 1600] = returned[: 5 * RATE]
    marks = np.random.default_rng(4).integers(-9000, 9000, len(sound))
    sound[: 2 * RATE - 8000], sound[-RATE:] = marks[: 2 * RATE - 8000], marks[-RATE:]
    left, settled = through(EchoCanceller(played), np.round(sound).astype(np.int16), blocks=blocks)
    assert any(settled) and len(left) == len(sound)
    assert np.array_equal(left[: 2 * RATE - 8000], marks[: 2 * RATE - 8000]) and np.array_equal(left[-RATE:], marks[-RATE:])


def test_a_prompt_that_does_not_come_back_is_never_settled(talk):
    played = Played()
    played.begin(talk, 0.0)
    assert not any(through(EchoCanceller(played), np.round(shop_noise.compressor(12.0, 1) * 32767).astype(np.int16))[1])


def test_after_lost_sound_the_delay_is_found_anew(talk, returned):
    played = Played()
    played.begin(talk, 0.0)
    canceller, sound = EchoCanceller(played), heard_late(returned, 0.1)
    assert through(canceller, sound[: 7 * RATE])[1][-1]
    canceller.clean(sound[8 * RATE : 8 * RATE + BLOCK], 8.0)
    assert not canceller.settled
    assert through(canceller, sound[8 * RATE + BLOCK : 10 * RATE], 8.1)[1][-1]
    canceller.lost()
    assert not canceller.settled


def test_without_the_library_one_sentence_says_so(monkeypatch):
    def missing(name):
        raise OSError

    monkeypatch.setattr(module.ctypes, "CDLL", missing)
    with pytest.raises(SoundError, match="libspeexdsp1"):
        EchoCanceller(Played())


# The listener -------------------------------------------------------------------------------------------------------


class Tape:
    """A microphone that gives a recording."""

    breaks = 0

    def __init__(self, sound: np.ndarray):
        self._sound, self._given, self.at, self.drained = sound, 0, 0.0, 0

    def read(self, timeout_s: float) -> np.ndarray | None:
        self.reads()
        block, self.at = self._sound[self._given : self._given + BLOCK], self._given / RATE
        self._given += len(block)
        return block if len(block) else None

    def reads(self) -> None:
        """What happens before a block is read."""

    def drain(self, tail_s: float) -> None:
        self.drained += 1


class Says:
    """A recogniser that understands one thing, whatever it is given."""

    def __init__(self, text: str):
        self._text = text

    def hear(self, samples, grammar, before=None) -> Heard:
        return Heard(self._text, 1.0, not self._text, len(samples) / RATE, 0.0, "says", samples)


class Words:
    values = spelling = False

    def __init__(self, free: bool = False):
        self.free = free


def over_a_prompt(talk, returned, text: str, words: Words = Words()) -> tuple[Heard | None, MicrophoneListener, Tape]:
    played = Played()
    played.begin(talk, 0.0, "first, and then, at last, " * 8)
    speech = say("flite:slt", "torque forty two newton metres").astype(np.float64)
    sound = heard_late(returned, 0.2).astype(np.float64)
    sound[8 * RATE : 8 * RATE + len(speech)] += speech * 0.5
    tape = Tape(np.round(np.clip(sound, -32768, 32767)).astype(np.int16))
    listener = MicrophoneListener(tape, Says(text), echo=EchoCanceller(played))
    listener.deaf(True)
    return listener.listen(words, 1.0), listener, tape


def test_a_phrase_over_a_prompt_is_heard_and_marked(talk, returned):
    heard, listener, tape = over_a_prompt(talk, returned, "torque forty two newton metres")
    assert heard is not None and heard.over_prompt and set(heard.over_prompt.split()) == {"first", "and", "then", "at", "last"} and 1.0 < heard.seconds_audio < 4.0
    assert tape.at > 8.0, "before the room was learned nothing was listened to"
    listener.deaf(False)
    assert tape.drained == 0, "what comes next is not thrown away"


def test_an_answer_right_after_a_prompt_is_not_over_it(talk, returned):
    played, begin = Played(), 6 * RATE + 3200
    played.begin(talk[: 6 * RATE], 0.0, "Do you agree? Yes or no? " * 4)
    sound = np.zeros(10 * RATE)
    sound[3200:begin] = returned[: 6 * RATE]
    speech = say("flite:slt", "torque forty two newton metres").astype(np.float64) * 0.5
    sound[begin + 800 : begin + 800 + len(speech)] += speech
    tape = Tape(np.round(sound).astype(np.int16))
    listener = MicrophoneListener(tape, Says("yes"), echo=EchoCanceller(played))
    listener.deaf(True)
    tape.reads = lambda: listener.deaf(tape.at < 6.1)  # as a bench does, when the speaker is done
    heard = listener.listen(Words(), 1.0)
    assert heard is not None and heard.over_prompt is None


def test_a_phrase_that_outlasts_a_prompt_is_heard_out(talk, returned):
    """Nobody can tell the listener, in the middle of a phrase, that the speaker is done."""
    played, begin = Played(), round(5.8 * RATE)
    played.begin(talk[: 6 * RATE], 0.0, "Do you agree? Yes or no? " * 4)
    sound = np.zeros(10 * RATE)
    sound[3200 : 3200 + 6 * RATE] = returned[: 6 * RATE]
    speech = say("flite:slt", "torque forty two newton metres").astype(np.float64) * 0.5
    sound[begin : begin + len(speech)] += speech
    listener = MicrophoneListener(Tape(np.round(sound).astype(np.int16)), Says("yes"), echo=EchoCanceller(played))
    listener.deaf(True)
    heard = listener.listen(Words(), 1.0)
    assert heard is not None and len(speech) / RATE < heard.seconds_audio < len(speech) / RATE + 1


def test_a_phrase_cut_by_a_prompt_that_cannot_be_taken_out_keeps_nobody_waiting(talk, returned):
    """The second prompt comes through a stream of its own: for a second nobody knows how late."""
    played, begin = Played(), round(5.5 * RATE)
    played.begin(talk[: 5 * RATE], 0.0, "", 1)
    played.begin(talk[5 * RATE :], 6.0, "", 2)
    sound = np.zeros(14 * RATE)
    sound[3200 : 3200 + 5 * RATE] = returned[: 5 * RATE]
    speech = say("flite:slt", "torque forty two newton metres").astype(np.float64) * 0.5
    sound[begin : begin + len(speech)] += speech
    tape = Tape(np.round(sound[: round(6.6 * RATE)]).astype(np.int16))
    listener = MicrophoneListener(tape, Says("yes"), echo=EchoCanceller(played))
    listener.deaf(True)
    begun = time.monotonic()
    assert listener.listen(Words(), 0.5) is None and time.monotonic() - begun < 20 and not listener._endpointer.speaking


def test_what_is_not_understood_over_a_prompt_is_no_miss(talk, returned):
    assert over_a_prompt(talk, returned, "")[0] is None


def test_a_remark_in_free_words_waits_for_the_end_of_a_prompt(talk, returned):
    heard, listener, tape = over_a_prompt(talk, returned, "anything", Words(free=True))
    assert heard is None
    listener.deaf(False)


def test_deaf_without_a_prompt_that_is_taken_out(talk, returned):
    sound = np.round(np.clip(returned, -32768, 32767)).astype(np.int16)
    listener = MicrophoneListener(Tape(sound), Says("anything"), echo=EchoCanceller(Played()))
    listener.deaf(True)
    assert listener.listen(Words(), 0.5) is None
    listener.deaf(False)
    assert listener._microphone.drained == 1
