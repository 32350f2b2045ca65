"""What is known of our own prompts, and of when they were played."""

import numpy as np
import pytest

from assistant.speech.played import KEPT_S, Played
from assistant.speech.recognise import RATE
from tests.speech.hearing import say


def ramp(seconds: float, first: int = 1) -> np.ndarray:
    return np.arange(first, first + round(seconds * RATE), dtype=np.int16)


@pytest.fixture
def played() -> Played:
    one = Played()
    one.begin(ramp(1.0), 10.0)
    return one


def test_the_last_prompt_that_has_begun(played):
    played.begin(ramp(1.0), 12.0)
    assert [played.prompt(at) for at in (9.9, 10.0, 11.9, 12.0, 99.0)] == [None, 1, 1, 2, 2]


def test_samples_lie_where_they_were_played(played):
    assert np.array_equal(played.between(1, 10.25, 400), ramp(1.0)[4000:4400])


def test_around_a_prompt_is_silence(played):
    assert not played.between(1, 8.0, RATE).any() and not played.between(1, 11.0, RATE).any() and not played.between(7, 10.0, RATE).any()
    edge = played.between(1, 10.0 - 0.01, 320)
    assert not edge[:160].any() and np.array_equal(edge[160:], ramp(0.01))


def test_a_prompt_that_is_cut_off_ends_there(played):
    assert played.over_at(1) == 11.0
    played.end(10.5)
    assert played.over_at(1) == 10.5 and not played.between(1, 10.5, RATE).any() and played.between(1, 10.4, RATE).any()
    played.end(10.9)
    assert played.over_at(1) == 10.5, "what is over cannot end later"


def test_old_prompts_are_forgotten(played):
    played.begin(ramp(1.0), 11.0 + KEPT_S)
    assert played.over_at(1) == 11.0
    played.begin(ramp(1.0), 11.5 + KEPT_S)
    with pytest.raises(KeyError):
        played.over_at(1)
    assert played.over_at(3) == 12.5 + KEPT_S


def test_how_much_of_a_time_was_played(played):
    played.begin(ramp(2.0), 12.0)
    assert [played.lasted_s(*times) for times in ((0.0, 9.0), (10.5, 20.0), (10.25, 10.5), (11.5, 12.5))] == [0.0, 2.5, 0.25, 0.5]


def test_an_answer_after_a_prompt_is_not_in_it():
    one = Played()
    one.begin(ramp(6.0), 0.0, "It can be taken out later. Do you agree? Yes or no?")
    assert one.words(5.4, 5.9).split()[-3:] == ["yes", "or", "no"] and one.words(6.05, 6.6) == ""


def test_the_words_of_a_time():
    one = Played()
    one.begin(ramp(20.0), 100.0, "Caution: stored pressure. Open the bleed valve first, and wait. Say: understood.")
    assert one.words(90.0, 98.0) == "" and one.words(122.0, 130.0) == ""
    assert one.words(100.0, 100.1) == "caution" and one.words(119.0, 119.5) == "understood"
    middle = one.words(109.0, 111.0).split()
    assert "valve" in middle and "caution" not in middle and "understood" not in middle
    one.end(110.0)
    assert "understood" not in one.words(100.0, 130.0) and "caution" in one.words(100.0, 130.0)


@pytest.mark.parametrize("text", [
    "The next part is the outlet valve cover. Turn each of the eight bolts by half a turn, crosswise, before any of them is taken out.",
    "Caution. Stored pressure can throw the cap. Open the bleed valve first, and wait until the gauge stands at zero bar.",
])
def test_a_word_is_said_near_its_place_in_the_text(text):
    """Held against espeak-ng: the end of each beginning of the text, spoken alone, is about the end of its last word."""
    whole, words = len(say("espeak:en-gb", text)) / RATE, text.split()
    one = Played()
    one.begin(np.ones(round(whole * RATE), np.int16), 0.0, text)
    for count in range(1, len(words)):
        over = len(say("espeak:en-gb", " ".join(words[:count]))) / RATE
        assert words[count - 1].strip(".,").casefold() in one.words(over, over).split()
