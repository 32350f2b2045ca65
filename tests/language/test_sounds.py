"""Phrases that sound alike, and pronunciations for unknown words. Phones are those of the CMU dictionary that the pocketsphinx package brings."""

from pathlib import Path

import pytest

from assistant.engine.expect import general_vocabulary
from assistant.errors import LanguageError
from assistant.language.confusions import SHIPPED, Confusion, Measured, counted, load, word_swaps, written
from assistant.language.sounds import alike, distance, phones, suggest
from assistant.language.vocabulary import Vocabulary
from assistant.session import check_file
from assistant.speech.phone_recogniser import PhoneRecogniser
from tests.support import EN


@pytest.fixture(scope="module")
def recogniser():
    return PhoneRecogniser(EN)


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


HEARD = [("seal is torn", "seal is worn")] * 2 + [("seal is torn", "seal is torn")] * 6 + [("fifteen bolts", "fifty bolts")] * 3 + [("fifteen nuts", "")] * 5 + [("ball worn", "ball worn again")]


def test_confusions_are_counted_by_phrase_and_by_word():
    phrases, words = counted(HEARD)
    assert Confusion("seal is torn", "seal is worn", 2, 8) in phrases
    assert Confusion("fifteen", "fifty", 3, 8) in words  # what was rejected was said, too
    assert not any("again" in one.heard for one in words)  # of another length: no word stands for another
    assert word_swaps("fifteen bolts", "fifty bolts") == [("fifteen", "fifty")]


@pytest.mark.parametrize(
    ("first", "second", "share"),
    [
        ("seal is torn", "seal is worn", 2 / 8),
        ("seal is worn", "seal is torn", 2 / 8),  # in either direction
        ("pass fifteen", "pass fifty", 3 / 8),  # never measured: the words were
        ("pass fifteen", "stop fifty", None),  # two words differ
        ("pass fifteen", "pass fourteen", None),
        ("ball worn", "ball worn again", None),  # once is chance
    ],
)
def test_a_pair_measured_as_confused_is_named(first, second, share):
    found = Measured("test", *counted(HEARD)).between(first, second)
    assert (found and found.share) == share


def test_the_counts_survive_their_file(tmp_path):
    kept = Measured("pocketsphinx; one voice", *counted(HEARD))
    (tmp_path / "c.yaml").write_text(written(kept), encoding="utf-8")
    assert load(tmp_path / "c.yaml") == kept


@pytest.mark.parametrize("text", ["", "[]", "source: x", "{source: x, phrases: [[a, b, 3, 2]], words: []}", "{source: x, phrases: [[a, b]], words: []}", "{"])
def test_a_file_of_something_else_is_named(tmp_path, text):
    (tmp_path / "c.yaml").write_text(text)
    with pytest.raises(LanguageError, match="--confusions"):
        load(tmp_path / "c.yaml")


def test_without_a_file_nothing_is_known(tmp_path):
    assert load(tmp_path / "none.yaml").phrases == ()


def test_a_measured_pair_is_warned_of_in_a_procedure(monkeypatch, tmp_path):
    # Far apart in phones, so that only the measured count can speak.
    monkeypatch.setattr("assistant.session.confusions.load", lambda: Measured("test", (Confusion("rim is dry", "hook holds", 7, 40),)))
    file = tmp_path / "p.yaml"
    file.write_text("procedure: p\ntitle: P\nrevision: 1\ndate: 2026-01-05\nasset_class: pump\nstages: [{id: work, title: Work, steps: [{id: look, instruction: Look., checks: [{id: one, ask: How is it?, answers: [{say: rim is dry}, {say: hook holds}]}]}]}]\n")
    texts = [remark.at(file) for remark in check_file(file, None, Path("models"))]
    assert any('"rim is dry" and "hook holds" were confused when measured ("rim is dry" taken for "hook holds" 7 of 40 times)' in text for text in texts), texts


@pytest.mark.skipif(not SHIPPED.is_file(), reason="no counts are shipped")
def test_the_shipped_counts_say_where_they_come_from():
    kept = load()
    assert kept.source.startswith(("pocketsphinx", "phones"))  # the recogniser
    assert all(word in kept.source for word in ("voices", "noises", "trials"))
