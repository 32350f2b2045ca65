"""`gloveside tune`: records the shop and a few phrases, and keeps what came of it for this person at this bench."""

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from assistant.errors import SoundError
from assistant.language.pack import Pack
from assistant.speech.endpoint import Endpointer
from assistant.speech.microphone import Microphone
from assistant.speech.recognise import RATE, Recogniser
from assistant.speech.speak import Speaker
from assistant.speech.tune import ShopProfile, measure, save

NOISE_S = 10.0
PHRASE_S = 12.0
"""Longest wait for one phrase, s."""
SPOKEN = ("next", "repeat", "finding", "torque", "where", "tools")
"""Commands that are spoken for the measurement: their sounds differ."""


def fit(microphone: Microphone, speaker: Speaker, recogniser: Recogniser, pack: Pack, person: str, bench: str, folder: Path, show: Callable[[str], None], noise_s: float = NOISE_S) -> ShopProfile:
    """Record, measure and keep. Raises SoundError where nothing can be recorded."""

    def say(text: str) -> None:
        show(text)
        speaker.say(text)
        speaker.wait(30)
        microphone.drain(0.3)

    say(pack.prompts["tune_noise"])
    time.sleep(0.3)
    noise = _record(microphone, noise_s)
    phrases = []
    for command in SPOKEN:
        phrase = pack.commands[command][0]
        say(pack.prompts["tune_phrase"].format(phrase=phrase))
        phrases.append((phrase, _one_phrase(microphone)))
    profile = measure(noise, phrases, recogniser, pack, person=person, bench=bench)
    save(profile, folder)
    say(profile.words)
    return profile


def _record(microphone: Microphone, seconds: float) -> np.ndarray:
    """So many seconds of whatever is to be heard."""
    blocks, wanted, until = [], int(seconds * RATE), time.monotonic() + 2 * seconds + 5
    while sum(map(len, blocks)) < wanted:
        block = microphone.read(0.5)
        if block is not None:
            blocks.append(block)
        elif time.monotonic() > until:
            raise SoundError("The microphone gives no sound; try gloveside doctor.")
    return np.concatenate(blocks)[:wanted]


def _one_phrase(microphone: Microphone) -> np.ndarray:
    """The next phrase; what came in, where the noise hides its end."""
    endpointer, kept, until = Endpointer(), [], time.monotonic() + PHRASE_S
    while time.monotonic() < until:
        block = microphone.read(0.2)
        if block is None:
            continue
        kept.append(block)
        found = endpointer.feed(block)
        if found:
            return found[0]
    return np.concatenate(kept) if kept else np.zeros(RATE, np.int16)
