"""The process around a recogniser, with stand-in workers that die, hang and talk nonsense, and with the real one."""

import os
import signal
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from assistant.engine.expect import general_vocabulary
from assistant.engine.intents import Intent
from assistant.errors import SoundError
from assistant.language.grammar import Grammar, Phrase
from assistant.language.vocabulary import Vocabulary
from assistant.session import must_know_words
from assistant.speech import recogniser_process as module
from assistant.speech.engines import close_recogniser, make_recogniser, wait_until_ready
from assistant.speech.recogniser_process import ENDED, KEEPS_STOPPING, STOPPED, ProcessRecogniser
from tests.support import EN, FLANGE, ROOT

SOUND = (np.sin(np.arange(8000) / 8) * 9000).astype(np.int16)
MODELS = ROOT / "models"

STAND_IN = """
import os, pickle, sys, time
from assistant.speech.recognise import Heard
from assistant.speech.recogniser_worker import Answer, Failed, Ready, Result
out = os.fdopen(1, "wb")
def reply(message):
    pickle.dump(message, out); out.flush()
start = pickle.load(sys.stdin.buffer)
reply(Ready("stand-in", "none", ("pronounce",), 100.0))
known = {}
memory = 100.0
def heard(request):
    for number in request.forget:
        del known[number]
    if request.grammar is not None:
        known[request.number] = request.grammar
    assert request.grammar is None or request.grammar.pack is None
    return Result(Heard(" ".join(phrase.text for phrase in known[request.number].phrases), 1.0, False, 0.5, 0.0, f"stand-in of {len(known)}", None), memory)
"""
ECHO = STAND_IN + "while True:\n    reply(heard(pickle.load(sys.stdin.buffer)))\n"
ONE_THEN_END = STAND_IN + "reply(heard(pickle.load(sys.stdin.buffer)))\n"
ENDS_AT_PHRASE = STAND_IN + "pickle.load(sys.stdin.buffer)\n"
HANGS = STAND_IN + "pickle.load(sys.stdin.buffer)\ntime.sleep(60)\n"
DEAF = STAND_IN + "time.sleep(60)\n"
NONSENSE = STAND_IN + "pickle.load(sys.stdin.buffer)\nout.write(b'hello'); out.flush(); time.sleep(60)\n"
GLANCING = STAND_IN.replace('("pronounce",)', '("glance",)')
GLANCES = GLANCING + """
while True:
    request = pickle.load(sys.stdin.buffer)
    result = heard(request)
    reply(Result(None, memory) if request.under_way and len(request.samples) < 16000 else result)
"""
LOST_AT_GLANCES = GLANCING + """
while True:
    request = pickle.load(sys.stdin.buffer)
    result = heard(request)
    if request.under_way:
        LOST
    reply(result)
"""
HALF = STAND_IN + "data = pickle.dumps(heard(pickle.load(sys.stdin.buffer)))\nout.write(data[:len(data) // 2]); out.flush(); os._exit(1)\n"
OTHER = STAND_IN + "pickle.load(sys.stdin.buffer)\nreply(Answer('next step'))\ntime.sleep(60)\n"
REFUSES = STAND_IN + "pickle.load(sys.stdin.buffer)\nreply(Failed('The word zz is not known.'))\nreply(heard(pickle.load(sys.stdin.buffer)))\ntime.sleep(60)\n"
GROWS = STAND_IN + "while True:\n    reply(heard(pickle.load(sys.stdin.buffer)))\n    memory += 30\n"


def stand_in(program: str, **settings) -> ProcessRecogniser:
    return ProcessRecogniser("auto", EN, Path("/nowhere"), command=[sys.executable, "-c", program], **settings)


def grammar_of(*texts: str) -> Grammar:
    return Grammar(tuple(Phrase(text, Intent("next")) for text in texts), False, (), (), EN)


NEXT = grammar_of("next step")


@pytest.mark.parametrize("program", [ENDS_AT_PHRASE, HANGS, DEAF, NONSENSE, HALF, OTHER], ids=["ends", "hangs", "takes nothing in", "nonsense", "half a reply", "another reply"])
def test_a_lost_phrase_is_not_understood_and_said_once(program):
    sound = np.zeros(100_000, np.int16)  # more than a pipe holds: a process that takes nothing in blocks whoever writes
    recogniser = stand_in(program, patience_s=0.5 - len(sound) / 16_000 + 1.0)
    try:
        first = recogniser.process_id
        heard = recogniser.hear(sound, NEXT)
        assert (heard.text, heard.rejected, heard.audio, heard.engine) == ("", True, None, "stand-in")
        assert heard.seconds_compute < 10
        assert recogniser.notices() == [STOPPED]
        assert recogniser.process_id not in (None, first)
        assert recogniser.notices() == []
    finally:
        recogniser.close()


