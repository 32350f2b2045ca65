"""Phrases that sound alike, and pronunciations for unknown words. Phones are those of the CMU dictionary that PocketSphinx brings."""

import pytest

from assistant.engine.expect import general_vocabulary
from assistant.language.sounds import alike, distance, phones, suggest
from assistant.language.vocabulary import Vocabulary
from assistant.speech.sphinx import SphinxRecogniser
from tests.support import EN


@pytest.fixture(scope="module")
def recogniser():
    return SphinxRecogniser(EN)


def test_distance_is_zero_for_the_same_and_small_for_kin():
    assert distance("S IY T".split(), "S IY T".split()) == 0
    assert distance("B AO L".split(), "P AO L".split()) < distance("B AO L".split(), "IY AO L".split()) < 1
    assert distance("AA".split(), "Z".split()) == 1


@pytest.mark.parametrize(("first", "second"), [("wear", "where"), ("seal is torn", "seal is worn"), ("gauge at zero", "gauge at xero")])
def test_phrases_taken_for_each_other_are_named(recogniser, first, second):
    lexicon = {"xero": "Z IY R OW".split()}
    found = list(alike([(first, 1), (second, 2)], lambda word: lexicon.get(word) or recogniser.pronounce(word)))
    assert [(a, b) for a, b, _ in found] == [(first, second)]


def test_two_phrases_of_one_meaning_may_sound_alike(recogniser):
    assert list(alike([("wear", 1), ("where", 1)], recogniser.pronounce)) == []


def test_the_general_phrases_are_held_apart(recogniser):
    grammar = Vocabulary(EN).grammar(general_vocabulary())
    phrases = [(phrase.text, (phrase.intent.kind, phrase.intent.choice)) for phrase in grammar.phrases]
    assert list(alike(phrases, recogniser.pronounce)) == []


def test_commands_have_two_words_or_three_syllables(recogniser):
    for texts in EN.commands.values():
        for text in texts:
            vowels = sum(phone[:2] in ("AA", "AE", "AH", "AO", "AW", "AY", "EH", "ER", "EY", "IH", "IY", "OW", "OY", "UH", "UW") for phone in phones(text, recogniser.pronounce))
            assert len(text.split()) >= 2 or vowels >= 3, text


def test_a_plural_is_said_like_its_singular():
    assert suggest("zorbs", ["zorb"], {"zorb": "Z AO R B".split()}.get) == "Z AO R B Z"
    assert suggest("clips", ["clip"], {"clip": "K L IH P".split()}.get) == "K L IH P S"


def test_a_compound_is_said_as_its_parts(recogniser):
    assert suggest("airvalve", recogniser.known_words(), recogniser.pronounce) == "EH R V AE L V"


def test_nothing_is_suggested_for_what_is_like_no_word(recogniser):
    assert suggest("xqzzv", recogniser.known_words(), recogniser.pronounce) is None
