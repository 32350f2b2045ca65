"""What every English recogniser is held to: the general phrases, and values in all the ways they are said."""

from collections.abc import Callable

import numpy as np

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