def test_a_process_that_died_between_phrases_costs_none():
    recogniser = stand_in(ONE_THEN_END)
    try:
        for _ in range(2):
            assert recogniser.hear(SOUND, NEXT).text == "next step"
            recogniser._worker._process.wait(5)
        assert recogniser.notices() == []
    finally:
        recogniser.close()


def test_a_glance_is_offered_only_where_the_recogniser_inside_has_it():
    recogniser = stand_in(ECHO)
    try:
        assert not hasattr(recogniser, "glance")
    finally:
        recogniser.close()


def test_a_glance_finds_a_phrase_that_is_over_and_nothing_before():
    recogniser = stand_in(GLANCES)
    try:
        first, sound = recogniser.process_id, np.tile(SOUND, 2)
        assert recogniser.glance(SOUND, NEXT) is None
        found = recogniser.glance(sound, NEXT)
        assert (found.text, found.rejected, found.engine) == ("next step", False, "stand-in of 1")
        assert found.audio is sound and found.seconds_compute > 0
        assert recogniser.hear(SOUND, NEXT).engine == "stand-in of 1"  # the grammar was sent with the first glance
        assert recogniser.process_id == first and recogniser.notices() == []
    finally:
        recogniser.close()


@pytest.mark.parametrize("how", ["os._exit(1)", "time.sleep(60)", "out.write(b'hello'); out.flush(); time.sleep(60)", "reply(Answer('next step')); time.sleep(60)"], ids=["killed", "hangs", "nonsense", "another reply"])
def test_a_process_lost_over_a_glance_is_replaced_without_a_word_and_the_phrase_is_heard(how):
    recogniser = stand_in(LOST_AT_GLANCES.replace("LOST", how), patience_s=0.5)
    try:
        first = recogniser.process_id
        assert recogniser.glance(SOUND, NEXT) is None
        assert recogniser.process_id not in (None, first) and recogniser.notices() == []
        recogniser._patience_s = 8.0
        heard = recogniser.hear(SOUND, NEXT)
        assert (heard.text, heard.rejected) == ("next step", False) and heard.audio is SOUND
        assert recogniser.notices() == []
    finally:
        recogniser.close()


def test_one_that_is_lost_over_every_glance_is_spoken_of_when_a_phrase_is_lost(monkeypatch):
    monkeypatch.setattr(module, "RETRY_S", 60.0)
    recogniser = stand_in(LOST_AT_GLANCES.replace("LOST", "os._exit(1)"))
    try:
        for _ in range(4):  # the last of them finds no process
            assert recogniser.glance(SOUND, NEXT) is None
        assert recogniser.process_id is None and recogniser.notices() == []
        assert recogniser.hear(SOUND, NEXT).audio is None
        assert recogniser.notices() == [KEEPS_STOPPING]
    finally:
        recogniser.close()


def test_one_that_keeps_stopping_is_left_alone_for_a_while(monkeypatch):
    monkeypatch.setattr(module, "RETRY_S", 0.5)
    recogniser = stand_in(ENDS_AT_PHRASE)
    try:
        for _ in range(3):
            assert recogniser.hear(SOUND, NEXT).rejected
        assert recogniser.notices() == [STOPPED, STOPPED, KEEPS_STOPPING]
        assert recogniser.process_id is None
        assert recogniser.hear(SOUND, NEXT).rejected  # at once, and said again
        assert recogniser.notices() == [KEEPS_STOPPING]
        deadline = time.monotonic() + 10
        while recogniser.process_id is None and time.monotonic() < deadline:
            recogniser.notices()
        assert recogniser.process_id is not None
    finally:
        recogniser.close()
        assert recogniser.process_id is None


def test_a_grammar_that_cannot_be_used_is_the_callers_matter():
    recogniser = stand_in(REFUSES)
    try:
        first = recogniser.process_id
        with pytest.raises(SoundError, match="zz is not known"):
            recogniser.hear(SOUND, grammar_of("zz"))
        assert recogniser.hear(SOUND, NEXT).text == "next step"
        assert recogniser.process_id == first and recogniser.notices() == []
    finally:
        recogniser.close()


def test_each_grammar_is_sent_once_and_forgotten_in_turn(monkeypatch):
    monkeypatch.setattr(module, "KEPT_GRAMMARS", 2)
    recogniser = stand_in(ECHO)
    one, two, three = grammar_of("one"), grammar_of("two"), grammar_of("three")
    try:
        for grammar, text, kept in ((one, "one", 1), (two, "two", 2), (one, "one", 2), (three, "three", 2), (one, "one", 2), (two, "two", 2)):
            heard = recogniser.hear(SOUND, grammar)
            assert (heard.text, heard.engine) == (text, f"stand-in of {kept}")
            assert heard.audio is SOUND
    finally:
        recogniser.close()


