"""What every English recogniser is held to: the general phrases, and values in all the ways they are said."""

import shutil
import subprocess
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from assistant.speech.sound import read_sound, trim_silence

VALUES = [
    ("forty two point five newton metres", "42.5", "N.m"),
    ("one hundred and twenty inch pounds", "120", "lbf.in"),
    ("fifteen thou", "15", "thou"),
    ("three eighths", "0.375", None),
    ("minus two", "-2", None),
    ("torque one two point five newton metres", "12.5", "N.m"),
    ("forty one", "41", None),
    ("seventy nine bar", "79", "bar"),
    ("two hundred and six point oh five millimetres", "206.05", "mm"),
]
"""(said, value, unit key)."""


def missed_phrases(recogniser, grammar, say: Callable[[str], np.ndarray]) -> list[tuple[str, str]]:
    """(said, heard) of each phrase of the grammar that was rejected or taken for another meaning."""
    missed = []
    for phrase in grammar.phrases:
        heard = recogniser.hear(say(phrase.text), grammar)
        if heard.rejected or grammar.match(heard.text) != phrase.intent:
            missed.append((phrase.text, heard.text))
    return missed


@cache
def say(voice: str, text: str) -> np.ndarray:
    """A text in a voice such as "flite:slt" or "espeak:en-gb" (int16, 16 kHz, no silence at the ends). Skips the test without the engine."""
    engine, _, name = voice.partition(":")
    command = {"flite": ["flite", "-voice", name, "-t", text, "-o"], "espeak": ["espeak-ng", "-v", name, text, "-w"]}[engine]
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not installed")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "said.wav")
        subprocess.run([*command, str(path)], check=True, timeout=30)
        return trim_silence(read_sound(path), keep_s=0.03)
