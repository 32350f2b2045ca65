"""Fitting to a shop: the verdict on a headset, the endpointer's thresholds, and the file it is kept in."""

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import SoundError
from assistant.language.pack import load_pack
from assistant.speech import shop_noise
from assistant.speech.phone_recogniser import PhoneRecogniser
from assistant.speech.recognise import RATE, Heard
from assistant.speech.sound import read_sound, trim_silence
from assistant.speech.tune import ShopProfile, load, measure, profile_path, save

EN = load_pack("en")
PHRASES = ("next step", "what torque", "read the caution", "forty two newton metres", "where are we")
QUIET_DBFS, LOUD_DBFS = -65.0, -27.0
SPEECH_DBFS = -25.0


@pytest.fixture(scope="module")
def recogniser() -> PhoneRecogniser:
    return PhoneRecogniser(EN)


@pytest.fixture(scope="module")
def voice(tmp_path_factory) -> list[np.ndarray]:
    """The phrases as flite says them, at `SPEECH_DBFS`, float in int16 counts."""
    folder: Path = tmp_path_factory.mktemp("voice")
    said = []
    for number, text in enumerate(PHRASES):
        subprocess.run(["flite", "-voice", "rms", "-t", text, "-o", str(folder / f"{number}.wav")], check=True)
        wave = trim_silence(read_sound(folder / f"{number}.wav"), keep_s=0.0).astype(np.float64)
        said.append(wave / np.sqrt(shop_noise.active_power(wave)) * 32768 * 10 ** (SPEECH_DBFS / 20))
    return said


def shop(voice: list[np.ndarray], noise_dbfs: float) -> tuple[np.ndarray, list[tuple[str, np.ndarray]]]:
    """The shop alone, and each phrase in it with a quarter of a second before and after."""
    gain = 32768 * 10 ** (noise_dbfs / 20) / shop_noise.NOISE_RMS
    phrases = []
    for number, (text, wave) in enumerate(zip(PHRASES, voice, strict=True)):
        padded = np.pad(wave, (4000, 4800))
        phrases.append((text, (padded + gain * shop_noise.compressor(len(padded) / RATE, number)).astype(np.int16)))
    return (gain * shop_noise.compressor(3.0, 77)).astype(np.int16), phrases


def test_a_quiet_shop_needs_no_headset(recogniser, voice):
    profile = measure(*shop(voice, QUIET_DBFS), recogniser, EN, person="Kim", bench="two")
    assert not profile.headset
    assert (profile.said, profile.person, profile.bench) == (5, "Kim", "two")
    assert profile.right >= 4 and len(profile.missed) == 5 - profile.right
    assert profile.noise_dbfs == pytest.approx(QUIET_DBFS, abs=1)
    assert profile.speech_dbfs == pytest.approx(SPEECH_DBFS, abs=2.5)
    assert profile.snr_db == pytest.approx(SPEECH_DBFS - QUIET_DBFS, abs=3)
    assert profile.noise_dbfs < profile.floor_dbfs < profile.speech_dbfs


def test_a_loud_shop_needs_one(recogniser, voice):
    profile = measure(*shop(voice, LOUD_DBFS), recogniser, EN)
    assert profile.headset and "headset" in profile.words
    assert profile.snr_db < 8
    assert profile.strictness == 3


def test_words_are_for_speaking(recogniser, voice):
    for level in (QUIET_DBFS, -42.0, LOUD_DBFS):
        words = measure(*shop(voice, level), recogniser, EN).words
        assert words.endswith(".") and not any(letter.isdigit() for letter in words)


def test_drowned_and_clipped_speech(recogniser, voice):
    noise, phrases = shop(voice, -10.0)
    profile = measure(noise, [(text, noise[: len(sound)]) for text, sound in phrases], recogniser, EN)
    assert profile.headset and profile.snr_db == 0.0 and profile.right == 0
    noise, phrases = shop(voice, QUIET_DBFS)
    loud = [(text, np.clip(sound.astype(int) * 60, -32768, 32767).astype(np.int16)) for text, sound in phrases]
    assert "too loud" in measure(noise, loud, recogniser, EN).words