@pytest.mark.parametrize(("most_mb", "new_after"), [(50.0, 3), (1000.0, 99)])
def test_a_process_that_grew_is_replaced_between_phrases(most_mb, new_after):
    recogniser = stand_in(GROWS, most_mb=most_mb)
    try:
        first = recogniser.process_id
        for turn in range(1, 6):
            assert recogniser.hear(SOUND, NEXT).text == "next step"
            assert (recogniser.process_id != first) == (turn >= new_after)
        assert recogniser.notices() == []
    finally:
        recogniser.close()


@pytest.mark.parametrize("program", ["", "import sys; sys.exit(3)", "print('hello')", "raise SystemExit(__import__('os').abort())"])
def test_one_that_never_starts_is_one_sentence(program):
    with pytest.raises(SoundError, match="ended unexpectedly"):
        stand_in(program)


def test_a_call_without_answer_is_one_sentence_and_the_next_has_one():
    recogniser = stand_in(ENDS_AT_PHRASE)
    try:
        with pytest.raises(SoundError, match=ENDED[:30]):
            recogniser.missing_words(["go"])
        assert recogniser.process_id is not None
    finally:
        recogniser.close()


def test_members_are_those_of_the_recogniser_inside():
    recogniser = stand_in(ECHO)
    try:
        assert hasattr(recogniser, "pronounce") and not hasattr(recogniser, "known_words")
        wait_until_ready(recogniser)
    finally:
        close_recogniser(recogniser)
        close_recogniser(recogniser)


def test_the_process_ends_with_the_program_that_started_it():
    recogniser = stand_in(ECHO)
    process = recogniser._worker._process
    process.stdin.close()
    assert process.wait(5) is not None
    recogniser.close()


@pytest.mark.parametrize("kind", ["phones", "pocketsphinx"])
def test_the_real_one_hears_as_one_in_the_same_process(tmp_path, kind):
    from tests.speech.test_sphinx import spoken

    grammar = Vocabulary(EN).grammar(general_vocabulary())
    plain, apart = make_recogniser(kind, EN, MODELS), ProcessRecogniser(kind, EN, MODELS)
    try:
        must_know_words(FLANGE, EN, apart)
        assert (apart.name, apart.model) == (plain.name, plain.model)
        assert hasattr(apart, "glance") == hasattr(plain, "glance") == (kind == "phones")
        for text in ("next step", "what torque"):
            sound = spoken(text, tmp_path)
            one, other = plain.hear(sound, grammar), apart.hear(sound, grammar)
            assert (one.text, one.rejected, one.engine) == (other.text, other.rejected, other.engine) == (text, False, kind)
            assert one.confidence == pytest.approx(other.confidence, abs=1e-6)
            if kind == "phones":
                whole = np.pad(sound, (0, 12_000))
                assert apart.glance(sound[:6400], grammar) is None
                assert apart.glance(whole, grammar).text == plain.glance(whole, grammar).text == text
        os.kill(apart.process_id, signal.SIGKILL)
        apart._worker._process.wait(5)
        assert apart.hear(sound, grammar).text == text  # found dead before the phrase: nothing is lost
    finally:
        apart.close()


def test_the_real_one_cleans_the_sound_by_what_was_before_it(tmp_path):
    """PocketSphinx wants clean sound, the phone model does not: what comes before is passed on to the process."""
    from tests.speech.test_sphinx import spoken

    grammar, sound = Vocabulary(EN).grammar(general_vocabulary()), spoken("what torque", tmp_path)
    hum = (600 * np.sin(2 * np.pi * 400 * np.arange(16_000 + len(sound)) / 16_000)).astype(np.int16)
    before, noisy = hum[:16_000], sound // 2 + hum[16_000:]
    for kind in ("phones", "pocketsphinx"):
        plain, apart = make_recogniser(kind, EN, MODELS), ProcessRecogniser(kind, EN, MODELS)
        try:
            one, other, raw = plain.hear(noisy, grammar, before), apart.hear(noisy, grammar, before), plain.hear(noisy, grammar)
        finally:
            apart.close()
        assert one.confidence == pytest.approx(other.confidence, abs=1e-6)
        assert (one.confidence == pytest.approx(raw.confidence, abs=1e-9)) == (kind == "phones")
        assert np.array_equal(other.audio, noisy)  # the record keeps the sound as it was
