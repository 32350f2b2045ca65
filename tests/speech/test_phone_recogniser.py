"""The recogniser for loud shops on real synthetic speech (flite, espeak-ng), in noise, and while a phrase is still under way."""

import math
import subprocess
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from assistant.engine.expect import Expected, general_vocabulary
from assistant.errors import SoundError
from assistant.language.pack import load_pack
from assistant.language.vocabulary import Vocabulary
from assistant.speech import shop_noise
from assistant.speech.phone_recogniser import LEAST_CONFIDENCE, Fit, PhoneRecogniser, fit_of, may_go_on
from assistant.speech.phone_search import Found, Word
from assistant.speech.recognise import RATE
from assistant.speech.sound import read_sound, trim_silence
from tests.speech.hearing import VALUES, missed_phrases

EN = load_pack("en")
GRAMMAR = Vocabulary(EN).grammar(general_vocabulary())
BORE = (("diameter", "mm"),)
CONFIRM = Vocabulary(EN).grammar(Expected(frozenset({"repeat", "help"}), confirm=True, values=BORE, denied=True))
VOICES = ["flite:rms", "flite:slt", "flite:awb", "espeak:en-us", "espeak:en-gb+f2"]


@pytest.fixture(scope="module")
def recogniser() -> PhoneRecogniser:
    return PhoneRecogniser(EN)


