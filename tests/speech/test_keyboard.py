"""Typing at a terminal: letters show as they come, Enter makes a phrase, the terminal is given back."""

import os
import pty
import termios

import pytest

from assistant.language.vocabulary import Vocabulary
from assistant.engine.expect import general_vocabulary
from assistant.speech.keyboard import KeyboardListener
from assistant.speech.listen import EndOfInput
from tests.support import EN

GRAMMAR = Vocabulary(EN).grammar(general_vocabulary())


@pytest.fixture
def terminal():
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stream:
        yield master, stream
    os.close(master)


def test_a_phrase_grows_letter_by_letter(terminal):
    master, stream = terminal
    before = termios.tcgetattr(stream)
    keyboard = KeyboardListener(stream)
    os.write(master, "nextz\x7f  step é".encode())
    while "é" not in keyboard.text():
        assert keyboard.listen(GRAMMAR, 0.2) is None
    assert keyboard.text() == "next  step é"
    os.write(master, b"\x7f\n")
    heard = None
    while heard is None:
        heard = keyboard.listen(GRAMMAR, 0.2)
    assert (heard.text, heard.engine, keyboard.text()) == ("next step", "typed", "")
    keyboard.close()
    assert termios.tcgetattr(stream) == before


def test_silence_comes_back_in_time_and_control_d_ends(terminal):
    master, stream = terminal
    keyboard = KeyboardListener(stream)
    assert keyboard.listen(GRAMMAR, 0.05) is None
    os.write(master, b"\x04")
    with pytest.raises(EndOfInput):
        keyboard.listen(GRAMMAR, 1.0)
    keyboard.close()
