"""The front end: speech is heard as well after it as before, in noise no worse; and advice on the level."""

import subprocess
from pathlib import Path

import numpy as np
import pytest

from assistant.engine.expect import general_vocabulary
from assistant.language.pack import load_pack
from assistant.language.vocabulary import Vocabulary
from assistant.speech import shop_noise
from assistant.speech.devices import level_dbfs
from assistant.speech.front import METHODS, FrontEnd, Recent, advice
from assistant.speech.recognise import RATE
from assistant.speech.sound import read_sound, trim_silence
from assistant.speech.sphinx import SphinxRecogniser

EN = load_pack("en")
GRAMMAR = Vocabulary(EN).grammar(general_vocabulary())
PHRASES = ("next step", "say again", "what torque", "read the caution", "record a finding", "where are we",
           "forty two point five newton metres", "one hundred and twenty", "seventy nine bar", "fifteen minutes", "three six zero", "wrench setting")
VOICES = ("rms", "slt", "awb")
CLEANING = [method for method in METHODS if method != "none"]


@pytest.fixture(scope="module")
def recogniser() -> SphinxRecogniser:
    return SphinxRecogniser(EN)


@pytest.fixture(scope="module")
def voice(tmp_path_factory) -> list[tuple[str, np.ndarray]]:
    """Each phrase in one of three voices, with a quarter of a second of digital silence around it."""
    folder: Path = tmp_path_factory.mktemp("voice")
    said = []
    for number, text in enumerate(PHRASES):
        path = folder / f"{number}.wav"
        subprocess.run(["flite", "-voice", VOICES[number % 3], "-t", text, "-o", str(path)], check=True)
        said.append((text, np.pad(trim_silence(read_sound(path), keep_s=0.02), (4000, 4800))))
    return said


def right(recogniser, text: str, sound: np.ndarray, before: np.ndarray | None = None) -> bool:
    heard = recogniser.hear(sound, GRAMMAR, before)
    return not heard.rejected and GRAMMAR.match(heard.text) == GRAMMAR.match(text)


def noisy(voice, ratio_db: float):
    """(phrase, its sound in a compressor's hum, 1 s of the hum before it)."""
    for number, (text, sound) in enumerate(voice):
        padded = np.pad(sound, (RATE, 0))
        mixed = shop_noise.mix(padded, shop_noise.compressor(len(padded) / RATE + 0.1, number), ratio_db)
        yield text, mixed[RATE:], mixed[:RATE]


def test_clean_speech_is_still_heard(recogniser, voice):
    front = FrontEnd()
    plain = [right(recogniser, text, sound) for text, sound in voice]
    cleaned = [right(recogniser, text, front.clean(sound)) for text, sound in voice]
    assert sum(plain) >= 11
    assert sum(cleaned) >= sum(plain) - 1


def test_speech_in_hum_is_heard_at_least_as_often(recogniser, voice):
    plain = cleaned = 0
    for text, sound, before in noisy(voice, 10):
        plain += right(recogniser, text, sound)
        cleaned += right(recogniser, text, sound, before)
    assert cleaned >= plain


@pytest.mark.parametrize("method", ["spectral", "wiener"])
@pytest.mark.parametrize("known", [True, False], ids=["noise before", "noise within"])
def test_noise_is_taken_out_and_speech_is_left(voice, method, known):
    front = FrontEnd(method)
    for _, sound, before in noisy(voice[:4], 10):
        cleaned = front.clean(sound, before if known else None)
        # The first 0.2 s are noise alone; after it there is speech.
        assert level_dbfs(cleaned[:3200]) < level_dbfs(sound[:3200]) - (6 if known else 3)
        assert abs(level_dbfs(cleaned[4000:-4800]) - level_dbfs(sound[4000:-4800])) < 3


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(0, np.int16),
        np.zeros(RATE, np.int16),
        np.ones(1, np.int16),
        np.full(700, 9, np.int16),
        np.full(RATE, 12000, np.int16),
        np.full(RATE, -32768, np.int16),
        np.where(np.arange(RATE) % 80 < 40, 32767, -32768).astype(np.int16),
        np.random.default_rng(2).normal(0, 20000, RATE + 77).clip(-32768, 32767).astype(np.int16),
    ],
    ids=["empty", "silence", "one sample", "short", "offset", "lowest", "clipped square", "clipped hiss"],
)
def test_any_sound_gives_as_many_samples(method, sound):
    kept = sound.copy()
    for noise in (None, np.zeros(0, np.int16), np.zeros(RATE, np.int16), np.full(RATE, 500, np.int16), sound):
        cleaned = FrontEnd(method).clean(sound, noise)
        assert cleaned.dtype == np.int16 and len(cleaned) == len(sound)
    assert np.array_equal(sound, kept)