def spoken(text: str, folder: Path, voice: str = "flite:rms") -> np.ndarray:
    """With 0.2 s before it, and nothing after."""
    path, (tool, name) = folder / "said.wav", voice.split(":")
    subprocess.run(["flite", "-voice", name, "-t", text, "-o", str(path)] if tool == "flite" else ["espeak-ng", "-v", name, "-w", str(path), text], check=True)
    return np.pad(trim_silence(read_sound(path), keep_s=0.0), (RATE // 5, 0))


def after(sound: np.ndarray, seconds: float) -> np.ndarray:
    """The sound, and silence after it."""
    return np.pad(sound, (0, round(seconds * RATE)))


# Whole phrases -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("voice", VOICES)
def test_every_general_phrase_is_heard(recogniser, tmp_path, voice):
    missed = missed_phrases(recogniser, GRAMMAR, lambda text: after(spoken(text, tmp_path, voice), 0.3))
    # A few slips a voice are allowed: they are rejected or asked again, and the hearing benchmark counts them.
    assert len(missed) <= 3, missed


@pytest.mark.parametrize("voice", VOICES)
def test_values_are_heard(recogniser, tmp_path, voice):
    missed = []
    for said, value, unit in VALUES:
        heard = recogniser.hear(after(spoken(said, tmp_path, voice), 0.3), GRAMMAR)
        intent = GRAMMAR.match(heard.text)
        assert 0 <= heard.confidence <= 1 and heard.engine == "phones"
        if heard.rejected or intent is None or (intent.value, intent.unit) != (Decimal(value), unit):
            missed.append((said, heard.text))
    assert len(missed) <= 2, missed


def test_most_are_heard_beside_a_compressor(recogniser, tmp_path):
    """At 10 dB; what is taken wrongly stays rare."""
    right, wrong = 0, 0
    said = [*(phrase.text for phrase in GRAMMAR.phrases[:18]), *(text for text, *_ in VALUES)]
    for number, text in enumerate(said):
        sound = after(spoken(text, tmp_path, ("flite:rms", "flite:slt")[number % 2]), 0.3)
        noisy = shop_noise.mix(sound, shop_noise.compressor(len(sound) / RATE + 1, number), 10.0)
        heard = recogniser.hear(noisy, GRAMMAR)
        same = GRAMMAR.match(heard.text) == GRAMMAR.match(text)
        right += same and not heard.rejected
        wrong += not same and not heard.rejected
    assert right >= 0.6 * len(said) and wrong <= 0.15 * len(said), (right, wrong, len(said))


@pytest.mark.parametrize("said", ["did you see the game last night", "hand me that rag over there would you", "who parked in front of the door", "the coffee machine is broken again", "i think it will rain tomorrow"])
def test_talk_is_rejected(recogniser, tmp_path, said):
    assert recogniser.hear(after(spoken(said, tmp_path), 0.3), GRAMMAR).rejected


NOISE = np.random.default_rng(5)
SILENT = {
    "silence": np.zeros(RATE, np.int16),
    "empty": np.zeros(0, np.int16),
    "offset": np.full(RATE, 12_000, np.int16),
    "hiss": NOISE.normal(0, 3000, 2 * RATE).astype(np.int16),
    "hum": (8000 * np.sin(np.arange(2 * RATE) * 2 * np.pi * 120 / RATE)).astype(np.int16),
    "knocks": np.where(np.arange(RATE) % 4000 < 40, 30_000, 0).astype(np.int16),
} | {name: np.round(make(4.0, 3) * 20_000).astype(np.int16) for name, make in shop_noise.NOISES.items()}


@pytest.mark.parametrize("sound", SILENT.values(), ids=SILENT.keys())
def test_noise_is_rejected_and_never_sure_at_a_glance(recogniser, sound):
    heard = recogniser.hear(sound, GRAMMAR)
    assert heard.rejected and heard.seconds_audio == len(sound) / RATE
    assert recogniser.glance(sound, GRAMMAR) is None


def test_only_the_words_in_play_are_heard(recogniser, tmp_path):
    grammar = Vocabulary(EN).grammar(Expected(confirm=True))
    assert recogniser.hear(after(spoken("affirm", tmp_path), 0.3), grammar).text == "affirm"
    assert recogniser.hear(after(spoken("record a finding", tmp_path), 0.3), grammar).rejected


def test_many_grammars_do_not_pile_up(recogniser, tmp_path):
    words, sound = Vocabulary(EN), after(spoken("next step", tmp_path), 0.3)
    for number in range(40):
        grammar = words.grammar(Expected(frozenset({"next"}), answers=("ball one" + " two" * (number % 20),), confirm=number % 2 == 0))
        assert recogniser.hear(sound, grammar).text == "next step"
    assert len(recogniser._networks) <= 32


def test_a_word_without_pronunciation_is_named(recogniser):
    with pytest.raises(SoundError, match="zorbflange"):
        recogniser.hear(SILENT["hiss"], Vocabulary(EN).grammar(Expected(answers=("zorbflange",))))


def test_another_language_is_refused():
    with pytest.raises(SoundError, match='"ko"'):
        PhoneRecogniser(load_pack("ko"))


def test_scores_put_what_was_said_first(recogniser, tmp_path):
    understood = recogniser.understand(after(spoken("fifteen bar", tmp_path), 0.3), GRAMMAR)
    found = recogniser.scores(understood.phones, ["fifty bar", "fifteen bar", "nine bar", "fifteen millibar"])
    assert found.argmax() == 1 and len(recogniser.scores(understood.phones, [])) == 0


# At a glance -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["next step", "read the caution", "forty two point five newton metres"])
@pytest.mark.parametrize("voice", ["flite:rms", "flite:slt"])
def test_a_phrase_is_over_once_it_is_silent_and_not_before(recogniser, tmp_path, text, voice):
    sound = spoken(text, tmp_path, voice)
    for share in (0.3, 0.5, 0.7):
        assert recogniser.glance(sound[: int(share * len(sound))], GRAMMAR) is None
    assert recogniser.glance(sound, GRAMMAR) is None
    heard = recogniser.glance(after(sound, 0.4), GRAMMAR)
    assert heard is not None and not heard.rejected and GRAMMAR.match(heard.text) == GRAMMAR.match(text)


@pytest.mark.parametrize("grammar, text", [(GRAMMAR, "forty two point five"), (CONFIRM, "no"), (CONFIRM, "no forty three"), (GRAMMAR, "forty millimetres")], ids=["no unit", "denial", "denied, no unit", "a unit that begins another"])
def test_what_may_go_on_is_waited_for(recogniser, tmp_path, monkeypatch, grammar, text):
    """The pause is counted from where the model last has a phone, which may be before the end of a long vowel."""
    sound = spoken(text, tmp_path)
    # How sure it must be is another matter.
    monkeypatch.setattr("assistant.speech.phone_recogniser.SURE_AT_A_GLANCE", LEAST_CONFIDENCE)

    def waited() -> float:
        """Silence after the phrase at which it is first taken to be over, s."""
        for pause in np.arange(0.0, 1.01, 0.1):
            heard = recogniser.glance(after(sound, pause), grammar)
            if heard is not None:
                assert grammar.match(heard.text) == grammar.match(text)
                return float(pause)
        return 9.0

    patient = waited()
    monkeypatch.setattr("assistant.speech.phone_recogniser.may_go_on", lambda text, grammar: False)
    assert waited() + 0.15 < patient <= 1.0


def test_what_is_less_than_sure_is_over_later(recogniser, tmp_path, monkeypatch):
    """Beside talk no pause ends it: that nobody near has spoken for a while does."""
    monkeypatch.setattr("assistant.speech.phone_recogniser.SURE_AT_A_GLANCE", 2.0)
    sound = spoken("next step", tmp_path)
    assert recogniser.glance(after(sound, 0.5), GRAMMAR) is None
    assert recogniser.glance(after(sound, 1.1), GRAMMAR).text == "next step"


def test_talk_is_like_no_phrase_and_a_phrase_is_not(recogniser, tmp_path):
    for text in ("hand me that rag over there would you", "the coffee machine is broken again"):
        talk = after(spoken(text, tmp_path), 1.2)
        assert recogniser.hear(talk, GRAMMAR).unlike and recogniser.glance(talk, GRAMMAR) is None
    assert recogniser.hear(SILENT["hiss"], GRAMMAR).unlike
    assert not recogniser.hear(after(spoken("next step", tmp_path), 0.3), GRAMMAR).unlike


@pytest.mark.parametrize("text, words", [("next step", True), ("alfa bravo four", False)], ids=["free words", "spelling"])
def test_free_words_and_letters_are_never_over_at_a_glance(recogniser, tmp_path, text, words):
    grammar = Vocabulary(EN).grammar(Expected(frozenset({"next", "cancel"}), words=words, spelled=not words))
    assert recogniser.glance(after(spoken(text, tmp_path), 1.0), grammar) is None


def test_a_command_among_letters_is_over_at_a_glance(recogniser, tmp_path):
    grammar = Vocabulary(EN).grammar(Expected(frozenset({"next", "cancel"}), spelled=True))
    assert recogniser.glance(after(spoken("never mind", tmp_path), 0.5), grammar).text == "never mind"


@pytest.mark.parametrize(
    "grammar, text, on",
    [
        (GRAMMAR, "next step", False),
        (GRAMMAR, "forty two", True),
        (GRAMMAR, "torque forty two", True),
        (GRAMMAR, "forty two newton", True),
        (GRAMMAR, "forty two newton metres", False),
        (GRAMMAR, "twenty degrees", True),
        (GRAMMAR, "twenty degrees celsius", False),
        (GRAMMAR, "ten inch pounds", False),
        (GRAMMAR, "no", False),
        (CONFIRM, "no", True),
        (CONFIRM, "negative", True),
        (CONFIRM, "yes", False),
        (CONFIRM, "no forty three", True),
        (CONFIRM, "no forty three millimetres", False),
        (Vocabulary(EN).grammar(Expected(answers=("worn", "worn out"))), "worn", True),
        (Vocabulary(EN).grammar(Expected(answers=("worn", "worn out"))), "worn out", False),
        (GRAMMAR, "no such phrase", False),
    ],
)
def test_what_more_may_follow(grammar, text, on):
    assert may_go_on(text, grammar) == on


# Fit ---------------------------------------------------------------------------------------------------------------


def test_the_fit_is_counted_a_phone(recogniser):
    """Two words of two and four phones: the shortfalls are 1 and 6."""
    rows = np.log(np.full((10, 40), 0.1 / 39, np.float32))
    rows[:, 0] = np.log(0.9)
    rows[2:6, [0, 3]] = rows[2:6, [3, 0]]
    found = Found((Word("no", 0, 3, 1.0), Word("bar", 3, 8, 6.0)), -9.0, 2.5)
    fit = fit_of(found, rows, recogniser.lexicon)
    assert (fit.phones, fit.outside) == (5, 2.5)
    assert (fit.short, fit.worst_word, fit.doubt) == pytest.approx((7 / 5, 2.0, -math.log(0.9)))


@pytest.mark.parametrize("outside", [0.0, 1e3, 1e6])
@pytest.mark.parametrize("doubt", [0.0, math.log(40)])
def test_however_badly_it_fits_there_is_a_confidence(outside, doubt):
    for value in (True, False):
        assert 0.0 <= Fit(6, 60.0, 80.0, outside, doubt).confidence(value) <= 1.0


def test_no_likeliest_phone_is_doubt_and_no_error(recogniser):
    rows = np.log(np.full((10, 40), 0.1 / 39, np.float32))
    rows[:, 0] = np.log(0.9)
    assert math.isfinite(fit_of(Found((Word("no", 0, 3, 1.0),), -9.0, 2.5), rows, recogniser.lexicon).doubt)
