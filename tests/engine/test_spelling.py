"""Serial numbers by the spelling alphabet: held against their pattern, read back, kept on a yes."""

import pytest

from assistant.engine import events as e
from assistant.engine.expect import Expected
from assistant.language.vocabulary import Vocabulary
from assistant.language.wording import _looked_up
from tests.support import EN, Dialogue, plan_of

PLAN = plan_of("""
procedure: spelled
title: Spelled job
revision: 1
date: "2026-01-05"
asset_class: pump
stages:
  - id: receive
    title: Receive
    steps:
      - id: tag
        instruction: Read the tag.
        checks: [{id: serial, ask: What is the serial number?, spelled: {pattern: "[A-Z]{2}[0-9]{4}"}}]
      - {id: end, instruction: Put it down.}
""")

# SERA.14020 table S14-2 (= ICAO Annex 10 vol II figure 5-1), as printed by a regulator's library; exact spelling.
ICAO = {
    "A": "alfa", "B": "bravo", "C": "charlie", "D": "delta", "E": "echo", "F": "foxtrot", "G": "golf", "H": "hotel", "I": "india", "J": "juliett", "K": "kilo", "L": "lima", "M": "mike",
    "N": "november", "O": "oscar", "P": "papa", "Q": "quebec", "R": "romeo", "S": "sierra", "T": "tango", "U": "uniform", "V": "victor", "W": "whiskey", "Y": "yankee", "Z": "zulu",
}  # fmt: skip


@pytest.fixture
def job() -> Dialogue:
    job = Dialogue(PLAN)
    job.say("begin the job", "next step")
    return job


def test_the_alphabet_is_the_published_one():
    assert {letter: words[0] for letter, words in EN.alphabet.items()} == ICAO | {"X": "xray"}


def test_a_serial_number_is_read_back_and_kept_on_a_yes(job):
    assert "What is the serial number? Spell it." in " ".join(job.said)
    assert job.say("tango victor zero four one seven") == "Tango victor zero four one seven. Yes or no?"
    assert not any(isinstance(event, e.AnswerRecorded) for event in job.events)
    job.say("affirm")
    assert (job.last(e.AnswerRecorded).said, job.last(e.AnswerRecorded).item) == ("TV0417", "serial")
    assert job.state.step == "receive/end"


def test_a_denied_serial_number_is_spelled_again(job):
    job.say("tango victor zero four one seven")
    assert "Spell it." in job.say("negative")
    job.say("tango victor zero four one nine", "yes")
    assert job.last(e.AnswerRecorded).said == "TV0419"


def test_what_does_not_fit_its_pattern_is_not_taken(job):
    assert "such a number does not look like that" in job.say("tango victor zero four one")
    assert job.state.question.about == "spelled"


def test_a_correction_spells_again(job):
    job.say("tango victor zero four one seven", "affirm")
    assert "Spell it." in job.say("change last entry")
    job.say("tango victor zero four one eight", "affirm")
    answers = [event for event in job.events if isinstance(event, e.AnswerRecorded)]
    assert [answer.said for answer in answers] == ["TV0417", "TV0418"] and answers[1].corrects


def test_plain_letters_and_other_zeros_are_taken_too():
    grammar = Vocabulary(EN).grammar(Expected(spelled=True))
    assert grammar.match("a b oh nine").text == "AB09"
    assert grammar.match("alfa hello") is None


@pytest.mark.parametrize("letters", ["TV0417", "AZ90", "X1Y2"])
def test_what_is_said_is_heard_as_the_same(letters):
    grammar = Vocabulary(EN).grammar(Expected(spelled=True))
    assert grammar.match(_looked_up(f"phonetic:{letters}", EN)).text == letters