@pytest.mark.parametrize("method", CLEANING)
def test_an_offset_goes_and_changes_nothing_else(method, voice):
    sound = voice[0][1]
    plain, shifted = FrontEnd(method).clean(sound), FrontEnd(method).clean((sound.astype(int) // 2 + 9000).astype(np.int16))
    assert abs(float(shifted.mean())) < 5
    assert level_dbfs(shifted) == pytest.approx(level_dbfs(plain) - 6, abs=1)


def test_rumble_goes():
    time = np.arange(RATE * 2) / RATE
    low, mid = (8000 * np.sin(2 * np.pi * hertz * time) for hertz in (30, 400))
    cleaned = FrontEnd("high-pass")
    assert level_dbfs(cleaned.clean(low.astype(np.int16))) < level_dbfs(low.astype(np.int16)) - 20
    assert level_dbfs(cleaned.clean(mid.astype(np.int16))) == pytest.approx(level_dbfs(mid.astype(np.int16)), abs=0.2)


def test_an_unknown_method_is_refused():
    with pytest.raises(ValueError, match="wiener"):
        FrontEnd("magic")


def test_the_sound_before_an_utterance_is_kept():
    recent = Recent()
    stream = np.arange(20 * 1600, dtype=np.int16)
    for start in range(0, len(stream), 1600):
        recent.add(stream[start : start + 1600])
    before = recent.before(stream[:8000])
    assert len(before) == RATE
    assert before[-1] == len(stream) - 8000 - round(0.35 * RATE) - 1
    assert len(recent.before(np.zeros(60_000, np.int16))) == 0
    recent.clear()
    assert len(recent.before(stream[:8000])) == 0


def test_little_sound_is_kept_for_long():
    recent = Recent()
    for _ in range(600):
        recent.add(np.zeros(1600, np.int16))
    assert recent._kept < 18 * RATE


def speech(level: float) -> np.ndarray:
    """Noise whose level moves as speech does, at about a peak of `level` counts."""
    wave = np.random.default_rng(3).uniform(-1, 1, RATE) * np.repeat(np.random.default_rng(4).uniform(0.3, 1, 50), RATE // 50)
    return (wave * level).astype(np.int16)


@pytest.mark.parametrize(
    "sound, words",
    [
        (speech(9000), None),
        (np.zeros(0, np.int16), None),
        (np.clip(speech(32000).astype(int) * 3, -32768, 32767).astype(np.int16), "too loud and breaks up"),
        (np.clip(speech(32000).astype(int) * 1.6, -32000, 32000).astype(np.int16), "too loud"),
        (speech(150), "too quiet"),
        (speech(6), "nearly silent"),
        (np.zeros(RATE, np.int16), "nearly silent"),
        ((speech(3000).astype(int) + 9000).astype(np.int16), "plug"),
    ],
    ids=["well", "empty", "clipped", "loud", "quiet", "whisper", "silence", "offset"],
)
def test_advice(sound, words):
    said = advice(sound)
    assert (said is None) if words is None else (words in said)
    assert said is None or (said.endswith(".") and not any(letter.isdigit() for letter in said))
