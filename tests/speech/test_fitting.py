"""Fitting to a shop through a real (virtual) microphone: noise, six phrases, a verdict, and a file that a job then uses."""

import subprocess

import numpy as np
import pytest
import soundfile

from assistant.fitting import SPOKEN, fit
from assistant.session import make_listener
from assistant.speech.endpoint import VOICE
from assistant.speech.engines import close_recogniser
from assistant.speech.microphone import Microphone
from assistant.speech.phone_recogniser import PhoneRecogniser
from assistant.speech.sound import read_sound
from assistant.speech.speak import SilentSpeaker
from assistant.speech.tune import ShopProfile, load, save
from assistant.virtual_bench import missing_tools, virtual_bench
from tests.support import EN, ROOT

pytestmark = [pytest.mark.microphone, pytest.mark.skipif(bool(missing_tools()), reason=f"not installed: {', '.join(missing_tools())}")]


@pytest.mark.parametrize(("noise_level", "headset"), [(20, False), (2500, True)])
def test_a_quiet_and_a_loud_shop(tmp_path, noise_level, headset):
    rng = np.random.default_rng(3)
    shown: list[str] = []
    with virtual_bench() as bench:
        microphone = Microphone()

        def show(text: str) -> None:
            shown.append(text)
            phrase = text.removeprefix("Say: ").rstrip(".")
            path = tmp_path / f"{len(shown)}.wav"
            noise = rng.normal(0, noise_level, 16000 * 8)
            if text.startswith("Say: "):
                subprocess.run(["flite", "-voice", "rms", "-t", phrase, "-o", str(path)], check=True)
                spoken = np.pad(read_sound(path) // 4, (16000, 16000))
                noise = noise[: len(spoken)] + spoken
            soundfile.write(path, np.clip(noise, -32768, 32767).astype(np.int16), 16000)
            bench.play_aside(path)

        try:
            profile = fit(microphone, SilentSpeaker(), PhoneRecogniser(EN), EN, "Kim", "north", tmp_path / "profiles", show, noise_s=2.0)
        finally:
            microphone.close()
    assert [text for text in shown if text.startswith("Say:")] == [f"Say: {EN.commands[command][0]}." for command in SPOKEN]
    assert profile.headset == headset and profile.words in shown
    # The level decides: even where a loud shop leaves the phrases to be understood, a headset is told of.
    assert profile.said == 6 and (profile.right >= 5 or headset)
    assert load("Kim", "north", tmp_path / "profiles") == profile
    assert load("Kim", "south", tmp_path / "profiles") is None


def test_a_job_hears_with_the_fitting_of_its_person(tmp_path):
    profile = ShopProfile("Kim", "north", -50.0, -20.0, 30.0, 6, 6, (), False, "Well.", -46.0, 3)
    save(profile, tmp_path)
    with virtual_bench():
        recogniser, listener = make_listener("phones", EN, ROOT / "models", None, True, load("Kim", "north", tmp_path))
        try:
            assert (listener._endpointer._floor, listener._endpointer._voice) == (-46.0, VOICE[3])
        finally:
            listener.close()
            close_recogniser(recogniser)