def test_the_recogniser_gets_raw_sound_and_the_shop_before_it(voice):
    """Whichever recogniser wants clean sound cleans it itself, as in a job."""
    noise, phrases = shop(voice, -45.0)
    given = []

    class Kept:
        def hear(self, samples, grammar, before=None):
            given.append((samples, before))
            return Heard("", 0.0, True, 1.0, 0.0, "kept", samples)

    profile = measure(noise, phrases, Kept(), EN)
    assert profile.right == 0 and profile.missed == PHRASES
    assert all(heard is said for (heard, _), (_, said) in zip(given, phrases, strict=True))
    assert all(np.array_equal(before, noise[-RATE:]) for _, before in given)


def test_the_endpointer_takes_the_thresholds(recogniser, voice):
    noise, phrases = shop(voice, -45.0)
    endpointer = measure(noise, phrases, recogniser, EN).endpointer()
    stream = np.concatenate([noise, phrases[2][1], noise])
    assert len(endpointer.feed(stream) + endpointer.flush()) == 1
    endpointer.reset()
    assert endpointer.feed(noise) + endpointer.flush() == []


def test_what_cannot_be_measured_is_said(recogniser, voice):
    noise, phrases = shop(voice, QUIET_DBFS)
    with pytest.raises(SoundError, match="too little sound"):
        measure(noise[:100], phrases, recogniser, EN)
    with pytest.raises(SoundError, match="No phrase"):
        measure(noise, [], recogniser, EN)
    with pytest.raises(SoundError, match="zorbflange"):
        measure(noise, [("zorbflange", phrases[0][1])], recogniser, EN)
    assert measure(np.zeros(RATE * 2, np.int16), [("next step", np.zeros(0, np.int16))], recogniser, EN).right == 0


PROFILE = ShopProfile("Zoë O'Hara", "bench 2/left", -51.2, -27.5, 23.7, 8, 7, ("read the caution",), False, "All is well.", -47.2, 2)


def test_a_profile_comes_back_as_it_was(tmp_path):
    path = save(PROFILE, tmp_path / "made")
    assert path == profile_path(PROFILE.person, PROFILE.bench, tmp_path / "made") and path.parent == tmp_path / "made"
    assert load(PROFILE.person, PROFILE.bench, tmp_path / "made") == PROFILE
    assert [one.name for one in path.parent.iterdir()] == [path.name]


def test_each_person_and_bench_has_its_own(tmp_path):
    save(PROFILE, tmp_path)
    assert load("Kim", PROFILE.bench, tmp_path) is None
    assert len({profile_path(person, bench, tmp_path) for person, bench in (("a b", "c"), ("a", "b c"), ("A b", "c"), ("../a", "b-c"), ("", ""))}) == 5
    assert all(profile_path(name, name, tmp_path).parent == tmp_path for name in ("../..", "/etc/x", "\0", "x" * 400))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[: len(text) // 2],
        lambda text: "",
        lambda text: "[]",
        lambda text: text.replace("-51.2", "NaN"),
        lambda text: text.replace('"snr_db"', '"snr"'),
        lambda text: text.replace("23.7", '"loud"'),
        lambda text: json.dumps(json.loads(text) | {"bench": "3"}),
    ],
    ids=["cut", "empty", "list", "not a number", "key", "kind", "another's"],
)
def test_a_damaged_file_gives_one_clear_error(tmp_path, spoil):
    path = save(PROFILE, tmp_path)
    path.write_text(spoil(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(SoundError, match="fit again") as caught:
        load(PROFILE.person, PROFILE.bench, tmp_path)
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(SoundError, match="cannot be kept"):
        save(PROFILE, tmp_path / "file")
