"""Recorded people are read as their packages have them. The packages are not needed: what they hold is made here."""

import zipfile

import numpy as np
import pytest
import soundfile

from assistant.errors import GlovesideError
from assistant.speech.recognise import RATE
from scripts import recorded

TONE = np.pad(0.3 * np.sin(np.arange(22050) * 0.1), 4410)


@pytest.fixture
def cache(tmp_path):
    """A cache with two things and an actor's listing."""
    things = tmp_path / "recorded/usr/share/ktuberling/sounds/en"
    things.mkdir(parents=True)
    for name in ("pizzeria_olive", "moon_palmtree"):
        soundfile.write(things / f"{name}.ogg", TONE, 22050)
    soundfile.write(tmp_path / "short.ogg", TONE, 22050)
    soundfile.write(tmp_path / "long.ogg", np.tile(TONE, 9), 22050)
    listing = "#(ONE) one.ogg 12, 13\nHurry back,\nCaptain.\n\n#(TWO)\nNot spoken.\n\n#(THREE) three.ogg\nTransport 5 units.\n\n#(FOUR) four.ogg\nFar too long.\n\n#(FIVE) five.ogg\nZyx captain.\n"
    folder = tmp_path / "recorded/usr/share/games"
    folder.mkdir(parents=True)
    with zipfile.ZipFile(folder / "voice.uqm", "w") as file:
        file.writestr("base/comm/captain/captain.txt", listing)
        for name in ("one", "three", "four", "five"):
            file.write(tmp_path / ("long.ogg" if name == "four" else "short.ogg"), f"addons/voice/{name}.ogg")
    return tmp_path


def test_things_are_called_by_what_is_said(cache):
    found = recorded.things(cache)
    assert sorted(text for text, _ in found) == ["olive", "palm tree"]
    assert all(sound.dtype == np.int16 and len(sound) == pytest.approx(1.1 * RATE, rel=0.03) for _, sound in found)


def test_a_sentence_of_an_actor_has_its_own_words_and_no_figure_no_stranger_and_no_length(cache):
    (found,) = recorded.actors(cache, lambda word: word != "zyx")
    assert found[:2] == ("captain", "hurry back captain") and len(found[2]) == pytest.approx(1.1 * RATE, rel=0.03)


def test_without_the_packages_there_is_nothing(tmp_path):
    assert recorded.things(tmp_path) == [] and recorded.words(tmp_path) == [] and not recorded.has_prompts(tmp_path)
    assert list(recorded.actors(tmp_path, lambda word: True)) == []


def test_a_package_that_cannot_be_fetched_is_told(tmp_path):
    with pytest.raises(GlovesideError, match="cannot be fetched .* run apt-get update"):
        recorded.fetch(tmp_path, ("no-such-package-of-speech",))
